//! When the tank of a site is down to its reserve, with sets that draw on it at their stops and others all the time.

use super::super::{course::Stop, rates::Rates};
use crate::amount::{BurnRate, Volume};

/// What is drawn from one tank.
#[derive(Default)]
pub(super) struct Draws {
    /// Amounts drawn at once: seconds after the start, how much.
    at_once: Vec<(i64, Volume)>,
    /// Pieces of steady burning: seconds after the start, for how many, how fast.
    pieces: Vec<(i64, i64, BurnRate)>,
}

impl Draws {
    /// A set that fills its tank at stops, from what stands beside it first.
    pub(super) fn filling(&mut self, stops: &[Stop], beside: Volume) {
        let mut beside = beside;
        for stop in stops {
            let own = stop.added.or_less(beside);
            beside -= own;
            self.at_once.push((stop.offset, stop.added - own));
        }
    }

    /// A set without a tank of its own, which burns from the tank of the site while it runs.
    pub(super) fn running(&mut self, rates: &Rates, legs: &[(i64, i64)]) {
        self.pieces.extend(legs.iter().flat_map(|(offset, seconds)| rates.pieces(*offset, *seconds)));
    }

    /// All that is drawn, and when it comes to more than there is.
    pub(super) fn against(&self, usable: Volume) -> (Volume, Option<i64>) {
        let burned = self.pieces.iter().map(|(_, seconds, rate)| rate.over(*seconds));
        let drawn =
            self.at_once.iter().map(|(_, drawn)| *drawn).chain(burned).fold(Volume::ZERO, |a, b| a + b);
        (drawn, (drawn > usable).then(|| self.used_up(usable)).flatten())
    }

    /// The first instant at which more than `usable` is drawn.
    fn used_up(&self, usable: Volume) -> Option<i64> {
        let mut left = usable;
        let mut rate = 0_i64;
        let mut at = 0;
        for (moment, change) in self.moments() {
            let burning = BurnRate::from_microlitres_per_hour(rate);
            match left.lasts_seconds(burning) {
                Some(lasts) if lasts < moment - at => return Some(at + lasts),
                _ => left -= burning.over(moment - at),
            }
            at = moment;
            match change {
                Change::Rate(change) => rate = rate.saturating_add(change),
                Change::Drawn(drawn) if drawn > left => return Some(moment),
                Change::Drawn(drawn) => left -= drawn,
            }
        }
        // What rounding leaves.
        Some(at)
    }

    fn moments(&self) -> Vec<(i64, Change)> {
        let begin = self.pieces.iter().map(|(at, _, rate)| (*at, Change::Rate(rate.microlitres_per_hour())));
        let end = self
            .pieces
            .iter()
            .map(|(at, lasts, rate)| (at + lasts, Change::Rate(-rate.microlitres_per_hour())));
        let drawn = self.at_once.iter().map(|(at, drawn)| (*at, Change::Drawn(*drawn)));
        let mut moments: Vec<(i64, Change)> = begin.chain(end).chain(drawn).collect();
        moments.sort_by_key(|(at, _)| *at);
        moments
    }
}

/// What happens to a tank at a moment.
#[derive(Clone, Copy)]
enum Change {
    /// It is drawn on faster, or slower, in microlitres per hour.
    Rate(i64),
    /// So much is drawn at once.
    Drawn(Volume),
}
