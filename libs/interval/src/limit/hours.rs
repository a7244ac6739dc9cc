//! Where a limit in engine hours lies.

use model::{
    Hours, Instant,
    schedule::{Anchor as AnchorPolicy, SevereMode},
};

use super::{
    HoursLimit, HoursRule, Point,
    ground::Ground,
    severe,
    situation::{Asked, InForce},
};
use crate::{conditions::Span, hours::HoursRange, trace::TraceEntry};

/// A limit and the interval it is made of.
#[derive(Clone, Copy)]
pub(super) struct HoursMark {
    pub(super) interval: Hours,
    pub(super) limit: HoursRange,
}

impl Ground<'_> {
    /// The limit that follows from a point, if there is one and it is known where the point lies.
    pub(super) fn hours_mark(
        &self,
        asked: &Asked<'_>,
        from: &Point,
        in_force: &InForce<'_>,
    ) -> Option<HoursMark> {
        let mark = self.hours_mark_of_edition(asked, from, in_force)?;
        let earlier = asked.earlier().filter(|_| in_force.is_of_edition.0 && had_before(asked, from));
        let Some(earlier) = earlier else { return Some(mark) };
        let Some(old) = self.earlier_point(asked, &earlier, from) else { return Some(mark) };
        let before = self.hours_mark(&earlier, &old, &self.in_force(&earlier, &old.anchor));
        let adopted = self.curve.at(asked.rule.begins).range;
        let Some((before, adopted)) = before.zip(adopted) else { return Some(mark) };
        if mark.limit.nominal >= before.limit.nominal {
            return Some(mark);
        }
        let grace = self.input.policy.grace_hours;
        let of = |earlier: Hours, new: Hours, adopted: Hours| earlier.min(new.max(adopted + grace));
        let limit = HoursRange {
            lower: of(before.limit.lower, mark.limit.lower, adopted.lower),
            nominal: of(before.limit.nominal, mark.limit.nominal, adopted.nominal),
            upper: of(before.limit.upper, mark.limit.upper, adopted.upper),
        };
        Some(HoursMark { limit, ..mark })
    }

    /// The same whatever was planned by an earlier edition.
    pub(super) fn hours_mark_of_edition(
        &self,
        asked: &Asked<'_>,
        from: &Point,
        in_force: &InForce<'_>,
    ) -> Option<HoursMark> {
        let (hours, at) = (in_force.hours?, from.hours?);
        let factor = asked.task.substitute_factor.filter(|_| from.anchor.substitute);
        let scaled = |hours: Hours| match factor {
            None => hours,
            Some(factor) => Hours::from_seconds(hours.seconds().saturating_mul(factor.hundredths()) / 100),
        };
        let interval = scaled(hours);
        let plus = |interval: Hours| HoursRange {
            lower: at.lower + interval,
            nominal: at.nominal + interval,
            upper: at.upper + interval,
        };
        let severe = asked.severe(&from.anchor).filter(|_| !self.conditions.severe.is_empty());
        let shorter = severe.and_then(|severe| Some((severe.mode, scaled(severe.limits.hours?))));
        let limit = match shorter.filter(|(_, shorter)| *shorter < interval) {
            _ if from.anchor.completed() && asked.task.anchor == AnchorPolicy::Grid => {
                let point = next_on_grid(self.origin(), interval, at.nominal);
                HoursRange::exact(point)
            }
            Some((SevereMode::Strict, shorter)) if self.is_severe(asked, from) => {
                return Some(HoursMark { interval: shorter, limit: plus(shorter) });
            }
            Some((SevereMode::Weighted, shorter)) => self.weighted(asked, from, at, interval, shorter),
            _ => plus(interval),
        };
        Some(HoursMark { interval, limit })
    }

    /// Whether there was severe time since the anchor, by what holds while the rule does.
    pub(super) fn is_severe(&self, asked: &Asked<'_>, from: &Point) -> bool {
        self.severe_since(asked, from).next().is_some()
    }

    /// The severe times since the anchor, of those that have begun while the rule holds.
    pub(super) fn severe_since(&self, asked: &Asked<'_>, from: &Point) -> impl Iterator<Item = Span> {
        let since = from.anchor.instant;
        self.conditions.severe_by(asked.at).into_iter().filter(move |span| span.until > since)
    }

    /// The limit where severe hours count for more. Each bound takes the bounds of the severe hours that make it so.
    fn weighted(
        &self,
        asked: &Asked<'_>,
        from: &Point,
        at: HoursRange,
        interval: Hours,
        shorter: Hours,
    ) -> HoursRange {
        type Bound = fn(&HoursRange) -> Hours;
        let bound = |point: Hours, start: Bound, end: Bound| {
            let spans = self.severe_since(asked, from).map(|span| {
                let begun = span.from <= from.anchor.instant;
                let first = if begun { point } else { self.hours_at(span.from, start) };
                let for_ever = span.until == Instant::LAST;
                let last =
                    if for_ever { Hours::from_seconds(i64::MAX) } else { self.hours_at(span.until, end) };
                (first.seconds(), last.seconds())
            });
            Hours::from_seconds(severe::reaching(
                point.seconds(),
                interval.seconds(),
                shorter.seconds(),
                spans,
            ))
        };
        let (lower, nominal, upper): (Bound, Bound, Bound) = (|e| e.lower, |e| e.nominal, |e| e.upper);
        let likely = bound(at.nominal, nominal, nominal);
        HoursRange {
            lower: bound(at.lower, lower, upper).min(likely),
            nominal: likely,
            upper: bound(at.upper, upper, lower).max(likely),
        }
    }

    fn hours_at(&self, at: Instant, bound: fn(&HoursRange) -> Hours) -> Hours {
        self.curve.at(at).range.as_ref().map_or(Hours::ZERO, bound)
    }

    /// What the limit asks for from a point on.
    pub(super) fn hours_rule(
        &self,
        asked: &Asked<'_>,
        from: &Point,
        in_force: &InForce<'_>,
        notes: &mut Vec<TraceEntry>,
    ) -> HoursRule {
        if in_force.hours.is_none() {
            return HoursRule::None;
        }
        let mark = self.hours_mark(asked, from, in_force);
        let Some((mark, at)) = mark.zip(from.hours) else { return HoursRule::Unknown };
        if asked.place > 0
            && let Some(own) = self.hours_mark_of_edition(asked, from, in_force)
            && own.limit != mark.limit
        {
            notes.push(TraceEntry::AdoptionGraceHours { limit_hours: own.limit.nominal });
        }
        let task = asked.task;
        let lead = || task.lead.hours.unwrap_or_else(|| self.lead_of_hours(mark.interval));
        let coming = match task.earliest.and_then(|earliest| earliest.hours) {
            Some(earliest) => at.lower + earliest,
            None => mark.limit.lower - lead(),
        };
        let unread = self.curve.newest_reading().is_none_or(|newest| newest < from.anchor.instant);
        let known = from.anchor.hours.range.unwrap_or(at);
        HoursRule::Limit(HoursLimit {
            interval: mark.interval,
            anchor: at,
            limit: mark.limit,
            coming,
            tolerance: task.tolerance.hours.unwrap_or(Hours::ZERO),
            unread: unread.then_some((from.anchor.instant, known.lower)),
        })
    }

    fn lead_of_hours(&self, interval: Hours) -> Hours {
        Hours::from_seconds(self.lead_of(interval.seconds()))
    }

    pub(super) fn lead_of(&self, interval: i64) -> i64 {
        interval.saturating_mul(self.input.policy.lead_percent) / 100
    }

    /// Engine hours at the commissioning where they are known, otherwise nought.
    fn origin(&self) -> Hours {
        let commissioned = self.commissioning.and_then(|commissioning| commissioning.hours.range);
        commissioned.filter(|range| range.lower == range.upper).map_or(Hours::ZERO, |range| range.nominal)
    }
}

/// Whether the limits were another edition's, too.
pub(super) fn had_before(asked: &Asked<'_>, from: &Point) -> bool {
    from.anchor.instant < asked.rule.begins
}

/// The first point of the grid `origin` + k × `interval` that lies beyond `done` plus half an interval.
fn next_on_grid(origin: Hours, interval: Hours, done: Hours) -> Hours {
    let step = interval.seconds().max(1);
    let reach = (done - origin).seconds().saturating_mul(2).saturating_add(step);
    let k = reach.div_euclid(step.saturating_mul(2)).saturating_add(1);
    origin + Hours::from_seconds(k.saturating_mul(step))
}
