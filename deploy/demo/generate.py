#!/usr/bin/env python3
"""Writes the demonstration fleet of Tarn Valley: its records and one year of history.

    ./generate.py           writes the data files beside this script
    ./generate.py --check   writes nothing and exits 1 at the first difference

What a person decided stands in the tables at the top: places, units, people, work done, and the traps that
README.md lists. The seed fills in only minutes and running times. Each unit has a random stream of its own,
so a change to one unit leaves the files of the others alone.
"""

import json
import random
import sys
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta, timezone
from pathlib import Path

SEED = "tarn valley 2026"
HERE = Path(__file__).resolve().parent

TAKEOVER = date(2025, 9, 1)  # the day the paper records were taken over; engines are simulated from here on
YEAR = (date(2025, 11, 1), date(2026, 11, 1))  # regular readings and exercise runs lie within it
CLOCK = "2026-11-02T08:00:00-07:00"

SCHEDULES = {
    "portable": "../schedules/portable-common-practice.json",
    "battery": "../schedules/starting-battery-common-practice.json",
    "item_4": "../schedules/cfr40-63-zzzz-table-2d-item-4.json",
    "item_5": "../schedules/cfr40-63-zzzz-table-2d-item-5.json",
}

# ---- places, people, units -------------------------------------------------------------------------------------

SITES = {
    "fire": dict(name="Ridge Road Fire Station", zone="America/Denver", latitude=39.86, longitude=-102.19,
                 elevation_metres=1150, needs_kw=22.5),
    "pump": dict(name="Lower Weir Pump Station", zone="America/Denver", latitude=39.82, longitude=-102.13,
                 elevation_metres=1085, needs_kw=180),
    "shelter": dict(name="Eastbank Shelter", zone="America/Chicago", latitude=39.84, longitude=-101.94,
                    elevation_metres=1060, needs_kw=38,
                    note="Across the state line: another time zone and another state's rules."),
    "yard": dict(name="Quarry Lane Works Yard", zone="America/Denver", latitude=39.91, longitude=-102.16,
                 elevation_metres=1170, needs_kw=6),
}

PEOPLE = {  # key: (name, role, sites)
    "viewer": ("Odette Farrow", "viewer", "all"),
    "custodian": ("Wilf Haddon", "custodian", ("fire", "shelter")),
    "technician_west": ("Ilse Marrow", "technician", ("fire", "pump")),
    "technician_east": ("Tobin Ashgrove", "technician", ("shelter", "yard")),
    "coordinator": ("Perpetua Lyle", "coordinator", "all"),
    "planner": ("Anselm Croft", "planner", "all"),
    "auditor": ("Ruth Calloway", "auditor", "all"),
    "integrator": ("Jory Penhale", "integrator", "all"),
    "admin": ("Maud Thackray", "admin", "all"),
}
TECHNICIAN = {"fire": "technician_west", "pump": "technician_west", "shelter": "technician_east", "yard": "technician_east"}
READER = TECHNICIAN | {"fire": "custodian", "shelter": "custodian"}

SPARK = dict(ignition="spark")
DIESEL = dict(fuel="diesel", ignition="compression", emergency_use=True, electric_start=True)

