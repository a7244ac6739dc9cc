"""Rules about what the mail tells: subject, text and HTML tell the same. Each yields what is wrong."""

import re

from message import rows, visible, words

# Sections in their order, by how their headings begin; others stand anywhere.
ORDER = ["not ready|out of service", r"overdue(?=[ ,(]*$|,| \()", "due|coming due", "unknown|quiet", "changed", "all clear"]
# The blocks of Unicode that hold nothing but such pictures, and what makes a picture of another character.
EMOJI = re.compile("[\u2600-\u27bf\u2b00-\u2bff\ufe0f\U0001f000-\U0001faff]")
GRADE = re.compile(r"\b[A-D]\b")
DATE = re.compile(r"\b\d{4}-\d\d-\d\d\b")
LATENESS = re.compile(r"\d (h|d|days?)\b")
LONGEST_SUBJECT = 78
COUNT = re.compile(r"(\d[\d,]*) ([a-z][a-z ]*[a-z])")
LINK = re.compile(r"https?://[^\s<>\"]*[^\s<>\".,;:!?)\]]")
# A cell that says that there is nothing to say.
EMPTY = {"", "-", "–", "—"}
WEEKS = 12


def subject_is_short_and_plain(mail):
    subject = mail.subject
    if len(subject) > LONGEST_SUBJECT:
        yield f"{len(subject)} characters: {subject}"
    if not re.match(r"\[.+\] \S", subject):
        yield f"it does not begin with the list in brackets: {subject}"
    if emoji := EMOJI.findall(subject):
        yield f"{emoji}"


def counts(subject):
    """What the subject counts: number as it stands, and of what."""
    told = re.sub(r"^\[[^\]]*\]", "", subject)
    return COUNT.findall(re.split(r" - worst|: worst|; last", told)[0])


def subject_counts_what_the_body_tells(mail):
    told = counts(mail.subject)
    for number, what in told:
        phrase = re.compile(rf"(?<![\d,.]){re.escape(number)} {re.escape(what)}\b", re.I)
        for where, body in (("text", words(mail.text)), ("HTML", mail.seen)):
            if not phrase.search(body):
                yield f"{where} does not say {number} {what}"
        yield from differing_rows(mail, number, what)
    if not told and not re.search(r"all clear|nothing", mail.subject, re.I):
        yield f"no count in {mail.subject}"


def differing_rows(mail, number, what):
    """The section of that name has so many rows, or says how many more there are."""
    for section in sections(mail):
        if re.match(rf"{what}(,| \(|$)", section.heading, re.I) and section.total() != whole(number):
            yield f"{number} {what}, {section.total()} under {section.heading}"


def headings_count_their_rows(mail):
    for section in sections(mail):
        counted = re.search(r"\(([\d,]+)\)$", section.heading)
        if counted and section.total() != whole(counted[1]):
            yield f"{section.total()} under {section.heading}"


def whole(number):
    return int(number.replace(",", ""))


def subject_names_the_worst(mail):
    """It is the first one of those overdue."""
    worst = re.search(r"worst: (.*)", mail.subject)
    overdue = overdue_rows(mail)
    if overdue and not worst:
        yield f"{len(overdue)} overdue, and none in {mail.subject}"
    if worst and overdue:
        # The task may be named by its code, which stands in the link.
        links = [link.get("href", "") for cell in overdue[0] for link in cell.iter("a")]
        place = " ".join(context(mail, overdue[0]) + links)
        # What had no room is cut.
        missing = [word for word in worst[1].split() if word.strip("+.…") not in place]
        if missing:
            yield f"{' '.join(missing)} is not in the first row, {place}"
    counted = any(what == "overdue" and number != "0" for number, what in counts(mail.subject))
    if worst and counted and not overdue and mail.tables():
        yield "there is no table of what is overdue"


class Section:
    """A second heading with the rows of facts that follow it."""

    def __init__(self, heading):
        self.heading, self.rows, self.more = heading, [], 0

    def total(self):
        """How many rows there are, those included of which is only said that there are more."""
        return len(self.rows) + self.more


def sections(mail):
    found = [Section("")]
    for element in mail.tree.iter():
        if element.tag == "h2":
            found.append(Section(words(visible(element))))
        if element.tag == "table" and element.get("role") != "presentation":
            found[-1].rows.extend(row for row in rows(element) if is_fact(row))
        if element.tag == "p" and (more := re.fullmatch(r"and ([\d,]+) more\.?", words(visible(element)))):
            found[-1].more = whole(more[1])
    return found


def is_fact(row):
    """A row of headings alone tells nothing."""
    return any(cell.tag == "td" for cell in row)


def overdue_rows(mail):
    return next((section.rows for section in sections(mail) if re.match(ORDER[1], section.heading, re.I)), [])


def context(mail, row):
    """The words of a row, and of the smaller heading or the group's heading before it."""
    before = []
    for element in mail.tree.iter():
        if element.tag in ("h3", "h4", "caption") or element.get("scope") == "rowgroup":
            before.append(words(visible(element)))
        if element is row[0]:
            break
    return before[-1:] + [words(visible(cell)) for cell in row]


def lines_are_complete(mail):
    """Where, how late, since when, how well that is known, and what to do."""
    for row in overdue_rows(mail):
        told = context(mail, row)
        lacks = [what for what, sign in (("grade", GRADE), ("date", DATE), ("lateness", LATENESS)) if not sign.search(" ".join(told))]
        lacks += [] if told[-1] else ["next step"]
        if lacks:
            yield f"no {', '.join(lacks)} in {' / '.join(told)}"


