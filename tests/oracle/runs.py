"""When the engine is known to have run: spans of runs, and where an open run ends."""

from decimal import Decimal

from exact import inside, parse_instant, seconds, united


class Run:
    """One run; `end` is None while it goes on."""

    def __init__(self, event, start, end, is_open):
        self.event = event
        self.start = start
        self.end = end
        self.open = is_open
        self.ended_by = None if is_open else "known"
        self.day_only = "occurred_on" in event
        self.give_or_take = seconds(event.get("give_or_take_hours")) or 0
        self.emergency = event.get("reason") == "emergency"

    @property
    def order(self):
        return (self.start, self.event["id"])


class Runs:
    """All runs of a unit as known at one time."""

    def __init__(self, unit, history, chain):
        self.history = history
        self.chain = chain
        self.most = self._tankful(unit)
        self.metered = unit.get("meter_fitted", True)
        self.runs = sorted(self._spans(), key=lambda r: r.order)
        for run in self.runs:
            if run.open:
                self._end(run)
        ends = [(r.start, self._until(r)) for r in self.runs]
        self.united = united(ends)
        sure = [r for r in self.runs if r.ended_by != "next run"]
        self.sure = united([(r.start, self._until(r)) for r in sure])
        self.emergencies = united(
            [
                (r.start, self._until(r))
                for r in self.runs
                if r.emergency and r.start < self._until(r)
            ]
        )

    @staticmethod
    def _tankful(unit):
        """Seconds that a full tank lasts, where both figures are known."""
        if "tank_litres" not in unit or "burn_litres_per_hour" not in unit:
            return None
        litres, burn = (Decimal(str(unit[k])) for k in ("tank_litres", "burn_litres_per_hour"))
        return int(litres * 3600 // burn)

    def _until(self, run):
        """The end of a run; one that goes on has no end in sight."""
        return 1 << 50 if run.end is None else run.end

    def _spans(self):
        events = self.history.of_kind("run")
        stops = {}
        for e in events:
            if e.get("phase") == "stop":
                if e["run_id"] in stops:
                    self.history.doubts.append("two stops of one run")
                stops.setdefault(e["run_id"], e)
        laid = {}  # where the next run of a day without times begins
        for e in events:
            phase, start = e.get("phase", "whole"), e["instant"]
            if phase == "whole":
                if "occurred_on" in e:
                    start = laid.get(start, start)
                if "stopped_at" in e:
                    end = parse_instant(e["stopped_at"])
                else:
                    end = start + seconds(e["run_hours"])
                if "occurred_on" in e:
                    laid[e["instant"]] = end
                yield Run(e, start, end, False)
            elif phase == "start":
                stop = stops.get(e["id"])
                if stop is None:
                    yield Run(e, start, None, True)
                elif stop["instant"] >= start:
                    yield Run(e, start, stop["instant"], False)
                else:
                    self.history.doubts.append("a run that stops before it starts")

    def _end(self, run):
        """Where a run without a stop ends: the first sign that it did not go on."""
        ends = []
        later = [r.start for r in self.runs if r.order > run.order]
        if later:
            ends.append((later[0], "next run"))
        standing = self._standing(run)
        if standing is not None:
            ends.append((standing, "reading"))
        if self.most is not None:
            ends.append((run.start + self.most, "tank"))
        if ends:
            end, why = min(ends)
            if end <= self.history.at:
                run.end, run.ended_by = end, why

    def _standing(self, run):
        """The first used reading that shows the engine not to have run all the time since."""
        before = [u.engine for u in self.chain.used if u.instant <= run.start]
        if not before and self.chain.commissioned:
            before = [self.chain.commissioned[1]]
        least = before[-1] if before else 0
        for u in self.chain.used:
            elapsed = u.instant - run.start
            if elapsed > 0 and u.engine - least < elapsed - self.chain.tick:
                return u.instant
        return None

    def time(self, a, b, sure=False):
        """Seconds run within [a, b]."""
        return inside(self.sure if sure else self.united, a, b)

    def stop_missing(self, t):
        return any(r.open and r.end is not None and r.end <= t for r in self.runs)

    def standstill(self, t, since):
        """Since when nothing more is known of a run that outlasted its tank, or None."""
        started = [r for r in self.runs if r.start <= t]
        if not started:
            return None
        last = started[-1]
        if last.ended_by == "tank" and since <= last.end < t:
            return last.end
        return None

    def first_start_after(self, t):
        later = [r.start for r in self.runs if r.start > t]
        return later[0] if later else None


def unclassified(hours, a, b):
    """Hours that the meter moved within [a, b] and no run explains."""
    metered = hours.at(b)[1] - hours.at(a)[1]
    return max(0, metered - hours.runs.time(a, b))
