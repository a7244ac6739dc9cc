#!/usr/bin/env python3
"""Answers what is due on one unit at one instant, by the design rules alone.

An oracle: plain, slow and exact.  Hours are whole seconds, instants are whole
seconds since 1970 in UTC, shares of a second are fractions, never floats.

    python due.py CASES.json           prints one answer a line
    python due.py --check CASES.json   compares with the answers in the file
"""

import json
import sys
import zoneinfo
from datetime import date, datetime, timedelta, timezone
from decimal import Decimal
from fractions import Fraction
from itertools import combinations

from dateutil.relativedelta import relativedelta

# Only the pinned zone data counts, not whatever the machine brings along.
zoneinfo.reset_tzpath(to=())

HOUR = 3600
DAY = 24 * HOUR
WEEK = 7 * DAY

READING_AGE = 60 * DAY
LEAST_WEEKLY_USE = WEEK // DAY * HOUR // 2  # 0.5 h/day
MOST_WEEKLY_USE = WEEK  # 24 h/day
WEEKS_LOOKED_AT = 52
LEAD_PERCENT = 10
LATER_READINGS_TO_SETTLE = 3
MOST_WAITING = 16

KIND_RANK = {"commissioning": 0, "component": 1, "reading": 2, "service": 3}


# --- numbers and time ---------------------------------------------------------


def seconds(hours):
    """Decimal hours as whole seconds; None stays None."""
    if hours is None:
        return None
    exact = Fraction(str(hours)) * HOUR
    if exact.denominator != 1:
        raise ValueError(f"{hours} h is not a whole number of seconds")
    return int(exact)


def round_half_away(value):
    """A non-negative fraction to the nearest whole number, halves upwards."""
    value = Fraction(value)
    return (2 * value.numerator + value.denominator) // (2 * value.denominator)


def parse_instant(text):
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None or moment.microsecond:
        raise ValueError(f"{text}: an offset and whole seconds are needed")
    return int(moment.timestamp())


def local_date(instant, zone):
    return datetime.fromtimestamp(instant, timezone.utc).astimezone(zone).date()


def first_instant(day, zone):
    """The first instant of a local day; a clock may jump over midnight."""
    midnight = datetime(day.year, day.month, day.day, tzinfo=zone, fold=0)
    instant = int(midnight.timestamp())
    if datetime.fromtimestamp(instant, zone).replace(tzinfo=None) == midnight.replace(tzinfo=None):
        return instant
    # Midnight is in a gap: walk to the first minute that shows the day.
    minute = instant - 26 * HOUR
    while local_date(minute, zone) < day:
        minute += 60
    return minute


def add_interval(day, limits, count=1):
    """`count` calendar intervals after a day; months clamp to the month's end."""
    if "months" in limits:
        return day + relativedelta(months=count * int(limits["months"]))
    return day + timedelta(days=count * int(limits["days"]))


def has_calendar(limits):
    return "months" in limits or "days" in limits


# --- the unit's events ----------------------------------------------------------


