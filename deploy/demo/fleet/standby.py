"""What standby asks of some sets: what they burn and take, and a book of their starts, tests, fuel, batteries and findings.

The book's runs are runs that the engine of the history has, so that its meter agrees with them. Its ids come from a stream of
their own: it leaves the lines of the other files as they are.
"""

import random
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from .clock import SEED, between, uuid7
from .history import UNIT_IDS, History
from .places import PERSON_IDS, SITE_IDS, TECHNICIAN, at

SITE_FIELDS = {
    "fire": dict(needs_hours=8, needs_volts=240, needs_phases="single", needs_connectors=["locking_50a"],
                 needs_neutral="floating"),
    "pump": dict(needs_hours=24),
    "shelter": dict(needs_hours=72),
    "radio": dict(needs_hours=72, needs_volts=240, needs_phases="single", needs_connectors=["locking_30a", "locking_50a"],
                  needs_neutral="floating"),
}


def curve(*litres):
    """What a set burns at a quarter, half, three quarters and all of its rating."""
    return [{"load_percent": percent, "litres_per_hour": rate} for percent, rate in zip((25, 50, 75, 100), litres)]


UNIT_FIELDS = {
    "FS-01": dict(oil_litres=9.5, oil_litres_per_hour=0.04, oil_check_hours=24, battery_chemistry="wet",
                  battery_cold_cranking_amperes=950, battery_ampere_hours=150,
                  burn_curve=curve(5.1, 8.8, 12.9, 17.4)),
    "FS-02": dict(start_kw=6.9, oil_litres=0.6, oil_litres_per_hour=0.02, oil_check_hours=8, battery_chemistry="agm",
                  battery_cold_cranking_amperes=210, battery_ampere_hours=18,
                  burn_curve=[{"load_percent": 0, "litres_per_hour": 0.7}, *curve(1.2, 1.9, 2.5, 3.2)],
                  derating=dict(altitude_percent=3.5, altitude_per_metres=300, temperature_percent=1,
                                temperature_per_celsius=5, source="Lark 55E manual, page 14")),
    "PS-01": dict(oil_litres=28, oil_litres_per_hour=0.12, oil_check_hours=24, battery_chemistry="wet",
                  battery_cold_cranking_amperes=1400, battery_ampere_hours=220,
                  burn_curve=curve(20.4, 36, 51.5, 69)),
    "PS-02": dict(oil_litres=14, oil_check_hours=24, battery_chemistry="wet", battery_cold_cranking_amperes=950,
                  burn_curve=curve(8.6, 14.9, 21.4, 28.6)),
    "PS-03": dict(oil_litres=0.6, oil_check_hours=8, burn_curve=curve(1.7, 2.7, 3.6, 4.6)),
    "SH-01": dict(oil_litres=6.6, oil_litres_per_hour=0.03, oil_check_hours=24, battery_chemistry="agm",
                  battery_cold_cranking_amperes=650, burn_curve=curve(8.7, 12.6, 17.2, 22.4)),
    "SH-03": dict(oil_litres=1.1, oil_check_hours=8, burn_curve=curve(1.6, 2.5, 3.4, 4.3)),
    "WY-04": dict(output_volts=[120, 240], phases="single", connectors=["locking_30a", "locking_50a"], neutral="either"),
}


@dataclass(frozen=True)
class Book:
    """The book of one set, whose times are local times at its home site."""

    runs_from: str | None = None  # each run from this day on is in the book, with its reason
    load_kw: float | None = None  # what it carried in an outage, and in the first run of half an hour of each month
    light_kw: float | None = None  # what it carried in its other runs
    told: list = field(default_factory=list)


def tell(when, kind, **members):
    """One event. `by` is who was there; the technician of the site where nobody is named."""
    return when, kind, members


def measured(when, litres, **members):
    return tell(when, "fuel", action="measured", litres=litres, **members)


def co_alarm(when, **members):
    return tell(when, "service", jobs=[dict(job="co_alarm_check", result="passed")], **members)


