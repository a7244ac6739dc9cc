"""Sites, people and schedules, with their ids."""

import json
from pathlib import Path

from .clock import in_zone, record_id

FOLDER = Path(__file__).resolve().parents[1]

# The portable sets of a maker have a table of their own here; the others stand in deploy/schedules.
SCHEDULES = {
    "portable": "../schedules/portable-common-practice.json",
    "battery": "../schedules/starting-battery-common-practice.json",
    "item_4": "../schedules/cfr40-63-zzzz-table-2d-item-4.json",
    "item_5": "../schedules/cfr40-63-zzzz-table-2d-item-5.json",
    "item_1": "../schedules/cfr40-63-zzzz-table-2d-item-1.json",
    "maker": "schedules/thornwick-rev-b.json",
    "maker_c": "schedules/thornwick-rev-c.json",
    "valley": "schedules/tarn-valley-rules.json",
    "running": "schedules/tarn-valley-running.json",
    "outage": "schedules/tarn-valley-outage.json",
}
EDITIONS = {key: json.loads((FOLDER / path).read_text(encoding="utf-8")) for key, path in SCHEDULES.items()}

SITES = {
    "fire": dict(name="Ridge Road Fire Station", zone="America/Denver", latitude=39.86, longitude=-102.19,
                 elevation_metres=1150, needs_kw=4.5),
    "pump": dict(name="Lower Weir Pump Station", zone="America/Denver", latitude=39.82, longitude=-102.13,
                 elevation_metres=1085, needs_kw=180),
    "shelter": dict(name="Eastbank Shelter", zone="America/Chicago", latitude=39.84, longitude=-101.94,
                    elevation_metres=1060, needs_kw=38,
                    note="Across the state line: another time zone and another state's rules."),
    "yard": dict(name="Quarry Lane Works Yard", zone="America/Denver", latitude=39.91, longitude=-102.16,
                 elevation_metres=1170, needs_kw=6),
    "radio": dict(name="Cold Knoll Radio Site", zone="America/Denver", latitude=39.97, longitude=-102.31,
                  elevation_metres=1395, needs_kw=4.5, note="Grass all round: spark arresters from May to October."),
    "works": dict(name="Upper Weir Water Works", zone="America/Denver", latitude=39.79, longitude=-102.27,
                  elevation_metres=1130, needs_kw=310),
    "clinic": dict(name="Alder Row Clinic", zone="America/Chicago", latitude=39.85, longitude=-101.91,
                   elevation_metres=1055, needs_kw=140),
    "flint": dict(name="Flint Cross Fire Station", zone="America/Chicago", latitude=39.88, longitude=-101.87,
                  elevation_metres=1050, needs_kw=24),
    "school": dict(name="Mill Lane School", zone="America/Denver", latitude=39.87, longitude=-102.12,
                   elevation_metres=1110, needs_kw=26, note="A shelter when the valley floods."),
    "hall": dict(name="Tarn Valley Town Hall", zone="America/Denver", latitude=39.86, longitude=-102.15,
                 elevation_metres=1120, needs_kw=60),
    "depot": dict(name="Hazel Bank Equipment Depot", zone="America/Denver", latitude=39.93, longitude=-102.22,
                  elevation_metres=1180, needs_kw=3),
    "training": dict(name="Dry Fork Training Ground", zone="America/Phoenix", latitude=33.42, longitude=-110.94,
                     elevation_metres=1060, needs_kw=15,
                     note="Shared with the neighbouring county. Its clocks do not change in spring and autumn."),
}

ALL = "all"
PEOPLE = {  # key: (name, role, sites, from the first day of the records that they look after)
    "viewer": ("Odette Farrow", "viewer", ALL),
    "custodian": ("Wilf Haddon", "custodian", ("fire", "shelter")),
    "technician_west": ("Ilse Marrow", "technician", ("fire", "pump")),
    "technician_east": ("Tobin Ashgrove", "technician", ("shelter", "yard")),
    "coordinator": ("Perpetua Lyle", "coordinator", ALL),
    "planner": ("Anselm Croft", "planner", ALL),
    "auditor": ("Ruth Calloway", "auditor", ALL),
    "integrator": ("Jory Penhale", "integrator", ALL),
    "admin": ("Maud Thackray", "admin", ALL),
    "technician_hill": ("Bettina Skarn", "technician", ("radio", "works", "depot")),
    "technician_town": ("Osric Fenwell", "technician", ("school", "hall", "clinic", "flint")),
    "technician_south": ("Amara Quill", "technician", ("training",)),
    "custodian_flint": ("Lorcan Brandreth", "custodian", ("flint", "clinic")),
    "custodian_school": ("Hester Oakes", "custodian", ("school", "hall")),
}
TECHNICIAN = {"fire": "technician_west", "pump": "technician_west", "shelter": "technician_east", "yard": "technician_east",
              "radio": "technician_hill", "works": "technician_hill", "depot": "technician_hill",
              "school": "technician_town", "hall": "technician_town", "clinic": "technician_town",
              "flint": "technician_town", "training": "technician_south"}
READER = TECHNICIAN | {"fire": "custodian", "shelter": "custodian", "flint": "custodian_flint", "clinic": "custodian_flint",
                       "school": "custodian_school", "hall": "custodian_school"}
FIRST_SITES = ("fire", "pump", "shelter", "yard")

SITE_IDS = {key: record_id("site", key) for key in SITES}
PERSON_IDS = {key: record_id("person", key) for key in PEOPLE}

# Under which number the municipality's list of assets and its map know each site.
ASSET_NUMBERS = {key: f"TV-S{number:02}" for number, key in enumerate(SITES, 1)}
MAP_NUMBERS = {key: f"P{number}" for number, key in enumerate(SITES, 2107)}


def at(site, local):
    """The instant of a local time at a site."""
    return in_zone(SITES[site]["zone"], local)
