"""The C library, loaded through its checked-in header, so that the two are tested together."""

import json
import re
from pathlib import Path

from cffi import FFI

ROOT = Path(__file__).resolve().parents[2]
HEADER = ROOT / "bindings/device/include/keepstart.h"


def declarations(header):
    """What cffi reads of a header: all but lines for the preprocessor, other than plain numbers, and for C++."""
    text = re.sub(r"#ifdef __cplusplus.*?#endif[^\n]*\n", "", header, flags=re.DOTALL)
    kept = [line for line in text.splitlines() if not line.startswith("#") or re.match(r"#define \w+ \d+$", line)]
    return "\n".join(kept)


class Library:
    """The library at a path."""

    def __init__(self, path):
        self.ffi = FFI()
        self.ffi.cdef(declarations(HEADER.read_text()))
        self.c = self.ffi.dlopen(str(path))

    def version(self):
        return self.ffi.string(self.c.keepstart_version()).decode()

    def ask(self, request):
        """The status and the text for some bytes."""
        out = self.ffi.new("struct keepstart_text *")
        status = self.c.keepstart_answer(self.ffi.from_buffer("uint8_t[]", request), len(request), out)
        try:
            text = bytes(self.ffi.buffer(out.data, out.length))
            assert out.data[out.length] == 0, "a text ends with a zero byte"
        finally:
            self.c.keepstart_free(out)
        assert out.data == self.ffi.NULL and out.length == 0
        self.c.keepstart_free(out)
        return status, text.decode()

    def answers(self, records, questions):
        """The answers to questions about records."""
        status, text = self.ask(json.dumps({"records": records, "ask": questions}).encode())
        assert status == self.c.KEEPSTART_ANSWERED, text
        return json.loads(text)["answers"]