UNITS = {
    "FS-01": dict(site="fire", maker="Osterby", model="OD60", serial="OD60-05-0231", **DIESEL, rated_kw=60,
                  tank_litres=300, reserve_litres=45, battery_volts=12),
    "FS-02": dict(site="fire", maker="Fernhollow", model="Lark 55E", serial="FL55-24-10482", fuel="petrol", **SPARK, rated_kw=5.5,
                  electric_start=True, tank_litres=24, reserve_litres=4.8, battery_volts=12),
    "FS-03": dict(site="fire", maker="Fernhollow", model="Wren 22", serial="FW22-26-00417", fuel="petrol", **SPARK, rated_kw=2.2,
                  electric_start=False, meter_fitted=False, tank_litres=4.1, reserve_litres=0.8),
    "FS-04": dict(site="fire", maker="Cullwater", model="CP8", serial="CP8-19-3307", fuel="propane", **SPARK, rated_kw=8,
                  electric_start=True, battery_volts=12, note="Given by the old hospital; no papers came with it."),
    "PS-01": dict(site="pump", maker="Osterby", model="OD250", serial="OD250-03-0044", **DIESEL, rated_kw=250,
                  meter_tick_hours=1, tank_litres=1800, reserve_litres=270, battery_volts=24),
    "PS-02": dict(site="pump", maker="Tallowby", model="T100", serial="T100-04-1190", **DIESEL, rated_kw=100,
                  tank_litres=520, reserve_litres=80, battery_volts=12),
    "PS-03": dict(site="pump", maker="Brackenmoor", model="Drover 80E", serial="BD80-21-5561", fuel="petrol", **SPARK, rated_kw=8,
                  electric_start=True, tank_litres=28, reserve_litres=5.6, battery_volts=12),
    "SH-01": dict(site="shelter", maker="Cullwater", model="CS45", serial="CS45-02-0872", fuel="propane", **SPARK, rated_kw=45,
                  emergency_use=True, electric_start=True, tank_litres=1900, reserve_litres=380, battery_volts=12),
    "SH-02": dict(site="shelter", maker="Cullwater", model="CP12", serial="CP12-05-4416", fuel="propane", **SPARK, rated_kw=12,
                  emergency_use=True, electric_start=True, battery_volts=12,
                  note="Stands on its skid for good. Bought used: its meter had been replaced before that."),
    "SH-03": dict(site="shelter", maker="Brackenmoor", model="Drover 75E", serial="BD75-25-7730", fuel="petrol", **SPARK,
                  rated_kw=7.5, electric_start=True, tank_litres=26, reserve_litres=5.2, battery_volts=12),
    "SH-04": dict(site="shelter", maker="Fernhollow", model="Wren 20", serial="FW20-23-00098", fuel="petrol", **SPARK, rated_kw=2,
                  electric_start=False, meter_fitted=False, tank_litres=3.6, reserve_litres=0.7),
    "WY-01": dict(site="yard", maker="Brackenmoor", model="Drover 60E", serial="BD60-24-6602", fuel="petrol", **SPARK, rated_kw=6,
                  electric_start=True, tank_litres=24, reserve_litres=4.8, battery_volts=12),
    "WY-02": dict(site="yard", maker="Fernhollow", model="Lark 35", serial="FL35-24-20417", fuel="petrol", **SPARK, rated_kw=3.5,
                  electric_start=False, tank_litres=14, reserve_litres=2.8),
    "WY-03": dict(site="yard", maker="Hallgarth", model="Twin 9", serial="HT9-22-0315", fuel="dual", **SPARK, rated_kw=9,
                  electric_start=True, tank_litres=28, reserve_litres=5.6, battery_volts=12),
    "WY-04": dict(site="yard", maker="Cullwater", model="CT20", serial="CT20-25-2041", fuel="propane", **SPARK, rated_kw=20,
                  electric_start=True, battery_volts=12, note="Trailer; lent out in outages."),
}

# ---- jobs ------------------------------------------------------------------------------------------------------

QUARTER = ("air_filter_clean",)
HALF = ("oil_change", "air_filter_clean", "plug_inspect")
ANNUAL = ("oil_change", "air_filter_replace", "plug_replace", "valve_clearance")
LINES = ("fuel_line_inspect",)
BATTERY = ("battery_check",)
OIL_AND_FILTER = ("oil_and_filter_change",)
DIESEL_YEAR = OIL_AND_FILTER + ("air_cleaner_inspect", "hoses_and_belts_inspect")
EXERCISE = ("exercise_run", "fuel_check")

# ---- what happened to each unit --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Plan:
    """What happened to one unit; every date is a local date at the site where it stood."""

    schedules: tuple
    commissioned: tuple | None = None  # (date, meter hours, engine hours if they differ)
    hours: float = 0.0  # on the meter at the takeover, or at commissioning when that came later
    work: tuple | None = None  # (weekday, days between runs, fewest minutes, most minutes)
    readings: tuple | None = None  # (days between readings, date of the last)
    exercise: str | None = None  # date of the last exercise run; one every 28 days before it
    outage: tuple = ()  # runs in the August outage: (hours after its start, hours)
    services: dict = field(default_factory=dict)  # date: jobs
    unread_from: str | None = None  # nobody reads the meter from this day on


MONDAY, FRIDAY = 0, 4  # a unit is never serviced on its day of weekly runs: none is worked on while running
WEEKLY_TEST = (MONDAY, 7, 25, 35)

