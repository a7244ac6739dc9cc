#!/usr/bin/env python3
"""Answers what is due on one unit at one instant, by the design rules alone.

An oracle: plain, slow and exact.  Hours are whole seconds, instants are whole
seconds since 1970 in UTC, shares of a second are fractions, never floats.

    python due.py CASES.json           prints one answer a line
    python due.py --check CASES.json   compares with the answers in the file
    python due.py --refresh CASES.json answers the same questions anew
    python due.py -                    one case a line on stdin, one answer a line
"""

import json
import sys
from decimal import Decimal

from conditions import Conditions
from exact import parse_instant
from history import History
from hours import Hours
from limits import Planner
from schedules import Schedules, Work
from states import OPEN, Judge


class Evaluation:
    """One case worked out, with what the checks want to look into."""

    def __init__(self, case, at=None):
        self.case = case
        self.at = parse_instant(case["at"]) if at is None else at
        self.history = History(case, self.at)
        self.hours = Hours(case["unit"], self.history)
        self.chain = self.hours.chain
        self.schedules = Schedules(case, self.history)
        self.work = Work(self.history, self.hours)
        self.conditions = Conditions(case["unit"], self.history)
        self.planner = Planner(self.history, self.hours, self.schedules, self.work, self.conditions)
        self.judge = Judge(
            self.history, self.hours, self.schedules, self.work, self.conditions, self.planner
        )
        self.items = {}
        for schedule in self.schedules.names:
            adoption = self.schedules.adopted(schedule, self.at)
            if adoption:
                for task in self.schedules.edition(adoption)["tasks"]:
                    key = (schedule, task["task"])
                    self.items[key] = self.judge.item(*key, self.at)

    @property
    def doubts(self):
        return self.history.doubts

    def answer(self):
        hours = self.hours.at(self.at) or (None, None, None, "D")
        aside = sorted(self.chain.aside, key=lambda r: (r.event_id, r.instant))
        suspicion = self.chain.suspicion
        return {
            "case": self.case["case"],
            "engine_hours": dict(zip(("lower", "nominal", "upper", "grade"), hours)),
            "set_aside": sorted({r.event_id for r in aside}),
            "suggestions": [[r.event_id, self.chain.suggestion(r)] for r in aside],
            "swap_not_recorded": suspicion[1] if suspicion else [],
            "stop_missing": self.hours.runs.stop_missing(self.at),
            "items": [self._row(key, item) for key, item in sorted(self.items.items())],
        }

    def _row(self, key, item):
        row = {"schedule_id": key[0], "task": key[1], "state": item.state, "reason": item.reason}
        clock, plan = item.clock, item.clock.plan
        row.update(dict.fromkeys(("hours_limit", "date_limit", "days_left")))
        row.update(dict.fromkeys(("hours_left", "anchor")))
        if item.state == "not_applicable":
            row["reason"] = None
            return row
        row["hours_limit"] = list(plan.hours_limit) if plan.hours_limit else None
        if plan.hours_limit and clock.hours_left is None:
            row["hours_limit"] = None
        row["date_limit"] = clock.date_limit.isoformat() if clock.date_limit else None
        row["days_left"] = clock.days_left
        row["hours_left"] = clock.hours_left
        if plan.anchor is not None:
            anchor = plan.anchor
            row["anchor"] = {
                "kind": anchor.kind,
                "event_id": anchor.event["id"],
                "date": anchor.day.isoformat(),
                "hours": list(anchor.hours) if anchor.hours else None,
            }
        self._add_flags(row, item)
        return row

    def _add_flags(self, row, item):
        row["recommission_gate"] = item.gate
        row["deferral"] = item.deferral["id"] if item.deferral else None
        row["waited_for_emergency"] = item.waited
        row["failed_event_id"] = item.failed
        row["component_hours"] = item.component_hours
        row["late"] = item.late
        pack = self.schedules.edition(self.schedules.adopted(row["schedule_id"], self.at)).get(
            "pack"
        )
        row["pack"] = pack
        if item.late is OPEN:
            del row["late"]
        elif item.late and item.late["justified_by"] is OPEN:
            row["late"] = {k: v for k, v in item.late.items() if k != "justified_by"}


def answer(case):
    return Evaluation(case).answer()


def parse(text):
    return json.loads(text, parse_float=Decimal)


def read_cases(path):
    with open(path, encoding="utf-8") as file:
        content = parse(file.read())
    return content["cases"] if isinstance(content, dict) else content


def differences(case):
    """What of a stored answer is not the oracle's; members that it lacks are not asked."""
    found = answer(case)
    wrong = [k for k, v in case["answer"].items() if k != "items" and found.get(k) != v]
    items = {(i["schedule_id"], i["task"]): i for i in found["items"]}
    stored = {(i["schedule_id"], i["task"]): i for i in case["answer"]["items"]}
    if set(items) != set(stored):
        return wrong + ["items"]
    for key, item in stored.items():
        wrong += [f"{key[1]}.{k}" for k, v in item.items() if items[key].get(k) != v]
    return wrong


def refresh(path):
    """Writes a file's answers anew; it keeps to the members that they have."""
    lines = []
    for case in read_cases(path):
        stored, found = case["answer"], answer(case)
        members = list(stored["items"][0]) if stored["items"] else []
        items = [{k: i[k] for k in members if k in i} for i in found["items"]]
        case["answer"] = {**{k: found[k] for k in stored}, "items": items}
        lines.append(json.dumps(case, separators=(",", ":"), default=float))
    body = ",\n".join(lines)
    with open(path, "w", encoding="utf-8") as file:
        file.write(f'{{"cases":[\n{body}\n]}}\n')


def main(arguments):
    if len(arguments) == 2 and arguments[0] == "--refresh":
        refresh(arguments[1])
        return 0
    if len(arguments) == 2 and arguments[0] == "--check":
        wrong = 0
        for case in read_cases(arguments[1]):
            members = differences(case)
            if members:
                wrong += 1
                print(f"differs: {case['case']}: {', '.join(members)}")
        print(f"{wrong} cases differ")
        return 1 if wrong else 0
    if len(arguments) != 1:
        print(__doc__, file=sys.stderr)
        return 2
    cases = map(parse, sys.stdin) if arguments[0] == "-" else read_cases(arguments[0])
    for case in cases:
        print(json.dumps(answer(case), separators=(",", ":")), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
