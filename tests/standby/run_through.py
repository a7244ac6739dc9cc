"""Outage run-through of one generator, by small fixed steps.

This is a second implementation, meant to judge another one. It is slow and
plain on purpose: time advances by fixed steps of one minute, or of one second
in any minute in which something could happen, and it never solves for the next
event over more than one second.

    python3 run_through.py generate COUNT SEED > cases.jsonl
    python3 run_through.py check-example
    python3 run_through.py check-steps COUNT SEED
"""

from __future__ import annotations

import json
import math
import random
import sys
from dataclasses import dataclass, field
from datetime import datetime, timezone
from typing import Any, Callable, Iterator

HOUR = 3600.0
QUIET_STEP_S = 60.0
# Float sums of seconds carry dust far below this; real decisions lie far above it.
EPS_S = 1e-6
EPS_H = EPS_S / HOUR
EPS_L = 1e-9
# A decision closer than this may fairly fall the other way in another program.
NEAR_S = 5.0

# Places where the rules can be read in two ways; a case that touches one says so.
READ_STOP_LENGTH = "task decision depends on plain or work stop length"
READ_NO_FIRST_STOP = "limit passes within tolerance but no first stop comes"
READ_OVERDUE_IN_TOLERANCE = "already due, in tolerance at start, not at first stop"
READ_TWO_EXTRA = "one extra stop could serve two tasks"
READ_EXTRA_AT_END = "extra stop so late that the outage ends within it"
READ_PAST_AT_START = "check or reserve already reached at the start"

Given = dict[str, Any]
Expect = dict[str, Any]


@dataclass
class Task:
    code: str
    limit_h: float
    interval_h: float
    tolerance_h: float


@dataclass(frozen=True)
class Stretch:
    """One unbroken stretch of running and why it ended."""

    cause: str  # "end", "cadence", "reserve" or "extra"
    clock: float
    ran: float
    fuel: float
    near: bool


@dataclass(frozen=True)
class Forecast:
    """What a look ahead says without any further task work."""

    engine_h: float
    cause: str


@dataclass
class State:
    clock: float
    run_s: float
    fuel: float
    stock: float
    since_check: float
    tasks: list[Task]
    down_s: float = 0.0
    out_s: float = 0.0
    added: float = 0.0
    burned: float = 0.0
    ran_dry: bool = False
    near: bool = False
    stops: list[dict[str, Any]] = field(default_factory=list)
    readings: set[str] = field(default_factory=set)


def burn_rate(curve: list[list[float]], share: float) -> float:
    """Litres per hour at a load share; flat outside the measured points."""
    if share <= curve[0][0]:
        return curve[0][1]
    for (low, low_rate), (high, high_rate) in zip(curve, curve[1:]):
        if share <= high:
            return low_rate + (high_rate - low_rate) * (share - low) / (high - low)
    return curve[-1][1]


class Plant:
    """The parts of a case that never change during the outage."""

    def __init__(self, given: Given, quiet_step_s: float = QUIET_STEP_S) -> None:
        self.end = float(given["duration_s"])
        self.tank = float(given["tank_l"])
        self.reserve = float(given["reserve_l"])
        self.cadence_s = given["cadence_run_h"] * HOUR
        self.stop_s = float(given["stop_s"])
        self.work_stop_s = float(given["work_stop_s"])
        self.start_engine_h = float(given["engine_hours"])
        self.quiet_step_s = quiet_step_s
        self.changes = [float(offset) for offset, _ in given["load_steps"]] + [math.inf]
        self.rates = [
            burn_rate(given["burn_curve"], share) / HOUR for _, share in given["load_steps"]
        ]

    def engine_h(self, run_s: float) -> float:
        return self.start_engine_h + run_s / HOUR

    def run(self, clock: float, fuel: float, check_left: float, extra_left: float) -> Stretch:
        """Run from `clock` to the first cause to stop, step by step.

        Within a stretch nothing pauses the set, so clock and run-time advance
        together and the time causes are plain count-downs. Only the fuel must
        be walked.
        """
        left = {"end": self.end - clock, "cadence": check_left, "extra": extra_left}
        time_limit = min(left.values())
        ran = 0.0
        band = 0
        quiet = self.quiet_step_s
        while True:
            while self.changes[band + 1] <= clock + EPS_S:
                band += 1
            rate = self.rates[band]
            # A minute in which no cause and no load change can fall is one step.
            if (
                self.changes[band + 1] - clock >= quiet
                and time_limit - ran > quiet
                and fuel - rate * quiet > self.reserve
            ):
                clock += quiet
                ran += quiet
                fuel -= rate * quiet
                continue
            fuel_left = (fuel - self.reserve) / rate
            if time_limit - ran <= EPS_S or fuel_left <= EPS_S:
                break
            # Otherwise go to the next whole second, or to the cause inside it.
            # Load changes fall on whole seconds, so the rate holds throughout.
            to_second = math.floor(clock + EPS_S) + 1.0 - clock
            step = min(to_second, time_limit - ran, fuel_left)
            clock += step
            ran += step
            fuel -= rate * step
        waits = {name: seconds - ran for name, seconds in left.items()}
        waits["reserve"] = fuel_left
        return Stretch(first_cause(waits), clock, ran, fuel, has_rival(waits))


