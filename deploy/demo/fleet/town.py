"""What happened at the clinic, the fire station at Flint Cross, the school, the town hall and the training ground."""

from .hill import OIL, PORTABLE, STORM, ran
from .jobs import (
    ANNUAL, BATTERY, DIESEL_ROUND, DIESEL_YEAR, GAS_ROUND, HALF, MAKER_ROUND, MAKER_YEAR, PORTABLE_ROUND, QUARTER,
    RECOIL_ROUND,
)
from .story import Story, tell

GRID_OUT = ("2026-08-10 22:41", "2026-08-14 16:41")  # the August outage on Central Time: 90 hours

CLINIC = {
    "CL-01": Story(("item_4", "battery", "valley"), ("2005-10-18", 0.6), (
        ("2024-11-01 00:00", 851.0), ("2026-11-02 08:00", 905.0)),
        rounds=((DIESEL_ROUND, "2024-12-10", "2026-10-30"),), readings=(28, "2026-10-27"), told=[
            *(tell(f"{on} 09:30", "service", jobs=("load_test",)) for on in (
                "2026-01-02", "2026-02-27", "2026-03-27", "2026-04-24", "2026-05-22", "2026-06-19", "2026-07-10", "2026-08-01",
                "2026-09-26")),
            tell("2026-02-10 15:00", "service", jobs=("lifting_eye_inspect", "coolant_check", "bearing_grease")),
            tell("2026-04-10 15:00", "service", jobs=("storm_check",)),
            tell("2026-10-12 15:00", "service", jobs=("storm_check",))]),
    "CL-02": Story(("item_5", "battery"), ("2011-06-07", 0.3), (
        ("2024-11-01 00:00", 402.0), ("2026-11-02 08:00", 455.0)),
        rounds=((GAS_ROUND, "2025-01-07", "2026-07-20"),), readings=(28, "2026-10-27"), told=[
            tell("2026-09-22 14:20", "service", jobs=(dict(job="battery_check", result="failed"),),
                 note="9.8 V while cranking; a new battery is ordered.")]),
    "CL-03": Story(PORTABLE, ("2020-09-15", 0.4), (
        ("2024-11-01 00:00", 30.0), ("2026-06-09 15:00", 140.0), ("2026-10-31 09:00", 250.0), ("2026-11-02 08:00", 250.0)),
        rounds=((PORTABLE_ROUND[2:] + PORTABLE_ROUND[:2], "2024-11-19", "2026-05-01"),), exercise="2026-10-12", told=[
            tell("2026-06-09 15:00", "service", jobs=ANNUAL + BATTERY, meter=140.0),
            tell("2026-09-08 15:00", "service", jobs=QUARTER + ("plug_inspect",) + BATTERY),
            tell("2026-10-15 11:00", "deferral", by="coordinator", schedule="portable", task="oil_change", until_hours=255.0,
                 authorised_by="coordinator", reason="The set carries the vaccine store until the new line is in."),
            tell("2026-10-31 09:00", "reading", meter=250.0)]),
    "CL-04": Story(("portable",), ("2023-05-09", 0.1), (("2024-11-01 00:00", 42.0), ("2026-11-02 08:00", 88.0)),
                   rounds=((RECOIL_ROUND, "2024-11-05", "2026-02-10"),), exercise="2026-10-13", told=[
        tell("2026-05-01 21:30", "service", jobs=HALF, note="After the evening clinic."),
        tell("2026-08-04 14:30", "service", jobs=QUARTER), tell("2026-10-27 14:30", "service", jobs=QUARTER)]),
}

