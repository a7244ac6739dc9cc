"""Numbers and days, exactly: whole seconds, whole days, fractions, never floats."""

import zoneinfo
from calendar import monthrange
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache

from dateutil.relativedelta import relativedelta

# Only the pinned zone data counts, not whatever the machine brings along.
zoneinfo.reset_tzpath(to=())

HOUR = 3600
DAY = 24 * HOUR
WEEK = 7 * DAY


class AmbiguousNumber(ValueError):
    """A text that two people would read as two numbers."""


def seconds(hours):
    """Hours as written, a number or a text, as whole seconds; None stays None."""
    return None if hours is None else _seconds(str(hours))


@lru_cache(maxsize=100_000)
def _seconds(text):
    if "," in text or text.count(".") + text.count(":") > 1:
        raise AmbiguousNumber(text)
    if ":" in text:
        whole, minutes = text.split(":")
        if not (whole.isdigit() and minutes.isdigit() and len(minutes) == 2 and int(minutes) < 60):
            raise AmbiguousNumber(text)
        return int(whole) * HOUR + int(minutes) * 60
    exact = Decimal(text) * HOUR
    if exact != int(exact):
        raise ValueError(f"{text} h is not a whole number of seconds")
    return int(exact)


def round_half_away(value):
    """A non-negative fraction to the nearest whole number, halves upwards."""
    value = Fraction(value)
    return (2 * value.numerator + value.denominator) // (2 * value.denominator)


@lru_cache(maxsize=100_000)
def parse_instant(text):
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None or moment.microsecond:
        raise ValueError(f"{text}: an offset and whole seconds are needed")
    return int(moment.timestamp())


@lru_cache(maxsize=100_000)
def local_date(instant, zone):
    return datetime.fromtimestamp(instant, UTC).astimezone(zone).date()


@lru_cache(maxsize=100_000)
def first_instant(day, zone):
    """The first instant of a local day; a clock may jump over midnight."""
    midnight = datetime(day.year, day.month, day.day, tzinfo=zone, fold=0)
    instant = int(midnight.timestamp())
    if datetime.fromtimestamp(instant, zone).replace(tzinfo=None) == midnight.replace(tzinfo=None):
        return instant
    # Midnight is in a gap: walk to the first minute that shows the day.
    minute = instant - 26 * HOUR
    while local_date(minute, zone) < day:
        minute += 60
    return minute


def has_calendar(limits):
    return "months" in limits or "days" in limits


def add_interval(day, limits, count=1):
    """`count` calendar intervals after a day; months clamp to the month's end."""
    if "months" not in limits:
        return day + timedelta(days=count * int(limits["days"]))
    reached = day + relativedelta(months=count * int(limits["months"]))
    return month_end(reached) if limits.get("to_month_end") else reached


def month_end(day):
    return day.replace(day=monthrange(day.year, day.month)[1])


def add_business_days(day, count):
    """Monday to Friday, without holidays; none to add: the day itself."""
    while count > 0:
        day += timedelta(days=1)
        if day.weekday() < 5:
            count -= 1
    return day


def next_fixed_date(days, after):
    """The first of the days of the year, written MM-DD, that lies after a day."""
    day = after + timedelta(days=1)
    while day.strftime("%m-%d") not in days:
        day += timedelta(days=1)
    return day


def nearest_rank(values, percent):
    rank = -(-len(values) * percent // 100)
    return sorted(values)[rank - 1]


def united(spans):
    """Spans of time as few that do not touch."""
    joined = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return joined


def inside(spans, a, b):
    """Seconds of united spans within [a, b]."""
    return sum(max(0, min(end, b) - max(start, a)) for start, end in spans)


def parse_day(text):
    return date.fromisoformat(text)


def hours_of(value):
    """Seconds as decimal hours with at most two places."""
    hours = round(value / HOUR, 2)
    return int(hours) if hours == int(hours) else hours
