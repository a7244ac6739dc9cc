"""The published examples of meters, runs and what was entered twice or on the wrong unit."""

from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise

from chain import fits
from exact import HOUR, AmbiguousNumber, parse_instant, seconds
from published import (
    BREAK_IN,
    OIL_AT_140,
    OIL_BY_HOURS,
    correction,
    evaluate,
    event,
    h,
    instant,
    item,
    nominal_limit,
    reading,
    service,
    state,
    task,
)
from runs import unclassified


def _hours(evaluation):
    return evaluation.answer()["engine_hours"]


def _run(number, start, **more):
    return event(number, "run", start, **more)


def a05_rollover():
    for later, used, rise in (
        ("2025-05-03T18:00:00+00:00", True, "26.6"),
        ("2025-05-02T00:00:00+00:00", False, "0"),
    ):
        events = [reading(1, "2025-05-01", "9987.6"), reading(2, later, "14.2")]
        e = evaluate(later, [OIL_BY_HOURS], events, meter_rollover_hours=10000)
        assert (e.answer()["set_aside"] == []) == used, later
        assert e.hours.used[-1].engine == seconds("9987.6") + seconds(rise)
        if used:
            assert _hours(e)["nominal"] == seconds("10014.2")


def a07_is_no_rollover():
    events = [reading(1, "2025-05-01", "424.9"), reading(2, "2025-05-08", "424.1")]
    e = evaluate("2025-05-08", [OIL_BY_HOURS], events, meter_rollover_hours=10000)
    assert e.answer()["set_aside"] == ["e02"]
    assert _hours(e)["lower"] == seconds("424.9")


def a08_no_meter():
    day, events = date(2025, 1, 5), [event(1, "commissioning", "2025-01-01", site_id="FS-3")]
    for k in range(13):
        more = {"phase": "whole", "run_hours": h("0.5")}
        events.append(
            {**_run(10 + k, "2025-01-01", **more), "occurred_at": instant(day.isoformat())}
        )
        day += timedelta(weeks=1)
    # The same weekday again, so that most whole weeks hold one half hour.
    events.append(_run(30, "2025-04-02", stopped_at="2025-04-02T17:40:00+00:00"))
    events.append(_run(31, "2025-04-04", run_hours=6, give_or_take_hours=1))
    first = [{**BREAK_IN, "limits": {"hours": 100}, "first": {"hours": 20}}]
    e = evaluate("2025-04-04T18:00:00+00:00", first, events, meter_fitted=False)
    nominal, upper = Fraction(_hours(e)["nominal"], HOUR), Fraction(_hours(e)["upper"], HOUR)
    assert round(float(nominal), 3) == 18.167 and round(float(upper), 3) == 19.167
    assert round(item(e)["hours_left"] / HOUR, 3) == 0.833
    assert round((nominal_limit(e) - _hours(e)["nominal"]) / HOUR, 3) == 1.833
    assert state(e) == "coming_due"
    later = evaluate("2025-04-18T18:00:00+00:00", first, events, meter_fitted=False)
    assert round(_hours(later)["upper"] / HOUR, 3) == 20.167
    assert _hours(later)["grade"] == "C" and state(later) == "due"


def a10_hours_of_a_component():
    tasks = [
        task(
            "oil_change",
            {"hours": 100, "months": 6},
            first={"hours": 20, "months": 1},
            component="engine",
        ),
        task("belt", {"hours": 1000}, component="alternator"),
    ]
    fitted = event(
        2, "component", "2025-06-01", component="engine", action="rebuilt", meter_hours=h("812.0")
    )
    before = [event(1, "commissioning", "2024-01-01", site_id="FS-3", meter_hours=0)]
    before += [service(5, "2025-03-01", "oil_change", meter_hours=h("760.0"))]
    e = evaluate("2025-06-10", tasks, [*before, fitted, reading(3, "2025-06-10", "826.5")])
    assert nominal_limit(e) == seconds("832.0") and item(e)["date_limit"] == "2025-07-01"
    assert item(e)["component_hours"] == seconds("14.5")
    assert item(e)["hours_left"] == seconds("5.5")
    assert item(e, "belt")["component_hours"] is None
    assert nominal_limit(e, "belt") == seconds("1000")