FLINT = {
    "FX-01": Story(("item_4", "battery"), ("2003-08-12", 0.5), (
        ("2024-11-01 00:00", 645.0), (GRID_OUT[0], 700.0), (GRID_OUT[1], 790.0), ("2026-11-02 08:00", 796.0)),
        rounds=((DIESEL_ROUND, "2025-04-08", "2026-10-20"),), readings=(28, "2026-10-27"), told=[
            *ran(*GRID_OUT, "emergency", 700.0, 790.0),
            tell("2026-08-12 10:41", "service", jobs=("air_cleaner_inspect",), meter=None,
                 note="While it ran; no time to read the meter.")]),
    "FX-02": Story(PORTABLE, ("2024-12-03", 0.0), (
        ("2024-12-03 00:00", 0.0), ("2026-03-10 15:00", 140.0), ("2026-08-20 10:05", 231.0), ("2026-08-20 10:20", 231.1),
        ("2026-11-02 08:00", 245.0)),
        rounds=((PORTABLE_ROUND[2:] + PORTABLE_ROUND[:2], "2025-01-07", "2025-12-31"),), exercise="2026-10-12", told=[
            tell("2026-03-10 15:00", "service", jobs=ANNUAL + BATTERY, meter=140.0),
            tell("2026-06-09 15:00", "service", jobs=QUARTER + BATTERY),
            tell("2026-08-20 10:05", "service", jobs=HALF + BATTERY, meter=231.0),
            tell("2026-08-20 10:20", "service", by="technician_hill", jobs=OIL, meter=231.1, note="Helped out after the outage.")]),
    "FX-03": Story(PORTABLE, ("2024-12-03", 0.0), (
        ("2024-12-03 00:00", 0.0), ("2026-03-10 16:00", 140.0), ("2026-08-20 11:05", 231.0), ("2026-08-20 11:20", 231.1),
        ("2026-11-02 08:00", 246.0)),
        rounds=((PORTABLE_ROUND[2:] + PORTABLE_ROUND[:2], "2025-01-07", "2025-12-31"),), exercise="2026-10-12", told=[
            tell("2026-03-10 16:00", "service", jobs=ANNUAL + BATTERY, meter=140.0),
            tell("2026-06-09 16:00", "service", jobs=QUARTER + BATTERY),
            tell("2026-08-20 11:05", "service", jobs=OIL, meter=231.0, named="first"),
            tell("2026-08-20 11:20", "service", by="technician_hill", jobs=HALF + BATTERY, meter=231.1),
            tell("2026-08-24 09:00", "correction", by="coordinator", action="void", target="first",
                 reason="Written down for both of us; I only held the funnel."),
            tell("2026-09-29 14:30", "component", component="battery", action="fitted", meter=240.0)]),
    "FX-04": Story(PORTABLE, ("2023-10-24", 0.2), (
        ("2024-11-01 00:00", 60.0), (GRID_OUT[0], 197.7), ("2026-08-12 08:00", 231.0), ("2026-08-13 08:00", 255.0),
        (GRID_OUT[1], 287.6), ("2026-11-02 08:00", 292.0)),
        rounds=((PORTABLE_ROUND, "2025-01-21", "2026-07-31"),), exercise="2026-10-13", told=[
            tell("2026-08-12 08:00", "service", by="custodian_flint", jobs=OIL, meter=231.0),
            tell("2026-08-13 08:00", "service", by="custodian_flint", jobs=OIL, meter=255.0, note="It had drawn in dust."),
            tell("2026-08-18 15:00", "service", jobs=QUARTER + ("plug_inspect",) + BATTERY)]),
    "FX-05": Story(("portable",), ("2024-11-12", 0.1), (
        ("2024-11-12 00:00", 0.1), ("2026-05-12 15:00", 150.0), ("2026-09-15 11:00", 230.8), ("2026-10-30 07:00", 240.0),
        ("2026-11-02 08:00", 240.0)),
        rounds=((RECOIL_ROUND, "2024-12-10", "2026-05-01"),), exercise="2026-10-12", told=[
            tell("2026-05-12 15:00", "service", jobs=HALF, meter=150.0), tell("2026-08-04 15:00", "service", jobs=QUARTER),
            tell("2026-09-15 10:30", "tag", action="hung", tag="locked_out", by="technician_town", named="lock"),
            tell("2026-09-15 11:00", "service", jobs=OIL + ("plug_inspect",), meter=231.0, named="swapped"),
            tell("2026-09-15 11:40", "tag", action="removed", tag_of="lock"),
            tell("2026-09-18 09:00", "correction", by="coordinator", action="reassign", target="swapped", to_unit="FX-06",
                 reason="The serials differ by one figure; the work was done on FX-06."),
            tell("2026-10-30 07:30", "reading", meter=240.0)]),
    "FX-06": Story(("portable",), ("2024-11-12", 0.1), (
        ("2024-11-12 00:00", 0.1), ("2026-05-13 15:00", 120.0), ("2026-09-15 11:00", 231.0), ("2026-10-29 07:00", 232.0),
        ("2026-11-02 08:00", 232.0)),
        rounds=((RECOIL_ROUND, "2024-12-10", "2026-05-01"),), exercise="2026-10-12", told=[
            tell("2026-05-13 15:00", "service", jobs=HALF, meter=120.0), tell("2026-08-04 15:30", "service", jobs=QUARTER),
            tell("2026-10-30 07:40", "reading", meter=232.0)]),
}

