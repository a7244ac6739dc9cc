"""Engine hours at any instant: (lower, nominal, upper, grade)."""

from fractions import Fraction

from chain import Chain
from exact import DAY, HOUR, WEEK, inside, nearest_rank, round_half_away, united
from runs import Runs

LEAST_WEEKLY_USE = WEEK // DAY * HOUR // 2  # 0.5 h/day
WEEKS_LOOKED_AT = 52


def growth(weekly, elapsed):
    """Whole seconds, rounded down: reached when it is reached, not half a second before."""
    return weekly * elapsed // WEEK


class Hours:
    """The hours of one unit, as known at one time."""

    def __init__(self, unit, history):
        self.history = history
        self.metered = unit.get("meter_fitted", True)
        self.chain = Chain(unit, history)
        self.runs = Runs(unit, history, self.chain)
        self.used = self.chain.used
        self.commissioned = self.chain.commissioned
        self.own = {}
        for u in self.used:
            if not u.stop:
                self.own[u.event_id] = u
        if not self.metered and (self.used or self.chain.aside):
            history.doubts.append("readings of a unit without a meter")
        if self.metered:
            self.weekly_up, self.weekly_mid = self._weekly_rates()
        else:
            self.weekly_up, self.weekly_mid = LEAST_WEEKLY_USE, self._weekly_of_runs()
        self.known = {}

    def at(self, t):
        if t not in self.known:
            found = self._metered(t) if self.metered else self._unmetered(t)
            suspicion = self.chain.suspicion
            if found and suspicion and t >= suspicion[0]:
                found = found[:3] + ("D",)
            self.known[t] = found
        return self.known[t]

    def of(self, event):
        """Hours at an event: its own reading where the chain uses it."""
        own = self.own.get(event["id"])
        if own:
            return (own.engine,) * 3
        if event is self.history.commissioning and self.commissioned:
            return (self.commissioned[1],) * 3
        found = self.at(event["instant"])
        return found[:3] if found else None

    def own_reading(self, event):
        own = self.own.get(event["id"])
        return own.engine if own else None

    # with a meter

    def _metered(self, t):
        exact = [u for u in self.used if u.instant == t]
        before = [u for u in self.used if u.instant < t]
        after = [u for u in self.used if u.instant > t]
        if exact:
            return (exact[-1].engine,) * 3 + (exact[-1].grade,)
        if before and after:
            a, b = before[-1], after[0]
            nominal = self._between((a.instant, a.engine), (b.instant, b.engine), t)
            return (a.engine, nominal, b.engine, max("B", a.grade, b.grade))
        if after:
            return self._before_first(t, after[0])
        if before:
            lower, nominal, upper, grade = self._grown(before[-1].instant, before[-1].engine, t)
            return (lower, nominal, upper, max(grade, before[-1].grade))
        if self.commissioned and t < self.commissioned[0]:
            return self._at_or_before_new(t)
        if self.commissioned:
            return self._grown(*self.commissioned, t)
        return None

    def _between(self, a, b, t):
        """By the runs that the readings bear out, the rest evenly; evenly where these are too long."""
        rise, elapsed = b[1] - a[1], b[0] - a[0]
        spans = self.runs.borne_out
        noted = inside(spans, a[0], b[0])
        if not 0 < noted <= rise + self.chain.tick:
            return a[1] + round_half_away(Fraction(rise * (t - a[0]), elapsed))
        rest = Fraction((rise - min(noted, rise)) * (t - a[0]), elapsed)
        return a[1] + min(rise, inside(spans, a[0], t) + round_half_away(rest))

    def _before_first(self, t, first):
        if self.commissioned and t <= self.commissioned[0]:
            return self._at_or_before_new(t)
        if self.commissioned and t > self.commissioned[0]:
            nominal = self._between(self.commissioned, (first.instant, first.engine), t)
            return (self.commissioned[1], nominal, first.engine, "C")
        return (0, first.engine, first.engine, "C")

    def _at_or_before_new(self, t):
        """Before a unit was new to its owner it had no more than it then had."""
        since, hours = self.commissioned
        return (hours if t == since else 0, hours, hours, "A" if t == since else "C")

    def _grown(self, since, hours, t):
        """Known runs, and what may have been used beside them."""
        lower = hours + self.runs.time(since, t, sure=True)
        nominal = hours + self.use(since, t, self.weekly_mid)
        upper = hours + self.use(since, t, self.weekly_up)
        grade = "B" if self.runs.closed(since, t) else "C"
        return (lower, nominal, upper, "A" if t == since else grade)

    def use(self, since, t, weekly):
        run = self.runs.time(since, t)
        elapsed = t - since - self.runs.standstill(since, t)
        return max(run, min(elapsed, run + growth(weekly, elapsed - run)))

    def most_since(self, since, t):
        """The most that can have been used since an instant without any reading after it."""
        return self.use(since, t, self.weekly_up)

    def _weekly_rates(self):
        """Weekly use: the high one and the middle one of the last 52 weeks."""
        weeks = []
        for k in range(1, WEEKS_LOOKED_AT + 1):
            if not self.used or self.used[-1].instant - k * WEEK < self.used[0].instant:
                break
            end = self.used[-1].instant - (k - 1) * WEEK
            weeks.append(self._straight(end) - self._straight(end - WEEK))
        up = max(LEAST_WEEKLY_USE, nearest_rank(weeks, 95) if weeks else 0)
        mid = nearest_rank(weeks, 50) if weeks else 0
        return min(up, WEEK), min(mid, WEEK)

    def _straight(self, t):
        """Hours evenly between two used readings, whatever runs were noted."""
        a = [u for u in self.used if u.instant <= t][-1]
        if a.instant == t:
            return a.engine
        b = next(u for u in self.used if u.instant > t)
        part = Fraction((b.engine - a.engine) * (t - a.instant), b.instant - a.instant)
        return a.engine + round_half_away(part)

    # without a meter

    def _unmetered(self, t):
        if self.commissioned is None:
            return None
        if t < self.commissioned[0]:
            return self._at_or_before_new(t)
        since, start = self.commissioned
        if not self.runs.runs:
            # Nobody notes its runs: it is taken to run as little as any unit may.
            upper = start + growth(LEAST_WEEKLY_USE, t - since)
            return (start, start, upper, "A" if t == since else "C")
        runs, run = self._noted(since, t)
        doubt = sum(r.give_or_take for r in runs if r.end is not None and r.end <= t)
        ends = [t if r.end is None else r.end for r in self.runs.runs]
        more = growth(self.weekly_mid, max(0, t - max(ends)))
        only_about = doubt or self._only_about(runs, t) or any(r.open for r in runs)
        grown = self.weekly_mid > 0 and t > max(ends)
        grade = "C" if only_about or grown else "B"
        lower = start + max(self._least(since, b) for b in self._least_breaks(since, t))
        return (lower, start + run, start + run + doubt + more, grade)

    def _noted(self, since, t, guessed=True):
        """(the runs that count by an instant, their time); a run of a day counts from its end."""
        runs = [r for r in self.runs.runs if r.start < t and not (r.day_only and r.end > t)]
        return runs, self._run_time([r for r in runs if guessed or not r.guessed], since, t)

    @staticmethod
    def _only_about(runs, t):
        """What was only about noted is taken from the last part of its run."""
        return sum(
            max(0, min(t, r.end) - r.end + r.give_or_take) for r in runs if r.end is not None
        )

    def _least(self, since, t):
        runs, sure = self._noted(since, t, guessed=False)
        return max(0, sure - self._only_about(runs, t))

    def _least_breaks(self, since, t):
        """Where the least may have been highest by an instant: what was certain once stays so."""
        found = {since, t}
        for r in self.runs.runs:
            if r.end is not None:
                found |= {r.end - r.give_or_take, r.end - 1, r.end}
        return [b for b in found if since <= b <= t]

    @staticmethod
    def _end(run, t):
        return t if run.end is None else min(run.end, t)

    def _run_time(self, runs, a, b):
        return inside(united([(r.start, self._end(r, b)) for r in runs]), a, b)

    def _weekly_of_runs(self):
        """The middle weekly run time of the whole weeks before the last run's end."""
        runs = [r for r in self.runs.runs if r.start <= self.history.at]
        if not runs:
            return 0
        last = max(self._end(r, self.history.at) for r in runs)
        first = min(r.start for r in runs)
        weeks = []
        for k in range(1, WEEKS_LOOKED_AT + 1):
            if last - k * WEEK < first:
                break
            weeks.append(self.runs.time(last - k * WEEK, last - (k - 1) * WEEK))
        return nearest_rank(weeks, 50) if weeks else 0

    def newest_evidence(self, t):
        """The instant of the newest reading, or of the last run's end; None without any."""
        if self.metered:
            return self.used[-1].instant if self.used else None
        ends = [self._end(r, t) for r in self.runs.runs if r.start <= t]
        return max(ends) if ends else None
