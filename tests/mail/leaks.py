"""Rules about what no mail may carry, wherever it stands: each yields what is wrong."""

import re
import unicodedata
from urllib.parse import urlsplit

from markup import elements

# Three decimals of a degree are about 100 m.
COORDINATES = re.compile(
    r"(?<![\w.])-?\d{1,3}\.\d{3,}\s*[,;/ ]\s*-?\d{1,3}\.\d{3,}|\d{1,3}\s*°\s*\d|[?&/](lat|lon|lng|geo)[=:/]|geo:"
)
PHONES = re.compile(
    r"tel:|(?<![\w.-])\+\d[\d ().-]{8,}\d|\(\d{3}\)\s*\d{3}[-. ]\d{4}|(?<![\w.-])\d{3}[-. ]\d{3}[-. ]\d{4}(?![\w-])"
)
TOKENS = re.compile(
    r"eyJ[A-Za-z0-9_-]{10,}|[?&](token|key|sig|signature|auth|session|code|secret|password)=|bearer\s+\S{16,}", re.I
)
# Longer than any word, with digits within, and no UUID.
OPAQUE = re.compile(r"(?=[A-Za-z_-]*\d)(?=[\d_-]*[A-Za-z])[A-Za-z0-9_-]{22,}")
UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
# Marks that turn the direction of what follows, or hide in it; the joiners stay, since some scripts need them.
HIDDEN = set("\u061c\u200b\u200e\u200f\u2028\u2029\u2060\ufeff")
HIDDEN |= {chr(c) for c in [*range(0x202A, 0x202F), *range(0x2066, 0x206A)]}


def bodies(mail):
    """What a reader may come to see, and where it stands."""
    attributes = " ".join(value for element in elements(mail) for value in element.attrib.values())
    return {"subject": mail.subject, "text": mail.text, "HTML": f"{mail.seen} {attributes}"}


def no_coordinates(mail):
    for where, what in bodies(mail).items():
        if found := COORDINATES.search(what):
            yield f"{where}: {found[0]}"


def no_phone_numbers(mail):
    for where, what in bodies(mail).items():
        if found := PHONES.search(what):
            yield f"{where}: {found[0]}"


def no_tokens(mail):
    for where, what in bodies(mail).items():
        if found := TOKENS.search(what):
            yield f"{where}: {found[0]}"
    for link in sorted(set(mail.links() + re.findall(r"https?://[^\s<>\"]+", mail.text))):
        target = urlsplit(link)
        for part in re.split(r"[/?&=#]", f"{target.path}?{target.query}#{target.fragment}"):
            if OPAQUE.fullmatch(part) and not UUID.fullmatch(part):
                yield f"link: {part}"


def unsubscribe_token_is_in_its_header_alone(mail):
    """Whoever forwards the mail forwards its body."""
    address = mail.value("List-Unsubscribe").partition(">")[0]
    token = address.rpartition("/")[2].rpartition("=")[2]
    rest = mail.text + mail.html
    if len(token) >= 16 and token in rest:
        yield token


def no_control_characters(mail):
    for where, what in {"subject": mail.subject, "text": mail.text, "HTML": mail.html}.items():
        allowed = "" if where == "subject" else "\n\t\r"
        found = {c for c in what if (unicodedata.category(c) == "Cc" and c not in allowed) or c in HIDDEN}
        if found:
            yield f"{where}: {', '.join(sorted(f'U+{ord(c):04X}' for c in found))}"


RULES = [no_coordinates, no_phone_numbers, no_tokens, unsubscribe_token_is_in_its_header_alone, no_control_characters]
