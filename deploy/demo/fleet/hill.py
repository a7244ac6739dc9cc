"""What happened at the radio site, the water works and the depot."""

from .jobs import (
    ANNUAL, BATTERY, DIESEL_ROUND, DIESEL_YEAR, EXERCISE, GAS_YEAR, HALF, MAKER_ROUND, MAKER_YEAR, PORTABLE_ROUND, QUARTER,
    RECOIL_ROUND,
)
from .story import Story, tell

STORM = ("2025-12-13 16:50", "2025-12-16 05:50")  # the ice storm: 61 hours without the grid in the hills
PORTABLE = ("portable", "battery")
OIL = ("oil_change",)


def ran(start, stop, reason, shown_before, shown_after, named="run"):
    """A run of which start and stop were logged, with what the meter showed."""
    return [tell(start, "run", phase="start", reason=reason, meter=shown_before, named=named),
            tell(stop, "run", phase="stop", run=named, meter=shown_after)]


RADIO = {
    "RS-01": Story(PORTABLE, ("2019-04-10", 0.2), (
        ("2024-11-01 00:00", 118.0), (STORM[0], 131.0), (STORM[1], 192.0), ("2026-11-02 08:00", 206.0)),
        rounds=((PORTABLE_ROUND, "2025-01-14", "2026-10-19"),), exercise="2026-10-12", told=[
            *ran(*STORM, "emergency", 131.0, 192.0),
            tell("2026-10-20 09:00", "placement", by="coordinator", site="school",
                 note="Lent while the school's own set is away.")]),
    "RS-02": Story(("item_4", "battery"), ("2006-05-16", 0.5), (
        ("2024-11-01 00:00", 402.0), (STORM[0], 430.0), (STORM[1], 491.0), ("2025-12-31 20:00", 491.5),
        ("2026-01-01 06:00", 501.5), ("2026-11-02 08:00", 524.0)),
        rounds=((DIESEL_ROUND, "2025-01-14", "2026-10-20"),), readings=(28, "2026-10-26"), told=[
            *ran(*STORM, "emergency", 430.0, 491.0),
            *ran("2025-12-31 20:00", "2026-01-01 06:00", "other", 491.5, 501.5, "new year")]),
    "RS-03": Story(("portable",), ("2025-10-01", None), exercise="2026-10-12",
                   rounds=(((OIL,), "2025-10-28", "2025-10-28"), (RECOIL_ROUND[1:] + RECOIL_ROUND[:1], "2026-01-20", "2026-10-20")),
                   told=[
        tell("2025-11-02 00:30 UTC-06:00", "run", stopped_at="2025-11-02 02:15 UTC-07:00", reason="other"),
        tell("2026-03-08 01:30", "run", stopped_at="2026-03-08 03:30", reason="other"),
        tell("2026-05-03 08:00", "run", stopped_at="2026-05-03 12:00", reason="other"),
        tell("2026-05-03 10:00", "run", stopped_at="2026-05-03 14:00", reason="other", by="coordinator"),
        *(tell(f"2026-06-07 {hour}:00", "run", stopped_at=f"2026-06-07 {hour}:20", reason="test") for hour in ("09", "10", "11"))]),
    "RS-04": Story(PORTABLE, ("2024-11-12", 0.3), (
        ("2024-11-12 00:00", 0.3), ("2026-08-04 15:00", 100.0), ("2026-10-31 06:00", 188.0)),
        rounds=((PORTABLE_ROUND, "2024-12-10", "2026-06-30"),), exercise="2026-10-05", told=[
            tell("2026-08-04 15:00", "service", jobs=HALF + BATTERY, meter=100.0),
            tell("2026-10-20 15:00", "service", jobs=QUARTER),
            tell("2026-10-31 06:00", "reading", meter=188.0),
            tell("2026-10-31 06:00", "run", phase="start", reason="other")]),
}

