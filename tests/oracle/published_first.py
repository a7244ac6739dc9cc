"""The published examples of hours and dates alone."""

from datetime import date, datetime, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

from exact import HOUR, first_instant, parse_instant, seconds
from published import (
    BREAK_IN,
    NEW_ENGINE,
    OIL,
    OIL_AT_140,
    OIL_BY_HOURS,
    WEST,
    clock,
    evaluate,
    event,
    h,
    instant,
    item,
    nominal_limit,
    service,
    state,
    task,
)
from states import governing


def a01_whichever_comes_first():
    e = evaluate(
        "2025-08-01", [OIL], [OIL_AT_140, event(2, "reading", "2025-08-01", meter_hours=h("212.4"))]
    )
    oil = item(e)
    assert oil["hours_limit"] == [240 * HOUR] * 3
    assert oil["date_limit"] == "2025-09-10"
    assert oil["hours_left"] == seconds("27.6")
    assert oil["days_left"] == 40
    assert clock(e).hours_used == Fraction(724, 1000)
    assert clock(e).days_used == Fraction(144, 184)
    assert governing(clock(e)) == "calendar"
    assert (oil["state"], oil["reason"]) == ("ok", None)


def a02_month_ends():
    for anchor, months, expected in (
        ("2024-08-31", 6, "2025-02-28"),
        ("2024-08-31", 12, "2025-08-31"),
        ("2023-08-31", 6, "2024-02-29"),
        ("2024-02-29", 12, "2025-02-28"),
        ("2024-02-29", 48, "2028-02-29"),
        ("2025-01-31", 2, "2025-03-31"),
    ):
        e = evaluate(
            "2025-12-31",
            [task("oil_change", {"months": months})],
            [service(1, anchor, "oil_change", meter_hours=0)],
        )
        assert item(e)["date_limit"] == expected, anchor


def a03_exact_threshold():
    for reading, tolerance, expected in (
        ("239.9", 0, "coming_due"),
        ("240.0", 0, "due"),
        ("240.1", 0, "overdue"),
        ("250.0", 10, "due"),
        ("250.1", 10, "overdue"),
    ):
        oil = task("oil_change", {"hours": 100}, tolerance={"hours": tolerance})
        e = evaluate(
            "2025-08-01",
            [oil],
            [OIL_AT_140, event(2, "reading", "2025-08-01", meter_hours=h(reading))],
        )
        assert state(e) == expected, reading


def a04_meter_replaced():
    e = evaluate(
        "2025-05-01",
        [OIL_BY_HOURS],
        [
            service(1, "2025-02-01", "oil_change", meter_hours=h("431.2")),
            event(
                2,
                "component",
                "2025-04-02",
                component="meter",
                action="fitted",
                old_meter_hours=h("483.7"),
                new_meter_hours=h("2.3"),
            ),
            event(3, "reading", "2025-05-01", meter_hours=h("31.5")),
        ],
    )
    now = e.answer()["engine_hours"]
    assert now["nominal"] == seconds("512.9") and now["grade"] == "A"
    assert now["nominal"] - seconds("431.2") == seconds("81.7")
    assert nominal_limit(e) == seconds("531.2")
    assert nominal_limit(e) - e.chain.offset == seconds("49.8")


def a06_misread():
    e = evaluate(
        "2025-05-15",
        [OIL_BY_HOURS],
        [
            event(1, "reading", "2025-05-01", meter_hours=h("421.0")),
            service(2, "2025-05-08", "oil_change", meter_hours=h("4231.7")),
            event(3, "reading", "2025-05-15", meter_hours=h("424.9")),
        ],
    )
    assert e.answer()["set_aside"] == ["e02"]
    assert nominal_limit(e) == seconds("522.95")
    assert e.hours.at(parse_instant(instant("2025-05-08")))[3] == "B"
    assert e.chain.suggestion(e.chain.aside[0]) == seconds("423.2")


def a07_small_step_back():
    e = evaluate(
        "2025-05-08",
        [OIL_BY_HOURS],
        [
            event(1, "reading", "2025-05-01", meter_hours=h("424.9")),
            event(2, "reading", "2025-05-08", meter_hours=h("424.1")),
        ],
    )
    assert e.answer()["set_aside"] == ["e02"]
    assert e.answer()["engine_hours"]["lower"] == seconds("424.9")


def a09_break_in():
    not_done = evaluate(
        "2025-02-15",
        [BREAK_IN],
        [NEW_ENGINE, event(2, "reading", "2025-02-15", meter_hours=h("14.0"))],
    )
    assert item(not_done)["date_limit"] == "2025-02-15"
    assert state(not_done) == "due"
    done = evaluate(
        "2025-02-15",
        [BREAK_IN],
        [NEW_ENGINE, service(2, "2025-02-14", "oil_change", meter_hours=h("13.2"))],
    )
    assert nominal_limit(done) == seconds("113.2")
    assert item(done)["date_limit"] == "2025-08-14"


def a11_early_or_late():
    for policy, done_at, expected in (
        ("actual", 88, 188),
        ("actual", 117, 217),
        ("actual", 199, 299),
        ("grid", 88, 200),
        ("grid", 117, 200),
        ("grid", 149, 200),
        ("grid", 150, 300),
        ("grid", 151, 300),
        ("grid", 199, 300),
    ):
        e = evaluate(
            "2025-08-01",
            [task("oil_change", {"hours": 100}, anchor=policy)],
            [NEW_ENGINE, service(2, "2025-07-01", "oil_change", meter_hours=done_at)],
        )
        assert nominal_limit(e) == expected * HOUR, (policy, done_at)


