"""Rules about the HTML: each yields what is wrong."""

import re
from urllib.parse import urlsplit

ELEMENTS = {
    "html", "head", "meta", "title", "style", "body", "main", "header", "footer", "section", "table", "caption",
    "colgroup", "col", "thead", "tbody", "tfoot", "tr", "th", "td", "p", "div", "span", "h1", "h2", "h3", "h4", "ul", "ol",
    "li", "dl", "dt", "dd", "a", "img", "figure", "figcaption", "strong", "em", "b", "i", "small", "br", "hr", "time",
    "code",
}
ATTRIBUTES = {
    "align", "alt", "bgcolor", "border", "cellpadding", "cellspacing", "class", "colspan", "content", "datetime", "dir",
    "headers", "height", "href", "id", "lang", "name", "role", "rowspan", "scope", "src", "style", "title", "type",
    "valign", "width", "charset", "http-equiv",
}
# What makes a style fetch something, run something, or lay something over the rest.
LIVELY_STYLE = re.compile(
    r"url\s*\(|@import|@font-face|expression\s*\(|behavior\s*:|-moz-binding|position\s*:\s*(fixed|absolute)|\\", re.I
)


def elements(mail):
    return [element for element in mail.tree.iter() if isinstance(element.tag, str)]


def html_is_well_formed(mail):
    """As the HTML standard's own algorithm says; what was not escaped shows here, too."""
    if mail.errors:
        yield ", ".join(sorted(set(mail.errors)))


def html_has_known_elements_alone(mail):
    """No script, form, frame, embedded or linked thing."""
    for tag in sorted({element.tag for element in elements(mail)} - ELEMENTS):
        yield tag


def html_has_known_attributes_alone(mail):
    """No event handler."""
    for name in sorted({name for element in elements(mail) for name in element.keys()} - ATTRIBUTES):
        yield str(name)


def html_says_nothing_to_the_program(mail):
    for meta in mail.tree.iter("meta"):
        if meta.get("http-equiv", "content-type").lower() != "content-type":
            yield meta.get("http-equiv")


def links_are_https(mail):
    """No javascript:, no data:, nothing without encryption, nobody's name before the host."""
    for anchor in mail.tree.iter("a"):
        href = anchor.get("href", "")
        target = urlsplit(href)
        if target.scheme != "https" or not target.hostname or "@" in target.netloc or re.search(r"[\s\"'<>\\]", href):
            yield href


def links_lead_to_one_host(mail):
    """That of the configuration, where one unsubscribes, too."""
    unsubscribe = mail.value("List-Unsubscribe").strip("<").partition(">")[0]
    hosts = {urlsplit(link).netloc for link in [*mail.links(), unsubscribe] if link.startswith("https:")}
    if len(hosts) > 1:
        yield ", ".join(sorted(hosts))


def nothing_is_fetched(mail):
    for element in elements(mail):
        if element.get("src") is not None and not element.get("src").startswith("cid:"):
            yield f"{element.tag} {element.get('src')}"
        if element.get("background") is not None:
            yield f"{element.tag} {element.get('background')}"


def styles_only_dress(mail):
    sheets = [style.text or "" for style in mail.tree.iter("style")]
    for text in sheets + [element.get("style", "") for element in elements(mail)]:
        if found := LIVELY_STYLE.search(text):
            yield found[0]


def tables_have_headings(mail):
    for table in mail.tables():
        across = [cell for cell in table.iter("th") if cell.get("scope") == "col"]
        if not across:
            yield "a table without a heading of scope col"
    for heading in mail.tree.iter("th"):
        if heading.get("scope") not in ("col", "row", "colgroup", "rowgroup"):
            yield f"{''.join(heading.itertext())}: scope {heading.get('scope')}"


def rows_fill_their_table(mail):
    """A row of more or fewer cells moves every fact under another heading."""
    for table in mail.tables():
        widths = [sum(int(cell.get("colspan", "1")) for cell in row if cell.tag in ("td", "th")) for row in table.iter("tr")]
        if len(set(widths)) > 1:
            yield f"rows of {sorted(set(widths))} cells"


def page_says_what_it_is(mail):
    html = mail.tree if mail.tree.tag == "html" else mail.tree.find("html")
    if html is None or not re.fullmatch(r"[a-z]{2,3}(-[A-Za-z]{2})?", html.get("lang", "")):
        yield "no language"
    if not "".join(title.text or "" for title in mail.tree.iter("title")).strip():
        yield "no title"
    if not re.match(r"\s*<!doctype html>", mail.html, re.I):
        yield "no doctype"


def page_knows_dark_and_narrow(mail):
    said = {meta.get("name"): meta.get("content", "") for meta in mail.tree.iter("meta") if meta.get("name")}
    if set(said.get("color-scheme", "").split()) != {"light", "dark"}:
        yield f"color-scheme {said.get('color-scheme')}"
    if "width=device-width" not in said.get("viewport", "").replace(" ", ""):
        yield f"viewport {said.get('viewport')}"


def headings_go_down_by_one(mail):
    levels = [int(element.tag[1]) for element in elements(mail) if re.fullmatch("h[1-6]", element.tag)]
    if levels.count(1) != 1 or levels[:1] != [1] or any(b > a + 1 for a, b in zip(levels, levels[1:])):
        yield f"{levels}"


def pictures_have_words(mail):
    for image in mail.tree.iter("img"):
        if not image.get("alt", "").strip():
            yield image.get("src", "")
        if not re.fullmatch(r"\d+", image.get("width", "")):
            yield f"{image.get('src')}: no width, so the page jumps"


RULES = [
    html_is_well_formed, html_has_known_elements_alone, html_has_known_attributes_alone, html_says_nothing_to_the_program,
    links_are_https, links_lead_to_one_host, nothing_is_fetched, styles_only_dress, tables_have_headings,
    rows_fill_their_table, page_says_what_it_is, page_knows_dark_and_narrow, headings_go_down_by_one, pictures_have_words,
]
