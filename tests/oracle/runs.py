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
        self.guessed = False  # its stop was never noted, and another run began since
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
        sure = [r for r in self.runs if not r.guessed]
        self.sure = united([(r.start, self._until(r)) for r in sure])
        self.noted = united([(r.start, r.end) for r in self.runs if not r.open])
        self.borne_out = united([(r.start, self._borne_out(r)) for r in self.runs])
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
        laid = 0  # where the next run of a day without times may begin
        for e in events:
            phase, start = e.get("phase", "whole"), e["instant"]
            if phase == "whole":
                if "occurred_on" in e:
                    start = max(start, laid)
                if "stopped_at" in e:
                    end = parse_instant(e["stopped_at"])
                else:
                    end = start + seconds(e["run_hours"])
                if "occurred_on" in e:
                    laid = end
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
            run.guessed = True
        standing = self._standing(run)
        if standing is not None:
            ends.append((standing, "reading"))
        if self.most is not None:
            ends.append((run.start + self.most, "tank"))
        if ends:
            run.end, run.ended_by = min(ends)

    def _known_at(self, instant):
        """Engine hours that are certain at the start of a run."""
        before = [u.engine for u in self.chain.used if u.instant <= instant]
        if before:
            return before[-1]
        return self.chain.commissioned[1] if self.chain.commissioned else 0

    def _borne_out(self, run):
        """How far readings bear out a run of which nobody noted the stop."""
        end = self._until(run)
        if not run.open:
            return end
        agreed = [(run.start, self._known_at(run.start))]
        for u in self.chain.used:
            if u.instant <= run.start:
                continue
            if any(u.engine + self.chain.tick < e + min(u.instant, end) - t for t, e in agreed):
                return min(end, agreed[-1][0])
            agreed.append((u.instant, u.engine))
            if u.instant >= end:
                break
        return end

    def _standing(self, run):
        """The first used reading that shows the engine not to have run all the time since."""
        earlier = [(run.start, self._known_at(run.start))]
        for u in self.chain.used:
            if u.instant > run.start:
                if any(u.engine - e < u.instant - t - self.chain.tick for t, e in earlier):
                    return u.instant
                earlier.append((u.instant, u.engine))
        return None

    def time(self, a, b, sure=False):
        """Seconds run within [a, b]."""
        return inside(self.sure if sure else self.united, a, b)

    def stop_missing(self, t):
        return any(r.open and r.end is not None and r.end <= t for r in self.runs)

    def standstill(self, a, b):
        """Seconds within [a, b] after a tankful in which nothing more is known to have run."""
        newest = self.chain.used[-1].instant if self.chain.used else 0
        still = []
        for run in self.runs:
            if run.ended_by == "tank" and run.end >= newest:
                later = [r.start for r in self.runs if r.order > run.order]
                still.append((run.end, max(run.end, later[0]) if later else b))
        still = united((s, e) for s, e in still if s < e)
        both = united([*still, *self.united])
        return inside(both, a, b) - inside(self.united, a, b)

    def closed(self, a, b):
        """Whether runs whose end was noted fill all of [a, b]."""
        return inside(self.noted, a, b) == b - a

    def first_start_after(self, t):
        later = [r.start for r in self.runs if r.start > t]
        return later[0] if later else None


def unclassified(hours, a, b):
    """Hours that the meter moved within [a, b] and no run explains."""
    metered = hours.at(b)[1] - hours.at(a)[1]
    return max(0, metered - hours.runs.time(a, b))
