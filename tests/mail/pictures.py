#!/usr/bin/env python3
"""Shows the HTML of mails in Chromium, narrow and wide, light and dark, and measures what a reader would see.

    pictures.py FOLDER FILE|FOLDER ...   mails (*.eml) or pages (*.html); the pictures go into the first folder
    pictures.py --self-test              shows pages that break each rule, and has to find each

No page reaches the network: whatever it asks for is refused, and is a flaw. One line for each flaw; exit code 1 if
there is one.
"""

import base64
import pathlib
import re
import sys
import tempfile

from browser import Browser
from message import Mail

WIDTHS = (320, 800)
SCHEMES = ("light", "dark")
HIGHEST = 6000
MEASURE = pathlib.Path(__file__).with_name("measure.js").read_text(encoding="utf-8")


def page_of(mail):
    """The HTML of a mail with its pictures put in, as a mail program does."""
    sources = {}
    for part in mail.pictures():
        content = base64.b64encode(part.get_payload(decode=True) or b"").decode()
        sources["cid:" + (part["content-id"] or "").strip().strip("<>")] = f"data:{part.get_content_type()};base64,{content}"
    return re.sub(r'(?<=src=")cid:[^"]*', lambda found: sources.get(found[0], found[0]), mail.html)


def pages(paths):
    """Name and HTML of every mail and page."""
    for path in map(pathlib.Path, paths):
        files = sorted([*path.glob("*.eml"), *path.glob("*.html")]) if path.is_dir() else [path]
        for file in files:
            is_page = file.suffix == ".html"
            yield file.stem, file.read_text(encoding="utf-8") if is_page else page_of(Mail.read(file))


def flaws_of(browser, html, width, scheme):
    asked, wrong = browser.show(html, width, scheme)
    flaws = [("nothing_is_fetched", url) for url in asked] + [("nothing_goes_wrong", what) for what in wrong]
    return flaws + [tuple(flaw) for flaw in browser.measure(MEASURE, width, scheme)]


def shown(folder, named):
    """Shows every page in every way; answers how many pictures there are, and the flaws."""
    folder.mkdir(parents=True, exist_ok=True)
    flaws, pictures = [], 0
    with Browser() as browser:
        for name, html in named:
            for width in WIDTHS:
                for scheme in SCHEMES:
                    found = flaws_of(browser, html, width, scheme)
                    flaws += [f"{name}, {width} px, {scheme}: {rule}: {what[:200]}" for rule, what in found]
                    (folder / f"{name}-{width}-{scheme}.png").write_bytes(browser.picture(width, HIGHEST))
                    pictures += 1
    return pictures, flaws


HEAD = '<!DOCTYPE html><html lang="en"><meta charset="utf-8"><meta name="color-scheme" content="light dark">'
VIEW = '<meta name="viewport" content="width=device-width"><title>x</title>'
RED = "data:image/png;base64,iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAIAAACQd1PeAAAADElEQVR4nGP4z8AAAAMBAQDJ/pLvAAAAAElFTkSuQmCC"
LONG = "wire" * 40
# Body of a page, and the rules that it breaks at 320 px in dark.
SELF_TEST = [
    (f'<p>All is well</p><img src="{RED}" alt="a dot" width="20" height="20">', set()),
    (f"<p>{LONG}</p>", {"nothing_scrolls_sideways", "text_stays_on_the_page"}),
    (f'<p style="overflow: hidden">{LONG}</p>', {"nothing_scrolls_sideways", "text_stays_on_the_page"}),
    ('<p style="color: #777">Faint</p>', {"enough_contrast"}),
    ('<p style="color: rgb(255 255 255 / 40%)">Faint</p>', {"enough_contrast"}),
    ('<div style="opacity: 0.4"><p>Faint</p></div>', {"enough_contrast"}),
    ('<p style="background: white">White on white</p>', {"enough_contrast"}),
    ('<p style="background-image: linear-gradient(red, blue)">On a gradient</p>', {"no_background_pictures"}),
    ('<p style="font-size: 11px">Small</p>', {"letters_are_large_enough"}),
    ('<p>Seen</p><p style="display: none">Unseen</p>', {"no_hidden_text"}),
    ('<p>Seen</p><p style="visibility: hidden">Unseen</p>', {"no_hidden_text"}),
    ("", {"no_hidden_text"}),
    ("<table><thead hidden><tr><th>Unit<tbody><tr><td>U7</table>", set()),
    ('<p style="width: 40px; overflow-wrap: anywhere">overdue</p>', {"words_stay_whole"}),
    ('<p style="width: 70px">2025-09-11</p>', {"words_stay_whole"}),
    ('<p style="width: 70px">one-click-unsubscribe</p>', set()),
    ('<p>Lost</p><img src="data:image/png;base64,AAAA" alt="lost" width="20" height="20">', {"pictures_are_there"}),
    (
        f'<p>Wide</p><img src="{RED}" alt="wide" width="400" height="9">',
        {"pictures_stay_on_the_page", "nothing_scrolls_sideways"},
    ),
    (
        '<p>Fetched</p><img src="https://elsewhere.example/x.png" alt="x" width="9" height="9">',
        {"nothing_is_fetched", "pictures_are_there", "nothing_goes_wrong"},
    ),
    ("<p>Loud</p><script>console.error('x')</script>", {"nothing_goes_wrong"}),
    ("<p>Broken</p><script>nothing.of.it()</script>", {"nothing_goes_wrong"}),
    ('<p style="color: black">Light</p><style>body { background: white }</style>', {"as_light_or_dark_as_wished"}),
]


def self_test():
    wrong = []
    with Browser() as browser:
        for body, expected in SELF_TEST:
            found = {rule for rule, _ in flaws_of(browser, HEAD + VIEW + body, 320, "dark")}
            if found != expected:
                wrong.append(f"{body}: {sorted(found)}; expected {sorted(expected)}")
        # Without a viewport a narrow page is as wide as a desk.
        if "nothing_scrolls_sideways" not in {rule for rule, _ in flaws_of(browser, HEAD + "<p>x</p>", 320, "light")}:
            wrong.append("a page without a viewport passes for a narrow one")
    with tempfile.TemporaryDirectory() as folder:
        count, flaws = shown(pathlib.Path(folder), [("good", HEAD + VIEW + SELF_TEST[0][0])])
        sizes = {file.read_bytes()[16:20] for file in pathlib.Path(folder).glob("*.png")}
        if flaws or count != len(WIDTHS) * len(SCHEMES) or sizes != {width.to_bytes(4, "big") for width in WIDTHS}:
            wrong.append(f"the pictures of a good page: {count}, {flaws}, {sizes}")
    print("\n".join(wrong), end="\n" if wrong else "")
    print(f"pictures of mails: {len(SELF_TEST) + 2} pages, {len(wrong)} wrong")
    return 1 if wrong else 0


def main(arguments):
    if arguments == ["--self-test"]:
        return self_test()
    if len(arguments) < 2 or arguments[0].startswith("-"):
        sys.exit(__doc__)
    count, flaws = shown(pathlib.Path(arguments[0]), list(pages(arguments[1:])))
    print("\n".join(flaws), end="\n" if flaws else "")
    print(f"{count} pictures, {len(flaws)} flaws")
    return 1 if flaws or not count else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
