"""Day arithmetic against other programs: python-dateutil, zoneinfo, the plain calendar."""

from calendar import monthcalendar
from datetime import date, datetime, timedelta
from random import Random
from zoneinfo import ZoneInfo

from dateutil.relativedelta import relativedelta
from dateutil.rrule import DAILY, FR, MO, TH, TU, WE, YEARLY, rrule, rruleset

from exact import (
    DAY,
    add_business_days,
    add_interval,
    first_instant,
    inside,
    local_date,
    month_end,
    next_fixed_date,
    united,
)


def _days(seed, count):
    rng = Random(seed)
    return [date(2020, 1, 1) + timedelta(days=rng.randrange(4000)) for _ in range(count)]


def months_against_dateutil():
    for day in _days(1, 500):
        for months in (1, 2, 3, 6, 12, 24):
            assert add_interval(day, {"months": months}) == day + relativedelta(months=months)
            whole = {"months": months, "to_month_end": True}
            assert add_interval(day, whole) == day + relativedelta(months=months, day=31)


def month_ends_against_the_calendar():
    for day in _days(2, 300):
        assert month_end(day).day == max(max(week) for week in monthcalendar(day.year, day.month))


def fixed_dates_against_rfc_5545():
    written = ["01-15", "03-31", "10-01"]
    dates = rruleset()
    for text in written:
        month, day = map(int, text.split("-"))
        start = datetime(2019, month, day)
        dates.rrule(rrule(YEARLY, dtstart=start, bymonth=month, bymonthday=day, count=30))
    for day in _days(3, 300):
        after = dates.after(datetime(day.year, day.month, day.day))
        assert next_fixed_date(written, day) == after.date(), day


def business_days_against_rfc_5545():
    for day in _days(4, 300):
        for count in (1, 2, 5, 9):
            rule = rrule(
                DAILY,
                dtstart=datetime(day.year, day.month, day.day) + timedelta(days=1),
                byweekday=(MO, TU, WE, TH, FR),
                count=count,
            )
            assert add_business_days(day, count) == list(rule)[-1].date(), (day, count)
        assert add_business_days(day, 0) == day


def first_instants_against_minutes():
    """The first minute that shows a day, found by walking over two days."""
    for name, year in (
        ("America/New_York", 2025),
        ("Africa/Cairo", 2025),
        ("America/Santiago", 2024),
        ("Australia/Lord_Howe", 2024),
        ("Asia/Beirut", 2025),
    ):
        zone = ZoneInfo(name)
        changed = [
            d
            for d in _year(year)
            if first_instant(d + timedelta(days=1), zone) - first_instant(d, zone) != DAY
        ]
        assert len(changed) == 2, name
        for day in changed + [changed[0] + timedelta(days=1)]:
            minute = first_instant(day, zone) - 180 * 60
            while local_date(minute, zone) < day:
                minute += 60
            assert first_instant(day, zone) == minute, (name, day)


def _year(year):
    return [date(year, 1, 1) + timedelta(days=k) for k in range(365)]


def unions_against_minutes():
    rng = Random(5)
    for _ in range(200):
        spans = [(a, a + rng.randrange(60)) for a in (rng.randrange(300) for _ in range(6))]
        a, b = sorted(rng.randrange(360) for _ in range(2))
        counted = sum(1 for m in range(a, b) if any(s <= m < e for s, e in spans))
        assert inside(united(spans), a, b) == counted
