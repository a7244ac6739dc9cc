"""When the remaining hours will be used, by replaying the last twelve months (B04)."""

from datetime import timedelta
from fractions import Fraction

from dateutil.relativedelta import relativedelta

from exact import first_instant, local_date, nearest_rank

MONTHS_LOOKED_AT = 12
LEAST_MONTHS = 3


def months_from(uses, start, remaining):
    """Months from a starting month until the hours are used, going round and round."""
    months, left, k = Fraction(0), Fraction(remaining), start
    while True:
        use = uses[k % len(uses)]
        if use and left <= use:
            return months + left / use
        left -= use
        months += 1
        k += 1


def project(uses, remaining, cap=None):
    """(P10, P50, P90, share of starts in which hours bind first), or None."""
    if len(uses) < LEAST_MONTHS or not any(uses):
        return None
    found = [months_from(uses, start, remaining) for start in range(len(uses))]
    first = sum(1 for m in found if cap is None or m < cap)
    capped = [m if cap is None else min(m, cap) for m in found]
    ranks = tuple(nearest_rank(capped, p) for p in (10, 50, 90))
    return (*ranks, Fraction(first, len(found)))


def monthly_uses(evaluation):
    """Hours of the last whole months of the calendar, the oldest first; known ones only."""
    hours, zone = evaluation.hours, evaluation.history.zone_at(evaluation.at)
    points = [u.instant for u in hours.used[:1]]
    points += [hours.commissioned[0]] if hours.commissioned else []
    if not points:
        return []
    begin = local_date(evaluation.at, zone).replace(day=1)
    uses = []
    for _ in range(MONTHS_LOOKED_AT):
        end, begin = begin, begin - relativedelta(months=1)
        a, b = first_instant(begin, zone), first_instant(end, zone)
        if a < min(points):
            break
        uses.insert(0, hours.at(b)[1] - hours.at(a)[1])
    return uses


def months_between(today, limit):
    """Whole months and the days of the month after them, as a fraction of that month."""
    whole = 0
    while today + relativedelta(months=whole + 1) <= limit:
        whole += 1
    begin, end = (today + relativedelta(months=whole + k) for k in (0, 1))
    return whole + Fraction((limit - begin).days, (end - begin).days)


def days_on(today, months):
    """The day so many months on; a part of a month is a part of its days, rounded down."""
    begin, end = (today + relativedelta(months=int(months) + k) for k in (0, 1))
    return begin + timedelta(days=int((months - int(months)) * (end - begin).days))


def of_item(evaluation, key):
    """{months, dates, hours_first} of an item that is due by hours some day, or None."""
    clock = evaluation.items[key].clock
    now = evaluation.hours.at(evaluation.at)
    if not clock.plan.hours_limit or now is None:
        return None
    remaining = clock.plan.hours_limit[1] - now[1]
    today = local_date(evaluation.at, evaluation.history.zone_at(evaluation.at))
    if remaining <= 0 or (clock.date_limit and clock.date_limit <= today):
        return None
    if any(r.start <= evaluation.at and r.end is None for r in evaluation.hours.runs.runs):
        return None  # while it runs the live rate decides, to the instant
    cap = months_between(today, clock.date_limit) if clock.date_limit else None
    found = project(monthly_uses(evaluation), remaining, cap)
    if found is None:
        return None
    return {
        "months": [[m.numerator, m.denominator] for m in map(Fraction, found[:3])],
        "dates": [days_on(today, m).isoformat() for m in found[:3]],
        "hours_first": [found[3].numerator, found[3].denominator],
    }
