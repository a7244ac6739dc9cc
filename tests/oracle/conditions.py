"""Whether a task applies, rests, waits or bears harder: all that is not a limit."""

import re

from exact import parse_day, seconds, united


class Conditions:
    """What the decisions and the storage of a unit say at an instant."""

    def __init__(self, unit, history):
        self.history = history
        self.unit = unit
        self.base = features_of(unit)
        self.settings = history.decisions["setting"]
        self.reached = set()  # rules that made a difference, for the statistics

    # severe duty

    def severe_spans(self, since, t):
        """Severe duty after an instant that has begun by t; an end of None: for ever."""
        endless = 1 << 50
        spans = []
        for duty in self.history.decisions["duty"]:
            start, end = self.history.span(duty)
            end = endless if end is None else end
            if start <= t and end > since and end > start:
                spans.append((start, end))
        return [(a, None if b >= endless else b) for a, b in united(spans)]

    # storage

    def _storage(self):
        """(put in, taken out) events, the second None while it is there."""
        spans = []
        for event in self.history.of_kind("storage"):
            stored = bool(spans) and spans[-1][1] is None
            if event["action"] == "put_in" and not stored:
                spans.append([event, None])
            elif event["action"] == "taken_out" and stored:
                spans[-1][1] = event
        return spans

    def storage(self, t):
        """(day in, day out) of the stays known at t."""
        found = []
        for put_in, out in self._storage():
            if put_in["instant"] <= t:
                over = out is not None and out["instant"] <= t
                found.append(
                    (self.history.date_of(put_in), self.history.date_of(out) if over else None)
                )
        return found

    def in_storage(self, t):
        return any(
            put_in["instant"] <= t and (out is None or t < out["instant"])
            for put_in, out in self._storage()
        )

    def last_taken_out(self, t):
        outs = [out["instant"] for _, out in self._storage() if out and out["instant"] <= t]
        return outs[-1] if outs else None

    # what applies

    def features(self, t):
        codes = {s["feature"]["feature"] for s in self.settings if "feature" in s}
        found = set(self.base)
        for code in codes:
            about = [s for s in self.settings if s.get("feature", {}).get("feature") == code]
            last = self.history.in_force(about, t)
            if last:
                (found.add if last["feature"]["fitted"] else found.discard)(code)
        return found

    def _applies_settings(self, schedule, code):
        return [
            s
            for s in self.settings
            if "applies_to" in s
            and (s["applies_to"]["schedule_id"], s["applies_to"]["task"]) == (schedule, code)
        ]

    def applies(self, schedule, code, task, t):
        said = self.history.in_force(self._applies_settings(schedule, code), t)
        if said and not said["applies_to"]["applies"]:
            return False
        features = self.features(t)
        if set(task.get("needs", [])) - features or set(task.get("not_with", [])) & features:
            return False
        return "serials" not in task or in_ranges(self.unit.get("serial"), task["serials"])

    def became_applicable(self, adoption, code, task, t):
        """(since when, by which setting) a task applies that did not before, or None."""
        schedule = adoption["schedule_id"]
        relevant = [s for s in self.settings if "feature" in s]
        relevant += self._applies_settings(schedule, code)
        edges = {}
        for setting in relevant:
            for edge in self.history.span(setting):
                if edge is not None and edge <= t:
                    edges[edge] = setting
        for edge in sorted(edges, reverse=True):
            now = self.applies(schedule, code, task, edge)
            if now and not self.applies(schedule, code, task, edge - 1):
                self.reached.add("retrofit")
                return edge, edges[edge]
        return None

    # deferral

    def deferral(self, schedule, code, anchor, t, upper):
        """The last deferral in force, or None."""
        found = None
        for d in self.history.decisions["deferral"]:
            if (d["schedule_id"], d["task"]) != (schedule, code):
                continue
            if self.history.span(d)[0] > t or (anchor and d["instant"] <= anchor.instant):
                continue
            if not self._expired(d, t, upper):
                found = d
        return found

    def _expired(self, deferral, t, upper):
        until = deferral.get("until_date")
        if until and self.history.day_at(t) > parse_day(until):
            return True
        if "until_hours" in deferral:
            if upper is None:
                self.history.doubts.append("a deferral by hours that are not known")
                return True
            return upper > seconds(deferral["until_hours"])
        return False


def features_of(unit):
    """What a unit has: as written, and as its fields tell."""
    found = set(unit.get("features", []))
    if "fuel" in unit:
        found.add(unit["fuel"])
    if "ignition" in unit:
        found.add(f"{unit['ignition']}_ignition")
    if unit.get("electric_start"):
        found.add("electric_start")
    if unit.get("meter_fitted", True):
        found.add("hour_meter")
    return found


def in_ranges(serial, ranges):
    for given in ranges:
        match = re.fullmatch(re.escape(given.get("prefix", "")) + r"([0-9]+)", serial or "")
        if match and int(given["from"]) <= int(match[1]) <= int(given["to"]):
            return True
    return False