SCHOOL = {
    "ML-01": Story(("item_5", "battery", "valley"), ("2004-07-20", 0.2), (
        ("2024-11-01 00:00", 340.0), (STORM[0], 366.0), (STORM[1], 427.0), ("2026-11-02 08:00", 450.0)),
        rounds=((GAS_ROUND, "2025-01-21", "2026-10-27"),), exercise=None, readings=(28, "2026-10-26"), told=[
            *ran(*STORM, "emergency", 366.0, 427.0),
            *(tell(f"{on} 09:15", "service", jobs=("load_test",)) for on in (
                "2026-05-20", "2026-06-17", "2026-07-15", "2026-08-12", "2026-09-09", "2026-10-07")),
            tell("2026-03-17 15:00", "service", jobs=("lifting_eye_inspect", "coolant_check", "bearing_grease")),
            tell("2026-04-14 15:00", "service", jobs=("storm_check",)),
            tell("2026-07-15 18:00", "run", stopped_at="2026-07-15 20:30", reason="test", named="evening"),
            tell("2026-07-20 09:00", "correction", by="coordinator", action="amend", target="evening",
                 reason="No test: the feeder was down that evening.", replacement=dict(
                     kind="run", occurred_at="2026-07-15T18:00:00-06:00", stopped_at="2026-07-15T20:30:00-06:00",
                     reason="emergency"))]),
    "ML-02": Story(("maker",), ("2023-08-15", 0.0), (
        ("2024-11-01 00:00", 35.0), ("2026-06-16 15:00", 140.0), ("2026-08-25 15:00", 158.0), ("2026-08-31 17:00", 160.0),
        ("2026-09-01 07:30", 160.0), ("2026-09-30 17:00", 184.0), ("2026-10-01 07:30", 184.0), ("2026-10-28 12:00", 190.0),
        ("2026-11-02 08:00", 190.0)),
        rounds=((MAKER_ROUND, "2025-02-18", "2026-04-30"),), exercise="2026-10-05", told=[
            tell("2026-06-16 15:00", "service", jobs=HALF + BATTERY, meter=140.0),
            tell("2026-08-25 15:00", "service", jobs=QUARTER + BATTERY, meter=158.0),
            tell("2026-08-26 09:00", "duty", by="coordinator", causes=["dust"], effective_from="2026-09-01",
                 effective_until="2026-10-01", note="The playing field is dug up."),
            tell("2026-08-31 17:00", "reading", meter=160.0), tell("2026-09-01 07:30", "reading", meter=160.0),
            tell("2026-09-30 17:00", "reading", meter=184.0), tell("2026-10-01 07:30", "reading", meter=184.0),
            tell("2026-10-29 07:30", "reading", meter=190.0)]),
    "ML-03": Story(("maker",), ("2024-11-19", 0.0), (
        ("2024-11-19 00:00", 0.0), ("2026-09-08 15:00", 231.0), ("2026-11-02 08:00", 240.0)),
        rounds=(((OIL + QUARTER + BATTERY,), "2024-12-17", "2024-12-17"),
                ((HALF + BATTERY, QUARTER + BATTERY, MAKER_YEAR + BATTERY, QUARTER + BATTERY), "2025-03-11", "2026-08-31")),
        exercise="2026-10-12", told=[
            tell("2026-09-08 15:00", "service", meter=231.0, jobs=(dict(job="oil_change", substitute=True),) + MAKER_YEAR[1:] + BATTERY,
                 note="Tractor oil from the farm shop; nothing else was to be had.")]),
    "ML-04": Story(("maker",), ("2026-06-15", 0.0), (
        ("2026-06-15 00:00", 0.0), ("2026-07-14 15:00", 13.2), ("2026-11-02 08:00", 31.0)), exercise="2026-10-12", told=[
            tell("2026-07-14 15:00", "service", jobs=OIL, meter=13.2), tell("2026-09-08 15:30", "service", jobs=QUARTER)]),
    "ML-05": Story(("portable",), ("2026-07-19", None), exercise="2026-10-13", told=[
        *(tell(f"{on} 09:00", "run", run_hours=0.5, reason="test") for on in (
            "2026-07-26", "2026-08-02", "2026-08-09", "2026-08-16", "2026-08-23", "2026-08-30", "2026-09-06", "2026-09-13",
            "2026-09-20", "2026-09-27", "2026-10-04", "2026-10-11", "2026-10-18")),
        tell("2026-08-17 14:30", "service", jobs=OIL), tell("2026-10-13 14:30", "service", jobs=QUARTER),
        tell("2026-10-25 09:00", "run", stopped_at="2026-10-25 14:40", reason="other"),
        tell("2026-11-01 09:00", "run", run_hours=6, give_or_take_hours=1, reason="other",
             note="About six hours at the fair.")]),
}