class History:
    """The events of one unit: corrected, placed in time, ordered, cut at `at`."""

    def __init__(self, case):
        self.doubts = []  # what in this case the rules leave open
        self.at = parse_instant(case["at"])
        self.home = case["unit"]["home_site_id"]
        self.zones = {s["id"]: zoneinfo.ZoneInfo(s["zone"]) for s in case["sites"]}
        events = [e for e in self._uncorrected(case["events"]) if e["kind"] != "correction"]
        self._place(events)
        # A decision counts whenever it was taken; what happened counts once it has.
        self.adoptions = [e for e in events if e["kind"] == "adoption"]
        self.happened = sorted(
            (e for e in events if e["kind"] != "adoption" and e["instant"] <= self.at),
            key=lambda e: (e["instant"], KIND_RANK.get(e["kind"], 4), e["id"]),
        )
        commissionings = [e for e in self.happened if e["kind"] == "commissioning"]
        self.commissioning = commissionings[0] if commissionings else None
        if len(commissionings) > 1:
            self.doubts.append("two commissionings")
        if self.commissioning and any(
            e["instant"] < self.commissioning["instant"] for e in self.happened
        ):
            self.doubts.append("something happened before the commissioning")

    def _uncorrected(self, events):
        """The events that count: for each, its last correction decides (rule 1)."""
        home_zone = self.zones[self.home]
        corrections = [e for e in events if e["kind"] == "correction"]
        of_corrections = {c["id"] for c in corrections}
        decided = {}
        for c in sorted(corrections, key=lambda c: (self._rough_instant(c, home_zone), c["id"])):
            if c["target_id"] not in of_corrections:
                decided[c["target_id"]] = c["action"]
        return [dict(e) for e in events if decided.get(e["id"]) != "void"]

    @staticmethod
    def _rough_instant(event, zone):
        if "occurred_at" in event:
            return parse_instant(event["occurred_at"])
        return first_instant(date.fromisoformat(event["occurred_on"]), zone)

    def _place(self, events):
        """Gives every event its instant, and the unit its places (rule 2)."""
        moves = [e for e in events if e["kind"] in ("commissioning", "placement")]
        others = [e for e in events if e["kind"] not in ("commissioning", "placement")]
        self.track = []
        for group in (
            [e for e in moves if "occurred_at" in e],
            [e for e in moves if "occurred_at" not in e],
            others,
        ):
            for e in group:
                e["instant"] = self._instant(e)
            self.track = sorted(
                self.track + [(e["instant"], e["id"], e["site_id"]) for e in group if e in moves]
            )

    def _instant(self, event):
        if "occurred_at" in event:
            return parse_instant(event["occurred_at"])
        day = date.fromisoformat(event["occurred_on"])
        # Which zone's midnight depends on where it stood then: ask at home's midnight.
        guess = first_instant(day, self.zones[self.home])
        zone = self.zone_at(guess)
        self._doubt_zone(event, day, zone)
        return first_instant(day, zone)

    def _doubt_zone(self, event, day, chosen):
        possible = {self.zone_at(first_instant(day, z)).key for z in self.zones.values()}
        if "site_id" in event:
            possible.add(self.zones[event["site_id"]].key)
        if possible != {chosen.key}:
            self.doubts.append("the zone of a day without a time is circular")

    def zone_at(self, instant):
        """The zone of the site where the unit stood; a move counts from its instant."""
        site = self.home
        for moved, _, to in self.track:
            if moved <= instant:
                site = to
        return self.zones[site]

    def date_of(self, event):
        if "occurred_on" in event:
            return date.fromisoformat(event["occurred_on"])
        return local_date(event["instant"], self.zone_at(event["instant"]))

    def services(self):
        return [e for e in self.happened if e["kind"] == "service"]


# --- readings and engine hours ---------------------------------------------------


class Reading:
    """One number read off a meter, and the engine hours that it stands for."""

    def __init__(self, event, meter, offset, grade):
        self.event_id = event["id"]
        self.instant = event["instant"]
        self.meter = meter
        self.engine = meter + offset
        self.grade = grade


def agree(readings, tick):
    """No two of them fall, or rise more than the clock plus one tick."""
    return all(
        0 <= b.meter - a.meter <= b.instant - a.instant + tick for a, b in combinations(readings, 2)
    )