def a18_hours_by_custodian():
    sites = [
        ("2025-08-01", "0"),
        ("2025-09-01", "3.5"),
        ("2025-09-20", "65.5"),
        ("2025-09-30", "66.5"),
    ]
    events = [reading(k, day, hours) for k, (day, hours) in enumerate(sites, 1)]
    e = evaluate("2025-09-30", [OIL_BY_HOURS], events)
    at = [e.hours.at(parse_instant(instant(day)))[1] for day, _ in sites]
    assert [b - a for a, b in pairwise(at)] == [seconds("3.5"), seconds("62"), seconds("1")]


def a25_length_of_a_run():
    for start, stop, hours in (
        ("2025-11-02T00:30:00-04:00", "2025-11-02T02:15:00-05:00", "2.75"),
        ("2025-03-09T01:30:00-05:00", "2025-03-09T03:30:00-04:00", "1.0"),
    ):
        e = evaluate(
            "2025-12-01",
            [OIL_BY_HOURS],
            [
                event(1, "commissioning", "2025-01-01", site_id="FS-3"),
                _run(2, start, stopped_at=stop),
            ],
            zone="America/New_York",
            meter_fitted=False,
        )
        assert _hours(e)["nominal"] == seconds(hours), start


SURGE = [
    OIL_AT_140,
    _run(2, "2025-08-01T06:00:00+00:00", phase="start", meter_hours=h("212.4")),
]


def a26_due_while_running():
    for at, expected in (
        ("2025-08-02T09:35:59+00:00", "coming_due"),
        ("2025-08-02T09:36:00+00:00", "due"),
    ):
        assert state(evaluate(at, [OIL_BY_HOURS], SURGE)) == expected, at


def a27_running_now():
    e = evaluate("2025-08-02T12:00:00+00:00", [OIL_BY_HOURS], SURGE)
    assert _hours(e) == {
        **dict.fromkeys(("lower", "nominal", "upper"), seconds("242.4")),
        "grade": "C",
    }
    assert item(e)["hours_left"] == -seconds("2.4") and state(e) == "overdue"
    tolerant = task("oil_change", {"hours": 100}, tolerance={"hours": 10})
    for at, expected in (
        ("2025-08-02T19:36:00+00:00", "due"),
        ("2025-08-02T19:36:01+00:00", "overdue"),
    ):
        assert state(evaluate(at, [tolerant], SURGE)) == expected, at


def a43_stop_never_noted():
    tank = {"tank_litres": 24, "burn_litres_per_hour": h("1.9")}
    e = evaluate("2025-08-10T06:00:00+00:00", [OIL_BY_HOURS], SURGE, **tank)
    assert e.answer()["stop_missing"]
    assert _hours(e)["upper"] <= seconds("225.1")
    assert round(_hours(e)["lower"] / HOUR, 1) == 225.0
    assert round((_hours(e)["upper"] - seconds("212.4")) / HOUR, 2) == 12.63


def a44_unexplained_hours():
    events = [
        reading(1, "2025-05-01", "100.0"),
        _run(2, "2025-05-03", run_hours=h("4.7")),
        reading(3, "2025-05-10", "114.2"),
    ]
    e = evaluate("2025-05-10", [OIL_BY_HOURS], events)
    a, b = (parse_instant(instant(day)) for day in ("2025-05-01", "2025-05-10"))
    assert unclassified(e.hours, a, b) == seconds("9.5")


def a48_hours_as_written():
    assert seconds("231:30") == seconds("231.5") and seconds("231.30") == seconds("231.3")
    for text in ("1.234,5", "1,234.5", "231,5", "1.2.3", "231:60", "231:5"):
        try:
            seconds(text)
        except AmbiguousNumber:
            continue
        raise AssertionError(text)
    events = [event(1, "commissioning", "2025-01-01", site_id="FS-3")]
    for k in range(3):
        start = f"2025-01-0{k + 2}T08:00:00+00:00"
        events.append(_run(10 + k, start, stopped_at=start.replace("08:00", "08:20")))
    e = evaluate("2025-02-01", [OIL_BY_HOURS], events, meter_fitted=False)
    assert _hours(e)["nominal"] == HOUR