HALL = {
    "TH-01": Story(("item_5", "battery"), ("2013-11-05", 0.2), (("2024-11-01 00:00", 160.0), ("2026-11-02 08:00", 226.0)),
                   rounds=((GAS_ROUND, "2025-01-14", "2026-10-15"),), readings=(28, "2026-10-27"), told=[
        tell("2026-10-20 10:00", "service", recorded="2026-10-30 16:10", jobs=(dict(job="oil_analysis", analysis=dict(
            results_on="2026-10-30", viscosity_new=100, viscosity_used=125, water_percent=0.2)),),
            note="The laboratory finds the oil too thick.")]),
    "TH-02": Story(("item_4", "battery"), ("2002-04-23", 0.4), (
        ("2024-11-01 00:00", 371.0), ("2026-05-01 08:00", 412.3), ("2026-05-21 08:00", 432.3), ("2026-11-02 08:00", 446.0)),
        readings=(28, "2026-10-15"), told=[
            tell("2025-05-13 14:30", "service", jobs=DIESEL_YEAR + BATTERY),
            *(tell(f"{on} 14:30", "service", jobs=BATTERY) for on in ("2025-08-12", "2025-11-11", "2026-02-10", "2026-08-11")),
            tell("2026-05-01 08:00", "reading", meter=412.3),
            tell("2026-05-11 08:00", "service", jobs=DIESEL_YEAR + BATTERY, meter=None,
                 note="The meter was hidden behind the new hood."),
            tell("2026-05-21 08:00", "reading", meter=432.3),
            tell("2026-10-28 09:00", "tag", action="hung", tag="out_of_service", note="Coolant on the floor.")]),
    "TH-03": Story(("portable",), ("2017-06-13", 0.0), (("2024-11-01 00:00", 91.0), ("2026-02-01 00:00", 98.0)),
                   rounds=((RECOIL_ROUND, "2024-12-03", "2025-12-20"),), exercise="2026-01-20"),
}

