"""The fleet as files that are imported: their names, their order, and their text."""

import csv
import io
import json
from datetime import datetime, time

from . import first, further, history, standby, story
from .clock import BEGIN, CLOCK, TAKEOVER, record_id
from .hill import DEPOT, RADIO, WORKS
from .places import ASSET_NUMBERS, FIRST_SITES, MAP_NUMBERS, PEOPLE, PERSON_IDS, SCHEDULES, SITE_IDS, SITES, at
from .town import CLINIC, FLINT, HALL, SCHOOL, TRAINING

UNITS = first.UNITS | further.UNITS
UNIT_IDS = history.UNIT_IDS | story.UNIT_IDS
STORIES = RADIO | WORKS | CLINIC | FLINT | SCHOOL | HALL | DEPOT | TRAINING
LABELS = {id: label for label, id in UNIT_IDS.items()}
SITE_NAMES = {id: SITES[key]["name"] for key, id in SITE_IDS.items()}

# Corrections stand last: what they correct, a reading perhaps, has to be there before.
IMPORTS = (
    ("sites.csv", "sites", "csv"),
    ("units.csv", "units", "csv"),
    ("service_events.ndjson", "service_events", "ndjson"),
    ("standby.ndjson", "service_events", "ndjson"),
    ("readings.csv", "readings", "csv"),
    ("corrections.ndjson", "service_events", "ndjson"),
)

SITE_COLUMNS = ("id", "external_id:asset_list", "external_id:gis", "name", "zone", "latitude", "longitude", "elevation_metres",
                "needs_kw", "needs_hours", "note", "needs_volts", "needs_phases", "needs_connectors", "needs_neutral")
UNIT_COLUMNS = ("id", "external_id:asset_list", "label", "home_site", "maker", "model", "serial", "fuel", "rated_kw", "ignition",
                "emergency_use", "electric_start", "meter_fitted", "meter_tick_hours", "tank_litres", "reserve_litres",
                "battery_volts", "meter_rollover_hours", "burn_litres_per_hour", "start_kw", "oil_litres", "oil_litres_per_hour",
                "oil_check_hours", "battery_chemistry", "battery_cold_cranking_amperes", "battery_ampere_hours", "burn_curve",
                "derating", "features", "remote", "note", "retired", "output_volts", "phases", "connectors", "neutral")
READING_COLUMNS = ("id", "unit", "occurred_at", "on_behalf_of", "meter_hours")


def asset_number(label):
    return f"TV-{4001 + 7 * list(UNITS).index(label)}"


def sites():
    def site(key, fields):
        return {"id": SITE_IDS[key], "external_id:asset_list": ASSET_NUMBERS[key], "external_id:gis": MAP_NUMBERS[key], **fields,
                **standby.SITE_FIELDS.get(key, {})}
    return [site(key, fields) for key, fields in SITES.items()]


def units():
    def unit(label, fields):
        rest = {name: value for name, value in fields.items() if name != "site"}
        return {"id": UNIT_IDS[label], "external_id:asset_list": asset_number(label), "label": label,
                "home_site": SITES[fields["site"]]["name"], **rest, **standby.UNIT_FIELDS.get(label, {})}
    return [unit(label, fields) for label, fields in UNITS.items()]


def people():
    def person(key, name, role, where):
        is_first = where == "all" or set(where) <= set(FIRST_SITES)
        since = at("fire", datetime.combine(TAKEOVER if is_first else BEGIN, time(0))).isoformat()
        scope = where if where == "all" else [SITE_IDS[site] for site in where]
        return {"id": PERSON_IDS[key], "name": name,
                "grants": [{"id": record_id("grant", key), "role": role, "sites": scope, "from": since}]}
    return [person(key, *facts) for key, facts in PEOPLE.items()]


def organization():
    return {"id": record_id("organization", "tarn valley"), "name": "Municipality of Tarn Valley",
            "clock": CLOCK, "schedules": list(SCHEDULES.values()),
            "imports": [{"file": file, "mapping": {"records": records, "format": form}} for file, records, form in IMPORTS]}


def events():
    """All events, unit by unit, each unit's in the order in which they were recorded."""
    found = []
    for label in UNITS:
        told = history.History(label) if label in first.UNITS else story.Telling(label, STORIES[label])
        found += [event for _, event in sorted(told.events, key=lambda placed: placed[0])]
    return found


def named(event):
    """An event with unit and site by name, as people write them."""
    names = {"unit_id": ("unit", LABELS), "site_id": ("site", SITE_NAMES)}
    return {names[name][0] if name in names else name: names[name][1][value] if name in names else value
            for name, value in event.items()}


def cell(value):
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict) or isinstance(value, list) and isinstance(value[0], dict):
        return json.dumps(value, ensure_ascii=False)
    return ";".join(map(str, value)) if isinstance(value, list) else value


def table(columns, rows):
    """CSV with a heading; nothing stands where nothing is said."""
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows({name: cell(value) for name, value in row.items()} for row in rows)
    return text.getvalue()


def lines(rows):
    return "".join(json.dumps(row, ensure_ascii=False) + "\n" for row in rows)


def pretty(value):
    return json.dumps(value, ensure_ascii=False, indent=2) + "\n"


def files():
    """Every generated file: its path from the folder of the demonstration, and its text."""
    by_kind = {"reading": [], "correction": [], "other": []}
    for event in map(named, events()):
        by_kind.get(event["kind"], by_kind["other"]).append(event)
    readings = [{name: value for name, value in event.items() if name != "kind"} for event in by_kind["reading"]]
    return {
        "organization.json": pretty(organization()),
        "people.json": pretty(people()),
        "sites.csv": table(SITE_COLUMNS, sites()),
        "units.csv": table(UNIT_COLUMNS, units()),
        "service_events.ndjson": lines(by_kind["other"]),
        "standby.ndjson": lines(map(named, standby.events())),
        "readings.csv": table(READING_COLUMNS, readings),
        "corrections.ndjson": lines(by_kind["correction"]),
    }
