"""When the remaining hours will be used, by replaying the last twelve months (B04)."""

from fractions import Fraction

from exact import nearest_rank


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
    if len(uses) < 3 or not any(uses):
        return None
    found = [months_from(uses, start, remaining) for start in range(len(uses))]
    first = sum(1 for m in found if cap is None or m < cap)
    capped = [m if cap is None else min(m, cap) for m in found]
    ranks = tuple(nearest_rank(capped, p) for p in (10, 50, 90))
    return (*ranks, Fraction(first, len(found)))