def a12_bundle():
    def of(code, hours, months, *satisfies):
        return task(code, {"hours": hours, "months": months}, satisfies=list(satisfies))

    e = evaluate(
        "2025-09-02",
        [
            of("oil_change", 100, 6),
            of("plug_inspect", 100, 6),
            of("filter_clean", 50, 3),
            of("plug_replace", 300, 12, "plug_inspect"),
            of("filter_replace", 300, 12, "filter_clean"),
        ],
        [service(1, "2025-09-01", "oil_change", "filter_replace", "plug_replace", meter_hours=300)],
    )
    for code, hours, day in (
        ("oil_change", 400, date(2026, 3, 1)),
        ("plug_inspect", 400, date(2026, 3, 1)),
        ("filter_clean", 350, date(2025, 12, 1)),
        ("plug_replace", 600, date(2026, 9, 1)),
    ):
        assert nominal_limit(e, code) == hours * HOUR, code
        assert item(e, code)["date_limit"] == day.isoformat(), code


def a13_satisfies_is_transitive():
    chain = [
        task("a", {"hours": 100}, satisfies=["b"]),
        task("b", {"hours": 100}, satisfies=["c"]),
        task("c", {"hours": 100}),
    ]
    e = evaluate("2025-09-02", chain, [service(1, "2025-09-01", "a", meter_hours=50)])
    assert [nominal_limit(e, code) for code in "abc"] == [150 * HOUR] * 3


def a22_void_and_reinstate():
    services = [
        service(1, "2025-02-01", "oil_change", meter_hours=h("231.0")),
        service(2, "2025-05-01", "oil_change", meter_hours=h("331.0")),
        event(3, "reading", "2025-06-01", meter_hours=h("340.0")),
    ]

    def correct(number, day, action):
        return event(number, "correction", day, action=action, target_id="e02", reason="x")

    void = correct(4, "2025-06-02", "void")
    back = correct(5, "2025-06-03", "reinstate")
    plain, voided, restored = (
        evaluate("2025-06-01", [OIL_BY_HOURS], services + extra)
        for extra in ([], [void], [void, back])
    )
    assert nominal_limit(voided) == seconds("331.0")
    assert -item(voided)["hours_left"] == seconds("9.0")
    assert state(voided) == "overdue"
    assert restored.answer() == plain.answer()
    assert nominal_limit(plain) == seconds("431.0")


def a40_service_without_reading():
    e = evaluate(
        "2025-05-21",
        [OIL_BY_HOURS],
        [
            event(1, "reading", "2025-05-01", meter_hours=h("412.3")),
            service(2, "2025-05-11", "oil_change"),
            event(3, "reading", "2025-05-21", meter_hours=h("432.3")),
        ],
    )
    estimate = e.hours.at(parse_instant(instant("2025-05-11")))
    assert estimate == (seconds("412.3"), seconds("422.3"), seconds("432.3"), "B")
    assert item(e)["hours_limit"][:2] == [seconds("512.3"), seconds("522.3")]


def a42_stale_reading():
    # Twenty weeks, two of them at 0.9 h a day, the others at half an hour a week.
    uses = [h("6.3") if week in (4, 11) else h("0.5") for week in range(20)]
    total, day = h("212.4") - sum(uses), date(2025, 5, 1) - timedelta(weeks=20)
    readings = []
    for number, use in enumerate([h("0"), *uses], 2):
        total += use
        readings.append(event(number, "reading", day.isoformat(), meter_hours=total))
        day += timedelta(weeks=1)
    e = evaluate(
        "2025-07-15",
        [OIL_BY_HOURS],
        [service(1, "2024-12-01", "oil_change", meter_hours=h("140.0")), *readings],
    )
    now = e.answer()["engine_hours"]
    assert (now["lower"], now["upper"]) == (seconds("212.4"), seconds("279.9"))
    assert round(now["nominal"] / HOUR, 1) == 217.8
    assert nominal_limit(e) == seconds("240.0")
    assert (state(e), item(e)["reason"]) == ("unknown", "possibly_due")


def a55_no_history():
    e = evaluate("2025-08-01", [OIL], [event(1, "reading", "2025-08-01", meter_hours=h("312.0"))])
    assert (state(e), item(e)["reason"]) == ("unknown", "no_history")


def a63_local_midnight():
    oil = task("oil_change", {"months": 6})
    done = [service(1, "2025-03-10T12:00:00-07:00", "oil_change", meter_hours=140)]
    for at, expected in (
        ("2025-09-10T06:59:59+00:00", "coming_due"),
        ("2025-09-10T07:00:00+00:00", "due"),
        ("2025-09-11T02:00:00+00:00", "due"),
        ("2025-09-11T06:59:59+00:00", "due"),
        ("2025-09-11T07:00:00+00:00", "overdue"),
    ):
        assert state(evaluate(at, [oil], done, zone=WEST)) == expected, at
    evening = item(evaluate("2025-09-11T02:00:00+00:00", [oil], done, zone=WEST))
    assert evening["date_limit"] == "2025-09-10"
    assert evening["days_left"] == 0


def a25_local_day_and_skipped_midnight():
    late = [service(1, "2025-06-01T03:30:00+00:00", "oil_change", meter_hours=140)]
    oil = task("oil_change", {"months": 6})
    e = evaluate("2025-07-01", [oil], late, zone=WEST)
    assert item(e)["date_limit"] == "2025-11-30"
    # Zone database: clocks in Cairo went from 00:00 to 01:00 on 2025-04-25.
    cairo = first_instant(date(2025, 4, 25), ZoneInfo("Africa/Cairo"))
    assert cairo == int(datetime.fromisoformat("2025-04-24T22:00:00+00:00").timestamp())
