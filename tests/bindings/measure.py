"""Measures the due list of 200 units with 20 events each: one request, from bytes to bytes.

    tests/bindings/measure.py PATH-TO-LIBRARY
"""

import json
import sys
import time

import cases
from library import Library

UNITS, EVENTS, ROUNDS = 200, 20, 7
EDITION = cases.EDITIONS["sprig"]
SITE = cases.SITES[0]["id"]


def unit(n):
    """A unit with its adoption and a life of services and readings."""
    id = f"0194d000-0003-7000-8000-{n:012}"
    fields = {**cases.VECTORS["unit"], "label": f"G-{n}", "home_site_id": SITE}
    yield cases.record("unit", id, {"fields": fields})
    life = [{"kind": "adoption", "occurred_on": "2024-01-01", "schedule_id": EDITION["schedule_id"], "edition_id": EDITION["id"]}]
    for k in range(EVENTS - 1):
        at = {"occurred_at": f"2025-{k % 12 + 1:02}-{k // 12 * 10 + 1:02}T12:00:00Z"}
        meter = {"meter_hours": 10 + (k % 12) * 9 + k // 12 * 3}
        life.append({"kind": "service", "jobs": [{"job": "oil_change"}], **at, **meter} if k % 5 == 0 else {"kind": "reading", **at, **meter})
    for k, event in enumerate(life):
        yield cases.record("service_event", f"0194d000-{n + 16:04x}-7000-8000-{k:012}", {"unit_id": id, **event})


def main():
    library = Library(sys.argv[1])
    records = [*cases.SITES, cases.record("edition", EDITION["id"], EDITION)]
    records += [record for n in range(UNITS) for record in unit(n)]
    ids = [record["id"] for record in records if record["kind"] == "unit"]
    ask = [{"question": "due", "unit_id": id, "at": "2025-12-24T12:00:00Z"} for id in ids]
    request = json.dumps({"records": records, "ask": ask}).encode()
    times = []
    for _ in range(ROUNDS):
        began = time.perf_counter()
        status, text = library.ask(request)
        times.append(time.perf_counter() - began)
        assert status == library.c.KEEPSTART_ANSWERED, text
    answers = json.loads(text)["answers"]
    assert len(answers) == UNITS and all(answer["items"] and not answer["unknown_because"] for answer in answers)
    middle = sorted(times)[ROUNDS // 2]
    print(f"{UNITS} units, {EVENTS} events each: {1000 * middle:.1f} ms (of {ROUNDS} rounds the middle one); "
          f"{len(request) >> 10} KiB in, {len(text) >> 10} KiB out")


if __name__ == "__main__":
    main()
