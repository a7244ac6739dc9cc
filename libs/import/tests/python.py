"""Writes tables with Python's csv module, for tests/python.rs to read: python3 python.py > python.json

What stands in python.json was made by Python 3; the module is an implementation of CSV that shares no code with ours.
"""

import csv
import io
import json
import platform

CELLS = [
    ["plain", "two words"],
    [" blanks at both ends ", "\tand a tab"],
    ["comma, semicolon; tab\t", 'a "word" and a lone " mark'],
    ['"', '""'],
    ["two\nlines", "and\r\nthree\r\n\r\n"],
    ["old\rlines", "\n"],
    ["", "the first is empty"],
    ["the second is empty", ""],
    ["'apostrophe", "a;b"],
    ["Wärmehaus – Pumpe €", "x" * 500],
    ["-1.5", "1,234.5"],
]

DIALECTS = [
    ("excel", {"dialect": "excel"}, "utf-8"),
    ("excel with a mark", {"dialect": "excel"}, "utf-8-sig"),
    ("excel-tab as UTF-16", {"dialect": "excel-tab"}, "utf-16"),
    ("unix", {"dialect": "unix"}, "utf-8"),
    ("semicolons and windows-1252", {"delimiter": ";"}, "cp1252"),
    ("all quoted, carriage returns", {"quoting": csv.QUOTE_ALL, "lineterminator": "\r"}, "utf-8"),
    ("all but numbers quoted", {"quoting": csv.QUOTE_NONNUMERIC, "delimiter": ";"}, "utf-8"),
]


def written(options, encoding):
    """One table as hexadecimal digits, and the line where each row begins."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, **options)
    writer.writerow(["A", "B"])
    lines = []
    for row in CELLS:
        before = text.getvalue().replace("\r\n", "\n")
        lines.append(1 + before.count("\n") + before.count("\r"))
        writer.writerow(row)
    return text.getvalue().encode(encoding).hex(), lines


def main():
    files = []
    for name, options, encoding in DIALECTS:
        hexadecimal, lines = written(options, encoding)
        label = "windows-1252" if encoding == "cp1252" else "utf-8"
        files.append({"name": name, "encoding": label, "lines": lines, "hex": hexadecimal})
    made_by = f"python.py with the csv module of Python {platform.python_version()}"
    print(json.dumps({"made_by": made_by, "cells": CELLS, "files": files}, ensure_ascii=False, indent=1))


main()
