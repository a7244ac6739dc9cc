//! How fast fuel is burned at each moment of an outage.

use interval::Grade;

use super::plan::Carried;
use crate::{
    amount::{BurnRate, Volume},
    burn::{Beyond, Burn},
    load::{Share, Timeline},
};

/// Rates from seconds after the start on; the first from 0, in order.
#[derive(Clone, Debug)]
pub(crate) struct Rates(Vec<(i64, BurnRate)>);

/// How the rates of a load were read.
pub(crate) struct Reading {
    pub rates: Rates,
    /// Each load for which the curve has no point on one side.
    pub beyond: Vec<(Share, Beyond)>,
    /// The worst of how well the rates are known.
    pub grade: Grade,
    /// Whether some load is more than the set is rated for.
    pub overload: bool,
    /// What is carried.
    pub load: Carried,
}

impl Rates {
    /// The rates of a set under its load in the first `seconds`.
    pub(crate) fn of(burn: &Burn, load: &Timeline, seconds: i64) -> Reading {
        let (mut beyond, mut grade, mut overload) = (Vec::new(), Grade::A, false);
        let mut rates = Vec::new();
        let mut carried: Option<Carried> = None;
        for (from, share) in load.steps().iter().filter(|(from, _)| *from < seconds) {
            let at = burn.rate(*share);
            beyond.extend(at.beyond.map(|side| (*share, side)));
            grade = grade.max(burn.grade(*share));
            overload |= *share > Share::FULL;
            carried = Some(carried.unwrap_or(Carried::steady(*share)).and(*share));
            rates.push((*from, at.rate));
        }
        beyond.sort_unstable();
        beyond.dedup();
        let load = carried.unwrap_or(Carried::steady(Share::NONE));
        Reading { rates: Self(rates), beyond, grade, overload, load }
    }

    /// The rate at an offset, and until when it holds.
    fn at(&self, offset: i64) -> (BurnRate, i64) {
        let next = self.0.partition_point(|(from, _)| *from <= offset);
        let until = self.0.get(next).map_or(i64::MAX, |(from, _)| *from);
        let rate = next.checked_sub(1).and_then(|place| self.0.get(place)).map(|(_, rate)| *rate);
        (rate.unwrap_or_default(), until)
    }

    /// What is burned in some seconds from an offset on.
    pub(crate) fn burned(&self, offset: i64, seconds: i64) -> Volume {
        self.pieces(offset, seconds)
            .map(|(_, seconds, rate)| rate.over(seconds))
            .fold(Volume::ZERO, |a, b| a + b)
    }

    /// Offset, seconds and rate of each piece of some seconds from an offset on.
    pub(crate) fn pieces(
        &self,
        offset: i64,
        seconds: i64,
    ) -> impl Iterator<Item = (i64, i64, BurnRate)> + '_ {
        let end = offset.saturating_add(seconds.max(0));
        let mut from = offset;
        std::iter::from_fn(move || {
            let (rate, until) = self.at(from);
            let piece = (from, until.min(end) - from, rate);
            from = until.min(end);
            (piece.1 > 0).then_some(piece)
        })
    }

    /// For how many seconds from an offset on some fuel lasts, counted no further than `most`.
    pub(crate) fn lasts(&self, offset: i64, fuel: Volume, most: i64) -> i64 {
        let (mut left, mut lasts) = (fuel, 0);
        for (_, seconds, rate) in self.pieces(offset, most) {
            match left.lasts_seconds(rate) {
                Some(enough) if enough < seconds => return lasts + enough,
                _ => left -= rate.over(seconds),
            }
            lasts += seconds;
        }
        lasts
    }
}