def a49_one_machine_entered_twice():
    def on(unit, made):
        return {**made, "unit_id": unit}

    events = [
        on("U7", reading(1, "2025-06-01", "100.0")),
        on("U7", reading(2, "2025-06-20", "110.0")),
        on("U8", reading(3, "2025-06-10", "104.0")),
        on("U8", reading(4, "2025-06-20", "110.0")),
        on("U7", correction(5, "2025-06-25", "link", other_unit_id="U8")),
    ]
    e = evaluate("2025-06-25", [OIL_BY_HOURS], events)
    assert len(e.hours.used) == 4
    assert e.hours.used[-1].engine - e.hours.used[0].engine == seconds("10.0")
    apart = [*events, on("U7", correction(6, "2025-06-26", "unlink", other_unit_id="U8"))]
    assert len(evaluate("2025-06-25", [OIL_BY_HOURS], apart).hours.used) == 2


def a52_belongs_to_another_unit():
    mine = [reading(1, "2025-06-01", "230.4"), reading(2, "2025-06-20", "1203.4")]
    mine += [reading(3, "2025-06-28", "231.9")]
    others = [reading(1, "2025-06-01", "1200.0"), reading(2, "2025-06-19", "1203.1")]
    e = evaluate("2025-06-28", [OIL_BY_HOURS], mine)
    assert e.answer()["set_aside"] == ["e02"]
    assert e.chain.suggestion(e.chain.aside[0]) is None
    at = parse_instant(instant("2025-06-20"))
    other = evaluate("2025-06-28", [OIL_BY_HOURS], others)
    assert fits(other.chain, seconds("1203.4"), at) and not fits(e.chain, seconds("1203.4"), at)


def a53_reading_before_service():
    same = "2025-06-10T10:00:00+00:00"
    events = [service(1, same, "oil_change", meter_hours=h("231.0")), reading(2, same, "230.9")]
    for given in (events, events[::-1]):
        e = evaluate("2025-06-11", [OIL_BY_HOURS], given)
        assert [u.event_id for u in e.hours.used] == ["e02", "e01"]
        assert nominal_limit(e) == seconds("331.0")


def a59_two_logs_of_one_run():
    events = [
        event(1, "commissioning", "2025-01-01", site_id="FS-3"),
        _run(2, "2025-06-01T08:00:00+00:00", stopped_at="2025-06-01T12:00:00+00:00"),
        _run(3, "2025-06-01T10:00:00+00:00", stopped_at="2025-06-01T14:00:00+00:00"),
    ]
    e = evaluate("2025-06-02", [OIL_BY_HOURS], events, meter_fitted=False)
    assert _hours(e)["nominal"] == seconds("6.0")


def a60_service_while_running():
    events = [
        _run(
            1,
            "2025-08-01T06:00:00+00:00",
            stopped_at="2025-08-01T14:00:00+00:00",
            meter_hours=200,
            stop_meter_hours=208,
        ),
        service(2, "2025-08-01T10:30:00+00:00", "oil_change"),
    ]
    e = evaluate("2025-08-02", [OIL_BY_HOURS], events)
    lower, nominal, upper, grade = e.hours.at(parse_instant("2025-08-01T10:30:00+00:00"))
    assert (nominal, grade) == (seconds("204.5"), "B") and lower <= nominal <= upper
    assert nominal_limit(e) == seconds("304.5")


def swap_that_nobody_recorded():
    readings, day = [], date(2025, 5, 1)
    for hours in ("496.0", "497.0", "498.0", "499.0", "500.0", "1", "2", "3"):
        readings.append(reading(len(readings) + 1, day.isoformat(), hours))
        day += timedelta(weeks=1)
    e = evaluate(day.isoformat(), [OIL_BY_HOURS], readings)
    assert e.answer()["swap_not_recorded"] == ["e06", "e07", "e08"]
    assert _hours(e)["grade"] == "D" and _hours(e)["lower"] == seconds("500.0")


def confirmed_reading_stays():
    events = [reading(1, "2025-05-01", "421.0"), reading(2, "2025-05-08", "4231.7")]
    events += [correction(3, "2025-05-09", "confirm", target_id="e02")]
    e = evaluate("2025-05-15", [OIL_BY_HOURS], events)
    assert e.answer()["set_aside"] == ["e01"]
    assert _hours(e)["lower"] == seconds("4231.7")