def first_cause(waits: dict[str, float]) -> str:
    # The end wins a tie: a stop at the very end is no stop.
    for name in ("end", "extra", "cadence", "reserve"):
        if waits[name] <= EPS_S:
            return name
    raise AssertionError("a stretch ended without a cause")


def has_rival(waits: dict[str, float]) -> bool:
    return sum(wait < NEAR_S for wait in waits.values()) > 1


def look_ahead(plant: Plant, state: State, pause_s: float, check_left: float) -> Forecast:
    """Engine hours at the next stop or the end, if the set pauses for `pause_s`."""
    clock = state.clock + pause_s
    if clock >= plant.end:
        return Forecast(plant.engine_h(state.run_s), "end")
    ahead = plant.run(clock, state.fuel, check_left, math.inf)
    return Forecast(plant.engine_h(state.run_s + ahead.ran), ahead.cause)


def is_close(hours_a: float, hours_b: float) -> bool:
    return abs(hours_a - hours_b) * HOUR < NEAR_S


def find_extra_stop(plant: Plant, state: State) -> tuple[float, set[str]]:
    """Run-seconds to an extra stop before the first one, and for which tasks."""
    first = look_ahead(plant, state, 0.0, plant.cadence_s - state.since_check)
    extra: list[Task] = []
    for task in state.tasks:
        if is_close(first.engine_h, task.limit_h):
            state.near = True
        if task.limit_h >= first.engine_h - EPS_H:
            continue
        last_h = task.limit_h + task.tolerance_h
        if is_close(first.engine_h, last_h):
            state.near = True
        if first.engine_h > last_h + EPS_H:
            extra.append(task)
        elif first.cause == "end" or (first.cause == "reserve" and state.stock <= EPS_L):
            state.readings.add(READ_NO_FIRST_STOP)
    if not extra:
        return math.inf, set()
    note_extra_readings(plant, state, extra)
    at_h = min(max(task.limit_h, plant.start_engine_h) for task in extra)
    codes = {t.code for t in extra if max(t.limit_h, plant.start_engine_h) <= at_h + EPS_H}
    return (at_h - plant.start_engine_h) * HOUR, codes


def note_extra_readings(plant: Plant, state: State, extra: list[Task]) -> None:
    for task in extra:
        last_h = task.limit_h + task.tolerance_h
        if task.limit_h < plant.start_engine_h < last_h:
            state.readings.add(READ_OVERDUE_IN_TOLERANCE)
        for other in extra:
            if max(task.limit_h, plant.start_engine_h) < other.limit_h <= last_h:
                state.readings.add(READ_TWO_EXTRA)


def tasks_due(plant: Plant, state: State, forced: set[str]) -> list[Task]:
    """Tasks to do at this stop: those that would pass their limit before the next.

    "Were it not done" is read as: the stop stays a plain one.
    """
    if not state.tasks:
        return []
    plain = look_ahead(plant, state, plant.stop_s, plant.cadence_s)
    longer = look_ahead(plant, state, plant.work_stop_s, plant.cadence_s)
    due: list[Task] = []
    for task in state.tasks:
        passes = plain.engine_h > task.limit_h + EPS_H
        # The task an extra stop was made for is not weighed again, and a limit
        # it was stopped at on purpose is no close call.
        if task.code in forced:
            if not passes:
                state.readings.add(READ_EXTRA_AT_END)
            due.append(task)
            continue
        if is_close(plain.engine_h, task.limit_h):
            state.near = True
        if passes != (longer.engine_h > task.limit_h + EPS_H):
            state.readings.add(READ_STOP_LENGTH)
        if passes:
            due.append(task)
    return due


