"""Cases small enough to work out by hand; run with `python3 -m unittest`."""

from __future__ import annotations

import unittest
from typing import Any

from run_through import simulate


def given(**changes: Any) -> dict[str, Any]:
    # 2 L/h at every load; 16 L above the reserve last 8 h, the check comes at 6 h.
    base: dict[str, Any] = {
        "start_unix": 1_750_000_000,
        "duration_s": 20 * 3600,
        "burn_curve": [[0.2, 2.0], [0.8, 2.0]],
        "load_steps": [[0, 0.5]],
        "tank_l": 20.0,
        "start_l": 20.0,
        "reserve_l": 4.0,
        "engine_hours": 100.0,
        "cadence_run_h": 6.0,
        "run_since_check_s": 0,
        "stop_s": 1800,
        "work_stop_s": 3600,
        "tasks": [],
        "stock_l": 500.0,
    }
    return {**base, **changes}


def task(limit_h: float, tolerance_h: float, interval_h: float = 100.0) -> dict[str, Any]:
    return {
        "code": "oil_change",
        "limit_h": limit_h,
        "interval_h": interval_h,
        "tolerance_h": tolerance_h,
    }


def offsets_h(expect: dict[str, Any]) -> list[float]:
    return [stop["offset_s"] / 3600 for stop in expect["stops"]]


def work(expect: dict[str, Any]) -> list[int]:
    return [index for index, stop in enumerate(expect["stops"]) if stop["tasks"]]


class HandWorked(unittest.TestCase):
    def test_cadence_stops(self) -> None:
        expect = simulate(given())
        self.assertEqual(offsets_h(expect), [6.0, 12.5, 19.0])
        self.assertEqual((expect["run_s"], expect["down_s"]), (66600, 5400))
        self.assertAlmostEqual(expect["burned_l"], 37.0)

    def test_reserve_stops(self) -> None:
        expect = simulate(given(cadence_run_h=24.0))
        self.assertEqual(offsets_h(expect), [8.0, 16.5])
        self.assertEqual([stop["added_l"] for stop in expect["stops"]], [16.0, 16.0])

    def test_check_counted_from_before_the_start(self) -> None:
        self.assertEqual(offsets_h(simulate(given(run_since_check_s=5 * 3600)))[:2], [1.0, 7.5])

    def test_stop_at_the_end_is_no_stop(self) -> None:
        self.assertEqual(offsets_h(simulate(given(duration_s=6 * 3600))), [])

    def test_stop_ends_with_the_outage(self) -> None:
        expect = simulate(given(duration_s=6 * 3600 + 600))
        self.assertEqual((len(expect["stops"]), expect["down_s"]), (1, 600))
        self.assertEqual(expect["end_l"], 20.0)

    def test_runs_dry_for_good(self) -> None:
        expect = simulate(given(stock_l=4.0))
        # At 6 h the tank holds 8 L and gets the last 4 L: 8 L above the reserve,
        # so the reserve is reached after 4 h more of running, before the next check.
        self.assertEqual(offsets_h(expect), [6.0])
        self.assertTrue(expect["ran_dry"])
        self.assertEqual(expect["run_s"], 10 * 3600)
        self.assertEqual(expect["out_s"], 20 * 3600 - 10 * 3600 - 1800)
        self.assertEqual(expect["end_l"], 4.0)

    def test_task_at_last_stop_before_its_limit(self) -> None:
        self.assertEqual(work(simulate(given(tasks=[task(115.0, 0.0)]))), [1])

    def test_task_equal_to_next_stop_waits(self) -> None:
        self.assertEqual(work(simulate(given(tasks=[task(112.0, 0.0)]))), [1])

    def test_task_not_done_when_outage_ends_first(self) -> None:
        self.assertEqual(work(simulate(given(tasks=[task(118.6, 0.0)]))), [])

    def test_task_before_first_stop_waits_within_tolerance(self) -> None:
        expect = simulate(given(tasks=[task(103.0, 3.5)]))
        self.assertEqual((offsets_h(expect)[0], work(expect)), (6.0, [0]))

    def test_extra_stop_at_the_limit(self) -> None:
        expect = simulate(given(tasks=[task(103.0, 2.0)]))
        self.assertEqual((offsets_h(expect)[:2], work(expect)), ([3.0, 10.0], [0]))
        self.assertEqual(expect["stops"][0]["added_l"], 6.0)

    def test_extra_stop_at_once(self) -> None:
        expect = simulate(given(tasks=[task(90.0, 5.0)]))
        self.assertEqual((offsets_h(expect)[:2], work(expect)), ([0.0, 7.0], [0]))

    def test_load_bands_and_interpolation(self) -> None:
        expect = simulate(
            given(
                duration_s=3 * 3600,
                burn_curve=[[0.2, 1.0], [0.8, 4.0]],
                load_steps=[[0, 0.0], [3600, 0.4], [7230, 1.0]],
            )
        )
        self.assertAlmostEqual(expect["burned_l"], 1.0 + 2.0 * 3630 / 3600 + 4.0 * 3570 / 3600, 3)


if __name__ == "__main__":
    unittest.main()
