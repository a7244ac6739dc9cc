"""Rules about lines, parts and pictures: each yields what is wrong."""

import re
import struct
import zlib

# RFC 5322 section 2.1.1, without the line's end.
LONGEST_LINE = 998
LARGEST_PICTURE = 100_000
PNG = b"\x89PNG\r\n\x1a\n"


def lines_end_with_crlf(mail):
    """RFC 5322 section 2.3: CR and LF only together."""
    bare = re.findall(rb"\r(?!\n)|(?<!\r)\n", mail.raw)
    if bare:
        yield f"{len(bare)} bare"
    if not mail.raw.endswith(b"\r\n"):
        yield "the last line has no end"
    if b"\0" in mail.raw:
        yield "a NUL"


def lines_are_short(mail):
    longest = max(map(len, re.split(rb"\r\n|\r|\n", mail.raw)))
    if longest > LONGEST_LINE:
        yield f"{longest} octets"


def parsed_without_defects(mail):
    for part in mail.parts:
        for defect in part.defects:
            yield f"{part.get_content_type()}: {defect!r}"
        for name, value in part.raw_items():
            try:
                defects = part.policy.header_fetch_parse(name, value).defects
            except (ValueError, IndexError) as error:
                defects = (error,)
            for defect in defects:
                yield f"{name}: {defect!r}"


def text_first_then_html(mail):
    """RFC 2046 section 5.1.4: the last part is the best one."""
    kinds = [part.get_content_type() for part in mail.parsed.iter_parts()] if mail.parsed.is_multipart() else []
    if mail.parsed.get_content_type() != "multipart/alternative" or len(kinds) != 2 or kinds[0] != "text/plain":
        yield f"{mail.parsed.get_content_type()}: {kinds}"
        return
    if kinds[1] == "multipart/related":
        best = list(list(mail.parsed.iter_parts())[1].iter_parts())
        if best[0].get_content_type() != "text/html" or any(p.get_content_type() != "image/png" for p in best[1:]):
            yield f"{kinds[1]}: {[part.get_content_type() for part in best]}"
    elif kinds[1] != "text/html":
        yield f"{kinds}"
    for part in mail.parts:
        if part.get_content_maintype() == "text" and part.get_content_charset() != "utf-8":
            yield f"{part.get_content_type()} in {part.get_content_charset()}"


def nothing_is_attached(mail):
    for part in mail.parts:
        if part.get_content_disposition() == "attachment" or part.get_filename():
            yield f"{part.get_content_type()} {part.get_filename()}"


def pictures_are_inline_png(mail):
    """By what the bytes are, not by what they are called; and each is shown once."""
    shown = [image.get("src", "") for image in mail.tree.iter("img")]
    if len(set(shown)) != len(mail.pictures()):
        yield f"{len(mail.pictures())} pictures come, {len(set(shown))} are shown"
    for part in mail.pictures():
        id = (part["content-id"] or "").strip().strip("<>")
        if f"cid:{id}" not in shown:
            yield f"{id or 'a picture without an id'} is not shown"
        content = part.get_payload(decode=True) or b""
        if wrong := not_png(content):
            yield f"{id}: {wrong}"
        elif len(content) > LARGEST_PICTURE:
            yield f"{id}: {len(content)} bytes"


def not_png(content):
    """What is wrong with it as a PNG."""
    if not content.startswith(PNG):
        return "no PNG"
    at, kinds = len(PNG), []
    while at + 12 <= len(content):
        size, kind = struct.unpack_from(">I4s", content, at)
        body = content[at + 4 : at + 8 + size]
        if content[at + 8 + size : at + 12 + size] != struct.pack(">I", zlib.crc32(body)):
            return f"{kind.decode('ascii', 'replace')} is broken"
        kinds.append(kind)
        at += 12 + size
    if kinds[:1] != [b"IHDR"] or kinds[-1:] != [b"IEND"] or b"IDAT" not in kinds or at != len(content):
        return f"chunks {kinds}"
    # Software and time would make each run another mail; a comment could say what the reader may not know.
    return f"chunks {kinds}" if {b"tEXt", b"zTXt", b"iTXt", b"eXIf", b"tIME"} & set(kinds) else ""


RULES = [
    lines_end_with_crlf, lines_are_short, parsed_without_defects, text_first_then_html, nothing_is_attached,
    pictures_are_inline_png,
]