def make_stop(plant: Plant, state: State, forced: set[str]) -> None:
    """Refuel, check oil, do task work; or stop for good when fuel is out."""
    fill = min(plant.tank - state.fuel, state.stock)
    if state.fuel + fill <= plant.reserve + EPS_L:
        state.ran_dry = True
        state.out_s = plant.end - state.clock
        state.clock = plant.end
        return
    # The last drop of the stock may lift the tank by less than another program sees.
    if state.fuel + fill - plant.reserve < NEAR_S * max(plant.rates):
        state.near = True
    state.fuel += fill
    state.stock -= fill
    state.added += fill
    state.since_check = 0.0
    due = tasks_due(plant, state, forced)
    engine_h = plant.engine_h(state.run_s)
    for task in due:
        task.limit_h = engine_h + task.interval_h
    state.stops.append(
        {
            "offset_s": round(state.clock),
            "run_s": round(state.run_s),
            "engine_hours": round(engine_h, 4),
            "added_l": round(fill, 4),
            "tasks": sorted(task.code for task in due),
        }
    )
    pause = min(plant.work_stop_s if due else plant.stop_s, plant.end - state.clock)
    state.down_s += pause
    state.clock += pause


def run_outage(given: Given, quiet_step_s: float = QUIET_STEP_S) -> tuple[Plant, State]:
    plant = Plant(given, quiet_step_s)
    state = State(
        clock=0.0,
        run_s=0.0,
        fuel=float(given["start_l"]),
        stock=float(given["stock_l"]),
        since_check=float(given["run_since_check_s"]),
        tasks=[Task(**task) for task in given["tasks"]],
    )
    if state.fuel <= plant.reserve or state.since_check >= plant.cadence_s:
        state.readings.add(READ_PAST_AT_START)
    extra_left, forced = find_extra_stop(plant, state)
    while plant.end - state.clock > EPS_S:
        check_left = plant.cadence_s - state.since_check
        leg = plant.run(state.clock, state.fuel, check_left, extra_left)
        state.burned += state.fuel - leg.fuel
        state.clock, state.fuel = leg.clock, leg.fuel
        state.run_s += leg.ran
        state.since_check += leg.ran
        state.near = state.near or leg.near
        if leg.cause == "end":
            break
        make_stop(plant, state, forced if leg.cause == "extra" else set())
        # Only the first stop can be an extra one: later limits are foreseen.
        extra_left, forced = math.inf, set()
    return plant, state


def expect_of(plant: Plant, state: State) -> Expect:
    run_s, out_s = round(state.run_s), round(state.out_s)
    return {
        "stops": state.stops,
        "run_s": run_s,
        # The remainder, so that the three rounded parts still sum to the outage.
        "down_s": round(plant.end) - run_s - out_s,
        "out_s": out_s,
        "burned_l": round(state.burned, 4),
        "added_l": round(state.added, 4),
        "end_l": round(state.fuel, 4),
        "ran_dry": state.ran_dry,
        "engine_hours_end": round(plant.engine_h(state.run_s), 4),
    }


def simulate(given: Given) -> Expect:
    return expect_of(*run_outage(given))


def make_case(given: Given) -> dict[str, Any]:
    plant, state = run_outage(given)
    return {
        "given": given,
        "expect": expect_of(plant, state),
        "near": state.near,
        "readings": sorted(state.readings),
    }


# --- random cases ---------------------------------------------------------


