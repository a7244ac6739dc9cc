"""Draws runs, storage, decisions and the rarer corrections."""

from datetime import UTC, datetime, timedelta

from exact import DAY, HOUR, hours_of, local_date, seconds

PERSON = "019a0000-0000-7000-8000-00000000a001"


class MoreEvents:
    """The part of a drawn case that happened to the unit, or was decided for it."""

    def _some_time(self, first=0.0, last=1.0):
        span = self.days * DAY
        low, high = int(span * first), int(span * last)
        return self.start + self.rng.randrange(max(60, low), max(high, low + 120)) // 60 * 60

    def _day_of_instant(self, instant):
        return local_date(instant, self.zone_at(instant))

    # runs

    def _runs(self):
        rng = self.rng
        if "runs" in self.wants or (not self.metered and self.wants & {"overlap"}):
            for _ in range(rng.randrange(1, 6)):
                self._whole(self._some_time(), int(rng.choice([0.5, 1, 2.5, 6, 30]) * HOUR))
        if "overlap" in self.wants:
            at, length = self._some_time(), rng.choice([2, 4, 10]) * HOUR
            self._whole(at, length, day_only=0)
            self._whole(at + rng.randrange(length + HOUR) // 60 * 60, length, day_only=0)
        if "emergency" in self.wants:
            at, length = self._some_time(0.4), rng.choice([5, 20, 60, 84]) * HOUR
            reason = "emergency" if self.chance(0.85) else "test"
            self._started(at, length if self.chance(0.75) else None, reason)
            if self.chance(0.2):
                self._whole(at + length // 2, length, day_only=0, reason="emergency")
        if "open_run" in self.wants:
            at = self._some_time(0.5)
            self._started(at, None, rng.choice(["test", "emergency", None]))
            if self.chance(0.3):
                self._started(at + rng.randrange(60 * HOUR), 3 * HOUR, None)

    def _whole(self, at, length, day_only=0.2, reason=None):
        rng, body = self.rng, {}
        if self.chance(0.4):
            body["phase"] = "whole"
        if reason or self.chance(0.5):
            body["reason"] = reason or rng.choice(["emergency", "test", "maintenance", "other"])
        by_day = self.chance(0.6 if not self.metered else day_only) and day_only > 0
        if by_day or self.chance(0.5):
            body["run_hours"] = length / HOUR
            if not self.metered and self.chance(0.3):
                body["give_or_take_hours"] = min(1, length / HOUR / 2)
        else:
            zone = self.zone_at(at)
            body["stopped_at"] = datetime.fromtimestamp(at + length, zone).isoformat()
        self.run_spans.append((at, at + length))
        if self.metered and not by_day and self.chance(0.3):
            self._read_at(body, at, at + length)
        self.add("run", at, day_only=1 if by_day else 0, **body)

    def _read_at(self, body, start, stop):
        body["meter_hours"] = self._shown_hours(start)
        if "stopped_at" in body:
            body["stop_meter_hours"] = self._shown_hours(stop)

    def _shown_hours(self, at):
        return hours_of(self.shown(at))

    def _started(self, at, length, reason):
        body = {"phase": "start"}
        if reason:
            body["reason"] = reason
        ran = length or self.rng.choice([3, 10, 40]) * HOUR
        self.run_spans.append((at, at + ran))
        if self.metered and self.chance(0.6):
            body["meter_hours"] = self._shown_hours(at)
        started = self.add("run", at, day_only=0, **body)
        if length:
            body = {"phase": "stop", "run_id": started["id"]}
            if self.metered and self.chance(0.5):
                body["meter_hours"] = self._shown_hours(at + length)
            self.add("run", at + length, day_only=0, **body)
        elif self.chance(0.4) and self.metered:
            self._reading(at + self.rng.randrange(60 * HOUR) // 60 * 60)

    # storage, duty and other decisions

    def _more_events(self):
        for name, make in (
            ("storage", self._storage),
            ("duty", self._duty),
            ("override", self._override),
            ("feature", self._feature),
            ("applies", self._applies),
            ("deferral", self._deferral),
            ("component", self._components),
            ("duplicates", self._twice),
            ("alike", self._twice),
        ):
            if name in self.wants:
                make()

    def _storage(self):
        at = self._some_time(0.2)
        for k in range(self.rng.choice([1, 2, 2, 2, 3, 4])):
            action = ("put_in", "taken_out")[k % 2]
            self.add("storage", at, day_only=0.4, action=action)
            at += self.rng.randrange(2, 60) * DAY

    def _span(self, at, body, share=0.5):
        """Gives a decision a start and an end of its own, or not."""
        if self.chance(share):
            shift = self.rng.choice([0, 1, 7, -5])
            start = self._day_of_instant(at) + timedelta(days=shift)
            body["effective_from"] = start.isoformat()
        if self.chance(0.5):
            start = self._day_of_instant(at) + timedelta(days=7)
            body["effective_until"] = (
                start + timedelta(days=self.rng.randrange(1, 90))
            ).isoformat()
        return body

    def _duty(self):
        for _ in range(self.rng.choice([1, 1, 2])):
            at = self._some_time(0.1)
            self.add("duty", at, **self._span(at, {"causes": [self.rng.choice(["dust", "heat"])]}))

    def _some_task(self):
        edition = self.rng.choice(self.editions)
        return edition["schedule_id"], self.rng.choice(edition["tasks"])

    def _override(self):
        schedule, task = self._some_task()
        if set(task) & {"once", "severe", "first", "earliest"} or "on_failed" in task["limits"]:
            return
        limits = {}
        if "hours" in task["limits"]:
            limits["hours"] = self.rng.choice([15, 40, 80])
        if "hours" not in limits or self.chance(0.3):
            limits[self.rng.choice(["months", "days"])] = self.rng.choice([2, 5, 14])
        at = self._some_time(0.1)
        about = {"schedule_id": schedule, "task": task["task"], "limits": limits}
        self.add("setting", at, **self._span(at, {"limits_of": about}))

    def _feature(self):
        for _ in range(self.rng.choice([1, 1, 2])):
            at = self._some_time(0.1)
            code = self.rng.choice(
                ["hydraulic_lifters", "block_heater", "filter_kit", "electric_start"]
            )
            about = {"feature": code, "fitted": self.chance(0.7)}
            self.add("setting", at, **self._span(at, {"feature": about}, 0.4))

    def _applies(self):
        schedule, task = self._some_task()
        for applies in self.rng.choice([[False], [False, True], [True]]):
            at = self._some_time(0.1)
            about = {"schedule_id": schedule, "task": task["task"], "applies": applies}
            self.add("setting", at, **self._span(at, {"applies_to": about}, 0.3))

    def _deferral(self):
        for _ in range(self.rng.choice([1, 1, 2])):
            schedule, task = self._some_task()
            at = self._some_time(0.5)
            engine = self._engine(at) * HOUR if self.metered else None
            self.add("deferral", at, **self.deferred(schedule, task["task"], at, engine))

    def deferred(self, schedule, task, at, engine):
        """The content of a deferral; by hours too where they are given."""
        body = {
            "schedule_id": schedule,
            "task": task,
            "authorised_by": PERSON,
            "reason": "waiting for parts",
        }
        if engine is not None and self.chance(0.5):
            body["until_hours"] = engine // HOUR + self.rng.choice([5, 25, 100])
        if "until_hours" not in body or self.chance(0.4):
            until = self._day_of_instant(at) + timedelta(days=self.rng.randrange(5, 120))
            body["until_date"] = until.isoformat()
        if self.chance(0.2):
            body["effective_from"] = self._day_of_instant(at + 2 * DAY).isoformat()
        return body

    def _engine(self, at):
        return (self.meter_start + self.used(min(at, self.end + 300 * DAY))) // HOUR

    def _components(self):
        for _ in range(self.rng.choice([1, 1, 2])):
            at = self._some_time(0.1)
            component = self.rng.choice(["engine", "alternator", "battery", "starter"])
            action = "fitted" if component == "battery" or self.chance(0.6) else "rebuilt"
            body = {"component": component, "action": action}
            if self.metered and component == "engine" and self.chance(0.5):
                body["meter_hours"] = self._shown_hours(at)
            self.add("component", at, **body)

    def _twice(self):
        """The same work entered by two people, or nearly so."""
        services = [e for e in self.events if e["kind"] == "service" and "occurred_at" in e]
        for first in self.rng.sample(services, min(len(services), self.rng.choice([1, 1, 2]))):
            at = int(datetime.fromisoformat(first["occurred_at"]).astimezone(UTC).timestamp())
            at += self.rng.choice([15 * 60, 5 * HOUR, 12 * HOUR, 12 * HOUR + 60, 20 * HOUR])
            body = {"jobs": [{"job": j["job"]} for j in first["jobs"]]}
            if "meter_hours" in first:
                steps = self.rng.choice([0, HOUR // 10, HOUR * 4 // 10, HOUR // 2, HOUR * 6 // 10])
                body["meter_hours"] = self._later(first["meter_hours"], steps)
            second = self.add("service", at, day_only=0, **body)
            if "alike" in self.wants:
                for action in self.rng.choice([["link"], ["unlink"], ["link", "unlink"]]):
                    self._correct(action, second, other_id=first["id"])

    def _later(self, meter_hours, more):
        """A reading so many seconds on, in whole ticks."""
        value = (seconds(meter_hours) + more) // self.tick * self.tick
        return hours_of(value % self.rollover if self.rollover else value)

    # corrections

    def _correct(self, action, target=None, **body):
        if target is not None:
            body["target_id"] = target["id"]
        at = self.end + self.rng.randrange(-20, 30) * DAY + self.rng.randrange(DAY)
        return self.add("correction", at, day_only=0, action=action, reason="x", **body)

    def _more_corrections(self):
        for name, make in (
            ("amend", self._amend),
            ("reassign", self._reassign),
            ("confirm", self._confirm),
            ("machines", self._machines),
        ):
            if name in self.wants:
                make()

    def _targets(self, *kinds):
        found = [e for e in self.events if e["kind"] in kinds]
        return self.rng.sample(found, min(len(found), self.rng.choice([1, 1, 2])))

    def _amend(self):
        """Another time, another reading or another job in the place of what was entered."""
        for target in self._targets("reading", "service", "storage", "duty", "deferral"):
            content = {k: v for k, v in target.items() if k not in ("id", "unit_id", "note")}
            if "occurred_at" in content and self.chance(0.5):
                at = int(datetime.fromisoformat(content["occurred_at"]).timestamp())
                content["occurred_at"] = self.written(at + self.rng.choice([-HOUR, 600, DAY]))
            if "meter_hours" in content and self.chance(0.7):
                more = self.rng.choice([HOUR // 10, HOUR, 3 * HOUR])
                content["meter_hours"] = self._later(content["meter_hours"], more)
            if content["kind"] == "service" and self.chance(0.4):
                content["jobs"] = [{"job": self.rng.choice(content["jobs"])["job"]}]
            self._correct("amend", target, replacement=content)
            if self.chance(0.3):
                self._correct(self.rng.choice(["void", "reinstate"]), target)

    def _reassign(self):
        other = self.uuid()
        for target in self._targets("reading", "service", "run"):
            if target.get("phase") in ("start", "stop"):
                continue
            to = other
            if self.chance(0.6):
                target["unit_id"], to = other, self.unit["id"]
            self._correct("reassign", target, to_unit_id=to)
            if self.chance(0.2):
                self._correct(
                    "reassign", target, to_unit_id=self.rng.choice([other, self.unit["id"]])
                )

    def _confirm(self):
        for target in self._targets("reading", "service"):
            if "meter_hours" in target:
                self._correct("confirm", target)

    def _machines(self):
        """Entered as two units; the one with the lower id is its record."""
        other = self.uuid()
        while other < self.unit["id"]:
            other = self.uuid()
        for target in self.events:
            if target["kind"] in ("reading", "service", "run") and self.chance(0.5):
                target["unit_id"] = other
        third = self.uuid()
        actions = self.rng.choice([["link"], ["link"], ["link", "unlink"], ["unlink", "link"], []])
        for action in actions:
            self._correct(action, other_unit_id=other)
        if third > self.unit["id"] and actions and self.chance(0.3):
            for target in self._targets("reading", "service"):
                if target["unit_id"] == other:
                    target["unit_id"] = third
            link = self._correct("link", other_unit_id=third)
            link["unit_id"] = other
