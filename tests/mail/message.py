"""A mail as the judge sees it: its bytes, what Python's own parser makes of them, and its HTML as a tree."""

import json
import re
from email import policy
from email.parser import BytesParser

import html5lib

# Elements that begin a line of their own.
BLOCKS = {"p", "div", "table", "tr", "td", "th", "caption", "h1", "h2", "h3", "h4", "li", "ul", "ol", "br", "hr", "figure",
          "figcaption", "dt", "dd"}
UNSEEN = {"style", "script", "title", "head", "template"}


def words(text):
    """Text with every run of white space as one space."""
    return " ".join(text.split())


class Mail:
    """One message. What cannot be read is empty here; the rules of structure say so."""

    def __init__(self, name, raw, envelope=None):
        self.name, self.raw, self.envelope = name, raw, envelope
        self.head = raw.replace(b"\r\n", b"\n").partition(b"\n\n")[0]
        self.parsed = BytesParser(policy=policy.default).parsebytes(raw)
        self.parts = list(self.parsed.walk())
        self.text = self._body("text/plain")
        self.html = self._body("text/html")
        parser = html5lib.HTMLParser(namespaceHTMLElements=False)
        self.tree = parser.parse(self.html)
        self.errors = [code for _, code, _ in parser.errors]
        self.seen = words(visible(self.tree))

    @classmethod
    def read(cls, path):
        """A file, with the envelope beside it if there is one."""
        envelope = path.with_suffix(".json")
        told = json.loads(envelope.read_text(encoding="utf-8")) if envelope.exists() else None
        return cls(str(path), path.read_bytes(), told)

    def fields(self):
        """Name and raw value of every header, unfolded, in order."""
        unfolded = re.sub(rb"\n(?=[ \t])", b"", self.head).decode("ascii", "replace")
        return [tuple(part.strip() for part in line.partition(":")[::2]) for line in unfolded.split("\n")]

    def raw_values(self, name):
        return [value for key, value in self.fields() if key.lower() == name.lower()]

    def value(self, name):
        """The first raw value of a header, or nothing."""
        return next(iter(self.raw_values(name)), "")

    @property
    def subject(self):
        try:
            return str(self.parsed["subject"] or "")
        except (ValueError, IndexError):
            return ""

    def pictures(self):
        return [part for part in self.parts if part.get_content_maintype() == "image"]

    def tables(self):
        """Tables with facts in them, not those that only place things."""
        return [table for table in self.tree.iter("table") if table.get("role") != "presentation"]

    def links(self):
        return [anchor.get("href", "") for anchor in self.tree.iter("a")]

    def _body(self, kind):
        part = next((part for part in self.parts if part.get_content_type() == kind), None)
        try:
            return part.get_content() if part is not None else ""
        except (LookupError, ValueError, KeyError):
            return ""


def visible(element):
    """The text of an element that a reader sees, a picture by its alternative."""
    if not isinstance(element.tag, str) or element.tag in UNSEEN:
        return ""
    pieces = [element.get("alt", "") if element.tag == "img" else element.text or ""]
    for child in element:
        pieces += [visible(child), child.tail or ""]
    edge = "\n" if element.tag in BLOCKS else ""
    return edge + "".join(pieces) + edge


def rows(table):
    """The rows of a table as lists of cells."""
    return [[cell for cell in row if cell.tag in ("td", "th")] for row in table.iter("tr")]