def random_curve(rng: random.Random, full_rate: float) -> list[list[float]]:
    count = rng.randint(2, 5)
    # Curves that do not span 0..1 exercise the flat ends.
    low = rng.choice([0.0, 0.0, 0.1, 0.25])
    high = rng.choice([1.0, 1.0, 0.9, 0.75])
    inner = sorted(rng.sample(range(30, 71, 5), count - 2))
    shares = [low, *(percent / 100 for percent in inner), high]
    base = full_rate * rng.uniform(0.12, 0.45)
    cuts = sorted(rng.uniform(0.05, 0.95) for _ in range(count - 2))
    rates = [base, *(base + cut * (full_rate - base) for cut in cuts), full_rate]
    curve: list[list[float]] = []
    for share, rate in zip(shares, rates):
        previous = curve[-1][1] if curve else 0.0
        curve.append([share, round(max(rate, previous + 0.01), 3)])
    return curve


def random_load(rng: random.Random, duration_s: int) -> list[list[float]]:
    count = rng.randint(1, 8)
    grid = rng.choice([1, 60, 900, 3600])
    places = range(grid, duration_s, grid)
    offsets = sorted(rng.sample(places, min(count - 1, len(places))))
    return [[offset, round(rng.uniform(0.0, 1.0), 2)] for offset in [0, *offsets]]


def random_tasks(rng: random.Random, engine_h: float, duration_h: float) -> list[dict[str, Any]]:
    names = ["oil_change", "air_filter", "fuel_filter", "valve_check"]
    codes = rng.sample(names, rng.randint(0, len(names)))
    tasks: list[dict[str, Any]] = []
    for code in codes:
        place = rng.choices(["before", "inside", "after"], [1, 7, 4])[0]
        if place == "before":
            limit = engine_h - rng.uniform(0.0, 20.0)
        elif place == "inside":
            limit = engine_h + rng.uniform(0.0, duration_h)
        else:
            limit = engine_h + duration_h + rng.uniform(0.0, 200.0)
        tasks.append(
            {
                "code": code,
                "limit_h": round(limit, 2),
                # Longer than any cadence, so no task falls due twice between stops.
                "interval_h": float(rng.choice([25, 50, 75, 100, 150, 200, 250, 500])),
                "tolerance_h": float(rng.choice([0, 0, 2, 5, 10, 10, 20])),
            }
        )
    return tasks


