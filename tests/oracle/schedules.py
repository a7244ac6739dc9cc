"""Which edition is adopted, what its tasks ask for here, and what counts as done."""

from decimal import Decimal

from exact import HOUR, has_calendar, parse_day, seconds
from history import ended, order

CALENDAR = ("months", "days", "to_month_end", "fixed_dates", "by")


class Schedules:
    """The adoptions of a unit and the settings that change a task."""

    def __init__(self, case, history):
        self.history = history
        self.editions = {e["id"]: e for e in case["editions"]}
        self.names = sorted({a["schedule_id"] for a in history.decisions["adoption"]})

    def adopted(self, schedule, t):
        """The adoption in force: the one with the latest start, unless it has ended."""
        started = self._started(schedule, t)
        if not started or ended(self.history.span(started[-1]), t):
            return None
        return started[-1]

    def _started(self, schedule, t):
        adoptions = [a for a in self.history.decisions["adoption"] if a["schedule_id"] == schedule]
        started = [a for a in adoptions if self.history.span(a)[0] <= t]
        return sorted(started, key=lambda a: (self.history.span(a)[0], a["instant"], a["id"]))

    def before(self, adoption):
        """The adoption in force until this one took its place."""
        start = self.history.span(adoption)[0]
        earlier = self._started(adoption["schedule_id"], start - 1)
        if not earlier:
            return None
        if ended(self.history.span(earlier[-1]), start - 1):
            self.history.doubts.append("an adoption after another one had ended")
            return None
        return earlier[-1]

    def edition(self, adoption):
        return self.editions[adoption["edition_id"]]

    def task(self, adoption, code):
        for task in self.edition(adoption)["tasks"]:
            if task["task"] == code:
                return task
        return None

    def override(self, schedule, code, t):
        """The limits that a setting puts in the place of a task's, or None."""
        chosen = [
            s
            for s in self.history.decisions["setting"]
            if "limits_of" in s
            and (s["limits_of"]["schedule_id"], s["limits_of"]["task"]) == (schedule, code)
        ]
        found = self.history.in_force(chosen, t)
        return found["limits_of"]["limits"] if found else None


def with_override(limits, override):
    """The axes given take the place of the task's; the others stay."""
    if override is None or limits is None:
        return limits
    changed = dict(limits)
    if "hours" in override:
        changed["hours"] = override["hours"]
    if has_calendar(override):
        for name in CALENDAR:
            changed.pop(name, None)
        changed.update({k: v for k, v in override.items() if k in CALENDAR})
    return changed


def jobs_counting_as(job, edition):
    """Every job whose being done counts as this one: itself and what satisfies it."""
    counting = {job}
    grown = True
    while grown:
        grown = False
        for task in edition["tasks"]:
            if task["job"] not in counting and counting & set(task.get("satisfies", [])):
                counting.add(task["job"])
                grown = True
    return counting


def result_of(entry, ignition=None):
    """What came of a job: done, passed, failed or skipped; an analysis decides itself."""
    if "analysis" in entry:
        judged = verdicts(entry["analysis"], ignition)
        return "failed" if any(judged) else "passed" if judged else "done"
    return entry.get("result", "done")


def verdicts(analysis, ignition=None):
    """Of every figure of an oil analysis that is looked at: whether it is past its bound.

    40 CFR 63.6625: the base number is asked of compression ignition, the acid number
    of spark ignition; both where the ignition is not known.
    """

    def of(name):
        value = analysis.get(name)
        return None if value is None else Decimal(str(value))

    def both(kind):
        new, used = of(f"{kind}_new"), of(f"{kind}_used")
        return None if new is None or used is None else (new, used)

    base, acid, viscosity = both("base_number"), both("acid_number"), both("viscosity")
    water = of("water_percent")
    judged = []
    if base and ignition != "spark":
        judged.append(base[1] * 100 < base[0] * 30)
    if acid and ignition != "compression":
        judged.append(acid[1] - acid[0] > 3)
    if viscosity:
        judged.append(abs(viscosity[1] - viscosity[0]) * 100 > viscosity[0] * 20)
    if water is not None:
        judged.append(water * 10 > 5)
    return judged


