#!/usr/bin/env python3
"""Checks laws that hold whatever the history: of the oracle itself, on random cases.

python check_laws.py [COUNT [SEED]]
"""

import random
import sys

from due import Evaluation
from exact import DAY, parse_instant
from generate import draw_case


def without_name(answer):
    return {k: v for k, v in answer.items() if k != "case"}


def answer_of(case, events):
    return without_name(Evaluation({**case, "events": events}).answer())


def order_of_arrival(rng, case, answer):
    events = list(case["events"])
    rng.shuffle(events)
    return answer_of(case, events) == answer


def void_and_reinstate(rng, case, answer):
    """Taken back and put back: nothing has changed, unless a correction was there already."""
    targets = {e.get("target_id") for e in case["events"]}
    free = [e for e in case["events"] if e["kind"] != "correction" and e["id"] not in targets]
    if not free:
        return True
    more = [
        {
            "id": f"ffffffff-0000-7000-8000-00000000000{k}",
            "kind": "correction",
            "unit_id": case["unit"]["id"],
            "occurred_at": f"2026-01-0{k}T00:00:00Z",
            "action": action,
            "target_id": rng.choice(free)["id"] if k == 1 else None,
            "reason": "x",
        }
        for k, action in ((1, "void"), (2, "reinstate"))
    ]
    more[1]["target_id"] = more[0]["target_id"]
    return answer_of(case, [*case["events"], *more]) == answer


def another_unit(rng, case, answer):
    """What another unit did does not count."""
    stranger = "ffffffff-1111-7000-8000-000000000000"
    more = []
    for k, event in enumerate(case["events"]):
        if event["kind"] in ("reading", "service", "placement", "duty", "storage"):
            more.append({**event, "id": f"ffffffff-0000-7000-8000-{k:012}", "unit_id": stranger})
    return answer_of(case, [*case["events"], *more]) == answer


def bounds_in_order(rng, case, answer):
    hours = answer["engine_hours"]
    if hours["lower"] is not None and not hours["lower"] <= hours["nominal"] <= hours["upper"]:
        return False
    limits = [i["hours_limit"] for i in answer["items"] if i["hours_limit"]]
    return all(lower <= nominal <= upper for lower, nominal, upper in limits)


def hours_never_fall(rng, case, answer):
    """As time goes on, likely and highest hours only rise, once the unit is in service."""
    evaluation = Evaluation(case)
    at = parse_instant(case["at"])
    times = sorted(at + rng.randrange(-60 * DAY, 60 * DAY) for _ in range(12))
    new = evaluation.hours.commissioned
    known = [h for t in times if (h := evaluation.hours.at(t)) and (not new or t >= new[0])]
    pairs = list(zip(known, known[1:], strict=False))
    return all(a[1] <= b[1] and a[2] <= b[2] for a, b in pairs)


LAWS = (order_of_arrival, void_and_reinstate, another_unit, bounds_in_order, hours_never_fall)


def main(arguments):
    count = int(arguments[0]) if arguments else 300
    seed = int(arguments[1]) if len(arguments) > 1 else 1
    rng, broken = random.Random(seed), 0
    for number in range(count):
        case, _, answer = draw_case(f"laws {seed}", number)
        for law in LAWS:
            if not law(rng, case, without_name(answer)):
                broken += 1
                print(f"{law.__name__} does not hold: {case['case']}")
    print(f"{count} cases, {broken} times a law was broken")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
