"""Days, local times, and ids that are the same on every machine."""

import random
from datetime import date, datetime, timedelta, timezone

SEED = "tarn valley 2026"

TAKEOVER = date(2025, 9, 1)  # the day the paper records of the first four sites were taken over
YEAR = (date(2025, 11, 1), date(2026, 11, 1))  # their regular readings and exercise runs lie within it
BEGIN = date(2024, 11, 1)  # the day the records of the other eight sites begin
CLOCK = "2026-11-02T08:00:00-07:00"

# By zone: the offset in winter, and whether clocks change.
ZONES = {"America/Denver": (-7, True), "America/Chicago": (-6, True), "America/Phoenix": (-7, False)}


def is_summer(local):
    """US daylight-saving time since 2007, written out so that no machine's time-zone data can change the files."""
    def sunday(month, nth):
        first = datetime(local.year, month, 1, 2)
        return first + timedelta(days=(6 - first.weekday()) % 7 + 7 * (nth - 1))
    return sunday(3, 2) <= local < sunday(11, 1)


def in_zone(zone, local):
    """The instant of a local time in a zone."""
    hours, changes = ZONES[zone]
    return local.replace(tzinfo=timezone(timedelta(hours=hours + (1 if changes and is_summer(local) else 0))))


def day(text):
    return date.fromisoformat(text)


def between(stream, least, most):
    """A whole number from least to most; only random() is promised to stay the same across Python versions."""
    return least + int(stream.random() * (most - least + 1))


def days_back(last, step, first):
    """The days from `first` on that lie whole steps before `last`, in order."""
    found, current = [], day(last)
    while current >= first:
        found.append(current)
        current -= timedelta(days=step)
    return found[::-1]


def uuid7(instant, stream):
    """A UUID of version 7 for a given instant, its random bits from the stream."""
    milliseconds = int(instant.timestamp() * 1000)
    bits = milliseconds << 80 | 7 << 76 | stream.getrandbits(12) << 64 | 2 << 62 | stream.getrandbits(62)
    text = f"{bits:032x}"
    return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))


def record_id(kind, key):
    """The id of a record that was made when the paper records were taken over."""
    made = in_zone("America/Denver", datetime(TAKEOVER.year, TAKEOVER.month, TAKEOVER.day, 8))
    return uuid7(made, random.Random(f"{SEED}/{kind}/{key}"))