PLANS = {
    "FS-01": Plan(("item_4", "battery"), ("2005-05-24", 0.2), 612.4, WEEKLY_TEST, (14, "2026-10-27"), services={
        "2025-09-24": BATTERY, "2025-11-18": OIL_AND_FILTER + ("air_cleaner_inspect",) + BATTERY, "2026-01-20": BATTERY,
        "2026-03-17": ("hoses_and_belts_inspect",) + BATTERY, "2026-06-16": BATTERY, "2026-09-15": BATTERY}),
    "FS-02": Plan(("portable", "battery"), ("2025-03-04", 0.0), 14.2, (FRIDAY, 14, 30, 60), (28, "2026-10-20"),
                  "2026-10-03", services={
        "2025-09-16": HALF + BATTERY, "2025-12-11": QUARTER + BATTERY, "2026-01-15": ANNUAL + LINES + BATTERY,
        "2026-04-09": QUARTER + BATTERY, "2026-08-13": QUARTER + BATTERY}),
    "FS-03": Plan(("portable",), ("2026-09-23", None), exercise="2026-10-21"),
    "FS-04": Plan(("portable", "battery"), None, 187.3, (FRIDAY, 28, 30, 60), (28, "2026-10-19")),
    "PS-01": Plan(("item_4", "battery"), ("2003-04-15", 1), 1288.0, WEEKLY_TEST, (14, "2026-10-27"),
                  outage=((0, 23.5), (24, 23.5), (48, 23.5), (72, 18)), services={
        "2025-10-21": DIESEL_YEAR + BATTERY, "2026-01-21": BATTERY, "2026-04-15": BATTERY, "2026-07-15": BATTERY,
        "2026-08-25": DIESEL_YEAR + BATTERY}),
    "PS-02": Plan(("item_4", "battery"), ("2004-06-29", 0.4), 803.6, WEEKLY_TEST, (14, "2026-10-27"),
                  outage=((6, 17.5), (30, 17.5), (54, 17.5), (78, 12)), services={
        "2025-09-16": DIESEL_YEAR + BATTERY, "2025-12-09": BATTERY, "2026-02-24": BATTERY,
        "2026-04-22": OIL_AND_FILTER + ("air_cleaner_inspect",) + BATTERY, "2026-07-15": BATTERY}),
    "PS-03": Plan(("portable", "battery"), ("2025-02-18", 318.4), 356.1, (FRIDAY, 7, 60, 110), (14, "2026-10-28"), "2026-10-19",
                  outage=((1, 18.5), (24, 18.5), (48, 18.5), (72, 16.5)), services={
        "2025-09-10": QUARTER + BATTERY, "2025-11-12": ANNUAL + LINES + BATTERY, "2026-02-11": QUARTER + BATTERY,
        "2026-05-12": HALF + BATTERY, "2026-08-18": QUARTER + BATTERY}),
    "SH-01": Plan(("item_5", "battery"), ("2002-08-27", 0.3), 548.9, WEEKLY_TEST, (14, "2026-10-27"),
                  outage=((0, 23.4), (24, 23.4), (48, 23.4), (72, 18)), services={
        "2025-10-08": OIL_AND_FILTER + BATTERY, "2025-12-16": BATTERY,
        "2026-02-24": ("plug_inspect", "hoses_and_belts_inspect") + BATTERY, "2026-05-19": BATTERY, "2026-08-19": BATTERY}),
    "SH-02": Plan(("portable", "battery", "item_5"), ("2024-10-02", 41.0, 655.0), 62.7, None, (28, "2026-10-28"), "2026-10-14",
                  outage=((2, 17), (25, 17), (49, 17), (73, 15)), services={
        "2025-09-10": HALF + OIL_AND_FILTER + BATTERY, "2025-12-02": QUARTER + BATTERY,
        "2026-02-24": ANNUAL + LINES + OIL_AND_FILTER + ("hoses_and_belts_inspect", "plug_inspect") + BATTERY,
        "2026-05-19": QUARTER + BATTERY, "2026-08-17": HALF + OIL_AND_FILTER + BATTERY}),
    "SH-03": Plan(("portable", "battery"), ("2026-01-20", 0.0), 0.0, None, (28, "2026-10-13"), "2026-09-28",
                  outage=((3, 11), (27, 11), (51, 11), (75, 9)), services={
        "2026-02-17": ("oil_change",), "2026-04-14": QUARTER + BATTERY, "2026-07-07": HALF + BATTERY,
        "2026-10-20": HALF + BATTERY}),
    "SH-04": Plan(("portable",), ("2023-06-14", None), exercise="2026-10-20", services={
        "2025-09-09": HALF, "2025-12-03": QUARTER, "2026-03-05": ANNUAL + LINES, "2026-06-02": QUARTER, "2026-08-20": HALF}),
    "WY-01": Plan(("portable", "battery"), ("2024-04-09", 0.3), 239.8, (FRIDAY, 7, 190, 290), (7, "2026-10-26"),
                  "2026-10-12", services={
        "2025-09-03": QUARTER + BATTERY, "2025-11-26": ANNUAL + LINES + BATTERY, "2026-01-21": QUARTER + BATTERY,
        "2026-03-25": HALF + BATTERY, "2026-06-03": HALF + BATTERY, "2026-08-05": QUARTER + BATTERY,
        "2026-10-14": HALF + BATTERY}),
    "WY-02": Plan(("portable",), ("2024-11-19", 0.1), 96.4, (FRIDAY, 7, 110, 180), (14, "2026-10-27"), "2026-10-26", services={
        "2025-09-09": QUARTER, "2025-12-09": ANNUAL + LINES, "2026-03-10": QUARTER, "2026-06-03": HALF, "2026-08-20": QUARTER}),
    "WY-03": Plan(("portable", "battery"), ("2022-07-12", 0.2), 1104.8, (FRIDAY, 7, 210, 340), (14, "2026-08-17"), "2026-10-22",
                  unread_from="2026-08-18", services={
        "2025-09-17": HALF + BATTERY, "2025-12-10": QUARTER + BATTERY, "2026-02-18": ANNUAL + LINES + BATTERY,
        "2026-05-13": HALF + BATTERY, "2026-08-12": QUARTER + BATTERY}),
    "WY-04": Plan(("portable", "battery"), ("2025-05-27", 0.6), 9.5, None, (28, "2026-10-06"), "2026-10-21",
                  outage=((41, 7), (54, 17), (78, 12)), services={
        "2025-09-02": HALF + BATTERY, "2025-12-02": QUARTER + BATTERY, "2026-03-03": QUARTER + BATTERY,
        "2026-05-19": ANNUAL + BATTERY, "2026-09-02": HALF + BATTERY}),
}

