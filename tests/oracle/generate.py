#!/usr/bin/env python3
"""Makes random cases for the oracle, the same ones for the same seed.

    python generate.py                 writes cases.json: a plain list of cases
    python generate.py --answers       writes cases.json with the oracle's answers
    python generate.py --count N --seed N --out FILE

A case whose answer the design rules leave open is thrown away and drawn again.
"""

import argparse
import json
import random
import sys
from collections import Counter
from datetime import date
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import due
from draw import LAST_INSTANT, Draw, hours_of
from due import DAY, HOUR, READING_AGE, WEEK


def evaluate(case):
    return due.Evaluation(json.loads(json.dumps(case), parse_float=Decimal))


# --- the instant looked at ----------------------------------------------------------


def moments(evaluation):
    """Instants at which something changes, or nearly does, by name."""
    found = []
    history, meter = evaluation.history, evaluation.meter
    for item in evaluation.items.values():
        for state, since in item.get("breaks", {}).items():
            found += around(f"date_{state}", since)
        if "hours_limit" in item:
            found += hours_moments(item, meter)
        if not meter.used and "anchor" in item:
            found += around("anchor_age", item["anchor"].instant + READING_AGE)
    if meter.used:
        newest = meter.used[-1].instant
        found += around("reading_age", newest + READING_AGE)
        found += around("newest_reading", newest)
    for adoption in history.adoptions:
        zone = history.zone_at(adoption["instant"])
        if "effective_from" not in adoption:
            found += around("effective_at_once", adoption["instant"])
        for edge in ("effective_from", "effective_until"):
            if edge in adoption:
                day = date.fromisoformat(adoption[edge])
                found += around(edge, due.first_instant(day, zone))
    for event in history.happened:
        found += around(event["kind"], event["instant"])
    return found


def around(name, instant):
    return [(name, instant), (f"{name}-1s", instant - 1), (f"{name}+1s", instant + 1)]


