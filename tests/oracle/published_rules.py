"""Published maintenance rules: aviation, army, health care, stationary engines.

14 CFR 91.409; the army's 10 % variance (DA Pam 738-750/750-8, chapter 3); NRC
generic letter 83-27; 20 to 40 days between monthly tests (health care); 40 CFR
63.6625(i), (j) and Table 2c to subpart ZZZZ.
"""

from datetime import date, timedelta

from exact import HOUR, seconds
from published import evaluate, event, h, item, nominal_limit, reading, service, state, task
from schedules import condemned


def _chained(policy, first, *done, **more):
    """The limit after work at some engine hours, one after another."""
    day, events = (
        date(2024, 1, 1),
        [event(1, "commissioning", "2023-12-01", site_id="FS-3", meter_hours=first)],
    )
    for number, hours in enumerate(done, 2):
        day += timedelta(days=60)
        events.append(service(number, day.isoformat(), "inspection", meter_hours=h(str(hours))))
    tasks = [task("inspection", {"hours": 100}, anchor=policy, **more)]
    return evaluate((day + timedelta(days=1)).isoformat(), tasks, events)


def aviation_excess_counts_into_the_next():
    for done, limit in ((1106, 1200), (1110, 1200), (1090, 1190), (1111, 1211)):
        e = _chained("planned", 1000, done, tolerance={"hours": 10})
        assert nominal_limit(e, "inspection") == limit * HOUR, done


def aviation_twelve_calendar_months():
    annual = task("inspection", {"months": 12, "to_month_end": True})
    for done, last in (
        ("2014-06-06", "2015-06-30"),
        ("2024-02-29", "2025-02-28"),
        ("2023-02-28", "2024-02-29"),
    ):
        events = [service(1, done, "inspection")]
        e = evaluate(f"{last}T23:59:59+00:00", [annual], events)
        assert item(e, "inspection")["date_limit"] == last and state(e, "inspection") == "due"
        after = (date.fromisoformat(last) + timedelta(days=1)).isoformat()
        assert (
            state(evaluate(f"{after}T00:00:00+00:00", [annual], events), "inspection") == "overdue"
        )


def army_ten_percent():
    for done, limit in ((493, 600), (508, 600), (490, 600), (510, 600), (511, 611), (489, 589)):
        e = _chained("planned_within", 400, done, within_percent=10, tolerance={"hours": 10})
        assert nominal_limit(e, "inspection") == limit * HOUR, done
    for now, expected in (("510", "due"), ("510.1", "overdue")):
        tasks = [task("inspection", {"hours": 100}, tolerance={"hours": 10})]
        done = service(1, "2024-01-01", "inspection", meter_hours=400)
        e = evaluate("2024-06-01", tasks, [done, reading(2, "2024-06-01", now)])
        assert state(e, "inspection") == expected, now
    strict = [task("inspection", {"hours": 100})]
    done = service(1, "2024-01-01", "inspection", meter_hours=400)
    late = evaluate("2024-06-01", strict, [done, reading(2, "2024-06-01", "501")])
    assert state(late, "inspection") == "overdue"


def army_annual_of_360_days():
    annual = [task("inspection", {"days": 360}, anchor="planned_within", within_percent=10)]
    first = date(2000, 5, 15) - timedelta(days=360)
    new = event(1, "commissioning", first.isoformat(), site_id="FS-3")
    planned = date(2000, 5, 15)
    for days, kept in ((10, True), (36, True), (37, False), (-36, True), (-37, False)):
        done = planned + timedelta(days=days)
        e = evaluate(
            (done + timedelta(days=1)).isoformat(),
            annual,
            [new, service(2, done.isoformat(), "inspection")],
        )
        since = planned if kept else done
        limit = (since + timedelta(days=360)).isoformat()
        assert item(e, "inspection")["date_limit"] == limit, days


def army_hours_of_replaced_meters():
    swap = event(
        2,
        "component",
        "2025-04-02",
        component="meter",
        action="fitted",
        old_meter_hours=h("1234.5"),
        new_meter_hours=0,
    )
    e = evaluate("2025-05-01", [task("a", {"hours": 1})], [swap, reading(3, "2025-05-01", "10.0")])
    assert e.answer()["engine_hours"]["nominal"] == seconds("1244.5")


