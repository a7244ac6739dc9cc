#!/usr/bin/env python3
"""Draws random cases with the oracle's answers, the same ones for the same seed.

    python generate.py                       a stream, one case with its answer a line
    python generate.py --count N --seed N --first K
    python generate.py --out FILE            a file like cases.json
    python generate.py --quiet               only what the cases reach

A case whose answer the design rules leave open is thrown away and drawn again.
What the cases reach is told on stderr at the end.
"""

import argparse
import json
import multiprocessing
import random
import sys
from collections import Counter
from pathlib import Path

from draw import LAST_INSTANT, Draw
from due import Evaluation
from exact import DAY, HOUR, first_instant, hours_of, parse_day
from history import History
from reach import reached
from states import READING_AGE

MOST_EVENTS = 26


def evaluate(case, at=None):
    return Evaluation(case, at)


# --- work near a limit ---------------------------------------------------------------


def add_near_limit(rng, draw):
    """A reading or a service exactly at a limit, or nearly; returns its instant."""
    last = last_event(draw) + HOUR
    probe = evaluate(draw.case("probe", last))
    plans = [item.clock.plan for item in probe.items.values()]
    by_date = [p for p in plans if p.date_limit and not p.task.get("once")]
    exact = [p for p in plans if p.hours_limit and p.hours_limit[0] == p.hours_limit[2]]
    if "deferral" in draw.wants and rng.random() < 0.8:
        return defer(rng, draw, probe, last)
    if "emergency" in draw.wants and exact and probe.hours.used and draw.metered:
        return emergency_near_limit(rng, draw, probe, rng.choice(exact), last)
    if by_date and rng.random() < 0.4:
        return work_near_date(rng, draw, probe, rng.choice(by_date), last)
    if exact and probe.hours.used and draw.metered:
        return near_hours(rng, draw, probe, rng.choice(exact), last)
    return None


def defer(rng, draw, probe, last):
    """Puts off what is due, or nearly."""
    states = ("due", "overdue", "coming_due", "unknown")
    pressing = [k for k, i in sorted(probe.items.items()) if i.state in states]
    if not pressing:
        return None
    schedule, task = rng.choice(pressing)
    at = last + rng.randrange(3 * DAY)
    now = probe.hours.at(last)
    body = draw.deferred(schedule, task, at, now[2] if now and draw.metered else None)
    draw.add("deferral", at, day_only=0, **body)
    return at


