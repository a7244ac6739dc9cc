"""The sets of the first four sites, whose paper records were taken over on 2025-09-01, and what happened to each."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone

from .jobs import (
    ANNUAL, BATTERY, DIESEL_YEAR, HALF, LINES, OIL_AND_FILTER, QUARTER,
)

SPARK = dict(ignition="spark")
DIESEL = dict(fuel="diesel", ignition="compression", emergency_use=True, electric_start=True)

UNITS = {
    "FS-01": dict(site="fire", maker="Osterby", model="OD60", serial="OD60-05-0231", **DIESEL, rated_kw=60,
                  tank_litres=300, reserve_litres=45, battery_volts=12),
    "FS-02": dict(site="fire", maker="Fernhollow", model="Lark 55E", serial="FL55-24-10482", fuel="petrol", **SPARK, rated_kw=5.5,
                  electric_start=True, tank_litres=24, reserve_litres=4.8, battery_volts=12),
    "FS-03": dict(site="fire", maker="Fernhollow", model="Wren 22", serial="FW22-26-00417", fuel="petrol", **SPARK, rated_kw=2.2,
                  electric_start=False, meter_fitted=False, tank_litres=4.1, reserve_litres=0.8),
    "FS-04": dict(site="fire", maker="Cullwater", model="CP8", serial="CP8-19-3307", fuel="propane", **SPARK, rated_kw=8,
                  electric_start=True, battery_volts=12, note="Given by the old hospital; no papers came with it."),
    "PS-01": dict(site="pump", maker="Osterby", model="OD250", serial="OD250-03-0044", **DIESEL, rated_kw=250,
                  meter_tick_hours=1, tank_litres=1800, reserve_litres=270, battery_volts=24),
    "PS-02": dict(site="pump", maker="Tallowby", model="T100", serial="T100-04-1190", **DIESEL, rated_kw=100,
                  tank_litres=520, reserve_litres=80, battery_volts=12),
    "PS-03": dict(site="pump", maker="Brackenmoor", model="Drover 80E", serial="BD80-21-5561", fuel="petrol", **SPARK, rated_kw=8,
                  electric_start=True, tank_litres=28, reserve_litres=5.6, battery_volts=12),
    "SH-01": dict(site="shelter", maker="Cullwater", model="CS45", serial="CS45-02-0872", fuel="propane", **SPARK, rated_kw=45,
                  emergency_use=True, electric_start=True, tank_litres=1900, reserve_litres=380, battery_volts=12),
    "SH-02": dict(site="shelter", maker="Cullwater", model="CP12", serial="CP12-05-4416", fuel="propane", **SPARK, rated_kw=12,
                  emergency_use=True, electric_start=True, battery_volts=12,
                  note="Stands on its skid for good. Bought used: its meter had been replaced before that."),
    "SH-03": dict(site="shelter", maker="Brackenmoor", model="Drover 75E", serial="BD75-25-7730", fuel="petrol", **SPARK,
                  rated_kw=7.5, electric_start=True, tank_litres=26, reserve_litres=5.2, battery_volts=12),
    "SH-04": dict(site="shelter", maker="Fernhollow", model="Wren 20", serial="FW20-23-00098", fuel="petrol", **SPARK, rated_kw=2,
                  electric_start=False, meter_fitted=False, tank_litres=3.6, reserve_litres=0.7),
    "WY-01": dict(site="yard", maker="Brackenmoor", model="Drover 60E", serial="BD60-24-6602", fuel="petrol", **SPARK, rated_kw=6,
                  electric_start=True, tank_litres=24, reserve_litres=4.8, battery_volts=12),
    "WY-02": dict(site="yard", maker="Fernhollow", model="Lark 35", serial="FL35-24-20417", fuel="petrol", **SPARK, rated_kw=3.5,
                  electric_start=False, tank_litres=14, reserve_litres=2.8),
    "WY-03": dict(site="yard", maker="Hallgarth", model="Twin 9", serial="HT9-22-0315", fuel="dual", **SPARK, rated_kw=9,
                  electric_start=True, tank_litres=28, reserve_litres=5.6, battery_volts=12),
    "WY-04": dict(site="yard", maker="Cullwater", model="CT20", serial="CT20-25-2041", fuel="propane", **SPARK, rated_kw=20,
                  electric_start=True, battery_volts=12, note="Trailer; lent out in outages."),
}


@dataclass(frozen=True)
class Plan:
    """What happened to one unit; every date is a local date at the site where it stood."""

    schedules: tuple
    commissioned: tuple | None = None  # (date, meter hours, engine hours if they differ)
    hours: float = 0.0  # on the meter at the takeover, or at commissioning when that came later
    work: tuple | None = None  # (weekday, days between runs, fewest minutes, most minutes)
    readings: tuple | None = None  # (days between readings, date of the last)
    exercise: str | None = None  # date of the last exercise run; one every 28 days before it
    outage: tuple = ()  # runs in the August outage: (hours after its start, hours)
    services: dict = field(default_factory=dict)  # date: jobs
    unread_from: str | None = None  # nobody reads the meter from this day on


MONDAY, FRIDAY = 0, 4  # a unit is never serviced on its day of weekly runs: none is worked on while running
WEEKLY_TEST = (MONDAY, 7, 25, 35)

PLANS = {
    "FS-01": Plan(("item_4", "battery"), ("2005-05-24", 0.2), 612.4, WEEKLY_TEST, (14, "2026-10-27"), services={
        "2025-09-24": BATTERY, "2025-11-18": OIL_AND_FILTER + ("air_cleaner_inspect",) + BATTERY, "2026-01-20": BATTERY,
        "2026-03-17": ("hoses_and_belts_inspect",) + BATTERY, "2026-06-16": BATTERY, "2026-09-15": BATTERY}),
    "FS-02": Plan(("portable", "battery"), ("2025-03-04", 0.0), 14.2, (FRIDAY, 14, 30, 60), (28, "2026-10-20"),
                  "2026-10-03", services={
        "2025-09-16": HALF + BATTERY, "2025-12-11": QUARTER + BATTERY, "2026-01-15": ANNUAL + LINES + BATTERY,
        "2026-04-09": QUARTER + BATTERY, "2026-08-13": QUARTER + BATTERY}),
    "FS-03": Plan(("portable",), ("2026-09-23", None), exercise="2026-10-21"),
    "FS-04": Plan(("portable", "battery"), None, 187.3, (FRIDAY, 28, 30, 60), (28, "2026-10-19")),
    "PS-01": Plan(("item_4", "battery"), ("2003-04-15", 1), 1288.0, WEEKLY_TEST, (14, "2026-10-27"),
                  outage=((0, 23.5), (24, 23.5), (48, 23.5), (72, 18)), services={
        "2025-10-21": DIESEL_YEAR + BATTERY, "2026-01-21": BATTERY, "2026-04-15": BATTERY, "2026-07-15": BATTERY,
        "2026-08-25": DIESEL_YEAR + BATTERY}),
    "PS-02": Plan(("item_4", "battery"), ("2004-06-29", 0.4), 803.6, WEEKLY_TEST, (14, "2026-10-27"),
                  outage=((6, 17.5), (30, 17.5), (54, 17.5), (78, 12)), services={
        "2025-09-16": DIESEL_YEAR + BATTERY, "2025-12-09": BATTERY, "2026-02-24": BATTERY,
        "2026-04-22": OIL_AND_FILTER + ("air_cleaner_inspect",) + BATTERY, "2026-07-15": BATTERY}),
    "PS-03": Plan(("portable", "battery"), ("2025-02-18", 318.4), 356.1, (FRIDAY, 7, 60, 110), (14, "2026-10-28"), "2026-10-19",
                  outage=((1, 18.5), (24, 18.5), (48, 18.5), (72, 16.5)), services={
        "2025-09-10": QUARTER + BATTERY, "2025-11-12": ANNUAL + LINES + BATTERY, "2026-02-11": QUARTER + BATTERY,
        "2026-05-12": HALF + BATTERY, "2026-08-18": QUARTER + BATTERY}),
    "SH-01": Plan(("item_5", "battery"), ("2002-08-27", 0.3), 548.9, WEEKLY_TEST, (14, "2026-10-27"),
                  outage=((0, 23.4), (24, 23.4), (48, 23.4), (72, 18)), services={
        "2025-10-08": OIL_AND_FILTER + BATTERY, "2025-12-16": BATTERY,
        "2026-02-24": ("plug_inspect", "hoses_and_belts_inspect") + BATTERY, "2026-05-19": BATTERY, "2026-08-19": BATTERY}),
    "SH-02": Plan(("portable", "battery", "item_5"), ("2024-10-02", 41.0, 655.0), 62.7, None, (28, "2026-10-28"), "2026-10-14",
                  outage=((2, 17), (25, 17), (49, 17), (73, 15)), services={
        "2025-09-10": HALF + OIL_AND_FILTER + BATTERY, "2025-12-02": QUARTER + BATTERY,
        "2026-02-24": ANNUAL + LINES + OIL_AND_FILTER + ("hoses_and_belts_inspect", "plug_inspect") + BATTERY,
        "2026-05-19": QUARTER + BATTERY, "2026-08-17": HALF + OIL_AND_FILTER + BATTERY}),
    "SH-03": Plan(("portable", "battery"), ("2026-01-20", 0.0), 0.0, None, (28, "2026-10-13"), "2026-09-28",
                  outage=((3, 11), (27, 11), (51, 11), (75, 9)), services={
        "2026-02-17": ("oil_change",), "2026-04-14": QUARTER + BATTERY, "2026-07-07": HALF + BATTERY,
        "2026-10-20": HALF + BATTERY}),
    "SH-04": Plan(("portable",), ("2023-06-14", None), exercise="2026-10-20", services={
        "2025-09-09": HALF, "2025-12-03": QUARTER, "2026-03-05": ANNUAL + LINES, "2026-06-02": QUARTER, "2026-08-20": HALF}),
    "WY-01": Plan(("portable", "battery"), ("2024-04-09", 0.3), 239.8, (FRIDAY, 7, 190, 290), (7, "2026-10-26"),
                  "2026-10-12", services={
        "2025-09-03": QUARTER + BATTERY, "2025-11-26": ANNUAL + LINES + BATTERY, "2026-01-21": QUARTER + BATTERY,
        "2026-03-25": HALF + BATTERY, "2026-06-03": HALF + BATTERY, "2026-08-05": QUARTER + BATTERY,
        "2026-10-14": HALF + BATTERY}),
    "WY-02": Plan(("portable",), ("2024-11-19", 0.1), 96.4, (FRIDAY, 7, 110, 180), (14, "2026-10-27"), "2026-10-26", services={
        "2025-09-09": QUARTER, "2025-12-09": ANNUAL + LINES, "2026-03-10": QUARTER, "2026-06-03": HALF, "2026-08-20": QUARTER}),
    "WY-03": Plan(("portable", "battery"), ("2022-07-12", 0.2), 1104.8, (FRIDAY, 7, 210, 340), (14, "2026-08-17"), "2026-10-22",
                  unread_from="2026-08-18", services={
        "2025-09-17": HALF + BATTERY, "2025-12-10": QUARTER + BATTERY, "2026-02-18": ANNUAL + LINES + BATTERY,
        "2026-05-13": HALF + BATTERY, "2026-08-12": QUARTER + BATTERY}),
    "WY-04": Plan(("portable", "battery"), ("2025-05-27", 0.6), 9.5, None, (28, "2026-10-06"), "2026-10-21",
                  outage=((41, 7), (54, 17), (78, 12)), services={
        "2025-09-02": HALF + BATTERY, "2025-12-02": QUARTER + BATTERY, "2026-03-03": QUARTER + BATTERY,
        "2026-05-19": ANNUAL + BATTERY, "2026-09-02": HALF + BATTERY}),
}

# ---- the traps -------------------------------------------------------------------------------------------------

OUTAGE = (datetime(2026, 8, 11, 3, 40, tzinfo=timezone.utc), timedelta(hours=90))  # 21:40 on the 10th in Denver
OUTAGE_READINGS = ("2026-08-11", "2026-08-12", "2026-08-13", "2026-08-14", "2026-08-15")

METER_SWAP = ("PS-03", datetime(2026, 5, 14, 11, 20), 1.8)  # label, local time, what the new meter showed
MISREAD = ("WY-01", "2026-07-13")
BACKDATED = ("FS-02", datetime(2026, 5, 12, 14, 10), ("oil_change", "plug_inspect"), datetime(2026, 10, 28, 9, 5))
VOIDED = ("WY-02", "2026-06-03", datetime(2026, 6, 10, 16, 30), "The job card was for WY-01; this set was out on a job that day.")
LOAN = ("WY-04", "shelter", datetime(2026, 8, 12, 13, 30), datetime(2026, 8, 19, 9, 15))  # local times at the lending site
