#!/usr/bin/env python3
"""Checks the oracle against published worked examples and rules.

    python check_published.py

Every expected number is one of the examples' or of a published rule, or of
another program (python-dateutil), not one of this oracle's.
"""

import sys
import traceback

import published_calendar
import published_conditions
import published_first
import published_hours
import published_limits
import published_rules

MODULES = (
    published_calendar,
    published_conditions,
    published_first,
    published_hours,
    published_limits,
    published_rules,
)


def checks():
    """Every function of a module that is made there and has no leading underscore."""
    for module in MODULES:
        for name, check in vars(module).items():
            made_there = getattr(check, "__module__", None) == module.__name__
            if callable(check) and made_there and not name.startswith("_"):
                yield name, check


def main():
    passed = failed = 0
    for name, check in checks():
        try:
            check()
            passed += 1
        except Exception:
            failed += 1
            print(f"failed: {name}")
            traceback.print_exc(limit=-2)
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
