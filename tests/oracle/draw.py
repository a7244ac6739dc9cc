"""Draws one random history of a unit, with its sites and schedules.

Every choice comes from the random source handed in, so a seed gives a case.
"""

import zoneinfo
from datetime import UTC, date, datetime, timedelta

from draw_events import MoreEvents
from draw_tasks import MoreTasks
from exact import (
    DAY,
    HOUR,
    WEEK,
    first_instant,
    has_calendar,
    hours_of,
    inside,
    local_date,
    parse_instant,
    united,
)

ZONES = [
    "America/Los_Angeles",
    "America/Denver",
    "America/New_York",
    "America/Havana",  # these four jump over midnight in spring
    "America/Santiago",
    "Africa/Cairo",
    "Asia/Beirut",
    "Europe/Berlin",
    "Asia/Kathmandu",
    "Australia/Lord_Howe",  # half an hour of summer time
    "Pacific/Chatham",
    "UTC",
]

# Later days would lean on zone data that may still change.
LAST_INSTANT = int(datetime(2026, 1, 31, tzinfo=UTC).timestamp())

THEMES = [
    "plain",
    "misreads",
    "swap",
    "blind_swap",
    "no_meter",
    "unread",
    "unread",
    "no_history",
    "loans",
    "corrections",
    "adoptions",
    "adoptions",
    "grid",
    "first",
    "summer_time",
    "stale",
    "same_instant",
    "no_readings_at_services",
    "late_look",
    "wrong_for_a_while",
    "tick_edge",
    "chain",
    "read_late",
    "crowded",
]

# What a history may hold beside its theme.
INGREDIENTS = [
    "runs",
    "runs",
    "emergency",
    "emergency",
    "emergency",
    "open_run",
    "overlap",
    "storage",
    "storage",
    "duty",
    "duty",
    "override",
    "feature",
    "applies",
    "deferral",
    "deferral",
    "component",
    "component",
    "amend",
    "reassign",
    "confirm",
    "alike",
    "machines",
    "results",
    "results",
    "analysis",
    "substitute",
    "planned",
    "planned",
    "planned_within",
    "planned_within",
    "once",
    "fixed_dates",
    "month_end",
    "on_failed",
    "on_failed",
    "earliest",
    "serials",
    "rollover",
    "duplicates",
    "duplicates",
    "silent_swap",
]

SATISFIES = {
    "overhaul": ["valve_clearance", "plug_replace"],
    "plug_replace": ["plug_inspect"],
    "plug_inspect": ["plug_clean"],
    "filter_replace": ["filter_clean"],
}
JOBS = [
    "oil_change",
    "filter_clean",
    "filter_replace",
    "plug_clean",
    "plug_inspect",
    "plug_replace",
    "valve_clearance",
    "overhaul",
    "fuel_line",
]