BOOKS = {
    "FS-01": Book("2026-05-01", 22.5, 12, [
        tell("2026-04-28 10:10", "fuel", action="filled", litres=230, bought_on="2026-04-27"),
        tell("2026-05-12 13:30", "placement", site="fire", from_openings_metres=7.5, note="Measured when the bay door was moved."),
        co_alarm("2026-10-05 09:40", by="custodian"),
        tell("2026-10-13 14:20", "battery", result="passed", volts=12.7, rested_hours=20, celsius=14, on_maintainer=True),
        measured("2026-10-26 14:05", 150),
        tell("2026-10-30 10:15", "finding", action="opened", severity="critical", finding="coolant_leak",
             note="A puddle under the radiator; the lower hose is split. A new one is ordered."),
    ]),
    "FS-02": Book("2026-02-01", 3.3, 3.3, [
        tell("2026-01-30 11:00", "fuel", action="filled", litres=22, bought_on="2026-01-29", ethanol="up_to10"),
        tell("2026-05-12 13:40", "placement", site="fire", from_openings_metres=8),
        tell("2026-05-20 11:00", "fuel", action="filled", litres=20, bought_on="2026-05-19", ethanol="up_to10",
             note="Nobody added stabiliser."),
        tell("2026-08-03 09:30", "fuel", action="filled", litres=16, bought_on="2026-08-02", ethanol="up_to10"),
        tell("2026-10-13 14:35", "battery", result="passed", volts=12.6, rested_hours=24, celsius=14),
        tell("2026-10-28 16:00", "fuel", action="filled", litres=4, bought_on="2026-10-28", ethanol="up_to10", by="custodian"),
        measured("2026-10-28 16:10", 19.5, by="custodian"),
        tell("2026-11-01 10:20", "run", phase="no_start", start_attempts=4, reason="test", by="custodian",
             note="Cranks well and does not fire; smells of old petrol."),
    ]),
    "FS-04": Book(told=[
        tell("2026-10-19 10:30", "finding", action="opened", severity="critical", finding="gas_leak",
             note="The hose at the regulator is cracked. Do not run it."),
    ]),
    "PS-01": Book("2026-05-01", 130, 50, [
        tell("2026-04-28 11:00", "fuel", action="filled", litres=1600, bought_on="2026-04-27"),
        tell("2026-05-13 13:30", "placement", site="pump", from_openings_metres=9),
        *(tell(f"{on} 08:30", "fuel", action="filled", litres=litres, bought_on=on) for on, litres in (
            ("2026-08-12", 1100), ("2026-08-13", 900), ("2026-08-14", 900), ("2026-08-25", 900))),
        tell("2026-10-14 14:20", "battery", result="passed", volts=25.4, rested_hours=24, celsius=12, on_maintainer=True),
        measured("2026-10-27 14:30", 1640),
    ]),
    "PS-02": Book("2026-05-01", 45, 20, [
        tell("2026-04-28 11:30", "fuel", action="filled", litres=480, bought_on="2026-04-27"),
        *(tell(f"{on} 08:50", "fuel", action="filled", litres=litres, bought_on=on) for on, litres in (
            ("2026-08-12", 250), ("2026-08-13", 250), ("2026-08-14", 250), ("2026-08-25", 150))),
        tell("2026-10-14 14:40", "battery", result="passed", volts=12.6, rested_hours=24, celsius=12),
        tell("2026-10-14 15:30", "placement", site="pump", from_openings_metres=3,
             note="Moved beside the screen house while its slab is mended; the vent of the control room is near."),
        measured("2026-10-27 14:45", 455),
    ]),
    "PS-03": Book(told=[
        tell("2026-10-19 08:30", "fuel", action="filled", litres=24, bought_on="2026-10-18", ethanol="free"),
        measured("2026-10-28 09:30", 21),
    ]),
    "SH-01": Book("2026-05-01", 38, 9, [
        tell("2026-04-28 13:00", "fuel", action="filled", litres=1800),
        tell("2026-05-11 13:30", "placement", site="shelter", from_openings_metres=6.4),
        *(tell(f"{on} 09:10", "fuel", action="filled", litres=litres) for on, litres in (
            ("2026-08-13", 900), ("2026-08-18", 900))),
        tell("2026-09-29 09:15", "run", phase="no_start", start_attempts=3, reason="test",
             note="Cranked and did not fire: the gas valve had been left shut."),
        tell("2026-09-29 09:30", "battery", result="passed", volts=12.7, rested_hours=20, celsius=16, on_maintainer=True),
        co_alarm("2026-10-05 10:20", by="custodian"),
        measured("2026-10-27 10:40", 1560, by="custodian"),
    ]),
    "SH-03": Book("2026-05-01", 3.8, 3.8, [
        tell("2026-10-05 10:40", "service", jobs=[dict(job="co_alarm_check", result="failed")], by="custodian",
             note="The alarm of the annex is past its date; a new one is ordered."),
        tell("2026-10-20 15:50", "fuel", action="filled", litres=26, bought_on="2026-10-19", ethanol="free"),
    ]),
}

# Minutes; whatever ran longer ran in the August outage.
LONGEST_TEST = 90


class Telling:
    """Collects the events of one book."""

    def __init__(self, label, book):
        self.label, self.book = label, book
        self.history = History(label)
        self.home = self.history.home
        self.stream = random.Random(f"{SEED}/standby/{label}")
        self.events = []
        for start, minutes, loaded in self.runs():
            self.run(start, minutes, loaded)
        for when, kind, members in book.told:
            self.tell(when, kind, dict(members))
        self.events.sort(key=lambda placed: placed[0])

    def runs(self):
        """The engine's runs since the book begins, each with whether it carried its load."""
        if not self.book.runs_from:
            return
        begins, tested = at(self.home, datetime.fromisoformat(self.book.runs_from)), set()
        for start, minutes in self.history.engine.runs:
            month = (start.year, start.month)
            is_test = 30 <= minutes <= LONGEST_TEST and month not in tested
            if start >= begins:
                tested |= {month} if is_test else set()
                yield start, minutes, is_test or minutes > LONGEST_TEST

    def run(self, start, minutes, loaded):
        start = start.astimezone(at(self.home, start.replace(tzinfo=None)).tzinfo)
        stop = start + timedelta(minutes=minutes)
        reason = "test" if minutes <= LONGEST_TEST else "emergency"
        self.add(start, stop, "run", TECHNICIAN[self.home], stopped_at=stop.isoformat(), reason=reason,
                 load_kw=self.book.load_kw if loaded else self.book.light_kw)

    def tell(self, when, kind, members):
        instant = at(self.home, datetime.fromisoformat(when))
        by = members.pop("by", TECHNICIAN[self.home])
        if "site" in members:
            members["site_id"] = SITE_IDS[members.pop("site")]
        self.add(instant, instant, kind, by, **members)

    def add(self, instant, known, kind, by, **members):
        written = known + timedelta(seconds=between(self.stream, 20, 240))
        event = {"id": uuid7(written, self.stream), "kind": kind, "unit_id": UNIT_IDS[self.label],
                 "occurred_at": instant.isoformat(), "on_behalf_of": PERSON_IDS[by]}
        event.update((name, value) for name, value in members.items() if value is not None)
        self.events.append((instant, event))


def events():
    """The books, set by set, each in order of time."""
    return [event for label, book in BOOKS.items() for _, event in Telling(label, book).events]