WORKS = {
    "WW-01": Story(("item_4", "battery"), ("1998-07-02", 3.0), (
        ("2024-11-01 00:00", 1393.0), ("2025-03-11 15:00", 1402.0), ("2025-06-10 14:00", 1412.0),
        ("2025-06-29 13:00", 1867.0), (STORM[0], 1880.0), (STORM[1], 1941.0), ("2025-12-16 09:00", 1941.0),
        ("2026-11-02 08:00", 1964.0)), readings=(28, "2026-10-26"), told=[
            tell("2025-03-11 15:00", "service", jobs=DIESEL_YEAR + BATTERY, meter=1402.0),
            *ran("2025-06-10 14:00", "2025-06-29 13:00", "emergency", 1412.0, 1867.0, "feeder"),
            *(tell(f"{on} 15:10", "service", jobs=BATTERY) for on in ("2025-06-03", "2025-09-02", "2025-11-25")),
            *ran(*STORM, "emergency", 1880.0, 1941.0),
            tell("2025-12-16 09:00", "service", jobs=DIESEL_YEAR + BATTERY, meter=1941.0,
                 note="The oil fell due in the storm; nobody could stop the set."),
            *(tell(f"{on} 15:20", "service", jobs=BATTERY) for on in ("2026-03-10", "2026-06-09", "2026-09-08"))]),
    "WW-02": Story(("item_5", "battery"), ("2012-09-18", 0.4), (
        ("2024-11-01 00:00", 255.0), ("2025-09-16 15:00", 320.0), (STORM[0], 324.0), (STORM[1], 385.0),
        ("2026-11-02 08:00", 412.0)), readings=(28, "2026-10-26"), told=[
            tell("2024-11-19 14:10", "service", jobs=GAS_YEAR + BATTERY),
            *(tell(f"{on} 14:40", "service", jobs=BATTERY) for on in ("2025-02-18", "2025-05-20", "2025-08-19")),
            tell("2025-09-16 15:00", "service", jobs=GAS_YEAR, meter=320.0),
            *ran(*STORM, "emergency", 324.0, 385.0),
            *(tell(f"{on} 14:50", "service", jobs=BATTERY) for on in ("2025-11-18", "2026-02-17", "2026-05-19")),
            tell("2026-08-18 14:20", "service", jobs=("plug_inspect", "hoses_and_belts_inspect") + BATTERY),
            tell("2026-09-08 10:00", "service", recorded="2026-09-11 16:30", jobs=(dict(job="oil_analysis", analysis=dict(
                results_on="2026-09-11", acid_number_new=1.2, acid_number_used=2.0, viscosity_new=100, viscosity_used=104,
                water_percent=0.1)),), note="The laboratory finds the oil fit.")]),
    "WW-03": Story(("item_1", "battery"), ("1994-05-03", 2.0), (
        ("2024-11-01 00:00", 9702.0), ("2026-03-10 15:00", 9915.0), ("2026-06-01 09:00", 9987.6), ("2026-06-03 15:00", 14.2),
        ("2026-10-27 00:00", 61.0), ("2026-11-02 08:00", 61.0)),
        rounds=((DIESEL_ROUND, "2025-03-11", "2026-03-09"), (DIESEL_ROUND[1:], "2026-06-09", "2026-10-27")),
        readings=(28, "2026-10-28"), told=[
            tell("2026-03-10 15:00", "service", jobs=DIESEL_YEAR + BATTERY, meter=9915.0),
            tell("2026-06-01 09:00", "reading", meter=9987.6), tell("2026-06-03 15:00", "reading", meter=14.2)]),
    "WW-04": Story(("maker",), ("2025-09-02", 0.0), (
        ("2025-09-02 00:00", 0.0), ("2025-09-30 15:00", 15.0), ("2026-01-15 15:00", 110.0), ("2026-05-12 15:00", 205.0),
        ("2026-09-01 15:00", 300.0), ("2026-10-27 00:00", 305.0), ("2026-11-02 08:00", 305.0)),
        exercise="2026-10-19", readings=(28, "2026-10-28"), told=[
            tell("2025-09-30 15:00", "service", jobs=OIL + QUARTER, meter=15.0),
            tell("2025-11-11 14:30", "service", jobs=QUARTER + BATTERY),
            tell("2026-01-15 15:00", "service", jobs=HALF + BATTERY, meter=110.0),
            tell("2026-03-10 14:30", "service", jobs=QUARTER + BATTERY),
            tell("2026-05-12 15:00", "service", jobs=HALF + BATTERY, meter=205.0),
            tell("2026-07-07 14:30", "service", jobs=QUARTER + BATTERY),
            tell("2026-09-01 15:00", "service", meter=300.0, note="No feeler gauge in the van: the valves next time.",
                 jobs=("oil_change", "air_filter_replace", "plug_replace", "fuel_filter_replace",
                       dict(job="valve_clearance", result="skipped")) + BATTERY)]),
    "WW-05": Story(PORTABLE, ("2026-10-01", 100.0), told=[
        tell("2026-10-05 09:00", "run", stopped_at="2026-10-05 11:42", reason="test"),
        tell("2026-10-12 09:00", "run", stopped_at="2026-10-12 11:00", reason="test"),
        tell("2026-10-20 09:00", "reading", meter=114.2),
        tell("2026-10-22 14:00", "service", jobs=HALF + BATTERY + EXERCISE, meter=None)]),
    "WW-06": Story(("portable",), ("2021-03-16", 0.1), (
        ("2024-11-01 00:00", 560.0), ("2026-08-20 18:00", 640.2), ("2026-08-27 12:00", 2.1), ("2026-10-29 08:00", 18.0),
        ("2026-11-02 08:00", 18.0)), rounds=((RECOIL_ROUND, "2025-01-14", "2026-10-27"),), exercise="2026-10-12",
        readings=(14, "2026-10-29")),
}