def hours_moments(item, meter):
    """When the growing upper bound meets a limit; ten minutes off otherwise."""
    lines = []
    if meter.used:
        lines.append((meter.used[-1].instant, meter.used[-1].engine))
    elif meter.commissioned:
        lines.append(meter.commissioned)
    if not meter.used or meter.used[-1].instant < item["anchor"].instant:
        lines.append((item["anchor"].instant, item["anchor"].hours[0]))
    found = []
    for name, target in (
        ("hours_due", item["hours_limit"][0]),
        ("hours_coming_due", item["hours_limit"][0] - item["hours_lead"]),
    ):
        met = [
            since + -(-Fraction((target - hours) * WEEK, meter.weekly_up) // 1)
            for since, hours in lines
        ]
        at = int(max(met))
        found += [(name, at), (f"{name}-10min", at - 600)]
    return found


# What a theme is best looked at by: the beginning of the moment's name.
TELLING = {
    "blind_swap": "component",
    "no_meter": "anchor_age",
    "stale": "hours",
    "unread": "date_coming",
}


def choose_moment(rng, draw):
    """Picks the instant that the case looks at, mostly a telling one."""
    last = max(happened_at(draw))
    later = last + rng.choice([rng.randrange(5 * DAY), rng.randrange(100 * DAY)])
    if draw.theme == "late_look":
        later = last + rng.randrange(30, 500) * DAY
    if draw.theme == "stale":
        later = last + rng.randrange(55, 300) * DAY
    later = min(later, LAST_INSTANT)
    probe = evaluate(draw.case("probe", later))
    if rng.random() < (0 if draw.changed_day else 0.22):
        return "later", later
    past = not draw.changed_day and rng.random() < (
        0.4 if draw.theme in ("adoptions", "loans", "blind_swap") else 0.1
    )
    fitting = [
        (name, at)
        for name, at in moments(probe)
        if draw.start <= at <= LAST_INSTANT and (at < last if past else at >= last)
    ]
    if not fitting:
        return "later", later
    if draw.changed_day:
        jump = due.first_instant(draw.changed_day, draw.zones[draw.home])
        fitting = [m for m in fitting if abs(m[1] - jump) <= 1] or fitting
    kinds = sorted({name.split("-")[0].split("+")[0] for name, _ in fitting})
    telling = [k for k in kinds if k.startswith(TELLING.get(draw.theme, "effective"))]
    kind = rng.choice(telling if telling and rng.random() < 0.7 else kinds)
    exact = [m for m in fitting if m[0] == kind]
    near = [m for m in fitting if m[0].startswith(kind)]
    name, at = rng.choice(exact if exact and rng.random() < 0.4 else near)
    return ("past " if past else "") + name, at


def happened_at(draw):
    history = evaluate(draw.case("probe", LAST_INSTANT)).history
    return [e["instant"] for e in history.happened] + [draw.start]


def add_edge_reading(rng, draw):
    """A last reading exactly at a limit, or one tick off; returns its instant."""
    last = max(happened_at(draw)) + HOUR
    probe = evaluate(draw.case("probe", last))
    exact = [
        (item, limit[0])
        for item in probe.items.values()
        if (limit := item.get("hours_limit")) and limit[0] == limit[2]
    ]
    if not exact or not probe.meter.used or not draw.metered:
        return None
    item, limit = rng.choice(exact)
    target = limit + rng.choice([0, 0, 1, -1]) * draw.tick
    target += rng.choice([0, 0, item["hours_tolerance"], -int(item["hours_lead"])])
    newest = probe.meter.used[-1]
    if target < newest.engine:
        return None
    at = max(last, newest.instant + target - newest.engine) + rng.randrange(10 * DAY)
    meter = (target - probe.meter.offset) // draw.tick * draw.tick
    if at > LAST_INSTANT or meter < 0:
        return None
    draw.add("reading", at, day_only=0, meter_hours=hours_of(meter))
    return at


def draw_case(rng, number):
    """Draws until the rules give one answer; returns (case, answer)."""
    while True:
        draw = Draw(rng, number)
        most_events = 26 if draw.theme == "crowded" else 14
        label, at = None, None
        if rng.random() < (0 if draw.changed_day else 0.2):
            at = add_edge_reading(rng, draw)
            label = "edge_reading"
        if at is None:
            label, at = choose_moment(rng, draw)
        case = draw.case(f"{number:03} {draw.theme}: {label}", at)
        evaluation = evaluate(case)
        doubts = evaluation.history.doubts + evaluate(draw.case("all", LAST_INSTANT)).history.doubts
        if doubts or len(case["events"]) > most_events:
            continue
        if not evaluation.items and draw.theme != "adoptions":
            continue
        return case, evaluation.answer()


# --- the file ------------------------------------------------------------------------


def compact(value):
    return json.dumps(value, separators=(",", ":"))


def write(path, cases, with_answers):
    """One case a line, so that a change shows as lines changed."""
    lines = []
    for case, answer in cases:
        if with_answers:
            case = {**case, "answer": answer}
        lines.append(compact(case))
    body = ",\n".join(lines)
    text = f'{{"cases":[\n{body}\n]}}\n' if with_answers else f"[\n{body}\n]\n"
    path.write_text(text, encoding="utf-8")


def summary(cases):
    states = Counter()
    for _, answer in cases:
        for item in answer["items"]:
            states[item["state"] + (f" ({item['reason']})" if item["reason"] else "")] += 1
    return ", ".join(f"{state} {count}" for state, count in sorted(states.items()))


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--answers", action="store_true")
    parser.add_argument("--count", type=int, default=400)
    parser.add_argument("--seed", type=int, default=9)
    parser.add_argument("--out", type=Path, default=Path(__file__).with_name("cases.json"))
    options = parser.parse_args()
    rng = random.Random(options.seed)
    cases = [draw_case(rng, number) for number in range(options.count)]
    write(options.out, cases, options.answers)
    print(f"{len(cases)} cases: {summary(cases)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
