"""Rules about the headers: each yields what is wrong."""

import re
import unicodedata
from datetime import date
from email.header import decode_header
from email.headerregistry import Address
from email.utils import parsedate_to_datetime

ONCE = ["From", "To", "Date", "Message-ID", "Subject", "MIME-Version", "Content-Type", "List-Id", "List-Unsubscribe",
        "List-Unsubscribe-Post", "Auto-Submitted"]
AT_MOST_ONCE = ["References", "In-Reply-To", "Content-Transfer-Encoding", "Content-Language", "Sender", "Reply-To"]
# RFC 2047 section 2: no longer than 75 characters, no space within.
ENCODED_WORD = re.compile(r"=\?[A-Za-z0-9-]+\?([Bb]\?[A-Za-z0-9+/]*={0,2}|[Qq]\?[!->@-~]*)\?=")
NAME = r"[A-Za-z0-9_-]+"
DOMAIN = r"[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?"
ID = re.compile(rf"<digest\.({NAME})\.({NAME})\.(\d{{4}}-\d\d-\d\d)\.([0-9a-f]{{16}})@({DOMAIN})>")
TOKEN = re.compile(r"[A-Za-z0-9_-]{22,}")
UUID = re.compile(r"[0-9a-fA-F]{8}(-?[0-9a-fA-F]{4}){3}-?[0-9a-fA-F]{12}")


def identity(value):
    """What a Message-ID says: organization, list, date, hash, domain."""
    found = ID.fullmatch(value)
    return found.groups() if found else None


def header_is_ascii(mail):
    """RFC 5322 section 2.2: printable ASCII."""
    if wrong := sorted({byte for byte in mail.head if byte not in b"\n\t" and not 32 <= byte < 127}):
        yield f"bytes {wrong}"


def header_names_are_known(mail):
    """What is injected shows as a header that nobody writes."""
    known = {name.lower() for name in ONCE + AT_MOST_ONCE}
    for name, _ in mail.fields():
        if name.lower() not in known:
            yield name


def headers_stand_once(mail):
    for name in ONCE:
        if (times := len(mail.raw_values(name))) != 1:
            yield f"{name} {times} times"
    for name in AT_MOST_ONCE:
        if (times := len(mail.raw_values(name))) > 1:
            yield f"{name} {times} times"


def encoded_words_are_valid(mail):
    for name, value in mail.fields():
        for word in re.findall(r"\S*=\?\S*", value):
            bare = word.strip('"(),<>')
            if not ENCODED_WORD.fullmatch(bare) or len(bare) > 75 or bare != word.strip("(),"):
                yield f"{name}: {word}"
                continue
            try:
                decoded = "".join(text.decode(charset or "ascii") for text, charset in decode_header(bare))
            except (LookupError, ValueError) as error:
                yield f"{name}: {error}"
                continue
            if any(unicodedata.category(c) == "Cc" for c in decoded):
                yield f"{name}: a control character in {decoded!r}"


def one_address_each(mail):
    for name in ("From", "To"):
        try:
            header = mail.parsed[name]
            addresses = header.addresses if header else ()
            defects = header.defects if header else ()
        except (ValueError, IndexError) as error:
            addresses, defects = (), (error,)
        if len(addresses) != 1 or defects or not plain(addresses[0]):
            yield f"{name}: {mail.value(name)} {list(defects)}"
        elif re.search(r"[@<>]", addresses[0].display_name):
            yield f"{name}: another address in the name, {addresses[0].display_name}"


def addressed_to(mail):
    """The one address in To, or nothing."""
    try:
        return mail.parsed["to"].addresses[0].addr_spec
    except (AttributeError, ValueError, IndexError):
        return ""


def plain(address: Address):
    return re.fullmatch(rf"[A-Za-z0-9._%+'-]+@{DOMAIN}", address.addr_spec)


def date_has_an_offset(mail):
    try:
        if parsedate_to_datetime(mail.value("Date")).tzinfo is None:
            yield mail.value("Date")
    except ValueError:
        yield mail.value("Date")


def message_id_has_its_form(mail):
    if not identity(mail.value("Message-ID")):
        yield mail.value("Message-ID")


def message_id_is_of_the_day(mail):
    """The list's local date is at most one day off that of the clock's offset."""
    known = identity(mail.value("Message-ID"))
    try:
        sent = parsedate_to_datetime(mail.value("Date")).date()
        if known and abs((date.fromisoformat(known[2]) - sent).days) > 1:
            yield f"{known[2]}, sent on {sent}"
    except ValueError as error:
        yield str(error)


def references_are_earlier(mail):
    """Earlier digests of the same list, and of no other."""
    mine = identity(mail.value("Message-ID"))
    found = mail.value("References").split() + mail.value("In-Reply-To").split()
    for other in found:
        known = identity(other)
        if not known or not mine or known[:2] + known[4:] != mine[:2] + mine[4:] or known[2] >= mine[2]:
            yield other
    if mail.value("In-Reply-To") and found[-1] not in mail.value("References"):
        yield "In-Reply-To is none of References"


def unsubscribe_by_https_and_mail(mail):
    """RFC 8058: an https address with an opaque token, here beside a mailto."""
    found = re.fullmatch(r"<(https://[^<>\s]+)>, *<(mailto:[^<>\s]+)>", mail.value("List-Unsubscribe"))
    if not found:
        yield mail.value("List-Unsubscribe")
    elif not TOKEN.search(found[1].rpartition("/")[2]) or UUID.search(found[1].rpartition("/")[2]):
        yield f"no opaque token of 128 bits at the end of {found[1]}"
    elif "@" in found[1] or "%40" in found[1]:
        yield f"an address in {found[1]}"


def unsubscribe_in_one_click(mail):
    """RFC 8058 section 3.1: exactly this."""
    if mail.value("List-Unsubscribe-Post") != "List-Unsubscribe=One-Click":
        yield mail.value("List-Unsubscribe-Post")


def list_has_an_id(mail):
    """RFC 2919: a phrase and an id in angle brackets, which is a domain of its own."""
    if not re.fullmatch(rf"[^<>]*<{NAME}(\.{NAME})+>", mail.value("List-Id")):
        yield mail.value("List-Id")


def said_to_be_automatic(mail):
    """RFC 3834 section 5."""
    if mail.value("Auto-Submitted") != "auto-generated":
        yield mail.value("Auto-Submitted")


def envelope_has_one_recipient(mail):
    """The one to whom the mail is addressed."""
    if mail.envelope is None:
        return
    if mail.envelope["to"] != [addressed_to(mail)]:
        yield f"{mail.envelope['to']}, addressed to {mail.value('To')}"
    if not mail.envelope["from"]:
        yield "no sender, so nobody learns of a bounce"
    if not mail.envelope["tls"]:
        yield "sent in the clear"


RULES = [
    header_is_ascii, header_names_are_known, headers_stand_once, encoded_words_are_valid, one_address_each,
    date_has_an_offset, message_id_has_its_form, message_id_is_of_the_day, references_are_earlier,
    unsubscribe_by_https_and_mail, unsubscribe_in_one_click, list_has_an_id, said_to_be_automatic,
    envelope_has_one_recipient,
]