def emergency_near_limit(rng, draw, probe, plan, last):
    """A run in an emergency during which the limit is reached."""
    tick = draw.tick
    newest = probe.hours.used[-1]
    target = max(newest.engine, plan.hours_limit[0] - rng.randrange(1, 20) * HOUR)
    at = max(last, newest.instant + target - newest.engine) + rng.randrange(5 * DAY)
    meter = (target - newest.engine + newest.meter) // tick * tick
    if at > LAST_INSTANT - 40 * DAY or draw.rollover:
        return None
    body = {"phase": "start", "reason": "emergency", "meter_hours": hours_of(meter)}
    started = draw.add("run", at, day_only=0, **body)
    length = rng.choice([10, 25, 60]) * HOUR
    if rng.random() < 0.6:
        body = {"phase": "stop", "run_id": started["id"]}
        if rng.random() < 0.5:
            body["meter_hours"] = hours_of(meter + length // tick * tick)
        draw.add("run", at + length, day_only=0, **body)
        if rng.random() < 0.4:
            after = at + length + rng.choice([0, 0, HOUR, DAY])
            draw.add("service", after, day_only=0, jobs=[draw._job(plan.task["job"], after)])
    return at


def work_near_date(rng, draw, probe, plan, last):
    days = [0, 0, 1, -1]
    tolerance = int(plan.task.get("tolerance", {}).get("days", 0))
    days += [tolerance, tolerance + 1]
    span = (plan.date_limit - plan.anchor.day).days
    edge = span * plan.task.get("within_percent", 10) // 100
    days += [edge, -edge, edge + 1, -edge - 1]
    day = plan.date_limit.toordinal() + rng.choice(days)
    zone = probe.history.zone_at(last)
    at = first_instant(plan.date_limit.fromordinal(day), zone) + rng.randrange(20 * HOUR)
    if not last <= at <= LAST_INSTANT - 40 * DAY:
        return None
    body = {"jobs": [draw._job(plan.task["job"], at)]}
    draw.add("service", at, day_only=0.2, **body)
    return at


def near_hours(rng, draw, probe, plan, last):
    task, interval = plan.task, plan.hours_interval
    tick = draw.tick
    tolerance = int(task.get("tolerance", {}).get("hours", 0)) * HOUR
    edge = interval * task.get("within_percent", 10) // 100
    lead = interval // 10
    off = rng.choice(
        [
            0,
            0,
            tick,
            -tick,
            tolerance,
            tolerance + tick,
            edge,
            -edge,
            edge + tick,
            -edge - tick,
            -lead,
        ]
    )
    newest = probe.hours.used[-1]
    target = plan.hours_limit[0] + off
    if target < newest.engine:
        return None
    at = max(last, newest.instant + target - newest.engine) + rng.randrange(10 * DAY)
    meter = (target - newest.engine + newest.meter) // tick * tick
    if draw.rollover:
        meter %= draw.rollover
    if at > LAST_INSTANT - 40 * DAY or meter < 0:
        return None
    body = {"meter_hours": hours_of(meter)}
    kind = "reading"
    if rng.random() < 0.5:
        kind, body["jobs"] = "service", [draw._job(task["job"], at)]
    draw.add(kind, at, day_only=0, **body)
    return at


# --- the instant looked at ------------------------------------------------------------


def last_event(draw):
    history = History(draw.case("probe", LAST_INSTANT), LAST_INSTANT)
    return max([e["instant"] for e in history.happened] + [draw.start])


# What an ingredient is best looked at by.
TELLING = {
    "storage": ("storage",),
    "duty": ("duty", "duty_ended"),
    "emergency": ("run", "run_ended"),
    "open_run": ("run", "run_ended"),
    "deferral": ("deferral", "deferral_ended"),
    "override": ("setting", "setting_ended"),
    "feature": ("setting", "setting_ended"),
    "applies": ("setting", "setting_ended"),
    "component": ("component",),
    "on_failed": ("date_failed_due", "date_failed_overdue", "date_failed_coming_due"),
    "analysis": ("date_failed_due", "date_failed_overdue", "date_failed_coming_due"),
}


def edges(probe):
    """Instants at which something begins or ends, by name."""
    history, found = probe.history, []
    for event in history.happened:
        found.append((event["kind"], event["instant"]))
    for kind, decisions in history.decisions.items():
        for decision in decisions:
            start, end = history.span(decision)
            found.append((kind, start))
            if end is not None:
                found.append((f"{kind}_ended", end))
            if "until_date" in decision:
                day = parse_day(decision["until_date"])
                zone = history.zone_at(history.at)
                found.append(("deferral_ended", first_instant(day, zone) + DAY))
    for run in probe.hours.runs.runs:
        if run.end is not None:
            found.append(("run_ended", run.end))
    if probe.hours.used:
        found.append(("reading_age", probe.hours.used[-1].instant + READING_AGE))
    for item in probe.items.values():
        for name, at in item.clock.breaks.items():
            found.append((f"date_{name}", at))
    return found


def change(rng, draw, last, later):
    """The instant at which the state of some item changes while nothing is entered."""

    def states(at):
        items = evaluate(draw.case("probe", at)).items
        return items.get(key) and (items[key].state, items[key].reason)

    probe = evaluate(draw.case("probe", later))
    if not probe.items:
        return None
    key = rng.choice(sorted(probe.items))
    low, high = last, later
    before = states(low)
    if before == states(high):
        high = min(high + 200 * DAY, LAST_INSTANT)
        if high <= low or before == states(high):
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if states(middle) == before else (low, middle)
    return high


def choose_moment(rng, draw):
    """Picks the instant that the case looks at, mostly a telling one."""
    last = last_event(draw)
    later = last + rng.choice([rng.randrange(5 * DAY), rng.randrange(100 * DAY)])
    if draw.theme in ("late_look", "stale"):
        later = last + rng.randrange(50, 400) * DAY
    later = min(later, LAST_INSTANT)
    way = rng.random()
    if draw.changed_day:
        jump = first_instant(draw.changed_day, draw.zones[draw.home])
        return "changed_day", jump + rng.choice([0, 0, -1, 1, DAY])
    probe = evaluate(draw.case("probe", later))
    outages = [s for s in probe.hours.runs.emergencies if s[0] <= LAST_INSTANT]
    if "emergency" in draw.wants and outages and rng.random() < 0.5:
        start, end = rng.choice(outages)
        end = min(end, start + 90 * HOUR)
        inside = start + rng.randrange(end - start)
        return "outage", rng.choice([inside, inside, start, end, end - 1, end + DAY])
    if way < 0.2 or later <= last:
        return "later", later
    if way < 0.45:
        at = change(rng, draw, last, later)
        if at is not None:
            return "change", at - rng.choice([0, 0, 0, 1])
    found = [(n, a) for n, a in edges(probe) if draw.start <= a <= LAST_INSTANT]
    if not found:
        return "later", later
    names = sorted({name for name, _ in found})
    telling = [n for n in names if n in TELLING.get(rng.choice(sorted(draw.wants) or [""]), ())]
    wanted = rng.choice(telling if telling and rng.random() < 0.7 else names)
    name, at = rng.choice([e for e in found if e[0] == wanted])
    if at < last and rng.random() < (0.8 if wanted in telling else 0.35):
        return f"past {name}", at + rng.choice([0, 0, 1, -1, 3 * HOUR, 9 * DAY])
    if at < last:
        at = min(last + rng.randrange(20 * DAY), LAST_INSTANT)
        return "later", at
    return name, at + rng.choice([0, 0, 1, -1])


def draw_case(seed, number):
    """Draws until the rules give one answer; returns (case, evaluation)."""
    rng = random.Random(f"{seed}/{number}")
    while True:
        draw = Draw(rng, number)
        telling = draw.wants & {"planned", "planned_within", "emergency", "deferral"}
        for _ in range(rng.choice([1, 2, 3] if telling else [0, 0, 1, 1, 2])):
            add_near_limit(rng, draw)
        name, at = choose_moment(rng, draw)
        at = min(max(at, draw.start), LAST_INSTANT)
        about = "+".join([draw.theme, *sorted(draw.wants)])
        case = draw.case(f"{number:05} {about}: {name}", at)
        evaluation = evaluate(case)
        answer = evaluation.answer()
        if evaluation.doubts or not 2 <= len(case["events"]) <= MOST_EVENTS:
            continue
        if not answer["items"] and rng.random() < 0.9:
            continue
        return case, evaluation, answer


# --- the stream ------------------------------------------------------------------------


def compact(value):
    return json.dumps(value, separators=(",", ":"))


def line(job):
    case, evaluation, answer = draw_case(*job)
    return compact({**case, "answer": answer}), reached(case, evaluation, answer)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=400)
    parser.add_argument("--first", type=int, default=0, help="the number of the first case")
    parser.add_argument("--seed", type=int, default=9)
    parser.add_argument("--out", type=Path, help="a file to write instead of a stream")
    parser.add_argument("--quiet", action="store_true", help="print no cases")
    options = parser.parse_args()
    jobs = [(options.seed, options.first + k) for k in range(options.count)]
    lines, counts = [], Counter()
    with multiprocessing.Pool() as pool:
        for text, features in pool.imap(line, jobs, chunksize=50):
            counts.update(features)
            if options.out:
                lines.append(text)
            elif not options.quiet:
                print(text)
    if options.out:
        body = ",\n".join(lines)
        options.out.write_text(f'{{"cases":[\n{body}\n]}}\n', encoding="utf-8")
    for feature, count in sorted(counts.items()):
        print(f"{count:6} {feature}", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