def condemned(analysis, ignition=None):
    """Whether an oil analysis condemns the oil."""
    return any(verdicts(analysis, ignition))


class Completion:
    """A service that counts for a task."""

    def __init__(self, event, day, entries, results):
        self.event = event
        self.instant = event["instant"]
        self.day = day
        self.failed = all(r == "failed" for r in results)
        self.substitute = any(e.get("substitute") for e in entries)
        self.mixed = len({bool(e.get("substitute")) for e in entries}) > 1
        self.mixed |= "failed" in results and not self.failed


class Work:
    """Finds the completions of tasks."""

    def __init__(self, unit, history, hours):
        self.history = history
        self.hours = hours
        self.ignition = unit.get("ignition")
        self.services = history.of_kind("service")

    def completions(self, task, edition, until):
        """All completions of a task up to an instant, duplicates counted once."""
        reaching = jobs_counting_as(task["job"], edition)
        passing = set(task.get("reset_by_passed", []))
        window = task.get("duplicates", {})
        heads = {}
        for job in sorted(reaching | passing):
            for event, entry in self._heads(job, window, until):
                if self._counts(job, entry, task, reaching):
                    heads.setdefault(event["id"], (event, []))[1].append(entry)
        found = [
            Completion(
                event, self.history.date_of(event), entries, [self.result_of(e) for e in entries]
            )
            for event, entries in heads.values()
        ]
        if any(c.mixed for c in found):
            self.history.doubts.append("one service counts in two ways")
        return sorted(found, key=lambda c: order(c.event))

    def result_of(self, entry):
        return result_of(entry, self.ignition)

    def _counts(self, job, entry, task, reaching):
        result = self.result_of(entry)
        if job in reaching and result in ("done", "passed"):
            return True
        if job == task["job"] and result == "failed":
            return True
        return job in task.get("reset_by_passed", []) and result == "passed"

    def _heads(self, job, window, until):
        """The first of each cluster of services that are the same work."""
        clusters = []
        for event in self.services:
            entries = [
                e for e in event["jobs"] if e["job"] == job and self.result_of(e) != "skipped"
            ]
            if not entries or event["instant"] > until:
                continue
            if len(entries) > 1:
                self.history.doubts.append("one job twice in a service")
            joined = self._cluster_of(event, clusters, window)
            if joined is None:
                clusters.append([(event, entries[0])])
            else:
                joined.append((event, entries[0]))
                if len({self.result_of(e) == "failed" for _, e in joined}) > 1:
                    self.history.doubts.append("duplicates with different results")
        return [cluster[0] for cluster in clusters]

    def _cluster_of(self, event, clusters, window):
        alike = self.history.corrections.alike
        for cluster in reversed(clusters):
            head = cluster[0][0]
            if alike.get(frozenset((head["id"], event["id"]))) is False:
                continue
            if any(alike.get(frozenset((m["id"], event["id"]))) for m, _ in cluster):
                return cluster
            if cluster is clusters[-1] and self._close(head, event, window):
                return cluster
        return None

    def _close(self, head, event, window):
        clock = seconds(window.get("clock_hours", 12))
        apart = seconds(window["hours"]) if "hours" in window else HOUR // 2
        a, b = self.hours.own_reading(head), self.hours.own_reading(event)
        if event["instant"] - head["instant"] > clock or a is None or b is None:
            return False
        return abs(b - a) <= apart

    def failures(self, job, at, today):
        """The services by which a job failed, since its last result known today that is none."""
        streak = []
        for event in self.services:
            for entry in event["jobs"]:
                if entry["job"] != job or event["instant"] > at:
                    continue
                result, day = self.result_of(entry), self.known_on(event, entry)
                if result != "skipped" and day <= today:
                    streak = [*streak, (event, entry)] if result == "failed" else []
        return streak

    def known_on(self, event, entry):
        text = entry.get("analysis", {}).get("results_on")
        return parse_day(text) if text else self.history.date_of(event)