# ---- the traps -------------------------------------------------------------------------------------------------

OUTAGE = (datetime(2026, 8, 11, 3, 40, tzinfo=timezone.utc), timedelta(hours=90))  # 21:40 on the 10th in Denver
OUTAGE_READINGS = ("2026-08-11", "2026-08-12", "2026-08-13", "2026-08-14", "2026-08-15")

METER_SWAP = ("PS-03", datetime(2026, 5, 14, 11, 20), 1.8)  # label, local time, what the new meter showed
MISREAD = ("WY-01", "2026-07-13")
BACKDATED = ("FS-02", datetime(2026, 5, 12, 14, 10), ("oil_change", "plug_inspect"), datetime(2026, 10, 28, 9, 5))
VOIDED = ("WY-02", "2026-06-03", datetime(2026, 6, 10, 16, 30), "The job card was for WY-01; this set was out on a job that day.")
LOAN = ("WY-04", "shelter", datetime(2026, 8, 12, 13, 30), datetime(2026, 8, 19, 9, 15))  # local times at the lending site

PLUGS = {"SH-02": 2, "WY-03": 2, "WY-04": 4}  # one where nothing is said
OIL_LITRES = {"FS-01": 9.5, "PS-01": 28, "PS-02": 14, "SH-01": 6.6, "SH-02": 1.6, "SH-04": 0.35, "WY-03": 1.5, "WY-04": 3.2}
USUAL_OIL_LITRES = 1.1

# ---- time and ids ----------------------------------------------------------------------------------------------

STANDARD_OFFSET = {"America/Denver": timedelta(hours=-7), "America/Chicago": timedelta(hours=-6)}


def is_summer(local):
    """US daylight-saving time since 2007, written out so that no machine's time-zone data can change the files."""
    def sunday(month, nth):
        first = datetime(local.year, month, 1, 2)
        return first + timedelta(days=(6 - first.weekday()) % 7 + 7 * (nth - 1))
    return sunday(3, 2) <= local < sunday(11, 1)


def at(site, local):
    """The instant of a local time at a site."""
    offset = STANDARD_OFFSET[SITES[site]["zone"]] + timedelta(hours=1 if is_summer(local) else 0)
    return local.replace(tzinfo=timezone(offset))


def day(text):
    return date.fromisoformat(text)


def between(stream, least, most):
    """A whole number from least to most; only random() is promised to stay the same across Python versions."""
    return least + int(stream.random() * (most - least + 1))


def uuid7(instant, stream):
    """A UUID of version 7 for a given instant, its random bits from the stream."""
    milliseconds = int(instant.timestamp() * 1000)
    bits = milliseconds << 80 | 7 << 76 | stream.getrandbits(12) << 64 | 2 << 62 | stream.getrandbits(62)
    text = f"{bits:032x}"
    return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))


