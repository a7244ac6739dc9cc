"""Judges the readings of a meter, and gives each used one its engine hours."""

from decimal import Decimal
from fractions import Fraction
from itertools import combinations

from exact import parse_instant, round_half_away, seconds
from history import RANK, order

LATER_READINGS_TO_SETTLE = 3
MOST_WAITING = 16


class Reading:
    """One number read off a meter; `engine` once it is used."""

    def __init__(self, event, instant, meter, fixed=False):
        self.event_id = event["id"]
        self.instant = instant
        self.meter = meter
        self.fixed = fixed
        self.stop = False
        self.blind = False  # opens a meter after one of which nobody read the end
        self.key = order(event)  # its place in the canonical order
        self.engine = None
        self.grade = None


class Chain:
    """One walk over all readings in order."""

    def __init__(self, unit, history):
        self.history = history
        self.tick = seconds(unit.get("meter_tick_hours", Decimal("0.1")))
        self.rollover = seconds(unit.get("meter_rollover_hours"))
        self.rolled_over = False
        self.used = []
        self.aside = []
        self.settled = None
        self.waiting = []
        self.offset = 0  # engine hours less meter, before the first reading of a meter
        self.grade = "A"
        self.commissioned = self._commissioning_hours(unit.get("meter_fitted", True))
        for _, event, reading in self._in_order():
            self._take(event, reading)
        self.suspicion = self._unrecorded_swap()
        self._settle_all(None)
        for reading in self.used:
            self.offset = reading.engine - reading.meter
        if self.commissioned and self.used and self.used[0].engine < self.commissioned[1]:
            history.doubts.append("first reading below the commissioning hours")

    def _commissioning_hours(self, meter_fitted):
        """(instant, engine hours) of the commissioning, where they are known."""
        event = self.history.commissioning
        if event is None:
            return None
        meter = seconds(event.get("meter_hours"))
        engine = seconds(event.get("engine_hours"))
        if engine is None:
            engine = meter
        if engine is None and not meter_fitted:
            engine = 0
        if engine is None:
            return None
        if meter is not None:
            self.offset = engine - meter
        return (event["instant"], engine)

    def _in_order(self):
        """(order, event, reading) of everything that the meter is told by."""
        steps = []
        for event in self.history.happened:
            fixed = event["id"] in self.history.corrections.confirmed
            if event["kind"] == "component" and event["component"] == "meter":
                if event["action"] == "fitted":
                    steps.append((order(event), event, None))
                continue
            if event.get("meter_hours") is not None:
                reading = Reading(event, event["instant"], seconds(event["meter_hours"]), fixed)
                steps.append((order(event), event, reading))
            if event.get("stop_meter_hours") is not None:
                at = parse_instant(event["stopped_at"])
                if at <= self.history.at:
                    reading = Reading(event, at, seconds(event["stop_meter_hours"]), fixed)
                    reading.stop = True
                    reading.key = (at, RANK["reading"], event["id"])
                    steps.append((reading.key, event, reading))
        return sorted(steps, key=lambda s: s[0])

    def _take(self, event, reading):
        if reading is not None and self.rollover and reading.meter >= self.rollover:
            self.history.doubts.append("a reading that the meter cannot show")
        if reading is None:
            self._swap(event)
        elif event["kind"] == "commissioning" or reading.fixed:
            reading.fixed = True
            self._settle_all(reading, sure=event["kind"] != "commissioning")
        else:
            self.waiting.append(reading)
            self._settle_what_is_sure()

    def _swap(self, event):
        old, new = seconds(event.get("old_meter_hours")), seconds(event["new_meter_hours"])
        if old is None:
            # From here on the hours since new contain what nobody read.
            self.grade = "C"
            self._settle_all(None)
            closed = self._last_known()
        else:
            close = Reading(event, event["instant"], old, fixed=True)
            self._settle_all(close)
            closed = close.engine
        self.offset = closed - new
        opens = Reading(event, event["instant"], new, fixed=True)
        opens.engine, opens.grade = closed, self.grade
        opens.blind = old is None
        self.settled = opens
        self.used.append(opens)

    def _last_known(self):
        if self.used:
            return self.used[-1].engine
        self.history.doubts.append("meter swap without any hours before it")
        return self.commissioned[1] if self.commissioned else 0

    # which of them agree

    def follow(self, last, reading):
        """Engine hours of a reading after another one, or None where it would fall."""
        if last is None:
            return self.offset + reading.meter
        rise = self._rise(last[2], reading.meter)
        return last[1] + rise if rise >= 0 else None

    def agreeing(self, readings, start=None, fixed=None):
        """Every set that agrees, as (indexes, [(instant, engine, meter)])."""
        before = [(start.instant, start.engine, start.meter)] if start else []
        found = [((), before)]
        for i, reading in enumerate(readings):
            for chosen, members in list(found):
                engine = self.follow(members[-1] if members else None, reading)
                if engine is not None and self._fits(reading.instant, engine, members):
                    step = (reading.instant, engine, reading.meter)
                    found.append((chosen + (i,), members + [step]))
        if fixed is None:
            return found
        return [f for f in found if self._reaches(fixed, f[1][len(before) :])]

    def _fits(self, instant, engine, members):
        return all(0 <= engine - e <= instant - t + self.tick for t, e, _ in members)

    def _reaches(self, fixed, members):
        """Whether a fixed reading can follow them; how it stands to a settled one is not asked."""
        if not members:
            return True
        engine = self.follow(members[-1], fixed)
        return engine is not None and self._fits(fixed.instant, engine, members)

    def best(self, readings, start=None, fixed=None):
        """The largest set that agrees; of equals the earliest."""
        sets = self.agreeing(readings, start, fixed)
        return min(sets, key=lambda f: (-len(f[0]), f[0]))[0]

    # settling

    def _use(self, reading):
        last = None
        if self.settled:
            last = (self.settled.instant, self.settled.engine, self.settled.meter)
        reading.engine = self.follow(last, reading)
        if reading.fixed and self.settled:
            reading.engine = self._follow_whatever(reading)
        if self.settled and reading.meter < self.settled.meter:
            self.rolled_over = True
        reading.grade = self.grade
        self.settled = reading
        self.used.append(reading)

    def _follow_whatever(self, reading):
        """A fixed reading is believed: engine hours rise as it says and never fall."""
        rise = reading.meter - self.settled.meter
        elapsed = reading.instant - self.settled.instant
        if rise < 0 and self.rollover and rise + self.rollover <= elapsed + self.tick:
            rise += self.rollover
        return self.settled.engine + max(0, rise)

    def _settle_what_is_sure(self):
        while True:
            chain = self.best(self.waiting, self.settled)
            sure = len(chain) > LATER_READINGS_TO_SETTLE
            crowded = len(self.waiting) > MOST_WAITING and chain
            if not sure and not crowded:
                return
            first = chain[0]
            self.aside += self.waiting[:first]
            self._use(self.waiting[first])
            self.waiting = self.waiting[first + 1 :]

    def _settle_all(self, fixed, sure=False):
        """Closes what waits, against a fixed point where there is one."""
        if fixed and self.settled and not sure:
            engine = self.follow((0, self.settled.engine, self.settled.meter), fixed)
            start = [(self.settled.instant, self.settled.engine, 0)]
            if engine is None or not self._fits(fixed.instant, engine, start):
                self.history.doubts.append("a fixed reading contradicts a settled one")
        chain = self.best(self.waiting, self.settled, fixed)
        waiting, self.waiting = self.waiting, []
        for i, reading in enumerate(waiting):
            if i in chain:
                self._use(reading)
            else:
                self.aside.append(reading)
        if fixed:
            self._use(fixed)

    def _unrecorded_swap(self):
        """(instant, ids): from when on a meter seems to have been changed in silence."""
        chain = self.best(self.waiting, self.settled)
        used = [self.settled] if self.settled else []
        used += [self.waiting[i] for i in chain]
        if not used:
            return None
        below = [
            r for i, r in enumerate(self.waiting) if i not in chain and r.meter < used[-1].meter
        ]
        for three in combinations(below, 3):
            if len(self.best(list(three))) == 3:
                return (three[0].instant, [r.event_id for r in three])
        return None

    def suggestion(self, reading):
        """What a reading set aside was probably meant to be, or None.

        It lies between the used readings of the same meter around it, which a
        meter swap of which the end was not read, and a confirmed fall, cut off.
        """
        before = [u for u in self.used if u.key < reading.key]
        after = [u for u in self.used if u.key > reading.key and not u.blind][:1]
        if any(u.blind and reading.key < u.key < after[0].key for u in self.used if after):
            after = []
        if not before and not after:
            return None
        if not before:
            # Nothing was read before: it lies as far back as the clock allows.
            room = after[0].instant - reading.instant + self.tick
        elif after:
            room = self._rise(before[-1].meter, after[0].meter)
            if after[0].engine == before[-1].engine:
                room = min(room, after[0].meter - before[-1].meter)
        else:
            room = reading.instant - before[-1].instant + self.tick
        for factor in (Fraction(1, 10), Fraction(10), Fraction(1, 100)):
            value = round_half_away(reading.meter * factor / self.tick) * self.tick
            rise = (
                self._rise(before[-1].meter, value)
                if before
                else self._rise(value, after[0].meter)
            )
            # Nought stays nought: that is the number that was set aside.
            if value != reading.meter and 0 <= rise <= room:
                return value
        return None

    def _rise(self, a, b):
        """From one number of the meter to a later one; negative where it cannot be."""
        return b - a + self.rollover if b < a and self.rollover else b - a


def fits(chain, value, instant):
    """Whether a number could have been read off this meter then (A52)."""
    before = [u for u in chain.used if u.instant < instant]
    after = [u for u in chain.used if u.instant >= instant]

    def can_follow(a, ta, b, tb):
        rise = b - a
        if rise < 0 and chain.rollover:
            rise += chain.rollover
        return 0 <= rise <= tb - ta + chain.tick

    if not before or not can_follow(before[-1].meter, before[-1].instant, value, instant):
        return False
    return not after or can_follow(value, instant, after[0].meter, after[0].instant)
