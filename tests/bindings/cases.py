"""The cases of tests/vectors/interval.json as questions to the library."""

import json
from datetime import datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
UNIT = "0194d000-0000-7000-8000-00000000000c"
VECTORS = json.loads((ROOT / "tests/vectors/interval.json").read_text())


def record(kind, id, record):
    return {"kind": kind, "id": id, "record": record}


def edition(told):
    """An edition of the vectors as the feed tells it, with its id and that of its schedule."""
    if "file" in told:
        file = json.loads((ROOT / told["file"]).read_text())
        return {**file["edition"], "schedule_id": file["schedule"]["id"]}
    return told


EDITIONS = {name: edition(told) for name, told in VECTORS["editions"].items()}
SITES = [record("site", site["id"], {"fields": {"name": "Site", "zone": site["zone"]}}) for site in VECTORS["sites"]]


def units(case):
    """The units that a case is about."""
    return sorted({UNIT} | {event["unit_id"] for event in case["events"] if "unit_id" in event})


def instant(text):
    return datetime.fromisoformat(text)


def events(case, unit, known_at):
    """The events of a case that were recorded by then; the unit that is asked about has adopted the case's editions."""
    adoptions = [
        {"kind": "adoption", "occurred_on": "2000-01-01", "unit_id": unit,
         "schedule_id": EDITIONS[name]["schedule_id"], "edition_id": EDITIONS[name]["id"]}
        for name in case.get("adopted", [])
    ]
    for n, event in enumerate([*adoptions, *case["events"]]):
        event = {"id": f"0194d000-0001-7000-8000-{n:012}", "unit_id": UNIT, **event}
        recorded = event.get("recorded_at")
        if not (recorded and known_at) or instant(recorded) <= instant(known_at):
            yield record("service_event", event["id"], event)


def records(case, unit, known_at):
    fields = {**VECTORS["unit"], **case.get("unit", {})}
    told = [*SITES, *(record("edition", edition["id"], edition) for edition in EDITIONS.values())]
    told += [record("unit", each, {"fields": fields}) for each in units(case)]
    return told + list(events(case, unit, known_at))


def found(library, case, check):
    """What the library says to all that a check may ask, in the check's own shape."""
    unit, at = check.get("unit", UNIT), check["at"]
    about = {"unit_id": unit, "at": at}
    bundles = list(check.get("bundle", {}))
    questions = [
        {"question": "due", "include": ["trace", "projection"], **about},
        {"question": "hours", **about},
        {"question": "quality", **about},
        *({"question": "bundle", "unit_id": unit, "event_id": service} for service in bundles),
    ]
    told = library.answers(records(case, unit, check.get("known_at")), questions)
    due, hours, quality = told[:3]
    assert due["unknown_because"] == [] == due["passed_over"], due
    assert due["engine_hours"].items() <= hours.items()
    items = {item["task"]: item for item in due["items"]}
    entries = quality["entries"]
    nothing = {"lower": None, "nominal": None, "upper": None}
    return {
        "at": at,
        "unit": unit,
        "known_at": check.get("known_at"),
        "engine_seconds": hours.get("engine_seconds", nothing),
        "hours_report": {name: value for name, value in hours.items() if name != "set_aside"},
        "quality": occurring(check.get("quality"), entries),
        "possible_duplicates": [e["event_ids"] for e in entries if e["code"] == "possible_duplicate"],
        "compliance": due["compliance"],
        "projection": {task: items[task].get("projection") for task in check.get("projection", {})},
        "bundle": dict(zip(bundles, told[3:])),
        "belongs_to": {a["event_id"]: a.get("belongs_to", {}).get("unit_id") for a in hours["set_aside"]},
        "items": [items[wanted["task"]] for wanted in check.get("items", [])],
        "tasks": [item["task"] for item in due["items"]],
        "engine_hours": due["engine_hours"],
        "set_aside": due["set_aside"],
        "site": due["standing_site_id"],
        "trace": {task: occurring(wanted, items[task]["trace"]) for task, wanted in check.get("trace", {}).items()},
    }


def occurring(wanted, entries):
    """Of the entries that are wanted those that occur."""
    return [one for one in wanted or [] if any(not list(differences(one, entry)) for entry in entries)]


def differences(wanted, found, place=""):
    """Where what was found is not what is wanted; members that are not wanted are free."""
    if isinstance(wanted, dict) and "rounds_to" in wanted:
        number = str(wanted["rounds_to"])
        places = len(number.partition(".")[2])
        if found is None or f"{found:.{places}f}" != number:
            yield f"{place}: wanted about {number}, found {found}"
    elif isinstance(wanted, dict) and isinstance(found, dict):
        for name, value in wanted.items():
            yield from differences(value, found.get(name), f"{place}/{name}")
    elif isinstance(wanted, list) and isinstance(found, list) and len(wanted) == len(found):
        for n, (one, other) in enumerate(zip(wanted, found)):
            yield from differences(one, other, f"{place}/{n}")
    elif wanted != found or isinstance(wanted, bool) != isinstance(found, bool):
        yield f"{place}: wanted {wanted}, found {found}"
