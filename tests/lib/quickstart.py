#!/usr/bin/env python3
"""Runs the commands of a document against a fresh demonstration service, and compares what they print.

A block marked `sh` is run; the block after it, marked `json` or `text`, is what it must print. `…` stands for anything:
within a line for the rest of a word or sentence, alone on a line for any number of lines. The first block starts the
service, with the options that the text gives. The commands stand as if in the root of the repository, but what they write
goes into a folder that is removed. Needs bash, curl and jq.

    tests/lib/quickstart.py [DOCUMENT]           runs and compares; openapi/README.md unless another is named
    tests/lib/quickstart.py --show [DOCUMENT]    prints what each block really gives, for whoever writes the text
"""

import os
import pathlib
import re
import signal
import socket
import subprocess
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
TEXT = "openapi/README.md"
START = "deploy/try"
READY = "Ctrl-C stops the service"
# What commands may name by its place in the repository.
LINKED = ["deploy", "target"]
# Languages of blocks that are for reading only: neither run nor compared.
SHOWN = {"rust"}
# The end of what one block printed; what stands behind it is the block's exit code.
MARK = "=== end of block "
# What is another in every run, and what stands for it in a comparison.
VOLATILE = [
    (re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d+Z"), "INSTANT"),
    (re.compile(r"urn:keepstart:request:(…|[0-9a-f-]{36})"), "REQUEST"),
    (re.compile(r'\\"\d+-[0-9a-f]+\\"'), "ETAG"),
]


def blocks(document):
    """Commands with what they must print, or None where nothing is said."""
    text = (ROOT / document).read_text(encoding="utf-8")
    found = re.findall(r"^```(\w+)\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    pairs = []
    for kind, body in found:
        if kind in SHOWN:
            continue
        if kind == "sh":
            pairs.append([body, None])
        elif kind in ("json", "text") and pairs and pairs[-1][1] is None:
            pairs[-1][1] = body
        else:
            sys.exit(f"{document}: a block marked {kind} that follows no command")
    return pairs


def plain(text):
    for pattern, word in VOLATILE:
        text = pattern.sub(word, text)
    return text


def fits(expected, printed):
    """Whether what was printed is what the text says."""
    pattern = ""
    for line in plain(expected).splitlines():
        if line.strip() == "…":
            pattern += r"(?:.*\n)*"
        else:
            pattern += ".*?".join(re.escape(part) for part in line.split("…")) + r"\n"
    return re.fullmatch(pattern, plain(printed)) is not None


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def start(options, folder, port):
    """deploy/try as the reader runs it, but on a free port and in a folder of its own."""
    out = open(os.path.join(folder, "try.out"), "w+", encoding="utf-8")
    # Its own options come first: the text's may end with some for the service.
    command = [START, "--port", str(port), "--folder", os.path.join(folder, "try"), *options]
    service = subprocess.Popen(command, cwd=ROOT, stdout=out, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL)
    for _ in range(6000):
        with open(out.name, encoding="utf-8") as said:
            printed = said.read()
        if READY in printed:
            return service
        if service.poll() is not None:
            sys.exit(f"{START} ended by itself:\n{printed}")
        time.sleep(0.1)
    service.kill()
    sys.exit(f"{START} was not ready within ten minutes:\n{printed}")


class Shell:
    """One shell for all blocks, so that later ones have the variables of earlier ones."""

    def __init__(self, folder):
        self.process = subprocess.Popen(
            ["bash"], cwd=folder, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, encoding="utf-8"
        )

    def run(self, command):
        self.process.stdin.write(f"{command}\nprintf '%s%s\\n' '{MARK}' $?\n")
        self.process.stdin.flush()
        printed = ""
        for line in self.process.stdout:
            before, mark, code = line.partition(MARK)
            printed += before
            if mark:
                return printed if printed.endswith("\n") or not printed else printed + "\n", int(code)
        return printed, -1


def main():
    words = sys.argv[1:]
    show = words[:1] == ["--show"]
    document = (words[show:] or [TEXT])[0]
    pairs = blocks(document)
    if len(pairs) < 5 or pairs[0][0].split()[:1] != [START]:
        sys.exit(f"{document}: the first of at least five blocks starts the service with {START}")
    wrong = 0
    with tempfile.TemporaryDirectory() as folder:
        port = free_port()
        for name in LINKED:
            os.symlink(ROOT / name, os.path.join(folder, name))
        service = start(pairs[0][0].split()[1:], folder, port)
        try:
            shell = Shell(folder)
            for command, expected in pairs[1:]:
                here = command.replace("127.0.0.1:8080", f"127.0.0.1:{port}").replace("deploy/.try", f"{folder}/try")
                printed, code = shell.run(here)
                if show:
                    print(f"$ {command}{printed}")
                elif code != 0 or not fits(expected or "", printed):
                    wrong += 1
                    print(f"{document} says that\n{command}prints\n{expected}but it prints (exit code {code})\n{printed}")
        finally:
            # Not SIGINT, which a shell that was started ignoring it cannot catch.
            service.send_signal(signal.SIGTERM)
            service.wait(30)
    if wrong:
        sys.exit(f"{document}: {wrong} of {len(pairs) - 1} blocks do not print what it says")
    print(f"{document}: {len(pairs) - 1} blocks print what it says")


if __name__ == "__main__":
    main()