def heartbeat_says_when_it_looked(mail):
    """Silence is never ambiguous."""
    if re.search(r"\bstill\b", mail.subject) and not re.search(r"last checked \d{4}-\d\d-\d\d", words(mail.text)):
        yield mail.subject


def sections_stand_in_order(mail):
    headings = [section.heading.lower() for section in sections(mail) if section.heading]
    places = [n for heading in headings for n, begins in enumerate(ORDER) if re.match(begins, heading)]
    if places != sorted(places):
        yield ", ".join(headings)


def text_has_the_headings_in_order(mail):
    at = 0
    for element in mail.tree.iter():
        if element.tag in ("h1", "h2", "h3", "h4"):
            heading = words(visible(element))
            line = re.compile(r"^\W*" + r"\s+".join(map(re.escape, heading.split())), re.M | re.I)
            if found := line.search(mail.text, at):
                at = found.end()
            else:
                yield heading


def text_has_every_cell(mail):
    """And the cells of one row close together, so that no fact is another unit's."""
    text = words(mail.text)
    for table in mail.tables():
        for row in rows(table):
            if not is_fact(row):
                continue
            lines = [line for cell in row for line in visible(cell).split("\n")]
            cells = [told for line in lines if (told := words(line)) not in EMPTY]
            missing = [cell for cell in cells if cell not in text]
            if missing:
                yield " / ".join(missing)
            elif not close_together(text, cells):
                yield f"apart: {' / '.join(cells)}"


def close_together(text, cells):
    """Whether all cells stand within a stretch that is little longer than they are."""
    room = sum(len(cell) for cell in cells) + 60 * len(cells) + 120
    rarest = min(cells, key=text.count, default="")
    at = text.find(rarest)
    while rarest and at >= 0:
        around = text[max(0, at - room) : at + room]
        if all(cell in around for cell in cells):
            return True
        at = text.find(rarest, at + 1)
    return not cells


def figures(text):
    """Every word with a digit in it, without the marks around it."""
    bare = (word.strip(".,;:()[]{}<>\"'!?*_|=~") for word in LINK.sub(" ", text).split())
    return {word for word in bare if any(c.isdigit() for c in word)}


def same_figures_in_text_and_html(mail):
    text, html = figures(mail.text), figures(mail.seen)
    if only := sorted(html - text):
        yield f"in the HTML alone: {' '.join(only)}"
    if only := sorted(text - html):
        yield f"in the text alone: {' '.join(only)}"


def vocabulary(text):
    return set(re.findall(r"[^\W\d_]+", LINK.sub(" ", text)))


def same_words_in_text_and_html(mail):
    """The headings of columns need not stand in the text."""
    text, html = vocabulary(mail.text.lower()), vocabulary(mail.seen.lower())
    columns = {word for head in mail.tree.iter("th") if head.get("scope") == "col" for word in vocabulary(visible(head).lower())}
    # The alternative of a picture stands for the picture.
    columns |= {word for image in mail.tree.iter("img") for word in vocabulary(image.get("alt", "").lower())}
    if only := sorted(html - text - columns):
        yield f"in the HTML alone: {' '.join(only)}"
    if only := sorted(text - html):
        yield f"in the text alone: {' '.join(only)}"


def same_links_in_text_and_html(mail):
    text, html = set(LINK.findall(mail.text)), set(mail.links())
    if only := sorted(html - text):
        yield f"in the HTML alone: {' '.join(only)}"
    # A name may look like a link; then it is none in the HTML.
    if only := sorted(text - html - set(LINK.findall(mail.seen))):
        yield f"in the text alone: {' '.join(only)}"


def parts_are_not_empty(mail):
    for where, body in (("text", mail.text), ("HTML", mail.seen)):
        if len(body.split()) < 10:
            yield f"{where}: {body!r}"


def nothing_is_escaped_twice(mail):
    """A name may look so, but then it does in text and HTML."""
    text, html = (set(re.findall(r"&(?:amp|lt|gt|quot|#\d+|#x[0-9a-f]+);", body)) for body in (mail.text, mail.seen))
    if text != html:
        yield " ".join(sorted(text ^ html))


def picture_says_the_same_in_words(mail):
    """Whoever sees no picture reads the same numbers in the text."""
    for image in mail.tree.iter("img"):
        drawn = re.findall(r"(?<![\d.-])\d+(?![\d.-])|not counted", image.get("alt", ""))
        candidates = [drawn[-WEEKS:]] if len(drawn) >= WEEKS else []
        candidates += [column for table in mail.tables() for column in columns(table) if len(column) == WEEKS]
        told = re.findall(r"(?<![\w.-])\d+(?![\w.-])|not counted", mail.text)
        runs = [told[at : at + WEEKS] for at in range(len(told) - WEEKS + 1)]
        if not any(candidate in runs for candidate in candidates):
            yield f"{candidates or 'no numbers in the HTML'}"


def columns(table):
    """Columns and rows of whole numbers."""
    lines = [[words(visible(cell)) for cell in row if cell.tag == "td"] for row in rows(table)]
    lines += [list(column) for column in zip(*[line for line in lines if line])]
    return [line for line in lines if all(re.fullmatch(r"\d+|not counted", cell) for cell in line)]


RULES = [
    subject_is_short_and_plain, subject_counts_what_the_body_tells, headings_count_their_rows, subject_names_the_worst,
    lines_are_complete, heartbeat_says_when_it_looked, sections_stand_in_order, text_has_the_headings_in_order,
    text_has_every_cell, same_figures_in_text_and_html, same_words_in_text_and_html, same_links_in_text_and_html,
    parts_are_not_empty, nothing_is_escaped_twice, picture_says_the_same_in_words,
]