DEPOT = {
    "HB-01": Story(("maker",), ("2022-04-05", 0.0), (
        ("2024-11-01 00:00", 61.0), ("2025-11-15 10:00", 90.0), ("2026-03-15 10:00", 90.0), ("2026-11-02 08:00", 112.0)),
        rounds=((MAKER_ROUND, "2024-11-26", "2025-08-26"),
                ((HALF + BATTERY, QUARTER + BATTERY, ANNUAL + BATTERY), "2026-03-16", "2026-10-01")),
        exercise="2026-10-13", idle=("2025-11-15", "2026-03-16"), told=[
            tell("2025-09-10 14:30", "service", jobs=MAKER_YEAR + BATTERY),
            tell("2025-11-15 10:00", "storage", action="put_in"),
            *(tell(f"{on} 10:30", "service", jobs=BATTERY) for on in ("2025-12-09",)),
            tell("2026-03-15 10:00", "storage", action="taken_out")]),
    "HB-02": Story(("maker",), ("2022-03-29", 0.0), (("2024-11-01 00:00", 40.0), ("2026-11-02 08:00", 66.0)),
                   rounds=((MAKER_ROUND, "2025-01-14", "2026-07-20"),), exercise="2026-07-27", told=[
        tell("2026-08-20 11:00", "storage", action="put_in", note="Until the spring.")]),
    "HB-03": Story(("maker",), ("2024-05-14", 0.0), (
        ("2024-11-01 00:00", 12.0), ("2026-04-14 15:00", 88.0), ("2026-11-02 08:00", 88.0)),
        rounds=((MAKER_ROUND, "2025-01-14", "2026-04-01"),), exercise="2026-03-30", told=[
            tell("2026-04-14 15:00", "service", jobs=HALF + BATTERY + ("fuel_tap_replace",), meter=88.0),
            tell("2026-04-20 10:00", "storage", action="put_in"),
            tell("2026-07-14 10:20", "service", jobs=BATTERY, meter=88.0),
            tell("2026-10-12 10:20", "service", jobs=BATTERY, meter=88.0),
            tell("2026-10-26 10:00", "storage", action="taken_out", note="Nobody looked at the oil.")]),
    "HB-04": Story(("maker",), ("2021-02-23", 0.0), (
        ("2024-11-01 00:00", 420.0), ("2026-10-06 09:00", 812.0), ("2026-10-29 12:00", 826.5), ("2026-11-02 08:00", 826.5)),
        rounds=(((HALF + BATTERY, QUARTER + BATTERY), "2024-11-12", "2026-05-10"),), exercise="2026-10-14",
        readings=(28, "2026-10-30"), told=[
            tell("2026-04-07 15:00", "service", jobs=MAKER_YEAR + ("fuel_line_inspect", "spark_arrester_clean")),
            tell("2026-08-11 15:00", "service", jobs=HALF + BATTERY),
            tell("2026-10-06 09:00", "component", component="engine", action="rebuilt", meter=812.0,
                 note="New rings and bearings."),
            tell("2026-10-06 10:00", "service", jobs=QUARTER + ("spark_arrester_clean",) + BATTERY, meter=812.0)]),
    "HB-05": Story(("maker",), ("2025-05-06", 0.0), (
        ("2025-05-06 00:00", 0.0), ("2026-08-11 15:00", 140.0), ("2026-10-14 17:00", 205.0), ("2026-10-15 07:30", 205.0),
        ("2026-10-29 07:00", 209.0), ("2026-11-02 08:00", 209.0)),
        rounds=(((OIL + QUARTER + BATTERY, QUARTER + BATTERY), "2025-06-03", "2025-12-31"),
                ((MAKER_YEAR + BATTERY, QUARTER + BATTERY), "2026-02-24", "2026-06-30")),
        exercise="2026-10-06", told=[
            tell("2026-08-11 15:00", "service", jobs=HALF + BATTERY, meter=140.0),
            tell("2026-09-29 15:00", "service", jobs=QUARTER),
            tell("2026-10-01", "adoption", edition="maker_c", effective_from="2026-10-15"),
            tell("2026-10-14 17:00", "reading", meter=205.0), tell("2026-10-15 07:30", "reading", meter=205.0),
            tell("2026-10-29 07:30", "reading", meter=209.0)]),
    "HB-06": Story(PORTABLE, ("2024-11-19", 0.1), (
        ("2024-11-19 00:00", 0.1), ("2026-07-07 15:00", 140.0), ("2026-10-28 12:00", 196.0), ("2026-11-02 08:00", 196.0)),
        rounds=((PORTABLE_ROUND[2:] + PORTABLE_ROUND[:2], "2024-12-17", "2026-06-01"),), exercise="2026-10-07",
        readings=(28, "2026-10-29"), told=[
            tell("2026-07-07 15:00", "service", jobs=ANNUAL + BATTERY, meter=140.0),
            tell("2026-08-27 11:00", "setting", by="coordinator", effective_from="2026-09-01", note="Runs hot in its box.",
                 limits_of=dict(schedule="portable", task="oil_change", limits=dict(hours=80))),
            tell("2026-10-01 15:00", "service", jobs=QUARTER + BATTERY)]),
    "HB-07": Story(PORTABLE, ("2022-06-21", 0.2), (
        ("2024-11-01 00:00", 231.0), ("2026-10-13 07:30", 424.9), ("2026-10-27 07:30", 426.0), ("2026-11-02 08:00", 426.0)),
        rounds=((PORTABLE_ROUND, "2025-01-14", "2026-10-01"),), exercise="2026-10-05", told=[
            tell("2026-10-13 07:30", "reading", meter=424.9), tell("2026-10-20 07:40", "reading", meter=424.1),
            tell("2026-10-27 07:30", "reading", meter=426.0),
            tell("2026-10-13 15:00", "service", jobs=QUARTER + BATTERY, meter=None)]),
    "HB-08": Story(PORTABLE, ("2026-08-04", 78.0), told=[
        tell("2026-09-01 09:00", "service", jobs=HALF + BATTERY, meter=100.0),
        tell("2026-09-20 09:00", "reading", meter=110.0),
        tell("2026-09-22 10:00", "correction", by="coordinator", action="link", other_unit="HB-09",
             reason="One machine: the night shift had entered it again."),
        tell("2026-10-06 09:30", "service", jobs=EXERCISE, meter=111.0),
        tell("2026-10-27 07:30", "reading", meter=112.0)]),
    "HB-09": Story((), told=[
        tell("2026-09-10 20:30", "reading", meter=104.0), tell("2026-09-20 09:00", "reading", meter=110.0)]),
    "HB-10": Story(PORTABLE, ("2024-11-05", 0.2), (
        ("2024-11-05 00:00", 0.2), ("2026-10-01 07:30", 230.0), ("2026-10-15 07:30", 232.0), ("2026-11-02 08:00", 234.0)),
        rounds=((PORTABLE_ROUND[2:] + PORTABLE_ROUND[:2], "2024-12-03", "2026-10-27"),), exercise="2026-10-19", told=[
            tell("2026-10-01 07:30", "reading", meter=230.0), tell("2026-10-08 07:45", "reading", meter=1203.4),
            tell("2026-10-15 07:30", "reading", meter=232.0)]),
    "HB-11": Story(PORTABLE, ("2019-07-09", 0.1), (
        ("2024-11-01 00:00", 1010.0), ("2026-09-09 15:00", 1190.0), ("2026-10-07 07:30", 1203.1), ("2026-11-02 08:00", 1206.0)),
        rounds=((PORTABLE_ROUND, "2025-02-11", "2026-08-20"),), exercise="2026-10-19", told=[
            tell("2026-09-09 15:00", "service", jobs=HALF, meter=1190.0, named="oil"),
            tell("2026-09-10 10:00", "correction", by="coordinator", action="void", target="oil", reason="No card was handed in."),
            tell("2026-09-11 09:00", "correction", by="coordinator", action="reinstate", target="oil",
                 reason="The card was in the van."),
            tell("2026-10-07 07:30", "reading", meter=1203.1)]),
    "HB-12": Story(("maker",), ("2023-10-10", 0.0), (("2024-11-01 00:00", 33.0), ("2026-11-02 08:00", 95.0)),
                   rounds=(((OIL + QUARTER + ("plug_inspect",), QUARTER), "2025-01-21", "2026-04-30"),
                           ((HALF, QUARTER), "2026-06-16", "2026-10-20")), exercise="2026-10-13", told=[
        tell("2025-10-07 14:30", "service", jobs=(
            "air_filter_replace", "plug_replace", "fuel_filter_replace", "fuel_line_inspect")),
        tell("2026-05-01 15:00", "setting", effective_from="2026-05-01", feature=dict(feature="electric_start", fitted=True)),
        tell("2026-05-12 15:00", "setting", effective_from="2026-05-12", feature=dict(feature="spark_arrester", fitted=True)),
        tell("2026-07-28 15:00", "service", jobs=BATTERY),
        tell("2026-10-06 14:30", "service", jobs=("air_filter_replace", "plug_replace", "fuel_filter_replace"))]),
}
