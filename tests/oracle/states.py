"""The state of every item at an instant, by its limits and by what stands above them."""

from datetime import timedelta
from fractions import Fraction

from exact import DAY, add_business_days, first_instant, local_date, seconds

READING_AGE = 60 * DAY
LEAD_PERCENT = 10


class Clock:
    """What the limits alone say of an item at an instant."""

    def __init__(self, plan):
        self.plan = plan
        self.flags = set()
        self.breaks = {}
        self.date_limit = None
        self.hours_left = None
        self.days_left = None
        self.hours_used = None
        self.days_used = None
        self.hours_lead = None
        self.hours_tolerance = None
        self.state, self.reason = None, None

    @property
    def pressing(self):
        return self.state in ("due", "overdue")


class Judge:
    """Judges the items of one unit."""

    def __init__(self, history, hours, schedules, work, conditions, planner):
        self.history = history
        self.hours = hours
        self.schedules = schedules
        self.work = work
        self.conditions = conditions
        self.planner = planner
        self.clocks = {}

    # by the limits

    def clock(self, schedule, code, t):
        """By the limits alone; None where no such task is adopted then."""
        key = (schedule, code, t)
        if key not in self.clocks:
            adoption = self.schedules.adopted(schedule, t)
            plan = adoption and self.planner.plan(adoption, code, t)
            self.clocks[key] = self._read(plan, t) if plan else None
        return self.clocks[key]

    def _read(self, plan, t):
        clock = Clock(plan)
        task = plan.task
        on_failed = plan.limits.get("on_failed") or task["limits"].get("on_failed")
        if plan.finished:
            clock.state = "ok"
            return clock
        if plan.anchor is not None:
            if plan.no_hours:
                clock.flags.add("no_hours")
            elif plan.hours_limit:
                self._by_hours(clock, plan, t)
            if plan.date_limit:
                self._by_calendar(clock, plan, t)
        if on_failed:
            self._by_failure(clock, plan, on_failed, t)
        clock.state, clock.reason = decide(clock.flags)
        alone = set(task["limits"]) == {"on_failed"}
        if plan.anchor is None and not clock.breaks and not alone:
            clock.state, clock.reason = "unknown", "no_history"
        return clock

    def _by_hours(self, clock, plan, t):
        now = self.hours.at(t)
        if now is None:
            clock.flags.add("no_hours")
            return
        anchor, task = plan.anchor, plan.task
        lower, _, upper = plan.hours_limit
        least, likely, most, _ = now
        newest = self.hours.newest_evidence(t)
        by_rate = self.hours.metered or not self.hours.runs.runs
        if by_rate and (newest is None or newest < anchor.instant):
            # Without a reading since the work, use since then is bounded by the rate alone.
            most = min(most, anchor.at_work[0] + self.hours.most_since(anchor.instant, t))
            most = max(most, least)
        newest = anchor.instant if newest is None else newest
        lead = Fraction(plan.hours_interval * LEAD_PERCENT, 100)
        if "hours" in task.get("lead", {}):
            lead = seconds(task["lead"]["hours"])
        soon = lower - lead
        if "hours" in task.get("earliest", {}):
            soon = anchor.hours[0] + seconds(task["earliest"]["hours"])
        tolerance = seconds(task.get("tolerance", {}).get("hours", 0))
        clock.hours_left = lower - most
        clock.hours_used = Fraction(likely - anchor.hours[1], plan.hours_interval)
        clock.hours_lead, clock.hours_tolerance = lower - soon, tolerance
        if most >= soon:
            clock.flags.add("coming_due")
        if most >= lower:
            stale = t - newest > READING_AGE
            clock.flags.add("possibly_due" if stale and least < lower else "due")
        if least > upper + tolerance:
            clock.flags.add("overdue")

    def _by_calendar(self, clock, plan, t):
        zone = self.history.zone_at(t)
        task, limit, day = plan.task, plan.date_limit, plan.anchor.day
        span = (limit - day).days
        lead = span * LEAD_PERCENT // 100
        if "fixed_dates" in plan.limits:
            lead = 0
        lead = int(task.get("lead", {}).get("days", lead))
        soon = limit - timedelta(days=lead)
        if "days" in task.get("earliest", {}):
            soon = day + timedelta(days=int(task["earliest"]["days"]))
        tolerance = int(task.get("tolerance", {}).get("days", 0))
        today = local_date(t, zone)
        clock.date_limit = limit
        clock.days_left = (limit - today).days
        clock.days_used = Fraction((today - day).days, span) if span else None
        clock.breaks = {
            "coming_due": first_instant(soon, zone),
            "due": first_instant(limit, zone),
            "overdue": first_instant(limit + timedelta(days=tolerance + 1), zone),
        }
        clock.flags |= {state for state, since in clock.breaks.items() if t >= since}

    def _by_failure(self, clock, plan, on_failed, t):
        """A job that failed makes it due, until it is done."""
        zone = self.history.zone_at(t)
        today = local_date(t, zone)
        # That it fails again before it is put right does not put the limit off.
        failures = self.work.failures(on_failed["job"], t, today)
        left = [f for f in failures if not self._done_since(plan, f, t)]
        if not left:
            return
        event, entry = left[0]
        day = self.work.known_on(event, entry)
        limit = add_business_days(day, int(on_failed.get("business_days", 0)))
        overdue = first_instant(limit + timedelta(days=1), zone)
        if entry.get("analysis", {}).get("running", True) is False:
            start = self.hours.runs.first_start_after(first_instant(day, zone))
            overdue = None if start is None else max(start, overdue)
        breaks = {"coming_due": first_instant(day, zone), "due": first_instant(limit, zone)}
        if overdue is not None:
            breaks["overdue"] = overdue
        flags = {state for state, since in breaks.items() if t >= since}
        if clock.date_limit is not None:
            both = decide(clock.flags | flags)
            earlier = flags if limit < clock.date_limit else set()
            if both != decide(clock.flags | earlier):
                self.history.doubts.append("a failed check and an earlier date differ")
        clock.flags |= flags
        clock.breaks.update({f"failed_{k}": v for k, v in breaks.items()})
        if clock.date_limit is None or limit < clock.date_limit:
            clock.date_limit, clock.days_left = limit, (limit - today).days

    def _done_since(self, plan, failure, t):
        event, entry = failure
        if plan.anchor and plan.anchor.kind in ("component", "applicable"):
            return plan.anchor.instant > event["instant"]
        edition_done = plan.anchor.completion if plan.anchor and plan.anchor.completed else None
        if edition_done is None:
            return False
        done = edition_done.event
        if done["id"] == event["id"]:
            self.history.doubts.append("failed and put right in one service")
            return True
        since = (done["instant"], done["id"]) > (event["instant"], event["id"])
        if since and edition_done.day < self.work.known_on(event, entry):
            self.history.doubts.append("done between a sample and its result")
        return since and edition_done.day >= self.work.known_on(event, entry)

    # and what stands above them

    def item(self, schedule, code, t):
        """The whole answer of one item, or None where it is not adopted."""
        clock = self.clock(schedule, code, t)
        if clock is None:
            return None
        plan, anchor = clock.plan, clock.plan.anchor
        item = Item(clock)
        if not self.conditions.applies(schedule, code, plan.task, t):
            item.state = "not_applicable"
            return item
        behaviour = plan.task.get("storage", "runs")
        item.failed = (
            anchor.event["id"] if anchor and anchor.completed and anchor.completion.failed else None
        )
        item.component_hours = self._component_hours(plan.task, t)
        item.late = self._late(schedule, code, clock, t)
        if not plan.finished:
            item.waited = self._waited(schedule, code, clock, t)
            if behaviour == "runs":
                item.gate = self._gate(schedule, code, clock, t)
        if behaviour != "goes_on" and self.conditions.in_storage(t):
            item.state, item.reason = "suspended", None
            return item
        if clock.pressing or clock.reason == "possibly_due":
            self._put_off(item, schedule, code, t)
        return item

    def _put_off(self, item, schedule, code, t):
        clock = item.clock
        now = self.hours.at(t)
        upper = now[2] if now else None
        deferral = self.conditions.deferral(schedule, code, clock.plan.anchor, t, upper)
        waits = clock.pressing and self._waits(schedule, code, clock, t)
        if deferral and waits:
            self.history.doubts.append("deferred, and an emergency as well")
        if deferral:
            item.state, item.reason, item.deferral = "deferred", None, deferral
        elif waits:
            item.state, item.reason = "deferred", "emergency"

    def _emergency(self, t):
        for start, end in self.hours.runs.emergencies:
            if start <= t < end:
                return start
        return None

    def _fell_due_in(self, schedule, code, start, anchor):
        """Whether an item that is due now was not when a run began."""
        if anchor and anchor.instant >= start:
            return True
        return not self._pressing_at(schedule, code, start)

    def _pressing_at(self, schedule, code, t):
        """Whether an item was due then; one that did not apply was not."""
        then = self.clock(schedule, code, t)
        return (
            then is not None
            and then.pressing
            and self.conditions.applies(schedule, code, then.plan.task, t)
        )

    def _waits(self, schedule, code, clock, t):
        if not clock.plan.task.get("may_wait_in_emergency"):
            return False
        start = self._emergency(t)
        return start is not None and self._fell_due_in(schedule, code, start, clock.plan.anchor)

    def _waited(self, schedule, code, clock, t):
        """Whether it fell due during an emergency that is over, and is not done since."""
        if not clock.plan.task.get("may_wait_in_emergency"):
            return False
        anchor = clock.plan.anchor
        for start, end in self.hours.runs.emergencies:
            if (
                end <= t
                and (anchor is None or anchor.instant < end)
                and self._pressing_at(schedule, code, end)
                and self._fell_due_in(schedule, code, start, anchor)
            ):
                return True
        return False

    def _gate(self, schedule, code, clock, t):
        """Whether it was due when it came out of storage, and is not done since."""
        out = self.conditions.last_taken_out(t)
        anchor = clock.plan.anchor
        if out is None or (anchor and anchor.instant >= out):
            return False
        if self.schedules.adopted(schedule, out) is not self.schedules.adopted(schedule, t):
            return OPEN
        return self._pressing_at(schedule, code, out)

    def _component_hours(self, task, t):
        fitted = [
            e
            for e in self.history.of_kind("component")
            if e["component"] == task.get("component") and e["instant"] <= t
        ]
        now = self.hours.at(t)
        if "component" not in task or now is None:
            return None
        if not fitted:
            return now[1]
        then = self.hours.of(fitted[-1])
        return now[1] - then[1] if then else None

    def _late(self, schedule, code, clock, t):
        """How late the last completion was; OPEN where the rules leave it open."""
        anchor = clock.plan.anchor
        if anchor is None or not anchor.completed:
            return None
        done = anchor.completion
        adoption = self.schedules.adopted(schedule, done.instant)
        if adoption is None or adoption is not self.schedules.adopted(schedule, t):
            return OPEN
        task = clock.plan.task
        had = self.planner.plan(adoption, code, done.instant, before=done.event)
        if had is None or had.anchor is None or had.finished:
            return None
        # Nobody asked for it before the adoption began.
        since = self.history.span(adoption)[0]
        hours = days = 0
        at, asked = self.hours.of(done.event), self.hours.at(since)
        if had.hours_limit and at:
            hours = at[1] - max(had.hours_limit[1], asked[1] if asked else 0)
        if had.date_limit:
            days = (done.day - max(had.date_limit, self.history.day_at(since))).days
        hours, days = max(0, hours), max(0, days)
        if task["limits"].get("on_failed"):
            return OPEN
        if not hours and not days:
            return None
        return {
            "hours": hours,
            "days": days,
            "justified_by": self._why_late(schedule, code, had, done),
        }

    def _why_late(self, schedule, code, had, done):
        for start, end in self.hours.runs.emergencies:
            if start <= done.instant and had.anchor.instant < min(end, done.instant):
                if not self._reached(had, start) and self._reached(had, min(end, done.instant)):
                    if not had.task.get("may_wait_in_emergency"):
                        return OPEN
                    return "emergency"
        upper = self.hours.at(done.instant)
        if self.conditions.deferral(
            schedule, code, had.anchor, done.instant, upper[2] if upper else None
        ):
            return "deferral"
        return None

    def _reached(self, plan, t):
        """Whether a limit was reached, by the likely hours as lateness is counted."""
        now = self.hours.at(t)
        if plan.hours_limit and now and now[1] >= plan.hours_limit[1]:
            return True
        return plan.date_limit is not None and self.history.day_at(t) >= plan.date_limit


OPEN = object()


class Item:
    """One item of the answer."""

    def __init__(self, clock):
        self.clock = clock
        self.state, self.reason = clock.state, clock.reason
        self.gate = self.waited = False
        self.deferral = self.failed = self.late = self.component_hours = None


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


def compliance(states):
    """(known not to be overdue, all that apply) of a list of states."""
    applicable = [s for s in states if s != "not_applicable"]
    return len([s for s in applicable if s not in ("overdue", "unknown")]), len(applicable)


def governing(clock):
    """The axis with the larger used share; hours on a tie."""
    hours, days = clock.hours_used, clock.days_used
    if days is None:
        return "hours" if hours is not None else None
    return "hours" if hours is not None and hours >= days else "calendar"
