#!/usr/bin/env python3
"""Judges mails of the digest, with parsers that share no code with what wrote them.

    judge.py FILE|FOLDER ...          mails as they were sent, each with its envelope beside it if there is one (1.eml, 1.json)
    judge.py --each FILE|FOLDER ...   mails that have nothing to do with each other
    judge.py --self-test              breaks a good mail in every way, and has to find each

One line for each flaw: the mail, the rule, what is wrong. Exit code 1 if there is one.
"""

import pathlib
import sys

import facts
import headers
import leaks
import markup
import structure
import together
from message import Mail

RULES = [*headers.RULES, *structure.RULES, *markup.RULES, *leaks.RULES, *facts.RULES]


def judged(mail):
    """The flaws of one mail: rule and what is wrong."""
    flaws = []
    for rule in RULES:
        try:
            flaws += [(rule.__name__, what) for what in rule(mail)]
        # Whatever the parser trips over is a flaw of the mail, and never passes for none.
        except Exception as error:
            flaws.append(("can_be_read", f"{rule.__name__}: {error!r}"))
    return flaws


def judged_together(mails):
    """The flaws that show between several: mail, rule and what is wrong."""
    return [(name, rule.__name__, what) for rule in together.RULES for name, what in rule(mails)]


def read(paths):
    """Every mail of files and folders, in the order in which they were taken."""
    files = []
    for path in map(pathlib.Path, paths):
        files += sorted(path.glob("*.eml"), key=lambda file: (len(file.name), file.name)) if path.is_dir() else [path]
    return [Mail.read(file) for file in files]


def shown(what):
    """A flaw as one line of printable characters, not longer than one reads."""
    line = "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in what)
    return line if len(line) <= 400 else line[:400] + "…"


def main(arguments):
    if arguments == ["--self-test"]:
        import mutations

        return mutations.main()
    alone = arguments[:1] == ["--each"]
    paths = arguments[1:] if alone else arguments
    if not paths or paths[0].startswith("-"):
        sys.exit(__doc__)
    mails = read(paths)
    flaws = [(mail.name, *flaw) for mail in mails for flaw in judged(mail)]
    flaws += [] if alone else judged_together(mails)
    for name, rule, what in flaws:
        print(shown(f"{name}: {rule}: {what}"))
    print(f"{len(mails)} mails, {len(flaws)} flaws")
    return 1 if flaws or not mails else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