TRAINING = {
    "DF-01": Story(("item_1", "battery", "running"), ("2009-03-10", 0.3), (
        ("2024-11-01 00:00", 302.0), ("2026-10-24 06:00", 400.0), ("2026-10-25 12:00", 430.0), ("2026-11-02 08:00", 430.0)),
        rounds=((DIESEL_ROUND, "2025-02-25", "2026-10-20"),), readings=(28, "2026-10-12"), told=[
            *ran("2026-10-24 06:00", "2026-10-25 12:00", "other", 400.0, 430.0),
            tell("2026-10-24 14:00", "service", jobs=("oil_level_check",), meter=408.0),
            tell("2026-10-24 22:00", "service", jobs=("oil_level_check",), meter=416.0)]),
    "DF-02": Story(PORTABLE, ("2024-11-05", 0.2), (
        ("2024-11-05 00:00", 0.2), ("2026-08-31 10:00", 150.0), ("2026-11-02 08:00", 168.0)),
        rounds=((PORTABLE_ROUND[2:] + PORTABLE_ROUND[:2], "2024-12-03", "2026-08-15"),), exercise="2026-10-13", told=[
            tell("2026-08-31 10:00", "reading", meter=150.0),
            tell("2026-08-31 10:00", "service", jobs=HALF + BATTERY, meter=150.0)]),
    "DF-03": Story(PORTABLE, ("2025-01-14", 0.0), (
        ("2025-01-14 00:00", 0.0), ("2026-06-30 15:00", 140.0), ("2026-11-01 08:00", 240.0), ("2026-11-02 08:00", 240.0)),
        rounds=((PORTABLE_ROUND[2:] + PORTABLE_ROUND[:2], "2025-02-11", "2026-05-31"),), exercise="2026-10-12", told=[
            tell("2026-06-30 15:00", "service", jobs=ANNUAL + BATTERY, meter=140.0),
            tell("2026-09-22 15:00", "service", jobs=QUARTER + BATTERY),
            tell("2026-11-01 08:00", "reading", meter=240.0)]),
    "DF-04": Story(PORTABLE, ("2025-03-04", 0.0), (
        ("2025-03-04 00:00", 0.0), ("2026-07-21 15:00", 140.0), ("2026-11-01 06:00", 212.4), ("2026-11-02 08:00", 238.4)),
        rounds=((PORTABLE_ROUND[2:] + PORTABLE_ROUND[:2], "2025-04-01", "2026-06-30"),), exercise="2026-10-12", told=[
            tell("2026-07-21 15:00", "service", jobs=ANNUAL + BATTERY, meter=140.0),
            tell("2026-09-29 15:00", "service", jobs=QUARTER + BATTERY),
            tell("2026-11-01 06:00", "reading", meter=212.4),
            tell("2026-11-01 06:00", "run", phase="start", reason="other", note="Lights for the week's course.")]),
    "DF-05": Story(PORTABLE, ("2024-12-10", 0.0), (
        ("2024-12-10 00:00", 0.0), ("2026-09-02 10:00", 256.0), ("2026-11-02 08:00", 281.0)),
        rounds=((PORTABLE_ROUND[2:] + PORTABLE_ROUND[:2], "2025-01-07", "2026-08-10"),), exercise="2026-10-12", told=[
            tell("2026-08-11 15:00", "service", jobs=HALF + BATTERY),
            tell("2026-09-02 10:00", "service", jobs=("plug_replace",), meter=256.0,
                 note="Would not start; found while looking for why."),
            tell("2026-09-02 11:00", "component", component="starter", action="fitted", meter=256.0)]),
    "DF-06": Story(("portable", "battery", "valley"), ("2025-03-18", 0.0), (
        ("2025-03-18 00:00", 0.0), ("2025-12-02 15:00", 88.0), ("2026-04-08 15:00", 150.0), ("2026-11-02 08:00", 236.0)),
        rounds=((PORTABLE_ROUND[2:] + PORTABLE_ROUND[:2], "2025-04-15", "2026-10-25"),), exercise="2026-10-12", told=[
            tell("2025-12-02 15:00", "service", jobs=("bearing_grease",), meter=88.0),
            tell("2026-04-08 15:00", "service", jobs=("bearing_grease",), meter=150.0),
            *(tell(f"{on} 15:30", "service", jobs=("load_test",)) for on in (
                "2026-06-09", "2026-07-07", "2026-08-04", "2026-09-01", "2026-09-29", "2026-10-27")),
            tell("2026-03-20 15:00", "service", jobs=("lifting_eye_inspect", "coolant_check")),
            tell("2026-10-01 15:00", "service", jobs=("storm_check",))]),
}
