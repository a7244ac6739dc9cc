"""The year of one set of the first four sites: its engine is run minute for minute, and its record written."""

import random
from datetime import datetime, time, timedelta, timezone

from .clock import SEED, TAKEOVER, YEAR, between, day, days_back, record_id, uuid7
from .first import (
    BACKDATED, LOAN, METER_SWAP, MISREAD, OUTAGE, OUTAGE_READINGS, PLANS, UNITS, VOIDED,
)
from .jobs import EXERCISE, job
from .places import EDITIONS, PERSON_IDS, READER, SITE_IDS, TECHNICIAN, at

UNIT_IDS = {label: record_id("unit", label) for label in UNITS}


def in_outage(plan, instant):
    start, length = OUTAGE
    return bool(plan.outage) and start - timedelta(hours=12) < instant < start + length


class Engine:
    """The running of one engine, minute for minute, and what its meter showed."""

    def __init__(self, tick_minutes, start_hours, runs):
        self.tick_minutes = tick_minutes
        self.runs = sorted(runs)
        self.meters = [(datetime.min.replace(tzinfo=timezone.utc), round(start_hours * 60))]

    def minutes(self, instant):
        return sum(min(max((instant - start) // timedelta(minutes=1), 0), length) for start, length in self.runs)

    def meter(self, instant):
        """The reading at an instant, cut to the meter's step as a meter does."""
        since, offset = [m for m in self.meters if m[0] <= instant][-1]
        ticks = (offset + self.minutes(instant) - self.minutes(since)) // self.tick_minutes
        return ticks if self.tick_minutes == 60 else round(ticks * self.tick_minutes / 60, 2)

    def fit_meter(self, instant, hours):
        self.meters.append((instant, round(hours * 60)))


class History:
    """Collects the events of one unit."""

    def __init__(self, label):
        self.label, self.plan, self.home = label, PLANS[label], UNITS[label]["site"]
        self.stream = random.Random(f"{SEED}/history/{label}")
        self.metered = UNITS[label].get("meter_fitted", True)
        commissioned = self.plan.commissioned and day(self.plan.commissioned[0])
        self.begin = max(commissioned or TAKEOVER, TAKEOVER)
        self.exercise_ends = self.draw_exercises()
        self.engine = Engine(60 if UNITS[label].get("meter_tick_hours") == 1 else 6, self.plan.hours, self.draw_runs())
        if label == METER_SWAP[0]:
            self.engine.fit_meter(at(self.home, METER_SWAP[1]), METER_SWAP[2])
        self.events = []  # (place in the file, event)
        self.write()

    # -- the machine --

    def local(self, on, first_hour, last_hour):
        """A time on a day within working hours, where the unit stands at noon of that day."""
        clock = time(between(self.stream, first_hour, last_hour), between(self.stream, 0, 59))
        return at(self.stands(datetime.combine(on, time(12))), datetime.combine(on, clock))

    def stands(self, local):
        label, borrower, lent, returned = LOAN
        return borrower if label == self.label and lent <= local < returned else self.home

    def draw_exercises(self):
        if not self.plan.exercise:
            return []
        days = days_back(self.plan.exercise, 28, max(YEAR[0], self.begin + timedelta(days=1)))
        ends = [self.local(d, 9, 10) for d in days]
        return [end for end in ends if not in_outage(self.plan, end)]

    def draw_runs(self):
        runs = [(end - timedelta(minutes=30), 30) for end in self.exercise_ends]
        runs += [(OUTAGE[0] + timedelta(hours=h), round(length * 60)) for h, length in self.plan.outage]
        return runs + (self.draw_work() if self.plan.work else [])

    def draw_work(self):
        weekday, step, least, most = self.plan.work
        on = self.begin + timedelta(days=(weekday - self.begin.weekday()) % 7)
        runs = []
        while on <= YEAR[1]:
            start = self.local(on, 12, 13)
            length = between(self.stream, least, most)
            if not in_outage(self.plan, start):
                runs.append((start, length))
            on += timedelta(days=step)
        return runs

    # -- the record --

    def write(self):
        self.add_start()
        for on, jobs in self.plan.services.items():
            self.add_service(self.local(day(on), 14, 16), jobs)
        for end in self.exercise_ends:
            self.add_service(end + timedelta(minutes=5), EXERCISE, READER[self.home])
        for on in self.reading_days():
            self.add_reading(self.local(on, 7, 8))
        self.add_traps()

    def add(self, instant, kind, by=None, recorded=None, **members):
        """Appends an event; one recorded much later stands at the end of the file."""
        written = (recorded or instant) + timedelta(seconds=between(self.stream, 20, 240))
        event = {"id": uuid7(written, self.stream), "kind": kind, "unit_id": UNIT_IDS[self.label]}
        event["occurred_at"] = instant.isoformat()
        if by:
            event["on_behalf_of"] = PERSON_IDS[by]
        event.update((name, value) for name, value in members.items() if value is not None)
        self.events.append((recorded or instant, event))
        return event

    def add_on(self, on, kind, place, **members):
        """Appends an event of which only the day is known; `place` keeps events of one day in order."""
        written = at(self.home, datetime.combine(max(on, TAKEOVER), time(8, place)))
        event = {"id": uuid7(written, self.stream), "kind": kind, "unit_id": UNIT_IDS[self.label], "occurred_on": on.isoformat()}
        event.update((name, value) for name, value in members.items() if value is not None)
        self.events.append((at(self.home, datetime.combine(on, time(0, place))), event))

    def add_start(self):
        if self.plan.commissioned:
            on, meter, engine = (*self.plan.commissioned, None)[:3]
            self.add_on(day(on), "commissioning", 0, site_id=SITE_IDS[self.home], meter_hours=meter, engine_hours=engine)
        for place, key in enumerate(self.plan.schedules, 1):
            edition = EDITIONS[key]
            self.add_on(self.begin, "adoption", place, schedule_id=edition["schedule"]["id"],
                        edition_id=edition["edition"]["id"], effective_from=self.begin.isoformat())

    def meter(self, instant):
        unread = self.plan.unread_from and instant.date() >= day(self.plan.unread_from)
        return self.engine.meter(instant) if self.metered and not unread else None

    def add_service(self, instant, jobs, by=None, **more):
        done = [job(self.label, code, "portable" in self.plan.schedules) for code in jobs]
        by = by or TECHNICIAN[self.home]
        return self.add(instant, "service", by, jobs=done, meter_hours=self.meter(instant), **more)

    def reading_days(self):
        if not self.plan.readings:
            return []
        step, last = self.plan.readings
        days = set(days_back(last, step, max(YEAR[0], self.begin + timedelta(days=1))))
        return sorted(days | {day(d) for d in OUTAGE_READINGS if self.plan.outage and self.metered})

    def add_reading(self, instant):
        value = self.meter(instant)
        if (self.label, instant.date().isoformat()) == MISREAD:
            value = round(value * 10 - 0.3, 1)
        site = self.stands(instant.replace(tzinfo=None))
        self.add(instant, "reading", READER[site], meter_hours=value)

    # -- the traps --

    def add_traps(self):
        for label, add in ((METER_SWAP[0], self.add_meter_swap), (BACKDATED[0], self.add_backdated),
                           (VOIDED[0], self.add_void), (LOAN[0], self.add_loan)):
            if label == self.label:
                add()

    def add_meter_swap(self):
        _, local, opening = METER_SWAP
        swapped = at(self.home, local)
        closing = self.engine.meter(swapped - timedelta(minutes=1))
        self.add(swapped, "component", TECHNICIAN[self.home], component="meter", action="fitted",
                 old_meter_hours=closing, new_meter_hours=opening, note="The old display had gone blind.")

    def add_backdated(self):
        _, local, jobs, found = BACKDATED
        self.add_service(at(self.home, local), jobs, recorded=at(self.home, found),
                         note="Job card found in the van; entered in October.")

    def add_void(self):
        _, on, local, reason = VOIDED
        target = next(e for _, e in self.events if e["kind"] == "service" and e["occurred_at"].startswith(on))
        self.add(at(self.home, local), "correction", "coordinator", action="void", target_id=target["id"], reason=reason)

    def add_loan(self):
        _, borrower, lent, returned = LOAN
        self.add(at(self.home, lent), "placement", "coordinator", site_id=SITE_IDS[borrower], note="Lent for the outage.")
        self.add(at(self.home, returned), "placement", "coordinator", site_id=SITE_IDS[self.home])
