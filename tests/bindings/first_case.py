"""Prints the first case of tests/vectors/interval.json as a request."""

import json

import cases

case = cases.VECTORS["cases"][0]
about = {"unit_id": cases.UNIT, "at": case["checks"][0]["at"]}
used = {cases.EDITIONS[name]["id"] for name in case["adopted"]}
records = [r for r in cases.records(case, cases.UNIT, None) if r["kind"] != "edition" or r["id"] in used]
print(json.dumps({"records": records, "ask": [{"question": "due", **about}]}))