def random_stops(rng: random.Random) -> tuple[int, int]:
    unit = rng.choice([60, 60, 1])
    stop_s = rng.randint(300 // unit, 2700 // unit) * unit
    work_stop_s = rng.randint(stop_s // unit, 3600 // unit) * unit
    return stop_s, work_stop_s


def random_cadence(rng: random.Random) -> float:
    if rng.random() < 0.7:
        return float(rng.choice([4, 6, 8, 8, 10, 12, 16, 24]))
    return rng.randint(16, 96) / 4


def random_given(rng: random.Random) -> Given:
    """One case with fuel to spare; the stock is settled afterwards."""
    duration_h = rng.choice([rng.uniform(1, 24), rng.uniform(12, 96), rng.uniform(24, 240)])
    grid = rng.choice([1, 1, 60, 3600])
    duration_s = max(3600, round(duration_h * HOUR / grid) * grid)
    # Small sets are common and large ones are not, hence an even spread of the logarithm.
    tank = round(math.exp(rng.uniform(math.log(5), math.log(1000))), 1)
    reserve = round(tank * rng.uniform(0.0, 0.4), 2) if rng.random() > 0.1 else 0.0
    full_rate = tank / rng.uniform(3.0, 40.0)
    start = tank if rng.random() < 0.5 else round(rng.uniform(reserve, tank), 2)
    if rng.random() < 0.01:
        start = reserve
    cadence = random_cadence(rng)
    since = 0 if rng.random() < 0.5 else rng.randrange(int(cadence * HOUR))
    if rng.random() < 0.01:
        since = int(cadence * HOUR) + rng.randint(0, 7200)
    engine_h = round(rng.uniform(0.0, 5000.0), 2)
    stop_s, work_stop_s = random_stops(rng)
    return {
        "start_unix": 1_735_689_600 + rng.randrange(365 * 86_400),
        "duration_s": duration_s,
        "burn_curve": random_curve(rng, full_rate),
        "load_steps": random_load(rng, duration_s),
        "tank_l": tank,
        "start_l": start,
        "reserve_l": reserve,
        "engine_hours": engine_h,
        "cadence_run_h": cadence,
        "run_since_check_s": since,
        "stop_s": stop_s,
        "work_stop_s": work_stop_s,
        "tasks": random_tasks(rng, engine_h, duration_s / HOUR),
        "stock_l": 1e6,
    }


def settle_stock(rng: random.Random, given: Given, too_small: bool) -> bool:
    """Set the stock from the real need; False if this set cannot run out."""
    ample = simulate(given)
    least = ample["burned_l"] + given["reserve_l"] - given["start_l"]
    if too_small:
        if least < 0.5:
            return False
        part = 0.0 if rng.random() < 0.15 else rng.uniform(0.0, 0.95)
        given["stock_l"] = round(least * part, 2)
    elif rng.random() < 0.2:
        # Just enough: the last refills are partial.
        spare = max(0.0, ample["added_l"] - least)
        given["stock_l"] = round(max(0.0, least) + spare * rng.random() + 0.5, 2)
    else:
        given["stock_l"] = round(ample["added_l"] + rng.uniform(0.0, 2.0) * given["tank_l"], 2)
    return True


def random_cases(count: int, seed: int) -> Iterator[dict[str, Any]]:
    rng = random.Random(seed)
    for index in range(count):
        settled = False
        while not settled:
            given = random_given(rng)
            settled = settle_stock(rng, given, too_small=index % 5 == 0)
        yield make_case(given)


# --- worked example -------------------------------------------------------

EXAMPLE_START = datetime(2025, 8, 1, 18, 0, tzinfo=timezone.utc)
EXAMPLE_STOPS = [
    ("02 02:00", 8, 220.4, 13.92, []),
    ("02 10:20", 16, 228.4, 14.19, []),
    ("02 18:40", 24, 236.4, 17.12, ["air_filter", "oil_change"]),
    ("03 03:20", 32, 244.4, 12.85, []),
    ("03 11:40", 40, 252.4, 15.25, []),
    ("03 20:00", 48, 260.4, 17.12, []),
    ("04 04:20", 56, 268.4, 12.05, []),
    ("04 12:40", 64, 276.4, 16.05, []),
]


def example_given() -> Given:
    # 18:00 start: evening to 22:00, then night and day bands by turns.
    steps: list[list[float]] = [[0, 0.6]]
    for day in range(3):
        steps.append([(4 + 24 * day) * 3600, 0.3])
        steps.append([(12 + 24 * day) * 3600, 0.6])
    return {
        "start_unix": int(EXAMPLE_START.timestamp()),
        "duration_s": 72 * 3600,
        "burn_curve": [[0.0, 0.7], [0.25, 1.2], [0.5, 1.9], [0.75, 2.5], [1.0, 3.2]],
        "load_steps": steps,
        "tank_l": 24.0,
        "start_l": 24.0,
        "reserve_l": 4.8,
        "engine_hours": 212.4,
        "cadence_run_h": 8,
        "run_since_check_s": 0,
        "stop_s": 1200,
        "work_stop_s": 2400,
        "tasks": [
            {"code": "oil_change", "limit_h": 240.0, "interval_h": 100.0, "tolerance_h": 10.0},
            {"code": "air_filter", "limit_h": 240.0, "interval_h": 50.0, "tolerance_h": 10.0},
        ],
        # The example stages fuel after the fact, so the 60 L on site do not bind.
        "stock_l": 1000.0,
    }


def stop_label(offset_s: int) -> str:
    moment = datetime.fromtimestamp(EXAMPLE_START.timestamp() + offset_s, timezone.utc)
    return moment.strftime("%d %H:%M")


def compare(name: str, got: float, want: float, places: int) -> bool:
    agrees = round(got, places) == want
    print(f"{name:<28} {got:>10.{places}f} {want:>10.{places}f}  {'ok' if agrees else 'DIFFERS'}")
    return agrees


def check_stops(expect: Expect) -> bool:
    good = len(expect["stops"]) == len(EXAMPLE_STOPS)
    print("stop      run-h       E  add L  work")
    for got, want in zip(expect["stops"], EXAMPLE_STOPS):
        row = (
            stop_label(got["offset_s"]),
            got["run_s"] / HOUR,
            round(got["engine_hours"], 2),
            round(got["added_l"], 2),
            got["tasks"],
        )
        agrees = row == want
        good = good and agrees
        work = " ".join(row[4]) or "-"
        verdict = "ok" if agrees else f"DIFFERS, want {want}"
        print(f"{row[0]}  {row[1]:5.1f}  {row[2]:6.1f}  {row[3]:5.2f}  {work}  {verdict}")
    return good


def check_example() -> bool:
    given = example_given()
    plant, state = run_outage(given)
    expect = expect_of(plant, state)
    # One huge tank and no check due: what the load would burn without any stop.
    unbroken = simulate({**given, "tank_l": 1e4, "start_l": 1e4, "cadence_run_h": 1e4, "tasks": []})
    limits = {task.code: task.limit_h for task in state.tasks}
    run_h = expect["run_s"] / HOUR
    checks = [check_stops(expect)]
    print(f"\n{'figure':<28} {'here':>10} {'wanted':>10}")
    figures: list[tuple[str, float, float, int]] = [
        ("rate at 60 %, L/h", burn_rate(given["burn_curve"], 0.6), 2.14, 2),
        ("rate at 30 %, L/h", burn_rate(given["burn_curve"], 0.3), 1.34, 2),
        ("to reserve by day, h", 19.2 / burn_rate(given["burn_curve"], 0.6), 8.97, 2),
        ("to reserve by night, h", 19.2 / burn_rate(given["burn_curve"], 0.3), 14.33, 2),
        ("run, h", run_h, 69.0, 1),
        ("downtime, h", expect["down_s"] / HOUR, 3.0, 1),
        ("stops", len(expect["stops"]), 8, 0),
        ("burned, L", expect["burned_l"], 129.26, 2),
        ("no-stop bound, L", unbroken["burned_l"], 134.88, 2),
        ("refuelled, L", expect["added_l"], 118.56, 2),
        ("end tank, L", expect["end_l"], 13.30, 2),
        ("engine hours at end", expect["engine_hours_end"], 281.4, 1),
        ("stage beyond 60 L, L", expect["burned_l"] + 4.8 - 24 - 60, 50.06, 2),
        ("oil, L", 0.6 + 0.02 * run_h, 1.98, 2),
        ("air filter due at", limits["air_filter"], 286.4, 1),
        ("air filter due in, h", limits["air_filter"] - expect["engine_hours_end"], 5.0, 1),
        ("oil change due at", limits["oil_change"], 336.4, 1),
    ]
    checks += [compare(*figure) for figure in figures]
    balance = given["start_l"] + expect["added_l"] - expect["end_l"] - expect["burned_l"]
    checks.append(compare("start + added - end - burned", abs(balance), 0.0, 3))
    print(f"\nnear: {state.near}, readings: {sorted(state.readings)}")
    print("all agree" if all(checks) else "SOME DIFFER")
    return all(checks)


def check_steps(count: int, seed: int) -> bool:
    """Whole-minute steps must change nothing: repeat with seconds only."""
    worst: dict[str, float] = {}
    same = True
    for case in random_cases(count, seed):
        slow = expect_of(*run_outage(case["given"], quiet_step_s=1.0))
        fast = case["expect"]
        for name in ("run_s", "out_s", "burned_l", "added_l", "end_l", "engine_hours_end"):
            worst[name] = max(worst.get(name, 0.0), abs(slow[name] - fast[name]))
        same = same and [s["tasks"] for s in slow["stops"]] == [s["tasks"] for s in fast["stops"]]
    print(f"{count} cases, stops and tasks the same: {same}, largest differences: {worst}")
    return same


def generate(count: int, seed: int) -> bool:
    for case in random_cases(count, seed):
        print(json.dumps(case, separators=(",", ":")))
    return True


def main(arguments: list[str]) -> int:
    commands: dict[str, tuple[Callable[..., bool], int]] = {
        "generate": (generate, 2),
        "check-example": (check_example, 0),
        "check-steps": (check_steps, 2),
    }
    if not arguments or arguments[0] not in commands:
        print(__doc__, file=sys.stderr)
        return 2
    command, wanted = commands[arguments[0]]
    if len(arguments) - 1 != wanted:
        print(__doc__, file=sys.stderr)
        return 2
    return 0 if command(*(int(argument) for argument in arguments[1:])) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
