"""What is done to a set, and what it takes."""

QUARTER = ("air_filter_clean",)
HALF = ("oil_change", "air_filter_clean", "plug_inspect")
ANNUAL = ("oil_change", "air_filter_replace", "plug_replace", "valve_clearance")
LINES = ("fuel_line_inspect",)
BATTERY = ("battery_check",)
OIL_AND_FILTER = ("oil_and_filter_change",)
DIESEL_YEAR = OIL_AND_FILTER + ("air_cleaner_inspect", "hoses_and_belts_inspect")
GAS_YEAR = OIL_AND_FILTER + ("plug_inspect", "hoses_and_belts_inspect")
MAKER_YEAR = ANNUAL + ("fuel_filter_replace",)
EXERCISE = ("exercise_run", "fuel_check")

# What four visits of a year do.
PORTABLE_ROUND = (ANNUAL + LINES + BATTERY, QUARTER + BATTERY, HALF + BATTERY, QUARTER + BATTERY)
RECOIL_ROUND = (ANNUAL + LINES, QUARTER, HALF, QUARTER)
MAKER_ROUND = (MAKER_YEAR + LINES + BATTERY, QUARTER + BATTERY, HALF + BATTERY, QUARTER + BATTERY)
DIESEL_ROUND = (DIESEL_YEAR + BATTERY, BATTERY, BATTERY, BATTERY)
GAS_ROUND = (GAS_YEAR + BATTERY, BATTERY, BATTERY, BATTERY)

PLUGS = {"SH-02": 2, "WY-03": 2, "WY-04": 4}  # one where nothing is said
OIL_LITRES = {"FS-01": 9.5, "PS-01": 28, "PS-02": 14, "SH-01": 6.6, "SH-02": 1.6, "SH-04": 0.35, "WY-03": 1.5, "WY-04": 3.2,
              "RS-02": 3.4, "WW-01": 42, "WW-02": 21, "WW-03": 8.5, "CL-01": 24, "CL-02": 7, "FX-01": 14, "ML-01": 5.5,
              "TH-01": 11, "TH-02": 5, "DF-01": 7.5}
USUAL_OIL_LITRES = 1.1


def job(label, code, keeps_portable_table):
    """One job that was done on a set, with the parts it took."""
    oil = ("engine oil", OIL_LITRES.get(label, USUAL_OIL_LITRES), "litres")
    # Who keeps to a portable set's table as well names the oil change beside it, with the oil.
    new_oil = () if keeps_portable_table else (oil,)
    used = {"oil_change": (oil,),
            "oil_and_filter_change": new_oil + (("oil filter", 1, "pieces"),),
            "air_filter_replace": (("air filter element", 1, "pieces"),),
            "plug_replace": (("spark plug", PLUGS.get(label, 1), "pieces"),)}
    if code not in used:
        return {"job": code}
    return {"job": code, "parts": [{"part": p, "quantity": q, "unit": u} for p, q, u in used[code]]}