def quarter_of_an_interval():
    """An interval may be extended by 25 %; the parts of days do not count here."""
    for days, last in ((31, 38), (92, 115), (184, 230)):
        tolerance = {"days": days * 25 // 100}
        tasks = [task("test", {"days": days}, tolerance=tolerance)]
        done = date(2025, 1, 1)
        events = [service(1, done.isoformat(), "test")]
        for day, expected in ((last, "due"), (last + 1, "overdue")):
            at = (done + timedelta(days=day)).isoformat()
            assert state(evaluate(at, tasks, events), "test") == expected, (days, day)


def monthly_test_of_20_to_40_days():
    monthly = task("test", {"days": 40}, earliest={"days": 20})
    events = [service(1, "2025-06-01", "test"), service(2, "2025-07-20", "test")]
    for at, expected in (
        ("2025-06-20", "ok"),
        ("2025-06-21", "coming_due"),
        ("2025-07-10", "coming_due"),
        ("2025-07-11", "due"),
        ("2025-07-12", "overdue"),
        ("2025-08-03", "ok"),  # 14 days after the last one: too early
    ):
        assert state(evaluate(at, [monthly], events), "test") == expected, at
    e = evaluate("2025-07-21", [monthly], events)
    assert item(e, "test")["late"] == {"hours": 0, "days": 9, "justified_by": None}


def quarterly_window():
    """Three months, ten days either way: last 15 March, window 5 to 25 June."""
    quarterly = task("test", {"months": 3}, lead={"days": 10}, tolerance={"days": 10})
    events = [service(1, "2025-03-15", "test")]
    for at, expected in (
        ("2025-06-04", "ok"),
        ("2025-06-05", "coming_due"),
        ("2025-06-25", "due"),
        ("2025-06-26", "overdue"),
    ):
        assert state(evaluate(at, [quarterly], events), "test") == expected, at


def stationary_engine_oil():
    oil = task("oil_change", {"hours": 500, "months": 12})
    done = service(1, "2024-03-01", "oil_change", meter_hours=1200)
    for now, left, expected in (("1690", 10, "coming_due"), ("1700", 0, "due")):
        e = evaluate("2025-02-10", [oil], [done, reading(2, "2025-02-10", now)])
        assert item(e)["date_limit"] == "2025-03-01"
        assert item(e)["hours_left"] == left * HOUR and state(e) == expected, now


def oil_analysis():
    for wrong, figures in (
        (False, {"base_number_new": 10, "base_number_used": 3}),
        (True, {"base_number_new": 10, "base_number_used": h("2.9")}),
        (False, {"viscosity_new": 100, "viscosity_used": 120}),
        (True, {"viscosity_new": 100, "viscosity_used": h("120.1")}),
        (True, {"viscosity_new": 100, "viscosity_used": h("79.9")}),
        (False, {"water_percent": h("0.5")}),
        (True, {"water_percent": h("0.51")}),
        (False, {"acid_number_new": 1, "acid_number_used": 4}),
        (True, {"acid_number_new": 1, "acid_number_used": h("4.01")}),
    ):
        assert condemned(figures) == wrong, figures


OIL = task(
    "oil_change",
    {"hours": 500, "months": 12, "on_failed": {"job": "oil_analysis", "business_days": 2}},
    reset_by_passed=["oil_analysis"],
)


def _analysed(**more):
    figures = {"results_on": "2025-06-06", "water_percent": h("0.51"), **more}
    jobs = [{"job": "oil_analysis", "analysis": figures}]
    sample = event(2, "service", "2025-06-02", jobs=jobs, meter_hours=1300)
    return [service(1, "2025-01-10", "oil_change", meter_hours=1200), sample]


def oil_condemned_on_a_friday():
    for at, expected in (
        ("2025-06-05", "ok"),
        ("2025-06-06", "coming_due"),
        ("2025-06-09", "coming_due"),
        ("2025-06-10", "due"),  # a Tuesday
        ("2025-06-11", "overdue"),
    ):
        assert state(evaluate(at, [OIL], _analysed())) == expected, at
    changed = [*_analysed(), service(3, "2025-06-10", "oil_change", meter_hours=1310)]
    assert state(evaluate("2025-06-12", [OIL], changed)) == "ok"
    # Not running when the results came: not overdue before it is started again.
    resting = _analysed(running=False)
    assert state(evaluate("2025-07-11", [OIL], resting)) == "due"
    started = [*resting, event(3, "run", "2025-07-12", phase="start")]
    assert state(evaluate("2025-07-12", [OIL], started)) == "overdue"


def oil_analysis_passed_counts_as_a_change():
    jobs = [{"job": "oil_analysis", "analysis": {"water_percent": h("0.1")}}]
    passed = event(2, "service", "2025-06-02", jobs=jobs, meter_hours=1300)
    events = [service(1, "2025-01-10", "oil_change", meter_hours=1200), passed]
    assert nominal_limit(evaluate("2025-06-03", [OIL], events)) == 1800 * HOUR