class Draw(MoreTasks, MoreEvents):
    """One case being drawn."""

    def __init__(self, rng, number):
        self.rng = rng
        self.theme = THEMES[number % len(THEMES)]
        if self.theme == "crowded" and number // len(THEMES) % 2:
            self.theme = "plain"  # large cases: half as many
        self.wants = set(rng.sample(INGREDIENTS, rng.choice([0, 1, 2, 2, 3, 3, 4])))
        if self.theme == "no_meter":
            self.wants.add(rng.choice(["runs", "runs", "overlap", "open_run", "emergency"]))
        self.events = []
        self.zones = {}
        self.track = []
        self.run_spans = []
        self._sites()
        self._clock()
        self._unit()
        self._use()
        self._schedules()
        self._moves()
        self._commissioning()
        self._swap()
        self._runs()
        self._work()
        self._halves()
        self._adoptions()
        self._more_events()
        self._corrections()
        self._more_corrections()

    # small tools

    def chance(self, share):
        return self.rng.random() < share

    def uuid(self):
        """A version 7 id whose order tells nothing."""
        text = f"{self.rng.randrange(0x018C00000000, 0x019A00000000):012x}"
        text += f"7{self.rng.randrange(16**3):03x}"
        text += f"{self.rng.choice('89ab')}{self.rng.randrange(16**15):015x}"
        return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))

    def written(self, instant):
        zone = zoneinfo.ZoneInfo("UTC") if self.chance(0.3) else self.zone_at(instant)
        return datetime.fromtimestamp(instant, zone).isoformat()

    def zone_at(self, instant):
        site = self.home
        for moved, to in self.track:
            if moved <= instant:
                site = to
        return self.zones[site]

    def add(self, kind, instant, day_only=0.12, **body):
        event = {"id": self.uuid(), "kind": kind, "unit_id": self.unit["id"]}
        if self.chance(day_only):
            event["occurred_on"] = local_date(instant, self.zone_at(instant)).isoformat()
        else:
            event["occurred_at"] = self.written(instant)
            if self.chance(0.1):
                event["occurred_precision"] = "minute"
        event.update(body)
        self.events.append(event)
        return event

    # what the case is about

    def _sites(self):
        count = 3 if self.theme == "loans" else self.rng.choice([1, 1, 2])
        names = self.rng.sample(ZONES, count)
        if self.theme == "summer_time":
            names[0] = self.rng.choice(ZONES[3:7] * 3 + ["Europe/Berlin", "Australia/Lord_Howe"])
        self.sites = [{"id": self.uuid(), "zone": name} for name in names]
        self.zones = {s["id"]: zoneinfo.ZoneInfo(s["zone"]) for s in self.sites}
        self.home = self.sites[0]["id"]

    def _clock(self):
        """When it starts and how long it is watched."""
        rng = self.rng
        first = date(2023, 3, 1) + timedelta(days=rng.randrange(600))
        self.days = rng.choice([20, 45, 90, 180, 180, 300])
        self.changed_day = None
        if self.theme == "summer_time":
            self.changed_day = rng.choice(changed_days(self.zones[self.home]))
            self.days = rng.choice([20, 60, 100])
            first = self.changed_day - timedelta(days=self.days + rng.randrange(40))
        zone = self.zones[self.home]
        self.start = first_instant(first, zone) + rng.randrange(24 * 60) * 60
        self.end = self.start + self.days * DAY

    def _unit(self):
        rng = self.rng
        self.metered = self.theme != "no_meter"
        self.tick = 360
        self.unit = {"id": self.uuid(), "label": "G1", "home_site_id": self.home, "fuel": "petrol"}
        if not self.metered:
            self.unit["meter_fitted"] = False
        elif self.chance(0.35):
            self.tick = rng.choice([HOUR, 360, 36])
            self.unit["meter_tick_hours"] = {HOUR: 1, 360: 0.1, 36: 0.01}[self.tick]
        self._more_of_the_unit()

    def _use(self):
        """Hours run, day by day; an outage runs round the clock."""
        rng = self.rng
        usual = rng.choice([0.02, 0.1, 0.4, 1.0, 2.5])
        runs_noted = self.wants & {"runs", "emergency", "open_run", "overlap"}
        if self.theme == "stale" or runs_noted:
            usual = rng.choice([0.0, 0.05])
        self.used_by_day = [0]
        outage = 0
        for _ in range(self.days + 400):
            if outage == 0 and not runs_noted and self.chance(0.006):
                outage = rng.randrange(1, 6)
            running = outage or self.theme == "tick_edge"
            hours = 24 if running else rng.choice([0, usual, 2 * usual])
            outage = max(0, outage - 1)
            self.used_by_day.append(self.used_by_day[-1] + int(hours * HOUR))
        self.meter_start = rng.choice([0, 0, 0, 8, 2000, 4312]) * self.tick
        self.rollover = None
        if "rollover" in self.wants and self.metered:
            self.rollover = rng.choice([10000, 10000, 1000]) * HOUR
            self.unit["meter_rollover_hours"] = self.rollover // HOUR
            self.meter_start = (
                (self.rollover - rng.randrange(1, 60) * HOUR) // self.tick * self.tick
            )
        self.swapped_at, self.swap_shift = None, 0
        self.wrong_by = rng.choice([3000, 9000]) * HOUR
        self.wrong_count = rng.randrange(3, 6)
        self.wrong_left = self.wrong_count + rng.randrange(2)
        self.told, self.falling = 0, rng.choice([16, 16, 17, 18])

    def used(self, instant):
        """Seconds run since the start."""
        day, rest = divmod(instant - self.start, DAY)
        before, after = self.used_by_day[day], self.used_by_day[day + 1]
        return before + (after - before) * rest // DAY

    def shown(self, instant):
        """What the meter shows, in whole ticks."""
        value = self.meter_start + self.used(instant)
        value += inside(united(self.run_spans), self.start, instant)
        if self.swapped_at is not None and instant >= self.swapped_at:
            value += self.swap_shift
        if self.rollover:
            value %= self.rollover
        return value // self.tick * self.tick

    # schedules

    def _schedules(self):
        self.editions = []
        self.schedules = []
        self.other_jobs = set()
        for _ in range(2 if self.chance(0.6 if self.theme == "adoptions" else 0.1) else 1):
            schedule = self.uuid()
            self.schedules.append(schedule)
            jobs = self.rng.sample(JOBS, self.rng.choice([2, 2, 3, 3, 4]))
            if self.theme == "chain":
                jobs = ["overhaul", "plug_replace", "plug_inspect", "plug_clean"]
            elif self.chance(0.4):
                top = self.rng.choice(["overhaul", "plug_replace", "filter_replace"])
                jobs = list(dict.fromkeys([top, *SATISFIES[top], *jobs]))[:4]
            revisions = 2 if self.theme in ("adoptions", "loans") or self.chance(0.1) else 1
            for label in "AB"[:revisions]:
                self.editions.append(
                    {
                        "id": self.uuid(),
                        "schedule_id": schedule,
                        "edition": label,
                        "effective_from": "2023-01-01",
                        "source": "s",
                        "tasks": self._tasks(jobs),
                    }
                )

    def _task(self, job):
        rng = self.rng
        code = job if self.chance(0.8) else f"{job}_task"
        task = {"task": code, "job": job, "title": "t", "limits": self._limits()}
        smallest = dict(task["limits"])
        if self.chance(0.75 if self.theme == "first" else 0.2):
            first = self._first(task["limits"])
            task["first"] = first
            smallest.update({k: min(v, smallest.get(k, v)) for k, v in first.items()})
        for name, share, hours, days in (
            ("tolerance", 0.35, [1, 2.5, 10], [1, 3, 14]),
            ("lead", 0.3, [1, 2.5, 4], [1, 3, 5]),
        ):
            if self.chance(share):
                axes = {}
                if "hours" in smallest and self.chance(0.8):
                    axes["hours"] = rng.choice(hours)
                if has_calendar(smallest) and self.chance(0.8):
                    axes["days"] = rng.choice(days)
                if axes:
                    task[name] = axes
        if self.chance(0.8 if self.theme == "grid" else 0.2):
            task["anchor"] = "grid"
        elif self.chance(0.1):
            task["anchor"] = "actual"
        self._more_of_the_task(task)
        if job in SATISFIES and (self.theme == "chain" or self.chance(0.85)):
            task["satisfies"] = SATISFIES[job]
        return task

    def _limits(self):
        rng = self.rng
        shape = rng.choice(["h", "h", "h", "hm", "hm", "hm", "hd", "m", "d", "d"])
        if self.changed_day:
            shape = rng.choice(["d", "d", "hd", "h"])
        limits = {}
        if "h" in shape:
            limits["hours"] = rng.choice([8, 20, 25, 50, 62.5, 100, 100, 300])
        if "m" in shape:
            limits["months"] = rng.choice([1, 2, 3, 6, 6, 12, 24])
        if "d" in shape:
            limits["days"] = rng.choice([7, 10, 30, 45, 90])
            if self.changed_day:
                limits["days"] = rng.choice([7, 10, 15])
        return limits

    def _first(self, limits):
        rng = self.rng
        first = {}
        if "hours" in limits:
            first["hours"] = rng.choice([5, 10, 20, 22.5])
        if has_calendar(limits) and (not first or self.chance(0.6)):
            first.update(rng.choice([{"months": 1}, {"days": 14}, {"days": 25}]))
        return first

    # events

    def _moves(self):
        if len(self.sites) == 1 or not (self.theme == "loans" or self.chance(0.5)):
            return
        moves = self.rng.randrange(1, 4)
        for _ in range(moves):
            at = self.start + self.rng.randrange(DAY, self.days * DAY)
            to = self.rng.choice(self.sites)["id"]
            self.add("placement", at, site_id=to)
            self.track.append((at, to))
        self.track.sort()

    def _commissioning(self):
        self.commissioned = self.theme != "no_history" and self.chance(0.85)
        if not self.commissioned:
            if self.metered and self.meter_start == 0:
                self.meter_start = 3120 * self.tick
            return
        body = {"site_id": self.home}
        if len(self.sites) > 1 and self.chance(0.3):
            body["site_id"] = self.sites[1]["id"]
        if not self.metered:
            if self.chance(0.5):
                body["engine_hours"] = self.rng.choice([0, 0, 120, 61.5])
        elif self.chance(self._commissioning_is_read()):
            body["meter_hours"] = hours_of(self.shown(self.start))
            if self.chance(0.25):
                body["engine_hours"] = self.rng.choice([0, 250, 812.5])
        elif self.meter_start == 0 and self.chance(0.6):
            body["engine_hours"] = 0
        self.add("commissioning", self.start, **body)
        self.track.append((self.start, body["site_id"]))
        self.track.sort()

    def _commissioning_is_read(self):
        if self.theme in ("crowded", "wrong_for_a_while"):
            return 0  # a fixed start would rule the wrong ones out
        return 0.2 if self.theme in ("unread", "read_late") else 0.8

    def _swap(self):
        if not self.metered or not (
            self.theme in ("swap", "blind_swap") or "silent_swap" in self.wants or self.chance(0.06)
        ):
            return
        at = self.start + self.rng.randrange(self.days * DAY // 4, self.days * DAY * 3 // 4)
        old, new = self.shown(at), self.rng.choice([0, 0, 23 * self.tick])
        body = {"component": "meter", "action": "fitted", "new_meter_hours": hours_of(new)}
        if self.theme != "blind_swap":
            body["old_meter_hours"] = hours_of(old)
        if "silent_swap" not in self.wants:
            self.add("component", at, **body)
        self.swapped_at, self.swap_shift = at, new - old

    def _work(self):
        if self.theme == "no_history":
            if self.metered and self.chance(0.6):
                self._reading(self.start + self.rng.randrange(self.days * DAY))
            return
        shares = {"unread": 0, "read_late": 0, "wrong_for_a_while": 1, "crowded": 1}
        share = shares.get(self.theme, 0.5)
        for at in self._times():
            if self.metered and self.chance(share):
                self._reading(at)
            else:
                self._service(at)
            if self.theme == "same_instant" and self.chance(0.8):
                self.rng.choice([self._reading, self._service, self._service])(at)
        if self.theme == "read_late":
            self._reading(self.end + self.rng.randrange(20 * DAY))
        if self.changed_day:
            self._service_due_on(self.changed_day)
        if self.metered and self.chance(0.05):
            at = self.rng.choice(self._times())
            self.add(
                "component",
                at,
                component="engine",
                action="rebuilt",
                meter_hours=hours_of(self.shown(at)),
            )

    def _service_due_on(self, day):
        """All jobs done so many days before that one of them falls due that day."""
        limits = self.rng.choice(self.editions[0]["tasks"])["limits"]
        before = limits.get("days", 10)
        at = first_instant(day - timedelta(days=before), self.zones[self.home])
        jobs = [{"job": job} for job in sorted({t["job"] for t in self.editions[0]["tasks"]})]
        self.add("service", at + self.rng.randrange(20 * HOUR), day_only=0.5, jobs=jobs)

    def _halves(self):
        """Makes some service fall exactly half way between two points of a grid."""
        commissioned = [e for e in self.events if e["kind"] == "commissioning"]
        if self.theme != "grid" or not commissioned:
            return
        start = commissioned[0]
        for edition in self.editions:
            for task in edition["tasks"]:
                done = [
                    e
                    for e in self.events
                    if e["kind"] == "service" and task["job"] in {j["job"] for j in e["jobs"]}
                ]
                if done:
                    self._halve(task, start, done[-1])

    def _halve(self, task, start, done):
        limits, share = task["limits"], self.rng.choice([1, 1, 3])
        if "hours" in limits and "meter_hours" in start and "meter_hours" in done:
            run = round((done["meter_hours"] - start["meter_hours"]) * 10)
            if self.tick == 360 and run >= 60 and run * 2 % share == 0:
                limits["hours"] = hours_of(run * 2 // share * 360)
        if "days" in limits:
            days = (self._day_of(done) - self._day_of(start)).days
            if days >= 12 and days * 2 % share == 0:
                limits["days"] = days * 2 // share

    def _day_of(self, event):
        if "occurred_on" in event:
            return date.fromisoformat(event["occurred_on"])
        instant = parse_instant(event["occurred_at"])
        return local_date(instant, self.zone_at(instant))

    def _times(self):
        rng = self.rng
        count = rng.randrange(2, 9)
        if self.theme == "wrong_for_a_while":
            count = 11
        if self.theme == "crowded":
            count = self.falling + rng.randrange(1, 5)
        span = self.days * DAY
        if self.theme == "stale":
            span = min(span, 60 * DAY)
        times = [self.start + rng.randrange(60, span) // 60 * 60 for _ in range(count)]
        if self.changed_day:
            day = first_instant(self.changed_day, self.zones[self.home])
            times = [t for t in times if t < day - 16 * DAY]
        if self.theme == "tick_edge":
            step = rng.choice([HOUR, 5 * HOUR, WEEK, WEEK])
            times = [self.start + (k + 1) * step for k in range(count)]
        elif self.chance(0.2):
            # Evenly read, so that whole weeks have their own use.
            times = [self.start + (k + 1) * WEEK for k in range(min(count, self.days // 7))]
        return sorted(times) or [self.start + DAY]

    def _misread(self, value):
        rng = self.rng
        wrong = rng.choice(
            [value * 10, value // 10, value // 100, value + rng.randrange(10, 20000) * self.tick]
            + [value - rng.randrange(1, 300) * self.tick, value + self.tick, value - self.tick]
        )
        return max(0, min(wrong, 90_000 * HOUR)) // self.tick * self.tick

    def _meter_value(self, at):
        value = self.shown(at)
        if self.theme == "crowded":
            value = self._falling(at)
        elif self.theme == "wrong_for_a_while":
            self.wrong_left -= 1
            value += self.wrong_by if 0 <= self.wrong_left < self.wrong_count else 0
        elif self.theme == "tick_edge" and self.chance(0.5):
            value += self.rng.choice([1, 1, 2]) * self.tick
        elif self.theme == "same_instant" and self.chance(0.5):
            value += self.tick
        elif self.chance(0.35 if self.theme in ("misreads", "swap") else 0.07):
            value = self._misread(value)
        return hours_of(value)

    def _falling(self, at):
        """Ever falling, so that hardly any two agree and many wait; at last they agree."""
        self.told += 1
        if self.told < self.falling:
            return (5000 - 3 * self.told) * HOUR
        return 4000 * HOUR + self.shown(at)

    def _reading(self, at):
        if not self.metered:
            return
        self.add("reading", at, meter_hours=self._meter_value(at))

    def _service(self, at):
        jobs = sorted({t["job"] for e in self.editions for t in e["tasks"]} | self.other_jobs)
        chosen = self.rng.sample(jobs, min(len(jobs), self.rng.choice([1, 1, 2, 3])))
        if self.chance(0.05):
            chosen = ["tyre_check"]
        body = {"jobs": [self._job(job, at) for job in chosen]}
        silent = {"unread": 1, "read_late": 1, "no_readings_at_services": 0.8}.get(self.theme, 0.35)
        if self.metered and not self.chance(silent):
            body["meter_hours"] = self._meter_value(at)
        self.add("service", at, **body)

    def _adoptions(self):
        rng = self.rng
        for schedule in self.schedules:
            editions = [e["id"] for e in self.editions if e["schedule_id"] == schedule]
            count = len(editions)
            if self.theme in ("adoptions", "loans"):
                count = rng.randrange(2, 4)
            day = local_date(self.start, self.zones[self.home]) + timedelta(days=3)
            for k in range(count):
                edition = editions[0] if k == 0 else rng.choice(editions)
                at = self.start + 5 * 60 if k == 0 else self.start + rng.randrange(self.days * DAY)
                body = {"schedule_id": schedule, "edition_id": edition}
                if k > 0 and self.theme == "adoptions" and self.chance(0.4):
                    body["effective_from"] = day.isoformat()
                elif self.chance(0.7):
                    shift = rng.choice([0, 0, 1, 14, -10, -400])
                    if k == 0 and self.theme != "adoptions":
                        shift = min(shift, 0)
                    day = local_date(at, self.zone_at(at)) + timedelta(days=shift)
                    body["effective_from"] = day.isoformat()
                if self.chance(0.4 if self.theme == "adoptions" else 0.02):
                    last = max(day, local_date(at, self.zone_at(at)))
                    last += timedelta(days=rng.randrange(20, self.days + 60))
                    body["effective_until"] = last.isoformat()
                self.add("adoption", at, **body)

    def _corrections(self):
        if not (self.theme == "corrections" or self.chance(0.12)):
            return
        rng = self.rng
        targets = [e for e in self.events if e["kind"] != "adoption" or self.chance(0.3)]
        for target in rng.sample(targets, min(len(targets), rng.randrange(1, 4))):
            at = self.end + rng.randrange(-30, 30) * DAY
            actions = rng.choice(["v", "v", "vr", "vrv", "rv", "r"])
            last = None
            for action in actions:
                at += rng.choice([0, 1, HOUR, DAY])
                last = self.add(
                    "correction",
                    at,
                    day_only=0,
                    action={"v": "void", "r": "reinstate"}[action],
                    target_id=target["id"],
                    reason="x",
                )
            if self.chance(0.2):
                # A correction of a correction changes nothing.
                self.add(
                    "correction",
                    at + HOUR,
                    day_only=0,
                    action="void",
                    target_id=last["id"],
                    reason="x",
                )

    # the case

    def case(self, name, at):
        events = list(self.events)
        self.rng.shuffle(events)
        return {
            "case": name,
            "unit": self.unit,
            "sites": self.sites,
            "editions": self.editions,
            "events": events,
            "at": datetime.fromtimestamp(at, UTC).isoformat().replace("+00:00", "Z"),
        }


def changed_days(zone):
    """Days that do not begin at midnight; else those not 24 hours long."""
    days = [date(2024, 1, 1) + timedelta(days=k) for k in range(700)]
    starts = [first_instant(d, zone) for d in days]
    late = [d for d, s in zip(days, starts) if datetime.fromtimestamp(s, zone).hour != 0]
    odd = [d for d, s, after in zip(days, starts, starts[1:]) if after - s != DAY]
    return late or odd
