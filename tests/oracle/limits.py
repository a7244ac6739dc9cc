"""What a task's limits are counted from, and where they lie."""

from datetime import timedelta
from fractions import Fraction

from exact import (
    HOUR,
    add_interval,
    first_instant,
    has_calendar,
    next_fixed_date,
    parse_day,
    seconds,
    united,
)
from history import order
from schedules import with_override

GRACE_HOURS = 10 * HOUR
GRACE_DAYS = 14


class Anchor:
    """Where the count begins: hours (lower, nominal, upper) or None, and a day."""

    def __init__(self, kind, event, instant, day, hours):
        self.kind = kind
        self.event = event
        self.instant = instant
        self.day = day
        self.hours = hours
        self.completion = None
        self.at_work = hours  # the hours then, wherever the point is put

    @property
    def completed(self):
        return self.completion is not None


class Plan:
    """The limits of one task under one adoption, as they stand at one instant."""

    def __init__(self):
        self.task = None
        self.anchor = None
        self.finished = False  # once, and done
        self.hours_limit = None
        self.date_limit = None
        self.paused = timedelta(0)  # of the date limit: days that did not count
        self.hours_interval = None
        self.no_hours = False
        self.limits = {}


class Planner:
    """Works plans out from scratch."""

    def __init__(self, history, hours, schedules, work, conditions):
        self.history = history
        self.hours = hours
        self.schedules = schedules
        self.work = work
        self.conditions = conditions

    def plan(self, adoption, code, t, before=None, alone=False):
        """The limits at t; only completions before an event count.

        `alone`: what the edition asks for by itself until t, without overrides and pauses.
        """
        until = t - 1 if alone else t
        paused = overridden = not alone
        task = self.schedules.task(adoption, code)
        if task is None:
            return None
        plan = Plan()
        plan.task = task
        edition = self.schedules.edition(adoption)
        override = None
        if overridden:
            override = self.schedules.override(adoption["schedule_id"], code, t)
        if override is not None:
            self._doubt_override(task, override)
        limits = with_override(task["limits"], override)
        first = with_override(task.get("first"), override) or limits
        done = self.work.completions(task, edition, until)
        if before is not None:
            done = [c for c in done if order(c.event) < order(before)]
        base = self._base(task, adoption, until)
        if base is not None and base.kind == "component":
            done = [c for c in done if c.instant >= base.instant]
        if task.get("once"):
            plan.finished = bool(done)
        became = self.conditions.became_applicable(adoption, code, task, t)
        once = task.get("once")
        if once and became:
            self.history.doubts.append("a task for once that came to apply later")
        planned = task.get("anchor", "actual").startswith("planned")
        if planned and became and done and done[0].instant < became[0] <= done[-1].instant:
            self.history.doubts.append("planned work before and after it came to apply")
        start = base if once else self._since_applicable(base, became)
        plan.anchor = self._fold(task, limits, first, start, done, t) if done else start
        if not once:
            plan.anchor = self._since_applicable(plan.anchor, became)
        if plan.anchor is None or plan.finished:
            return plan
        plan.limits = limits if plan.anchor.completed else first
        self._set_limits(plan, base, done, t)
        self._grace(plan, adoption, code, override or {})
        if paused:
            self._pause(plan, t)
        return plan

    def _doubt_override(self, task, override):
        if "severe" in task:
            self.history.doubts.append("an override of a task with severe limits")
        first = task.get("first", override)
        if ("hours" in override) > ("hours" in first) or has_calendar(override) > has_calendar(
            first
        ):
            self.history.doubts.append("an override of an axis that the first limits lack")

    # what it counts from

    def _base(self, task, adoption, until):
        """The anchor before any completion."""
        if task.get("once"):
            start = self.history.span(adoption)[0]
            return self._anchor("adoption", adoption, start, self.history.day_at(start))
        component = task.get("component")
        fitted = [
            e
            for e in self.history.of_kind("component")
            if e["component"] == component and e["instant"] <= until
        ]
        if fitted:
            return self._anchor_at("component", fitted[-1])
        new = self.history.commissioning
        if new is None or new["instant"] > until:
            return None
        return self._anchor_at("commissioning", new)

    def _anchor_at(self, kind, event):
        day = self.history.date_of(event)
        return Anchor(kind, event, event["instant"], day, self.hours.of(event))

    def _anchor(self, kind, event, instant, day):
        hours = self.hours.at(instant)
        return Anchor(kind, event, instant, day, hours[:3] if hours else None)

    def _since_applicable(self, anchor, became):
        """A task that came to apply later counts from then."""
        if became is None or (anchor is not None and anchor.instant >= became[0]):
            return anchor
        start, event = became
        return self._anchor("applicable", event, start, self.history.day_at(start))

    def _fold(self, task, limits, first, base, done, t):
        """Walks over all completions; late or early work may keep the planned point."""
        policy = task.get("anchor", "actual")
        point = base
        for completion in done:
            hours, day = self.hours.of(completion.event), completion.day
            reached = Anchor("completion", completion.event, completion.instant, day, hours)
            reached.completion = completion
            if policy in ("planned", "planned_within") and point is not None:
                self._keep_planned(task, limits if point.completed else first, point, reached)
            point = reached
        return point

    def _keep_planned(self, task, limits, point, reached):
        tolerance = task.get("tolerance", {})
        if task.get("severe") or task.get("storage") == "pauses":
            self.history.doubts.append("planned work under severe duty or pauses")
        if "hours" in limits and point.hours and reached.hours:
            interval = self._interval(task, limits, point)
            due, x = point.hours[1] + interval, reached.hours[1]
            if self._kept(task, x - due, interval, seconds(tolerance.get("hours", 0))):
                reached.hours = (due,) * 3
        if has_calendar(limits):
            due = self._plain_date(task, limits, point)
            late, interval = (reached.day - due).days, (due - point.day).days
            if self._kept(task, late, interval, tolerance.get("days", 0)):
                reached.day = due

    @staticmethod
    def _kept(task, late, interval, tolerance):
        if task["anchor"] == "planned":
            return 0 <= late <= tolerance
        return abs(late) * 100 <= Fraction(str(task["within_percent"])) * interval

    # how far it reaches

    def _factor(self, task, anchor):
        if anchor.completed and anchor.completion.substitute and "substitute_factor" in task:
            return Fraction(str(task["substitute_factor"]))
        return Fraction(1)

    def _interval(self, task, limits, anchor):
        return int(seconds(limits["hours"]) * self._factor(task, anchor))

    def _plain_date(self, task, limits, anchor):
        limit = add_interval(anchor.day, limits)
        factor = self._factor(task, anchor)
        if factor == 1:
            return limit
        return anchor.day + timedelta(days=int((limit - anchor.day).days * factor))

    def _set_limits(self, plan, base, done, t):
        task, limits, anchor = plan.task, plan.limits, plan.anchor
        if "hours" in limits:
            if anchor.hours is None:
                plan.no_hours = True
            else:
                plan.hours_interval = self._interval(task, limits, anchor)
                plan.hours_limit = self._hours_limit(plan, base, t)
        if "fixed_dates" in limits:
            lead = int(task.get("lead", {}).get("days", 0)) if anchor.completed else 0
            after = anchor.day + timedelta(days=lead)
            plan.date_limit = next_fixed_date(limits["fixed_dates"], after)
        elif "by" in limits:
            plan.date_limit = parse_day(limits["by"])
        elif has_calendar(limits):
            plan.date_limit = self._date_limit(plan, base, done, t)

    def _severe(self, plan, axis):
        """The severe interval of an axis, where the task has one and it bears on it."""
        severe = plan.task.get("severe")
        in_use = plan.anchor.completed or "first" not in plan.task
        if not severe or not in_use:
            return None
        if axis == "hours":
            return severe if "hours" in severe else None
        return severe if has_calendar(severe) else None

    def _hours_limit(self, plan, base, t):
        anchor, interval = plan.anchor, plan.hours_interval
        if anchor.completed and plan.task.get("anchor") == "grid":
            if base is not None and base.kind == "component":
                self.history.doubts.append("a grid after a component was fitted")
            start = self.hours.commissioned
            point = start[1] if start else 0
            while not point > anchor.hours[1] + Fraction(interval, 2):
                point += interval
            return (point,) * 3
        severe = self._severe(plan, "hours")
        if severe is None:
            return tuple(h + interval for h in anchor.hours)
        shorter = seconds(severe["hours"])
        if self._factor(plan.task, anchor) != 1:
            self.history.doubts.append("severe duty on a substitute")
        spans = self.conditions.severe_spans(anchor.instant, t)
        if severe.get("mode") == "strict":
            if spans:
                plan.hours_interval = shorter
            return tuple(h + plan.hours_interval for h in anchor.hours)
        return tuple(self._weighted(anchor, bound, spans, interval, shorter) for bound in (0, 1, 2))

    def _weighted(self, anchor, bound, spans, interval, shorter):
        """The hour at which normal hours, and severe ones counted higher, make an interval."""
        start_bound, end_bound = bound, 2 - bound
        start = anchor.hours[bound]
        severe = []
        for a, b in spans:
            begin = start if a <= anchor.instant else max(start, self.hours.at(a)[start_bound])
            end = None if b is None else max(begin, self.hours.at(b)[end_bound])
            severe.append((begin, end))
        return count_out(start, interval, shorter, severe)

    def _date_limit(self, plan, base, done, t):
        task, limits, anchor = plan.task, plan.limits, plan.anchor
        if anchor.completed and task.get("anchor") == "grid":
            if base is not None and base.kind == "component":
                self.history.doubts.append("a grid after a component was fitted")
            origin = base.day if base else done[0].day
            k = 1
            while True:
                point = add_interval(origin, limits, k)
                previous = add_interval(origin, limits, k - 1)
                past_half = 2 * (point - anchor.day).days > (point - previous).days
                if k == 1 and anchor.day < previous != origin:
                    self.history.doubts.append("a grid of month ends before its first one")
                if past_half:
                    return point
                k += 1
        severe = self._severe(plan, "calendar")
        if severe is None:
            return self._plain_date(task, limits, anchor)
        if self._factor(task, anchor) != 1:
            self.history.doubts.append("severe duty on a substitute")
        spans = self.conditions.severe_spans(anchor.instant, t)
        shorter = {k: v for k, v in severe.items() if k in ("months", "days")}
        if severe.get("mode") == "strict":
            return add_interval(anchor.day, shorter if spans else limits)
        return self._weighted_day(anchor.day, limits, shorter, spans, t)

    def _weighted_day(self, start, limits, shorter, spans, t):
        """Walks day by day until the days counted make an interval."""
        zone = self.history.zone_at(t)
        whole = (add_interval(start, limits) - start).days
        part = (add_interval(start, shorter) - start).days
        day, counted = start, Fraction(0)
        while counted < whole:
            day += timedelta(days=1)
            there = self.history.zone_at(first_instant(day, zone))
            hard = during(spans, first_instant(day, there))
            counted += Fraction(whole, part) if hard else 1
        return day

    # what moves it

    def _grace(self, plan, adoption, code, override):
        """A stricter edition is not in arrears on the day it is adopted."""
        earlier = self.schedules.before(adoption)
        start = self.history.span(adoption)[0]
        if earlier is None or plan.task.get("once") or plan.anchor.instant >= start:
            return
        old = self.plan(earlier, code, start, alone=True)
        if old is None or old.anchor is None:
            return
        if old.anchor.event["id"] != plan.anchor.event["id"]:
            self.history.doubts.append("two editions count from different work")
        if old.hours_limit and plan.hours_limit and "hours" not in override:
            now = self.hours.at(start)
            if now and plan.hours_limit[1] < old.hours_limit[1]:
                plan.hours_limit = tuple(
                    min(o, max(n, e + GRACE_HOURS))
                    for o, n, e in zip(old.hours_limit, plan.hours_limit, now)
                )
                self.conditions.reached.add("grace")
        if old.date_limit and plan.date_limit and not has_calendar(override):
            day = self.history.day_at(start) + timedelta(days=GRACE_DAYS)
            if plan.date_limit < old.date_limit:
                plan.date_limit = min(old.date_limit, max(plan.date_limit, day))
                self.conditions.reached.add("grace")

    def _pause(self, plan, t):
        """Days in storage do not count for a task that pauses."""
        if plan.task.get("storage") != "pauses" or plan.date_limit is None:
            return
        for put_in, taken_out in self.conditions.storage(t):
            if taken_out is not None:
                days = (taken_out - max(put_in, plan.anchor.day)).days
                plan.paused += timedelta(days=max(0, days))
        plan.date_limit += plan.paused


def during(spans, t):
    return any(a <= t and (b is None or t < b) for a, b in spans)


def count_out(start, interval, shorter, severe):
    """The first whole second at which the count reaches the interval."""
    ratio = Fraction(interval, shorter)
    closed = [(a, b if b is not None else 1 << 50) for a, b in severe]
    place, counted = start, Fraction(0)
    for a, b in united(s for s in closed if s[0] < s[1]):
        normal = max(0, a - place)
        if counted + normal >= interval:
            break
        counted += normal
        place = max(place, a)
        hard = (b - place) * ratio
        if counted + hard >= interval:
            return place - (-(interval - counted) / ratio // 1)
        counted += hard
        place = b
    return place + -(-(interval - counted) // 1)
