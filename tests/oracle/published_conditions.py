"""The published examples of what applies, waits, failed or is excused."""

from exact import HOUR, seconds
from published import (
    OIL_AT_140,
    OIL_BY_HOURS,
    SCHEDULE,
    evaluate,
    event,
    h,
    item,
    nominal_limit,
    reading,
    service,
    state,
    task,
)
from states import compliance


def a14_not_every_task_applies():
    tasks = [task(f"task_{k}", {"hours": 100 if k < 2 else 1000}) for k in range(10)]
    tasks.append(
        task("starter_battery", {"months": 12}, needs=["electric_start"], first={"months": 3})
    )
    done = service(1, "2025-01-10", *(t["job"] for t in tasks[:10]), meter_hours=0)
    events = [done, reading(2, "2025-06-01", "150.0")]
    e = evaluate("2025-06-01", tasks, events)
    states = [row["state"] for row in e.answer()["items"]]
    assert states.count("not_applicable") == 1 and states.count("overdue") == 2
    assert compliance(states) == (8, 10)
    assert state(e, "starter_battery") == "not_applicable"
    fitted = event(
        3, "setting", "2025-05-01", feature={"feature": "electric_start", "fitted": True}
    )
    e = evaluate("2025-06-01", tasks, [*events, fitted])
    battery = item(e, "starter_battery")
    assert (battery["state"], battery["date_limit"]) == ("ok", "2025-08-01")
    assert battery["anchor"]["kind"] == "applicable" and battery["anchor"]["date"] == "2025-05-01"
    before = evaluate("2025-04-30", tasks, [*events, fitted])
    assert state(before, "starter_battery") == "not_applicable"


OIL_MAY_WAIT = task("oil_change", {"hours": 100}, may_wait_in_emergency=True)
OUTAGE = [
    OIL_AT_140,
    event(
        2,
        "run",
        "2025-08-01T06:00:00+00:00",
        phase="start",
        reason="emergency",
        meter_hours=h("212.4"),
    ),
    event(3, "run", "2025-08-04T18:00:00+00:00", phase="stop", run_id="e02"),
]


def a51_deferred_by_an_emergency():
    for at, expected in (
        ("2025-08-02T09:35:59+00:00", ("coming_due", None)),
        ("2025-08-02T09:36:00+00:00", ("deferred", "emergency")),
        ("2025-08-04T17:59:59+00:00", ("deferred", "emergency")),
        ("2025-08-04T18:00:00+00:00", ("overdue", None)),
    ):
        oil = item(evaluate(at, [OIL_MAY_WAIT], OUTAGE))
        assert (oil["state"], oil["reason"]) == expected, at
    after = evaluate("2025-08-04T18:00:00+00:00", [OIL_MAY_WAIT], OUTAGE)
    assert after.answer()["engine_hours"]["nominal"] == seconds("296.4")
    assert item(after)["hours_left"] == -seconds("56.4") and item(after)["waited_for_emergency"]
    done = [*OUTAGE, service(4, "2025-08-04T18:00:00+00:00", "oil_change")]
    oil = item(evaluate("2025-08-05", [OIL_MAY_WAIT], done))
    assert oil["late"] == {"hours": seconds("56.4"), "days": 0, "justified_by": "emergency"}
    assert not oil["waited_for_emergency"]
    # A task that may not wait is overdue in the same run.
    assert state(evaluate("2025-08-03", [OIL_BY_HOURS], OUTAGE)) == "overdue"


def a65_failed_check():
    test = task("battery_test", {"days": 90})
    failed = event(1, "service", "2025-05-01", jobs=[{"job": "battery_test", "result": "failed"}])
    found = item(evaluate("2025-05-02", [test], [failed]), "battery_test")
    assert (found["state"], found["date_limit"]) == ("ok", "2025-07-30")
    assert found["failed_event_id"] == "e01"


def a66_deferral():
    deferral = event(
        2,
        "deferral",
        "2025-07-20",
        schedule_id=SCHEDULE,
        task="oil_change",
        authorised_by="p",
        reason="r",
        until_hours=255,
    )
    for now, expected, left in (("250.0", "deferred", "-10"), ("256.0", "overdue", "-16")):
        e = evaluate(
            "2025-08-01", [OIL_BY_HOURS], [OIL_AT_140, deferral, reading(3, "2025-08-01", now)]
        )
        oil = item(e)
        assert oil["state"] == expected and nominal_limit(e) == 240 * HOUR
        assert oil["hours_left"] == int(left) * HOUR
    early = {**deferral, "occurred_at": "2025-03-01T12:00:00+00:00"}
    e = evaluate("2025-08-01", [OIL_BY_HOURS], [OIL_AT_140, early, reading(3, "2025-08-01", "250")])
    assert state(e) == "overdue"


def bulletin_for_a_range_of_serials():
    bulletin = task(
        "bulletin",
        {"by": "2025-09-30"},
        once=True,
        serials=[{"prefix": "TV", "from": 100, "to": 199}],
    )
    for serial, expected in (
        ("TV150", "coming_due"),
        ("TV200", "not_applicable"),
        (None, "not_applicable"),
    ):
        unit = {"serial": serial} if serial else {}
        e = evaluate("2025-09-15", [bulletin], [], **unit)
        assert state(e, "bulletin") == expected, serial
    done = [service(1, "2025-08-01", "bulletin")]
    found = item(evaluate("2026-09-15", [bulletin], done, serial="TV150"), "bulletin")
    assert (found["state"], found["date_limit"]) == ("ok", None)
