"""The record of one set of the other eight sites: what is told of it, between straight lines that its meter follows."""

import random
from bisect import bisect_right
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta

from .clock import BEGIN, SEED, between, day, days_back, record_id, uuid7
from .jobs import EXERCISE, job
from .places import EDITIONS, PERSON_IDS, READER, SITE_IDS, TECHNICIAN, at
from .further import UNITS

UNIT_IDS = {label: record_id("unit", label) for label in UNITS}

# Members of what is told that name something, and what they are called in the record.
NAMES = {"site": ("site_id", SITE_IDS), "other_unit": ("other_unit_id", UNIT_IDS), "to_unit": ("to_unit_id", UNIT_IDS),
         "authorised_by": ("authorised_by", PERSON_IDS)}
TOLD_BEFORE = {"target": "target_id", "other": "other_id", "run": "run_id", "tag_of": "tag_id"}


@dataclass(frozen=True)
class Story:
    """What is told of one set; every time is a local time at its home site, or bears its offset."""

    schedules: tuple
    commissioned: tuple | None = None  # (date, meter hours, engine hours if they differ)
    meter: tuple = ()  # (local time, what the meter shows), straight lines in between
    begins: str = BEGIN.isoformat()  # its schedules hold from this day on
    rounds: tuple = ()  # (the round, day of the first visit, last day); one visit every 91 days
    exercise: str | None = None  # date of the last exercise run; one every 28 days before it
    readings: tuple | None = None  # (days between readings, date of the last)
    idle: tuple = ()  # (first day, first day no more) in which nobody visits, runs or reads it
    told: list = field(default_factory=list)


def tell(when, kind, **members):
    """One event. `when` is a local time, or a day of which no more is known. `named` is how later ones call it."""
    return when, kind, members


class Telling:
    """Collects the events of one set."""

    def __init__(self, label, story):
        self.label, self.story, self.home = label, story, UNITS[label]["site"]
        self.stream = random.Random(f"{SEED}/history/{label}")
        self.points = [(self.instant(when), hours) for when, hours in story.meter]
        self.begin = max(day(story.begins), day(story.commissioned[0]) if story.commissioned else BEGIN)
        self.named, self.events = {}, []  # (when it was recorded, event)
        self.write()

    def write(self):
        self.add_start()
        for visit, jobs in self.visits():
            self.add(self.draw(visit, 14, 16), "service", jobs=jobs)
        for on in self.days(28, self.story.exercise):
            self.add(self.draw(on, 9, 10), "service", by=READER[self.home], jobs=EXERCISE)
        step, last = self.story.readings or (28, None)
        for on in self.days(step, last):
            self.add(self.draw(on, 7, 8), "reading", by=READER[self.home])
        for when, kind, members in self.story.told:
            self.tell(when, kind, dict(members))

    # -- times --

    def instant(self, text):
        """A local time, with its offset where clocks show it twice."""
        local, _, offset = text.partition(" UTC")
        found = datetime.fromisoformat(local)
        return datetime.fromisoformat(local.replace(" ", "T") + ":00" + offset) if offset else at(self.home, found)

    def draw(self, on, first_hour, last_hour):
        return at(self.home, datetime.combine(on, time(between(self.stream, first_hour, last_hour), between(self.stream, 0, 59))))

    def days(self, step, last):
        first, after = self.idle()
        return [on for on in days_back(last, step, self.begin + timedelta(days=1)) if not first <= on < after] if last else []

    def idle(self):
        return tuple(map(day, self.story.idle)) or (day("9999-01-01"),) * 2

    def visits(self):
        first, after = self.idle()
        for kinds, start, last in self.story.rounds:
            for place in range((day(last) - day(start)).days // 91 + 1):
                on = day(start) + timedelta(days=91 * place)
                if not first <= on < after:
                    yield on, kinds[place % len(kinds)]

    # -- the meter --

    def shows(self, instant):
        """What the meter shows, cut to a tenth; nothing without a meter or outside the lines."""
        place = bisect_right(self.points, instant, key=lambda point: point[0])
        if not 0 < place < len(self.points):
            exact = [hours for when, hours in self.points if when == instant]
            return exact[-1] if exact else None
        (start, low), (end, high) = self.points[place - 1:place + 1]
        share = (instant - start) / (end - start)
        return int(low * 10 + (high - low) * 10 * share + 1e-6) / 10

    # -- events --

    def add_start(self):
        if self.story.commissioned:
            on, meter, engine = (*self.story.commissioned, None)[:3]
            self.add_on(day(on), 0, "commissioning", site_id=SITE_IDS[self.home], meter_hours=meter, engine_hours=engine)
        for place, key in enumerate(self.story.schedules, 1):
            since = max(self.begin.isoformat(), EDITIONS[key]["edition"]["effective_from"])
            self.add_on(self.begin, place, "adoption", **self.adopted(key), effective_from=since)

    @staticmethod
    def adopted(key):
        edition = EDITIONS[key]
        return {"schedule_id": edition["schedule"]["id"], "edition_id": edition["edition"]["id"]}

    def add_on(self, on, place, kind, **members):
        """Appends an event of which only the day is known; `place` keeps events of one day in order."""
        written = at(self.home, datetime.combine(max(on, BEGIN), time(8, place)))
        return self.append(at(self.home, datetime.combine(on, time(0, place))), written, kind,
                           {"occurred_on": on.isoformat()}, members)

    def add(self, instant, kind, by=None, recorded=None, **members):
        """Appends an event; one recorded much later stands behind what was recorded before it."""
        if "jobs" in members:
            members["jobs"] = [self.done(told) for told in members["jobs"]]
        if "meter" in members or kind in ("service", "reading"):
            members["meter_hours"] = members.pop("meter", None) if "meter" in members else self.shows(instant)
        written = (recorded or instant) + timedelta(seconds=between(self.stream, 20, 240))
        when = {"occurred_at": instant.isoformat(), "on_behalf_of": PERSON_IDS[by or TECHNICIAN[self.home]]}
        return self.append(recorded or instant, written, kind, when, members)

    def append(self, recorded, written, kind, when, members):
        event = {"id": uuid7(written, self.stream), "kind": kind, "unit_id": UNIT_IDS[self.label], **when}
        event.update((name, value) for name, value in members.items() if value is not None)
        self.events.append((recorded, event))
        return event

    def done(self, told):
        """A job as it is told: its code, or its code with what else is said of it."""
        code, more = (told, {}) if isinstance(told, str) else (told["job"], told)
        return {**job(self.label, code, not {"portable", "maker"}.isdisjoint(self.story.schedules)), **more}

    def tell(self, when, kind, members):
        named = members.pop("named", None)
        if "recorded" in members:
            members["recorded"] = self.instant(members["recorded"])
        for name, (member, ids) in NAMES.items():
            if name in members:
                members[member] = ids[members.pop(name)]
        for name, member in TOLD_BEFORE.items():
            if name in members:
                members[member] = self.named[members.pop(name)]["id"]
        for name in ("schedule", "edition"):
            if name in members:
                adopted = self.adopted(members.pop(name))
                members.update(adopted if name == "edition" else {"schedule_id": adopted["schedule_id"]})
        if "stopped_at" in members:
            members["stopped_at"] = self.instant(members["stopped_at"]).isoformat()
        if "limits_of" in members:
            limits = dict(members["limits_of"])
            members["limits_of"] = {"schedule_id": self.adopted(limits.pop("schedule"))["schedule_id"], **limits}
        event = self.add_on(day(when), 30, kind, **members) if len(when) == 10 else self.add(self.instant(when), kind, **members)
        if named:
            self.named[named] = event