class Meter:
    """Judges the readings in order and tells the engine hours (rules 4 and 5)."""

    def __init__(self, unit, history):
        self.history = history
        self.tick = seconds(unit.get("meter_tick_hours", Decimal("0.1")))
        self.used = []
        self.aside = []
        self.settled = None
        self.waiting = []
        self.offset = 0
        self.grade = "A"
        self.commissioned = self._commissioning_hours(unit.get("meter_fitted", True))
        for event in history.happened:
            self._take(event)
        self._settle_all(None)
        self.weekly_up, self.weekly_mid = self._weekly_rates()
        if self.commissioned and self.used and self.used[0].engine < self.commissioned[1]:
            history.doubts.append("first reading below the commissioning hours")

    def _commissioning_hours(self, meter_fitted):
        """(instant, engine hours) of the commissioning, where they are known."""
        event = self.history.commissioning
        if event is None:
            return None
        meter = seconds(event.get("meter_hours"))
        engine = seconds(event.get("engine_hours"))
        if engine is None:
            engine = meter
        if engine is None and not meter_fitted:
            engine = 0
        if engine is None:
            return None
        if meter is not None:
            self.offset = engine - meter
        return (event["instant"], engine)

    def _take(self, event):
        meter = seconds(event.get("meter_hours"))
        if event["kind"] == "component" and event["component"] == "meter":
            if event["action"] == "fitted":
                self._swap(event)
        elif meter is None:
            return
        elif event["kind"] == "commissioning":
            self._settle_all(Reading(event, meter, self.offset, self.grade))
        elif event["kind"] in ("reading", "service", "component"):
            self.waiting.append(Reading(event, meter, self.offset, self.grade))
            self._settle_what_is_sure()

    def _swap(self, event):
        old = seconds(event.get("old_meter_hours"))
        new = seconds(event["new_meter_hours"])
        if old is None:
            # From here on the hours since new contain what nobody read.
            self.grade = "C"
            self._settle_all(None)
            closed = self._last_known(event)
        else:
            close = Reading(event, old, self.offset, self.grade)
            self._settle_all(close)
            closed = close.engine
        self.offset = closed - new
        self.settled = Reading(event, new, self.offset, self.grade)
        self.used.append(self.settled)

    def _last_known(self, event):
        if self.used:
            return self.used[-1].engine
        self.history.doubts.append("meter swap without any hours before it")
        return self.commissioned[1] if self.commissioned else 0

    def _chain(self, fixed=None):
        """Indexes of the largest set that agrees; of equals the earliest."""
        before = [self.settled] if self.settled else []
        after = [fixed] if fixed else []
        agreeing = [[]]
        for i in range(len(self.waiting)):
            for chosen in list(agreeing):
                readings = [self.waiting[k] for k in chosen + [i]]
                if agree(before + readings + after, self.tick):
                    agreeing.append(chosen + [i])
        return min(agreeing, key=lambda chosen: (-len(chosen), chosen))

    def _settle_what_is_sure(self):
        while True:
            chain = self._chain()
            sure = len(chain) > LATER_READINGS_TO_SETTLE
            crowded = len(self.waiting) > MOST_WAITING and chain
            if not sure and not crowded:
                return
            first = chain[0]
            self.settled = self.waiting[first]
            self.used.append(self.settled)
            self.aside += self.waiting[:first]
            self.waiting = self.waiting[first + 1 :]

    def _settle_all(self, fixed):
        """Closes what waits, against a fixed point where there is one."""
        if fixed and self.settled and not agree([self.settled, fixed], self.tick):
            self.history.doubts.append("a fixed reading contradicts a settled one")
        chain = self._chain(fixed)
        self.used += [r for i, r in enumerate(self.waiting) if i in chain]
        self.aside += [r for i, r in enumerate(self.waiting) if i not in chain]
        self.waiting = []
        if fixed:
            self.settled = fixed
            self.used.append(fixed)

    def suggestion(self, reading):
        """What a reading set aside was probably meant to be, or None (rule 4)."""
        before = [u for u in self.used if u.instant <= reading.instant]
        after = [u for u in self.used if u.instant > reading.instant]
        offset = reading.engine - reading.meter
        low = before[-1].engine - offset if before else 0
        if after:
            high = after[0].engine - offset
        elif before:
            high = low + reading.instant - before[-1].instant + self.tick
        else:
            return None
        for factor in (Fraction(1, 10), Fraction(10), Fraction(1, 100)):
            value = round_half_away(reading.meter * factor / self.tick) * self.tick
            if low <= value <= high:
                return value
        return None

    # the engine hours

    def hours_at(self, t):
        """(lower, nominal, upper, grade), or None where nothing is known."""
        exact = [u for u in self.used if u.instant == t]
        before = [u for u in self.used if u.instant < t]
        after = [u for u in self.used if u.instant > t]
        if exact:
            return (exact[-1].engine,) * 3 + (exact[-1].grade,)
        if before and after:
            a, b = before[-1], after[0]
            return (a.engine, between(a.instant, a.engine, b.instant, b.engine, t), b.engine, max("B", a.grade, b.grade))
        if after:
            return self._before_first(t, after[0])
        if before:
            return self._grown(before[-1].instant, before[-1].engine, t)
        if self.commissioned and t >= self.commissioned[0]:
            return self._grown(*self.commissioned, t)
        return None

    def _before_first(self, t, first):
        if self.commissioned and t == self.commissioned[0]:
            return (self.commissioned[1],) * 3 + ("A",)
        if self.commissioned and t > self.commissioned[0]:
            since, hours = self.commissioned
            nominal = between(since, hours, first.instant, first.engine, t)
            return (hours, nominal, first.engine, "C")
        return (0, first.engine, first.engine, "C")

    def _grown(self, since, hours, t):
        nominal = hours + growth(self.weekly_mid, t - since)
        return (
            hours,
            nominal,
            hours + growth(self.weekly_up, t - since),
            "A" if t == since else "C",
        )

    def hours_of(self, event):
        """Hours at a service: its own reading where the chain uses it (rule 7)."""
        for reading in self.used:
            if reading.event_id == event["id"]:
                return (reading.engine,) * 3 + (reading.grade,)
        if event is self.history.commissioning and self.commissioned:
            return (self.commissioned[1],) * 3 + ("A",)
        return self.hours_at(event["instant"])

    def _weekly_rates(self):
        """Weekly use: the high one and the middle one of the last 52 weeks."""
        weeks = []
        for k in range(1, WEEKS_LOOKED_AT + 1):
            if not self.used or self.used[-1].instant - k * WEEK < self.used[0].instant:
                break
            end = self.used[-1].instant - (k - 1) * WEEK
            weeks.append(self.hours_at(end)[1] - self.hours_at(end - WEEK)[1])
        up = max(LEAST_WEEKLY_USE, nearest_rank(weeks, 95) if weeks else 0)
        mid = nearest_rank(weeks, 50) if weeks else 0
        return min(up, MOST_WEEKLY_USE), min(mid, MOST_WEEKLY_USE)


