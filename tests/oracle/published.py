"""What the checks of published examples share: short ways to write a case."""

from decimal import Decimal

from due import Evaluation

UTC = "UTC"
WEST = "America/Los_Angeles"
SCHEDULE = "sprig"


def task(code, limits, **more):
    return {"task": code, "job": code, "limits": limits, **more}


def h(text):
    """Decimal hours, exact."""
    return Decimal(text)


def instant(text):
    return text if "T" in text else f"{text}T12:00:00+00:00"


def event(number, kind, when, **more):
    return {"id": f"e{number:02}", "kind": kind, "occurred_at": instant(when), **more}


def service(number, when, *jobs, **more):
    return event(number, "service", when, jobs=[{"job": job} for job in jobs], **more)


def evaluate(at, tasks, events, zone=UTC, editions=(), **unit):
    """One schedule, adopted long ago, on one unit at one site."""
    adoption = event(99, "adoption", "1990-01-01", schedule_id=SCHEDULE, edition_id="rev")
    unit = {"id": "U7", "home_site_id": "FS-3", **unit}
    return Evaluation(
        {
            "case": "published",
            "unit": unit,
            "sites": [{"id": "FS-3", "zone": zone}],
            "editions": [{"id": "rev", "schedule_id": SCHEDULE, "tasks": tasks}, *editions],
            "events": [adoption, *events],
            "at": instant(at),
        }
    )


def item(evaluation, code="oil_change"):
    for row in evaluation.answer()["items"]:
        if row["task"] == code:
            return row
    raise KeyError(code)


def clock(evaluation, code="oil_change"):
    return evaluation.items[(SCHEDULE, code)].clock


def state(evaluation, code="oil_change"):
    return item(evaluation, code)["state"]


def nominal_limit(evaluation, code="oil_change"):
    return item(evaluation, code)["hours_limit"][1]


OIL = task("oil_change", {"hours": 100, "months": 6})
OIL_BY_HOURS = task("oil_change", {"hours": 100})
OIL_AT_140 = service(1, "2025-03-10", "oil_change", meter_hours=h("140.0"))
NEW_ENGINE = event(1, "commissioning", "2025-01-15", site_id="FS-3", meter_hours=0)


def reading(number, when, hours, **more):
    return event(number, "reading", when, meter_hours=h(hours), **more)


def correction(number, when, action, **more):
    return event(number, "correction", when, action=action, reason="x", **more)


BREAK_IN = task("oil_change", {"hours": 100, "months": 6}, first={"hours": 20, "months": 1})
