"""The published examples of limits: duty, storage, revisions, results and duplicates."""

from fractions import Fraction
from itertools import permutations

from exact import HOUR, seconds
from projection import months_from, project
from published import (
    NEW_ENGINE,
    OIL_AT_140,
    OIL_BY_HOURS,
    SCHEDULE,
    correction,
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


def a15_revised_manual():
    def revised(hours, at, *events):
        edition = {"id": "rev c", "schedule_id": SCHEDULE}
        edition["tasks"] = [task("oil_change", {"hours": hours})]
        adoption = event(
            90,
            "adoption",
            "2025-06-25",
            schedule_id=SCHEDULE,
            edition_id="rev c",
            effective_from="2025-07-01",
        )
        return evaluate(at, [OIL_BY_HOURS], [OIL_AT_140, adoption, *events], editions=[edition])

    at_adoption = reading(2, "2025-07-01T00:00:00+00:00", "205.0")
    e = revised(50, "2025-07-02", at_adoption)
    assert nominal_limit(e) == seconds("215.0") and item(e)["hours_limit"] == [seconds("215")] * 3
    before = revised(50, "2025-06-15", reading(3, "2025-06-15", "200.0"), at_adoption)
    assert nominal_limit(before) == seconds("240.0") and state(before) == "ok"
    assert nominal_limit(revised(150, "2025-07-02", at_adoption)) == seconds("290.0")


def _dusty(mode):
    oil = task("oil_change", {"hours": 100}, severe={"hours": 50, "mode": mode})
    return evaluate(
        "2025-06-01",
        [oil],
        [
            OIL_AT_140,
            reading(2, "2025-04-01T00:00:00+00:00", "160.0"),
            event(
                3,
                "duty",
                "2025-04-01T00:00:00+00:00",
                causes=["dust"],
                effective_until="2025-05-01",
            ),
            reading(4, "2025-05-01T00:00:00+00:00", "184.0"),
            reading(5, "2025-06-01", "185.0"),
        ],
    )


def a16_severe_duty():
    assert nominal_limit(_dusty("weighted")) == seconds("216.0")
    assert item(_dusty("weighted"))["hours_limit"] == [seconds("216.0")] * 3
    assert nominal_limit(_dusty("strict")) == seconds("190.0")


def a17_storage():
    tasks = [
        task("oil_change", {"months": 6}),
        task("paused", {"months": 6}, storage="pauses"),
        task("battery", {"months": 6}, storage="goes_on"),
    ]
    done = service(1, "2025-09-10", "oil_change", "paused", "battery", meter_hours=200)
    events = [
        done,
        {"id": "e02", "kind": "storage", "occurred_on": "2025-11-15", "action": "put_in"},
        {"id": "e03", "kind": "storage", "occurred_on": "2026-03-15", "action": "taken_out"},
    ]
    inside = evaluate("2026-03-12", tasks, events)
    assert item(inside)["date_limit"] == "2026-03-10" and state(inside) == "suspended"
    assert state(inside, "paused") == "suspended" and state(inside, "battery") == "overdue"
    after = evaluate("2026-03-16", tasks, events)
    assert item(after)["recommission_gate"] and state(after) == "overdue"
    assert item(after, "paused")["date_limit"] == "2026-07-08"
    assert not item(after, "paused")["recommission_gate"]
    redone = [*events, service(4, "2026-03-16", "oil_change", meter_hours=200)]
    assert not item(evaluate("2026-03-16", tasks, redone))["recommission_gate"]


def a19_logged_on_the_wrong_unit():
    done = {**service(2, "2025-05-01", "oil_change", meter_hours=h("231.0")), "unit_id": "U7"}
    moved = {
        **correction(3, "2025-06-01", "reassign", target_id="e02", to_unit_id="U8"),
        "unit_id": "U7",
    }
    for unit, last, now, before, after in (
        ("U7", "150", "240", ("331", "91"), ("250", "10")),
        ("U8", "120", "232", ("220", "-12"), ("331", "99")),
    ):
        own = [
            {**service(1, "2025-03-01", "oil_change", meter_hours=h(last)), "unit_id": unit},
            {**reading(4, "2025-05-31", now), "unit_id": unit},
        ]
        for more, (limit, left) in (([], before), ([moved], after)):
            e = evaluate("2025-05-31", [OIL_BY_HOURS], [*own, done, *more], id=unit)
            assert nominal_limit(e) == seconds(limit), (unit, limit)
            assert item(e)["hours_left"] == seconds(left), (unit, left)


def a20_s01_entered_twice():
    events = [
        service(1, "2025-04-01", "oil_change", meter_hours=h("140.0")),
        service(2, "2025-06-01T10:05:00+00:00", "oil_change", meter_hours=h("231.0")),
        service(3, "2025-06-01T10:20:00+00:00", "oil_change", meter_hours=h("231.1")),
    ]
    void = correction(4, "2025-06-02", "void", target_id="e02")
    for order in permutations([*events, void]):
        both = [e for e in order if e is not void]
        assert nominal_limit(evaluate("2025-06-03", [OIL_BY_HOURS], both)) == seconds("331.0")
        assert nominal_limit(evaluate("2025-06-03", [OIL_BY_HOURS], order)) == seconds("331.1")
    second = [*events, correction(5, "2025-06-02", "void", target_id="e03")]
    assert nominal_limit(evaluate("2025-06-03", [OIL_BY_HOURS], second)) == seconds("331.0")
    apart = [*events, correction(5, "2025-06-02", "unlink", target_id="e03", other_id="e02")]
    assert nominal_limit(evaluate("2025-06-03", [OIL_BY_HOURS], apart)) == seconds("331.1")


def s02_two_oil_changes():
    events = [
        service(1, "2025-06-01", "oil_change", meter_hours=h("231.0")),
        service(2, "2025-06-02", "oil_change", meter_hours=h("255.0")),
    ]
    assert nominal_limit(evaluate("2025-06-03", [OIL_BY_HOURS], events)) == seconds("355.0")
    linked = [*events, correction(3, "2025-06-02", "link", target_id="e02", other_id="e01")]
    assert nominal_limit(evaluate("2025-06-03", [OIL_BY_HOURS], linked)) == seconds("331.0")


def a21_entered_late():
    back = service(1, "2025-05-02", "oil_change", meter_hours=h("239.0"))
    later = service(2, "2025-08-01", "oil_change", meter_hours=h("330.0"))
    assert nominal_limit(evaluate("2025-08-02", [OIL_BY_HOURS], [later, back])) == seconds("430.0")
    for at, now, left in (("2025-05-05", "245.0", "94.0"), ("2025-05-10", "247.0", "92.0")):
        e = evaluate(at, [OIL_BY_HOURS], [OIL_AT_140, back, reading(3, at, now)])
        assert nominal_limit(e) == seconds("339.0") and item(e)["hours_left"] == seconds(left)
        e = evaluate(at, [OIL_BY_HOURS], [OIL_AT_140, reading(3, at, now)])
        assert state(e) == "overdue" and nominal_limit(e) == seconds("240.0")


BUNDLE = ["oil", "air", "plug", "belt", "fuel", "valve"]


def a23_part_of_a_bundle():
    jobs = [{"job": code} for code in BUNDLE]
    jobs[-1]["result"] = "skipped"
    done = event(2, "service", "2025-06-01", jobs=jobs, meter_hours=300)
    tasks = [task(code, {"hours": 300}) for code in BUNDLE]
    e = evaluate("2025-06-10", tasks, [NEW_ENGINE, done, reading(3, "2025-06-10", "305.0")])
    assert [nominal_limit(e, code) // HOUR for code in BUNDLE] == [600] * 5 + [300]
    assert state(e, "valve") == "overdue" and item(e, "valve")["hours_left"] == -5 * HOUR


def a24_substitute_part():
    oil = task("oil_change", {"hours": 100}, substitute_factor=h("0.5"))
    for substitute, limit in ((True, "281.0"), (False, "331.0")):
        jobs = [{"job": "oil_change", "substitute": substitute}]
        done = event(1, "service", "2025-06-01", jobs=jobs, meter_hours=h("231.0"))
        assert nominal_limit(evaluate("2025-06-02", [oil], [done])) == seconds(limit)


def a54_limit_of_this_unit():
    about = {"schedule_id": SCHEDULE, "task": "oil_change", "limits": {"hours": 80}}
    setting = event(2, "setting", "2025-05-20", limits_of=about, effective_from="2025-06-01")
    for at, limit in (("2025-05-31T23:59:59+00:00", "240"), ("2025-06-01T00:00:00+00:00", "220")):
        e = evaluate(at, [OIL_BY_HOURS], [OIL_AT_140, setting])
        assert nominal_limit(e) == seconds(limit), at


def a64_unplanned_work_counts():
    tasks = [
        task("plug_inspect", {"hours": 100}),
        task("plug_replace", {"hours": 300}, satisfies=["plug_inspect"]),
    ]
    e = evaluate("2025-06-02", tasks, [service(1, "2025-06-01", "plug_replace", meter_hours=256)])
    assert nominal_limit(e, "plug_replace") == seconds("556")
    assert nominal_limit(e, "plug_inspect") == seconds("356")


B04_USES = ["2.1", "2.0", "2.2", "2.0", "14.5", "2.1", "2.0", "26.0", "2.2", "2.1", "2.0", "2.3"]


def b04_projection():
    uses = [Fraction(u) for u in B04_USES]
    months = [round(float(months_from(uses, k, Fraction("27.6"))), 2) for k in range(12)]
    expected = [7.03, 6.11, 5.18, 4.27, 3.35, 2.90, 1.98, 1.73, 8.74, 7.89, 7.24, 7.20]
    assert months == expected, months
    plain = project(uses, Fraction("27.6"))
    assert [round(float(m), 2) for m in plain[:3]] == [1.98, 5.18, 7.89]
    capped = project(uses, Fraction("27.6"), cap=6)
    assert [round(float(m), 2) for m in capped[:3]] == [1.98, 5.18, 6.00]
    assert capped[3] == Fraction(6, 12)
    assert project([Fraction(0)] * 12, 5) is None