def between(t0, h0, t1, h1, t):
    """Linear interpolation to the whole second."""
    return h0 + round_half_away(Fraction((h1 - h0) * (t - t0), t1 - t0))


def growth(weekly, elapsed):
    """Whole seconds, rounded down: a limit is reached when it is reached, not half a second before."""
    return weekly * elapsed // WEEK


def nearest_rank(values, percent):
    rank = -(-len(values) * percent // 100)
    return sorted(values)[rank - 1]


# --- schedules and limits ----------------------------------------------------------


def adopted_editions(history, editions):
    """The edition in force at `at` for each schedule (rule 6)."""
    in_force = {}
    for adoption in history.adoptions:
        zone = history.zone_at(adoption["instant"])
        start = adoption["instant"]
        if "effective_from" in adoption:
            start = first_instant(date.fromisoformat(adoption["effective_from"]), zone)
        if start > history.at:
            continue
        end = None
        if "effective_until" in adoption:
            end = first_instant(date.fromisoformat(adoption["effective_until"]), zone)
        candidate = (start, adoption["instant"], adoption["id"], end, adoption["edition_id"])
        schedule = adoption["schedule_id"]
        if schedule not in in_force or candidate[:3] > in_force[schedule][:3]:
            in_force[schedule] = candidate
    by_id = {e["id"]: e for e in editions}
    return {
        schedule: by_id[edition]
        for schedule, (_, _, _, end, edition) in in_force.items()
        if end is None or history.at < end
    }


def jobs_counting_as(job, edition):
    """Every job whose being done counts as this one: itself and what satisfies it."""
    counting = {job}
    grown = True
    while grown:
        grown = False
        for task in edition["tasks"]:
            if task["job"] not in counting and counting & set(task.get("satisfies", [])):
                counting.add(task["job"])
                grown = True
    return counting


class Anchor:
    """What a limit is counted from."""

    def __init__(self, event, history, meter):
        self.instant = event["instant"]
        self.day = history.date_of(event)
        self.hours = meter.hours_of(event)  # None: unknown


def hours_limit(task, interval, anchor, completed, meter):
    """(lower, nominal, upper) engine hours at which it falls due (rule 8)."""
    lower, nominal, upper, _ = anchor.hours
    if completed and task.get("anchor", "actual") == "grid":
        point = meter.commissioned[1] if meter.commissioned else 0
        while not point > nominal + Fraction(interval, 2):
            point += interval
        return (point, point, point)
    return (lower + interval, nominal + interval, upper + interval)


def date_limit(task, limits, anchor, completed, origin):
    """The day on which it falls due (rule 8)."""
    if not (completed and task.get("anchor", "actual") == "grid"):
        return add_interval(anchor.day, limits)
    k = 1
    while True:
        point, previous = add_interval(origin, limits, k), add_interval(origin, limits, k - 1)
        if 2 * (point - anchor.day).days > (point - previous).days:
            return point
        k += 1


# --- the state of one task -------------------------------------------------------------


def judge(task, edition, history, meter):
    """The due item of one task (rules 7, 8 and 9)."""
    counting = jobs_counting_as(task["job"], edition)
    done = [s for s in history.services() if counting & {j["job"] for j in s["jobs"]}]
    completed = bool(done)
    anchor_event = done[-1] if completed else history.commissioning
    if anchor_event is None:
        return {"state": "unknown", "reason": "no_history"}
    anchor = Anchor(anchor_event, history, meter)
    limits = task["limits"] if completed else task.get("first", task["limits"])
    item = {"anchor": anchor}
    flags = set()
    if "hours" in limits:
        flags |= judge_hours(task, limits, anchor, completed, history, meter, item)
    if has_calendar(limits):
        origin_event = history.commissioning or done[0]
        origin = history.date_of(origin_event)
        flags |= judge_calendar(task, limits, anchor, completed, origin, history, item)
    item["state"], item["reason"] = decide(flags)
    return item


def judge_hours(task, limits, anchor, completed, history, meter, item):
    """What the hours say: a set of the states that hold."""
    now = meter.hours_at(history.at)
    if now is None or anchor.hours is None:
        return {"no_hours"}
    interval = seconds(limits["hours"])
    lower, nominal, upper = hours_limit(task, interval, anchor, completed, meter)
    least, likely, most, _ = now
    newest = meter.used[-1].instant if meter.used else anchor.instant
    if not meter.used or newest < anchor.instant:
        # Without a reading since the work, use since then is bounded by the rate alone.
        most = min(most, anchor.hours[0] + growth(meter.weekly_up, history.at - anchor.instant))
    lead = Fraction(interval * LEAD_PERCENT, 100)
    if "hours" in task.get("lead", {}):
        lead = seconds(task["lead"]["hours"])
    tolerance = seconds(task.get("tolerance", {}).get("hours", 0))
    item["hours_limit"] = [lower, nominal, upper]
    item["hours_left"] = lower - most
    item["hours_used"] = Fraction(likely - anchor.hours[1], interval)
    item["hours_lead"] = lead
    item["hours_tolerance"] = tolerance
    flags = set()
    if most >= lower - lead:
        flags.add("coming_due")
    if most >= lower:
        stale = history.at - newest > READING_AGE
        flags.add("possibly_due" if stale and least < lower else "due")
    if least > upper + tolerance:
        flags.add("overdue")
    return flags


def judge_calendar(task, limits, anchor, completed, origin, history, item):
    """What the calendar says, at the zone of the place where the unit stands."""
    zone = history.zone_at(history.at)
    limit = date_limit(task, limits, anchor, completed, origin)
    span = (limit - anchor.day).days
    lead = int(task.get("lead", {}).get("days", span * LEAD_PERCENT // 100))
    tolerance = int(task.get("tolerance", {}).get("days", 0))
    today = local_date(history.at, zone)
    item["date_limit"] = limit
    item["days_left"] = (limit - today).days
    item["days_used"] = Fraction((today - anchor.day).days, span)
    item["breaks"] = {
        "coming_due": first_instant(limit - timedelta(days=lead), zone),
        "due": first_instant(limit, zone),
        "overdue": first_instant(limit + timedelta(days=tolerance + 1), zone),
    }
    return {state for state, since in item["breaks"].items() if history.at >= since}


def decide(flags):
    """The first of the states that hold, with its reason."""
    if "no_hours" in flags:
        # By date it may be late for certain, but without hours it is never fine.
        for state in ("overdue", "due"):
            if state in flags:
                return state, None
        return "unknown", "no_hours"
    for state in ("overdue", "due", "possibly_due", "coming_due"):
        if state in flags:
            return ("unknown", state) if state == "possibly_due" else (state, None)
    return "ok", None


def governing(item):
    """The axis with the larger used share; hours on a tie (rule 10)."""
    hours, days = item.get("hours_used"), item.get("days_used")
    if days is None:
        return "hours" if hours is not None else None
    return "hours" if hours is not None and hours >= days else "calendar"


# --- the whole answer -----------------------------------------------------------------


class Evaluation:
    """One case worked out, with what the published checks want to look into."""

    def __init__(self, case):
        self.case = case
        self.history = History(case)
        self.meter = Meter(case["unit"], self.history)
        self.items = {}
        for schedule, edition in adopted_editions(self.history, case["editions"]).items():
            for task in edition["tasks"]:
                self.items[(schedule, task["task"])] = judge(
                    task, edition, self.history, self.meter
                )

    def answer(self):
        hours = self.meter.hours_at(self.history.at) or (None, None, None, "D")
        return {
            "case": self.case["case"],
            "engine_hours": dict(zip(("lower", "nominal", "upper", "grade"), hours)),
            "set_aside": sorted({r.event_id for r in self.meter.aside}),
            "items": [self._row(key, item) for key, item in sorted(self.items.items())],
        }

    @staticmethod
    def _row(key, item):
        limit = item.get("date_limit")
        return {
            "schedule_id": key[0],
            "task": key[1],
            "state": item["state"],
            "reason": item["reason"],
            "hours_limit": item.get("hours_limit"),
            "date_limit": limit.isoformat() if limit else None,
            "days_left": item.get("days_left"),
        }


def answer(case):
    return Evaluation(case).answer()


def read_cases(path):
    with open(path, encoding="utf-8") as file:
        content = json.load(file, parse_float=Decimal)
    return content["cases"] if isinstance(content, dict) else content


def main(arguments):
    if len(arguments) == 2 and arguments[0] == "--check":
        wrong = [c["case"] for c in read_cases(arguments[1]) if answer(c) != c["answer"]]
        for name in wrong:
            print(f"differs: {name}")
        print(f"{len(wrong)} cases differ")
        return 1 if wrong else 0
    if len(arguments) != 1:
        print(__doc__, file=sys.stderr)
        return 2
    for case in read_cases(arguments[0]):
        print(json.dumps(answer(case), separators=(",", ":")))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