def record_id(kind, key):
    """The id of a record that was made when the paper records were taken over."""
    made = at("fire", datetime.combine(TAKEOVER, time(8)))
    return uuid7(made, random.Random(f"{SEED}/{kind}/{key}"))


SITE_IDS = {key: record_id("site", key) for key in SITES}
UNIT_IDS = {label: record_id("unit", label) for label in UNITS}
PERSON_IDS = {key: record_id("person", key) for key in PEOPLE}
EDITIONS = {key: json.loads((HERE / path).read_text(encoding="utf-8")) for key, path in SCHEDULES.items()}


# ---- one unit's year -------------------------------------------------------------------------------------------


def in_outage(plan, instant):
    start, length = OUTAGE
    return bool(plan.outage) and start - timedelta(hours=12) < instant < start + length


def days_back(last, step, first):
    """The days from `first` on that lie whole steps before `last`, in order."""
    found, current = [], day(last)
    while current >= first:
        found.append(current)
        current -= timedelta(days=step)
    return found[::-1]


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
        done = [self.job(code) for code in jobs]
        by = by or TECHNICIAN[self.home]
        return self.add(instant, "service", by, jobs=done, meter_hours=self.meter(instant), **more)

    def job(self, code):
        oil = ("engine oil", OIL_LITRES.get(self.label, USUAL_OIL_LITRES), "litres")
        # Who keeps to a portable set's table as well names the oil change beside it, with the oil.
        new_oil = () if "portable" in self.plan.schedules else (oil,)
        used = {"oil_change": (oil,),
                "oil_and_filter_change": new_oil + (("oil filter", 1, "pieces"),),
                "air_filter_replace": (("air filter element", 1, "pieces"),),
                "plug_replace": (("spark plug", PLUGS.get(self.label, 1), "pieces"),)}
        if code not in used:
            return {"job": code}
        return {"job": code, "parts": [{"part": p, "quantity": q, "unit": u} for p, q, u in used[code]]}

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


# ---- files -----------------------------------------------------------------------------------------------------


def sites():
    return [{"id": SITE_IDS[key], **fields} for key, fields in SITES.items()]


def units():
    def unit(label, fields):
        rest = {name: value for name, value in fields.items() if name != "site"}
        return {"id": UNIT_IDS[label], "label": label, "home_site_id": SITE_IDS[fields["site"]], **rest}
    return [unit(label, fields) for label, fields in UNITS.items()]


def people():
    since = at("fire", datetime.combine(TAKEOVER, time(0))).isoformat()

    def person(key, name, role, where):
        scope = where if where == "all" else [SITE_IDS[site] for site in where]
        return {"id": PERSON_IDS[key], "name": name,
                "grants": [{"id": record_id("grant", key), "role": role, "sites": scope, "from": since}]}
    return [person(key, *facts) for key, facts in PEOPLE.items()]


def organization():
    return {"id": record_id("organization", "tarn valley"), "name": "Municipality of Tarn Valley",
            "clock": CLOCK, "schedules": list(SCHEDULES.values())}


def pretty(value):
    return json.dumps(value, ensure_ascii=False, indent=2) + "\n"


def events(label):
    ordered = sorted(History(label).events, key=lambda placed: placed[0])
    return "".join(json.dumps(event, ensure_ascii=False) + "\n" for _, event in ordered)


def files():
    """Every generated file: its path from here, and its text."""
    found = {"organization.json": pretty(organization()), "sites.json": pretty(sites()),
             "units.json": pretty(units()), "people.json": pretty(people())}
    return found | {f"events/{label.lower()}.ndjson": events(label) for label in UNITS}


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
    strays = sorted(f"events/{p.name}" for p in (HERE / "events").glob("*") if f"events/{p.name}" not in wanted)
    problems = [p for name, text in wanted.items() if (p := difference(name, text))]
    problems += [f"{name} is not written by the generator" for name in strays]
    if problems:
        sys.exit(f"demo data: {problems[0]}")
    print(f"demo data: {len(wanted)} files are as generated")


def write():
    (HERE / "events").mkdir(exist_ok=True)
    for name, text in files().items():
        (HERE / name).write_bytes(text.encode("utf-8"))


if __name__ == "__main__":
    if sys.argv[1:] == ["--check"]:
        check()
    elif sys.argv[1:]:
        sys.exit(__doc__)
    else:
        write()
