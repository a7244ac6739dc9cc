//! Hours after the last point: what runs are known of, and use to reckon with otherwise.

use model::{Hours, Instant};

use super::{Curve, Floor, HoursRange, Point};
use crate::{runs::Doubtful, words::Grade};

impl Curve {
    /// Bounds after the last point, and the likeliest value.
    pub(super) fn ahead(&self, last: &Point, at: Instant) -> (HoursRange, Grade) {
        let elapsed = at.seconds_since(last.instant);
        if self.runs.is_empty() {
            let nominal = last.hours + self.middle_rate.use_in(elapsed);
            let upper = last.hours + self.upper_rate.use_in(elapsed);
            return (HoursRange { lower: last.hours, nominal, upper }, Grade::C);
        }
        let ran = self.ran(last.instant, at);
        let likely = match self.logged_until {
            Some(_) => ran,
            None => ran + self.middle_rate.use_in(self.idle(last.instant, at)),
        };
        let range = HoursRange {
            lower: last.hours + self.least_ahead(last, at),
            nominal: last.hours + likely.min(Hours::from_seconds(elapsed)),
            upper: last.hours + self.most_ahead(last.instant, at),
        };
        (range, self.grade_ahead(last, at))
    }

    fn grade_ahead(&self, last: &Point, at: Instant) -> Grade {
        let is_known = match self.logged_until {
            Some(until) => {
                let grows = at > until && !self.upper_rate.is_still();
                !grows && self.vague_from.is_none_or(|from| at <= from)
            }
            None => self.runs.is_logged(last.instant, at),
        };
        if is_known { Grade::B.max(last.grade) } else { Grade::C.max(last.grade) }
    }

    /// The most that the engine can have run from `since` to `at`, where nothing was read in between. Where runs
    /// tell all it is without bound: the curve says it.
    pub(crate) fn most_use(&self, since: Instant, at: Instant) -> Hours {
        match self.logged_until {
            Some(_) => Hours::from_seconds(i64::MAX),
            None => self.most_ahead(since, at),
        }
    }

    /// The first instant by which [`most_use`](Self::most_use) since `since` comes to `hours`; [`Instant::LAST`] if
    /// it never does.
    pub(crate) fn most_use_reaches(&self, hours: Hours, since: Instant) -> Instant {
        if self.logged_until.is_some() { Instant::FIRST } else { self.most_ahead_reaches(hours, since) }
    }

    fn most_ahead(&self, since: Instant, at: Instant) -> Hours {
        let elapsed = at.seconds_since(since);
        if self.runs.is_empty() {
            return self.upper_rate.use_in(elapsed);
        }
        let most = self.ran(since, at) + self.doubt(since, at) + self.upper_rate.use_in(self.idle(since, at));
        most.min(Hours::from_seconds(elapsed.max(0)))
    }

    fn most_ahead_reaches(&self, hours: Hours, since: Instant) -> Instant {
        if self.runs.is_empty() {
            return self.upper_rate.reaches(hours, since);
        }
        first(since, |at| self.most_ahead(since, at) >= hours)
    }

    /// The first instant at which the upper bound reaches `hours`, for the instants from the last point on; for
    /// earlier ones the instant of the first point that reaches them.
    pub(crate) fn upper_reaches(&self, hours: Hours) -> Instant {
        let ahead = |last: &Point| self.most_ahead_reaches(hours - last.hours, last.instant);
        match self.points.get(self.reached(hours)) {
            Some(reached) => reached.instant,
            None => self.points.last().map_or(Instant::LAST, ahead),
        }
    }

    /// The same for the lower bound, which after the last point grows only while the engine runs.
    pub(crate) fn lower_reaches(&self, hours: Hours) -> Instant {
        let ahead = |last: &Point| first(last.instant, |at| last.hours + self.least_ahead(last, at) >= hours);
        match self.points.get(self.reached(hours)) {
            Some(reached) => reached.instant,
            None if self.runs.is_empty() => Instant::LAST,
            None => self.points.last().map_or(Instant::LAST, ahead),
        }
    }

    /// How long the engine ran; without a meter, runs of which only the day is known count once they are over.
    fn ran(&self, since: Instant, at: Instant) -> Hours {
        Hours::from_seconds(match self.logged_until {
            Some(_) => self.runs.seconds_over(since, at),
            None => self.runs.seconds(since, at),
        })
    }

    /// How much of that is in doubt, where nothing but runs tells.
    fn doubt(&self, since: Instant, at: Instant) -> Hours {
        self.logged_until.map_or(Hours::ZERO, |_| self.runs.doubt(since, at))
    }

    /// Seconds in which nothing tells whether the engine ran; without a meter those after the last run.
    fn idle(&self, since: Instant, at: Instant) -> i64 {
        match self.logged_until {
            Some(until) => at.seconds_since(until.max(since)).max(0),
            None => self.runs.idle_seconds(since, at),
        }
    }

    /// What the engine ran at least since the last point.
    fn least_ahead(&self, last: &Point, at: Instant) -> Hours {
        let sure = match self.logged_until {
            Some(_) => self.runs.sure_seconds_over(last.instant, at),
            None => self.runs.sure_seconds(last.instant, at),
        };
        self.without_doubt(sure, at).min(self.ran(last.instant, at))
    }

    fn without_doubt(&self, sure: i64, at: Instant) -> Hours {
        let sure = Hours::from_seconds(sure);
        let begun = self.floors.partition_point(|floor| floor.from <= at);
        let floor = begun.checked_sub(1).and_then(|newest| self.floors.get(newest));
        floor.map_or(sure, |floor| floor.least.max(sure - floor.doubt))
    }

    /// Where runs may have ended after the last point: their doubt is taken from what follows, not from what was
    /// certain before.
    pub(super) fn lay_floors(&mut self) {
        let Some(last) = self.points.last().map(|last| last.instant) else { return };
        let mut doubt = Hours::ZERO;
        for Doubtful { from, grows, give_or_take } in self.runs.doubtful(last) {
            let sure = if grows {
                self.runs.sure_seconds_over(last, from)
            } else {
                self.runs.sure_seconds_before(last, from)
            };
            let least = self.without_doubt(sure, from);
            doubt = doubt + give_or_take;
            self.floors.push(Floor { from, least, doubt });
        }
    }
}

/// The first instant from `from` on for which `is_so` holds, which then holds ever after; [`Instant::LAST`] if none.
fn first(from: Instant, is_so: impl Fn(Instant) -> bool) -> Instant {
    let (mut low, mut high) = (from.micros(), Instant::LAST.micros());
    if !is_so(Instant::LAST) {
        return Instant::LAST;
    }
    while low < high {
        let middle = low + (high - low) / 2;
        if is_so(Instant::from_micros(middle)) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    Instant::from_micros(low)
}
