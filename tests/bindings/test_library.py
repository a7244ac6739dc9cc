"""Plays every case of tests/vectors/interval.json through the C library, and hands it what nobody should.

    tests/bindings/test_library.py PATH-TO-LIBRARY

All checks run; the program ends with how many failed.
"""

import json
import random
import sys
import threading

import cases
from library import Library

DUE = {"question": "due", "unit_id": cases.UNIT, "at": "2025-08-01T09:00:00-07:00"}


def all_cases(library):
    played = 0
    for case in cases.VECTORS["cases"]:
        for check in case["checks"]:
            wrong = list(cases.differences(check, cases.found(library, case, check)))
            assert not wrong, f"{case['case']} ({case['what']}) at {check['at']}:\n" + "\n".join(wrong)
            played += 1
    assert played >= 240, played
    return f"{len(cases.VECTORS['cases'])} cases, {played} checks"


def a_wrong_case_is_found(library):
    """The comparison itself: a figure that is off by a tenth fails."""
    case = cases.VECTORS["cases"][0]
    check = json.loads(json.dumps(case["checks"][0]))
    check["items"][0]["hours"]["left_hours"] += 0.1
    assert list(cases.differences(check, cases.found(library, case, check)))


def problem(library, request):
    status, text = library.ask(request)
    assert status == library.c.KEEPSTART_PROBLEM, (status, text)
    return json.loads(text)


def bad_bytes(library):
    chance = random.Random(556)
    some = [b"", b"\0", b"\xff\xfe", b"{", b"nul", b'{"ask": [\0]}', b'"\\u0000"', b'{"ask": [], "ask": []}',
            b"[" * 100_000, b'{"a":' * 100_000, "\ud800".encode("utf-8", "surrogatepass")]
    some += [chance.randbytes(chance.randrange(1, 400)) for _ in range(2_000)]
    for request in some:
        told = problem(library, request)
        assert told["type"] == "/problems/invalid_json" and told["status"] == 400, (request[:40], told)
    assert problem(library, b"1" * 1_000_000)["errors"][0]["code"] == "wrong_type"
    return f"{len(some)} requests"


def wrong_members(library):
    told = problem(library, json.dumps({"ask": [DUE, {**DUE, "at": "soon"}, {"question": "why"}], "more": 1}).encode())
    places = [error["pointer"] for error in told["errors"]]
    assert places == ["/ask/1/at", "/ask/2/question", "/more"], told
    answer = library.answers([], [DUE])[0]
    assert answer["problem"]["errors"][0]["pointer"] == "/unit_id", answer


def too_much(library):
    told = problem(library, b" " * (64 * 1024 * 1024 + 1))
    assert told["type"] == "/problems/content_too_large", told
    one = cases.VECTORS["cases"][0]
    many = cases.records(one, cases.UNIT, None)
    many += [cases.record("service_event", f"0194d000-0002-7000-8000-{n:012}", {
        "kind": "service", "unit_id": cases.UNIT, "occurred_on": f"20{n % 25:02}-01-01", "jobs": [{"job": "oil_change"}],
    }) for n in range(20_000)]
    assert library.answers(many, [DUE])[0]["items"]


def damaged(library):
    """A request that was changed in one place gets an answer or a problem; and none is sure of what it could not read."""
    chance = random.Random(557)
    whole = json.dumps({"records": cases.records(cases.VECTORS["cases"][0], cases.UNIT, None), "ask": [DUE]}).encode()
    answered = 0
    for _ in range(300):
        request = bytearray(whole)
        request[chance.randrange(len(request))] = chance.randrange(256)
        status, text = library.ask(bytes(request))
        told = json.loads(text)
        if status == library.c.KEEPSTART_ANSWERED:
            answered += 1
            for answer in told["answers"]:
                unsure = answer.get("unknown_because")
                assert not unsure or all(item["state"] == "unknown" for item in answer.get("items", [])), text
    assert answered > 50, answered


def threads(library):
    """Eight threads ask at once, each about its own records, and each gets its own answer."""
    some = cases.VECTORS["cases"][:40]
    wanted = [[cases.found(library, case, check) for check in case["checks"]] for case in some]
    failed = []

    def play(first):
        try:
            for n in range(len(some)):
                case = some[(first + n) % len(some)]
                found = [cases.found(library, case, check) for check in case["checks"]]
                assert found == wanted[(first + n) % len(some)], case["case"]
        except BaseException as error:
            failed.append(error)

    running = [threading.Thread(target=play, args=(5 * n,)) for n in range(8)]
    for thread in running:
        thread.start()
    for thread in running:
        thread.join()
    assert not failed, failed


def nothing_to_write_to(library):
    nothing = library.ffi.NULL
    assert library.c.keepstart_answer(nothing, 0, nothing) == library.c.KEEPSTART_NOTHING
    library.c.keepstart_free(nothing)
    assert library.version().count(".") == 2, library.version()


CHECKS = [all_cases, a_wrong_case_is_found, bad_bytes, wrong_members, too_much, damaged, threads, nothing_to_write_to]


def main():
    library = Library(sys.argv[1])
    failures = 0
    for check in CHECKS:
        try:
            said = check(library)
        except AssertionError as error:
            failures += 1
            print(f"FAILED {check.__name__}: {error}")
        else:
            print(f"{check.__name__}: ok" + (f", {said}" if said else ""))
    sys.exit(f"{failures} of {len(CHECKS)} checks failed" if failures else 0)


if __name__ == "__main__":
    main()
