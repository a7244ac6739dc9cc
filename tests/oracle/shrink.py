#!/usr/bin/env python3
"""Makes a case smaller for as long as a command still disagrees with the oracle.

    python shrink.py CASE.json -- COMMAND ...

CASE.json holds one case, or `-` reads it from stdin.  The command is given a
case with the oracle's answer on stdin, one line, and ends with a status other
than nought when it disagrees.  The smallest case found is printed, with its answer.
"""

import copy
import json
import subprocess
import sys

from due import Evaluation, parse

# Without these a case would not be one.
KEPT = set(
    """action applies applies_to at authorised_by case causes component edition edition_id
    editions events feature fitted from home_site_id id job jobs kind label
    limits limits_of new_meter_hours occurred_at occurred_on other_id other_unit_id phase prefix
    reason replacement results_on run_hours run_id schedule_id site_id sites source stopped_at target_id task
    tasks title to to_unit_id unit unit_id within_percent zone""".split()
)


def may_drop(owner, name):
    """Whether a member may go without making what holds it something else."""
    if name in KEPT or (name == "meter_hours" and owner.get("kind") == "reading"):
        return False
    if name == "effective_from" and "source" in owner:
        return False
    if name in ("until_hours", "until_date"):
        return "until_hours" in owner and "until_date" in owner
    # The last one of some limits is what they are for.
    return len(owner) > 1 or name in ("features", "lead", "tolerance")


class Shrinker:
    """Drops one thing after another and keeps what still fails."""

    def __init__(self, command):
        self.command = command
        self.asked = 0

    def fails(self, case):
        """Whether the command disagrees; a case that the oracle cannot answer does not count."""
        try:
            evaluation = Evaluation(case)
            answer = evaluation.answer()
        except Exception:
            return False
        if evaluation.doubts:
            return False
        self.asked += 1
        text = json.dumps({**case, "answer": answer}, default=float)
        done = subprocess.run(
            self.command, input=text + "\n", text=True, capture_output=True, check=False
        )
        return done.returncode != 0

    def shrink(self, case):
        case.pop("answer", None)
        if not self.fails(case):
            return None
        smaller = True
        while smaller:
            smaller = self._halves(case)
            for path in sorted(places(case), key=len):
                smaller |= self._without(case, path)
        return case

    def _halves(self, case):
        """Tries to drop many events at once before it tries each."""
        events = case["events"]
        size, smaller = len(events) // 2, False
        while size > 1:
            start = 0
            while start < len(case["events"]):
                trial = copy.deepcopy(case)
                del trial["events"][start : start + size]
                if self.fails(trial):
                    case["events"], smaller = trial["events"], True
                else:
                    start += size
            size //= 2
        return smaller

    def _without(self, case, path):
        trial = copy.deepcopy(case)
        try:
            owner = trial
            for step in path[:-1]:
                owner = owner[step]
            del owner[path[-1]]
        except (KeyError, IndexError):
            return False
        if not self.fails(trial):
            return False
        case.clear()
        case.update(trial)
        return True


def places(value, path=()):
    """The paths to everything that may be dropped; last of a list first."""
    if isinstance(value, dict):
        for name in list(value):
            if may_drop(value, name):
                yield (*path, name)
            yield from places(value[name], (*path, name))
    elif isinstance(value, list):
        for i in reversed(range(len(value))):
            if len(value) > 1 or path[-1] == "events":
                yield (*path, i)
            yield from places(value[i], (*path, i))


def main(arguments):
    if len(arguments) < 3 or arguments[1] != "--":
        print(__doc__, file=sys.stderr)
        return 2
    if arguments[0] == "-":
        text = sys.stdin.read()
    else:
        with open(arguments[0], encoding="utf-8") as file:
            text = file.read()
    case = parse(text)
    shrinker = Shrinker(arguments[2:])
    smallest = shrinker.shrink(case)
    if smallest is None:
        print("the command agrees with the case as it is", file=sys.stderr)
        return 1
    smallest["answer"] = Evaluation(smallest).answer()
    print(json.dumps(smallest, default=float))
    print(f"{len(smallest['events'])} events, asked {shrinker.asked} times", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
