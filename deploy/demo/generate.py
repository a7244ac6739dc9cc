#!/usr/bin/env python3
"""Writes the demonstration fleet of Tarn Valley: its records and two years of history.

    ./generate.py           writes the data files beside this script
    ./generate.py --check   writes nothing and exits 1 at the first difference

What a person decided stands in the tables of the folder `fleet`: places and people, sets, what was done to them, and the
traps that README.md lists. The seed fills in only minutes and running times. Each unit has a random stream of its own, so
a change to one unit leaves the lines of the others alone.
"""

import sys
from pathlib import Path

sys.dont_write_bytecode = True

from fleet.files import files

HERE = Path(__file__).resolve().parent


def difference(name, wanted):
    """What is wrong with one committed file, or None."""
    path = HERE / name
    if not path.exists():
        return f"{name} is missing"
    found = path.read_bytes().decode("utf-8")
    if found == wanted:
        return None
    pairs = zip(found.splitlines() + [""], wanted.splitlines() + [""])
    line = next((n for n, (a, b) in enumerate(pairs, 1) if a != b), 1)
    return f"{name} differs from what the generator writes, first in line {line}"


def check():
    wanted = files()
    problems = [p for name, text in wanted.items() if (p := difference(name, text))]
    if problems:
        sys.exit(f"demo data: {problems[0]}")
    print(f"demo data: {len(wanted)} files are as generated")


def write():
    for name, text in files().items():
        (HERE / name).write_bytes(text.encode("utf-8"))


if __name__ == "__main__":
    if sys.argv[1:] == ["--check"]:
        check()
    elif sys.argv[1:]:
        sys.exit(__doc__)
    else:
        write()
