"""Draws the rarer limits and conditions of tasks, and what a unit is."""

from datetime import date, timedelta

from exact import DAY, has_calendar, local_date

COMPONENTS = ("engine", "alternator", "battery", "starter")


class MoreTasks:
    """The part of a drawn case that its schedules and its unit hold."""

    def _more_of_the_unit(self):
        rng = self.rng
        if self.chance(0.5) or "feature" in self.wants:
            self.unit["features"] = rng.sample(
                ["hydraulic_lifters", "block_heater", "filter_kit"], 1
            )
        if self.chance(0.3):
            self.unit["electric_start"] = self.chance(0.6)
        if self.chance(0.3):
            self.unit["fuel"] = rng.choice(["petrol", "diesel", "propane"])
        if self.chance(0.3):
            self.unit["ignition"] = rng.choice(["spark", "compression"])
        self.window = None
        if "duplicates" in self.wants and self.chance(0.3):
            # One window for all, so that it does not matter whose one asks for.
            windows = [{"hours": 1, "clock_hours": 24}, {"hours": 0.2, "clock_hours": 6}]
            self.window = rng.choice(windows)
        if "serials" in self.wants and self.chance(0.85):
            self.unit["serial"] = f"TV{rng.randrange(95, 125)}"
        if {"open_run", "emergency"} & self.wants and self.chance(0.7):
            self.unit["tank_litres"] = rng.choice([24, 60, 12.5])
            self.unit["burn_litres_per_hour"] = rng.choice([1.9, 0.7, 2.5])

    def _tasks(self, jobs):
        """The tasks of one edition; what an ingredient asks for is put into one of them."""
        tasks = [self._task(job) for job in jobs]
        makers = {
            "once": self._once,
            "on_failed": self._on_failed,
            "fixed_dates": self._fixed_dates,
            "analysis": self._by_analysis,
        }
        wanted = [make for name, make in makers.items() if name in self.wants]
        for make, task in zip(wanted, self.rng.sample(tasks, len(tasks))):
            make(task)
        return tasks

    def _more_of_the_task(self, task):
        rng = self.rng
        if self.wants & {"planned", "planned_within"} and self.chance(0.7):
            task["anchor"] = "planned" if "planned" in self.wants else "planned_within"
            if task["anchor"] == "planned_within":
                task["within_percent"] = rng.choice([10, 10, 25, 5])
            elif "tolerance" not in task:
                task["tolerance"] = self._tolerance(task["limits"])
        if "month_end" in self.wants and "months" in task["limits"] and self.chance(0.7):
            task["limits"]["to_month_end"] = True
        if "duty" in self.wants and self.chance(0.7):
            self._severe(task)
        if "substitute" in self.wants and self.chance(0.7):
            task["substitute_factor"] = rng.choice([0.5, 0.75, 0.33, 1])
        if "component" in self.wants and self.chance(0.6):
            task["component"] = rng.choice(COMPONENTS)
        if "storage" in self.wants:
            task["storage"] = rng.choice(["runs", "pauses", "goes_on"])
            if task["storage"] == "runs" and self.chance(0.5):
                del task["storage"]
        if "feature" in self.wants and self.chance(0.7):
            needs = rng.choice(
                ["hydraulic_lifters", "block_heater", "filter_kit", "electric_start"]
            )
            task[rng.choice(["needs", "not_with"])] = [needs]
        elif self.chance(0.05):
            task[rng.choice(["needs", "not_with"])] = [rng.choice(["petrol", "hour_meter"])]
        if "serials" in self.wants and self.chance(0.7):
            first = rng.randrange(95, 115)
            task["serials"] = [{"prefix": "TV", "from": first, "to": first + rng.randrange(10)}]
        if "earliest" in self.wants and self.chance(0.8):
            self._earliest(task)
        if "emergency" in self.wants and self.chance(0.7):
            task["may_wait_in_emergency"] = True
        if self.window:
            task["duplicates"] = dict(self.window)

    def _tolerance(self, limits):
        found = {}
        if "hours" in limits:
            found["hours"] = self.rng.choice([2, 5, 10])
        if has_calendar(limits):
            found["days"] = self.rng.choice([2, 5, 14])
        return found

    def _severe(self, task):
        if task.get("anchor") == "grid":
            del task["anchor"]
        if task.get("anchor", "actual") != "actual":
            return
        severe, limits = {}, task["limits"]
        if "hours" in limits:
            severe["hours"] = self.rng.choice([limits["hours"] / 2, limits["hours"] * 0.3])
            severe["hours"] = round(severe["hours"], 1)
        if "months" in limits and limits["months"] > 1 and not limits.get("to_month_end"):
            severe["months"] = max(1, limits["months"] // 2)
        if "days" in limits:
            severe["days"] = max(1, limits["days"] // self.rng.choice([2, 3]))
        if "hours" in severe and len(severe) > 1 and self.chance(0.3):
            severe = {"hours": severe["hours"]}
        if severe:
            if self.chance(0.6):
                severe["mode"] = self.rng.choice(["weighted", "strict"])
            task["severe"] = severe

    def _earliest(self, task):
        limits, earliest = dict(task["limits"]), {}
        for axis in ("hours", "days"):
            least = [x[axis] for x in (limits, task.get("first", limits)) if axis in x]
            if len(least) == 2 and self.chance(0.8):
                earliest[axis] = int(min(least) * self.rng.choice([0.5, 0.7, 1]))
        if earliest:
            task.pop("lead", None)
            task["earliest"] = earliest

    def _only(self, task, limits):
        """Takes a task's other limits away, with all that rests on them."""
        for name in (
            "first",
            "severe",
            "anchor",
            "within_percent",
            "earliest",
            "storage",
            "substitute_factor",
        ):
            task.pop(name, None)
        task.pop("component", None)
        hours, days = (
            "hours" in limits,
            has_calendar(limits) or "fixed_dates" in limits or "by" in limits,
        )
        for name in ("tolerance", "lead"):
            axes = {
                k: v for k, v in task.get(name, {}).items() if (hours if k == "hours" else days)
            }
            task.pop(name, None)
            if axes:
                task[name] = axes
        task["limits"] = limits

    def _once(self, task):
        limits = {
            "by": (
                self._day(self.start) + timedelta(days=self.rng.randrange(self.days + 30))
            ).isoformat()
        }
        if self.chance(0.5):
            limits = {"hours": self.rng.choice([10, 25, 50])}
            if self.chance(0.5):
                limits["days"] = self.rng.choice([30, 90])
        self._only(task, limits)
        task["once"] = True
        if self.chance(0.5):
            task["serials"] = [{"prefix": "TV", "from": 90, "to": 120}]
            self.unit.setdefault("serial", "TV100")

    def _day(self, instant):
        return date.fromordinal(date(1970, 1, 1).toordinal() + instant // DAY)

    def _on_failed(self, task):
        check = self.rng.choice(["battery_test", "insulation_test"])
        self.other_jobs.add(check)
        on_failed = {"job": check}
        if self.chance(0.6):
            on_failed["business_days"] = self.rng.choice([1, 2, 2, 5])
        if self.chance(0.5):
            self._only(task, {"on_failed": on_failed})
        else:
            self._only(task, {**task["limits"], "on_failed": on_failed})
        self.wants.add("results")

    def _fixed_dates(self, task):
        days = sorted(
            self.rng.sample(["01-15", "03-31", "04-01", "06-30", "09-30", "10-01", "12-31"], 2)
        )
        days += [f"{self.rng.randrange(1, 13):02}-{self.rng.randrange(1, 29):02}"]
        limits = {"fixed_dates": sorted(set(days))}
        if self.chance(0.3):
            limits["hours"] = self.rng.choice([25, 100])
        self._only(task, limits)
        if self.chance(0.7):
            task.setdefault("lead", {})["days"] = self.rng.choice([5, 14, 30])
        if self.chance(0.5):
            task.setdefault("tolerance", {})["days"] = self.rng.choice([3, 14])

    def _by_analysis(self, task):
        """An oil change that a passed analysis puts off and a failed one calls for."""
        self.other_jobs.add("oil_analysis")
        task["reset_by_passed"] = ["oil_analysis"]
        if self.chance(0.7):
            task["limits"]["on_failed"] = {"job": "oil_analysis", "business_days": 2}

    def _job(self, job, at):
        """An entry of a service, with what came of it."""
        rng, entry = self.rng, {"job": job}
        if job == "oil_analysis":
            entry["analysis"] = self._analysis(at)
            return entry
        share = 0.5 if "results" in self.wants else 0.03
        if job in self.other_jobs or self.chance(share):
            entry["result"] = rng.choice(["done", "passed", "failed", "failed", "skipped"])
        if "substitute" in self.wants and self.chance(0.5):
            entry["substitute"] = True
        return entry

    def _analysis(self, at):
        rng = self.rng
        days = rng.choice([0, 0, 1, 4, 10])
        day = local_date(at, self.zone_at(at)) + timedelta(days=days)
        found = {"results_on": day.isoformat()}
        if self.chance(0.6):
            found.update(base_number_new=10, base_number_used=rng.choice([3, 2.9, 6]))
        if self.chance(0.5):
            found.update(viscosity_new=100, viscosity_used=rng.choice([120, 120.1, 79.9, 95]))
        if self.chance(0.4):
            found["water_percent"] = rng.choice([0.5, 0.51, 0.1])
        if self.chance(0.4):
            found.update(acid_number_new=1.5, acid_number_used=rng.choice([4.5, 4.51, 2]))
        # An analysis without a single figure is refused.
        if len(found) == 1:
            found["water_percent"] = 0.1
        if self.chance(0.4):
            found["running"] = self.chance(0.4)
        return found
