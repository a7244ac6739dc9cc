"""The events of one unit: corrected, placed in time and put in order."""

import zoneinfo
from functools import lru_cache

from exact import first_instant, local_date, parse_day, parse_instant, seconds

RANK = {"commissioning": 0, "component": 1, "reading": 3, "run": 4, "service": 5}
RANK.update(dict.fromkeys(("storage", "duty", "tag", "setting", "deferral"), 2))
REST = 6

# A decision counts from its own start, whenever it was taken.
DECISIONS = ("adoption", "setting", "duty", "deferral")


@lru_cache(maxsize=1000)
def zone_of(name):
    return zoneinfo.ZoneInfo(name)


class History:
    """What is known at `at`: what happened until then, and every decision."""

    def __init__(self, case, at):
        self.at = at
        self.doubts = []  # what in this case the rules leave open
        self.home = case["unit"]["home_site_id"]
        self.zones = {s["id"]: zone_of(s["zone"]) for s in case["sites"]}
        self.corrections = Corrections(case["events"], self.zones[self.home])
        unit = case["unit"].get("id")
        events = self.corrections.of_machine(case["events"], unit)
        self._place(events)
        events.sort(key=order)
        self.decisions = {k: [e for e in events if e["kind"] == k] for k in DECISIONS}
        self.happened = [e for e in events if e["kind"] not in DECISIONS and e["instant"] <= at]
        commissionings = self.of_kind("commissioning")
        self.commissioning = commissionings[0] if commissionings else None
        if len(commissionings) > 1:
            self.doubts.append("two commissionings")
        if commissionings and self.happened[0]["instant"] < self.commissioning["instant"]:
            self.doubts.append("something happened before the commissioning")
        for kind in ("setting", "duty", "deferral"):
            if any(e["instant"] > at >= self.span(e)[0] for e in self.decisions[kind]):
                self.doubts.append("a decision that reaches back, not yet taken")

    def of_kind(self, kind):
        return [e for e in self.happened if e["kind"] == kind]

    def _place(self, events):
        """Gives every event its instant, and the unit its places."""
        moves = [e for e in events if e["kind"] in ("commissioning", "placement")]
        others = [e for e in events if e["kind"] not in ("commissioning", "placement")]
        self.track = []
        for group in (
            [e for e in moves if "occurred_at" in e],
            [e for e in moves if "occurred_at" not in e],
            others,
        ):
            for e in group:
                e["instant"] = self._instant(e)
            if group is not others:
                placed = [(e["instant"], e["id"], e["site_id"]) for e in group]
                self.track = sorted(self.track + placed)

    def _instant(self, event):
        if "occurred_at" in event:
            return parse_instant(event["occurred_at"])
        day = parse_day(event["occurred_on"])
        # Which zone's midnight depends on where it stood then: ask at home's midnight.
        guess = first_instant(day, self.zones[self.home])
        zone = self.zone_at(guess)
        self._doubt_zone(event, day, zone)
        return first_instant(day, zone)

    def _doubt_zone(self, event, day, chosen):
        possible = {self.zone_at(first_instant(day, z)).key for z in self.zones.values()}
        if "site_id" in event:
            possible.add(self.zones[event["site_id"]].key)
        if possible != {chosen.key}:
            self.doubts.append("the zone of a day without a time is circular")

    def zone_at(self, instant):
        """The zone of the site where the unit stood; a move counts from its instant."""
        site = self.home
        for moved, _, to in self.track:
            if moved <= instant:
                site = to
        return self.zones[site]

    def date_of(self, event):
        if "occurred_on" in event:
            return parse_day(event["occurred_on"])
        return self.day_at(event["instant"])

    def day_at(self, instant):
        return local_date(instant, self.zone_at(instant))

    def span(self, decision):
        """(start, end) of a decision, end None for ever, by the place where it was taken."""
        zone = self.zone_at(decision["instant"])
        start, end = decision["instant"], None
        if "effective_from" in decision:
            start = first_instant(parse_day(decision["effective_from"]), zone)
        if "effective_until" in decision:
            end = first_instant(parse_day(decision["effective_until"]), zone)
        return start, end

    def in_force(self, decisions, t):
        """The decision with the latest start, unless it has ended by then."""
        started = [e for e in decisions if self.span(e)[0] <= t]
        if not started:
            return None
        last = max(started, key=lambda e: (self.span(e)[0], e["instant"], e["id"]))
        if ended(self.span(last), t):
            if any(not ended(self.span(e), t) for e in started):
                self.doubts.append("a decision has ended while an earlier one has not")
            return None
        return last


def order(event):
    """Canonical order: time, then what kind it is, then the id."""
    return (event["instant"], RANK.get(event["kind"], REST), event["id"])


def ended(span, t):
    return span[1] is not None and span[1] <= t


class Corrections:
    """What the corrections say; of equals about one target the last one decides."""

    def __init__(self, events, home_zone):
        def when(event):
            if "occurred_at" in event:
                return parse_instant(event["occurred_at"])
            return first_instant(parse_day(event["occurred_on"]), home_zone)

        corrections = [e for e in events if e["kind"] == "correction"]
        of_corrections = {c["id"] for c in corrections}
        self.stands, self.amended, self.moved = {}, {}, {}
        self.confirmed, self.alike, self.machines = set(), {}, {}
        for c in sorted(corrections, key=lambda c: (when(c), c["id"])):
            action, target = c["action"], c.get("target_id")
            if target in of_corrections:
                continue
            if action in ("void", "reinstate"):
                self.stands[target] = action == "reinstate"
            elif action == "amend":
                self.amended[target] = c["replacement"]
            elif action == "reassign":
                self.moved[target] = c["to_unit_id"]
            elif action == "confirm":
                self.confirmed.add(target)
            elif "other_unit_id" in c:
                pair = frozenset((c["unit_id"], c["other_unit_id"]))
                self.machines[pair] = action == "link"
            else:
                self.alike[frozenset((target, c["other_id"]))] = action == "link"

    def of_machine(self, events, unit):
        """The events that count for the machine, with their amended contents."""
        names = self.same_machine(unit)
        chosen = []
        for event in events:
            if event["kind"] == "correction" or not self.stands.get(event["id"], True):
                continue
            owner = self.moved.get(event["id"], event.get("unit_id", unit))
            if unit is not None and owner not in names:
                continue
            content = self.amended.get(event["id"], event)
            chosen.append({**content, "id": event["id"]})
        return chosen

    def same_machine(self, unit):
        names, grown = {unit}, True
        while grown:
            grown = False
            for pair, same in self.machines.items():
                if same and pair & names and not pair <= names:
                    names |= pair
                    grown = True
        return names


def own_meter(event):
    return seconds(event.get("meter_hours"))
