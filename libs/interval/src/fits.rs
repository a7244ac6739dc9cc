//! Whether a reading that does not fit its unit fits another.

use model::{Hours, Instant, UnitId};
use serde::Serialize;

use crate::{
    chain::{Dial, Mark},
    hours::SetAside,
    state::UnitState,
};

/// What a unit's meter can show at an instant, by its readings before and after.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct MeterRange {
    /// When it was read last.
    pub read_at: Instant,
    /// The least: what it showed then.
    pub least_meter_hours: Hours,
    /// The likeliest.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub likely_meter_hours: Option<Hours>,
    /// The most: the engine ran all the time.
    pub most_meter_hours: Hours,
}

impl UnitState {
    /// What its meter can show at `at`; nothing where it was not read before, or can have gone back to nought since.
    pub fn meter_range(&self, at: Instant) -> Option<MeterRange> {
        let curve = &self.curve;
        let points = curve.points.iter().filter(|point| point.read);
        let before = points.clone().take_while(|point| point.instant <= at).last()?;
        let after = points.clone().find(|point| point.instant > at);
        let least = curve.on_meter(before.hours, at)?;
        let ran = Hours::from_seconds(at.seconds_since(before.instant)) + self.facts.tick;
        let most = after.map_or(before.hours + ran, |after| after.hours.min(before.hours + ran));
        let most_meter_hours = curve.on_meter(most, at).filter(|most| *most >= least)?;
        Some(MeterRange {
            read_at: before.instant,
            least_meter_hours: least,
            likely_meter_hours: curve.at(at).range.and_then(|range| curve.on_meter(range.nominal, at)),
            most_meter_hours,
        })
    }

    /// How far what a meter showed is from what this unit's meter probably showed at `at`; nothing if it cannot
    /// have been this unit's meter: it does not agree with the readings before and after.
    pub fn fits(&self, shown: Hours, at: Instant) -> Option<Hours> {
        let curve = &self.curve;
        let points = curve.points.iter().filter(|point| point.read);
        let before = points.clone().take_while(|point| point.instant <= at).last()?;
        let after = points.clone().find(|point| point.instant > at);
        let dial = Dial { tick: self.facts.tick, rollover: curve.rollover };
        let last = Mark { instant: before.instant, hours: curve.on_meter(before.hours, at)? };
        let rise = Mark { instant: at, hours: shown }.rise_since(last, dial)?;
        let hours = before.hours + rise;
        if let Some(after) = after {
            let then = Mark { instant: at, hours };
            let next = Mark { instant: after.instant, hours: after.hours };
            next.rise_since(then, Dial { rollover: None, ..dial })?;
        }
        let nominal = curve.at(at).range?.nominal;
        Some((hours - nominal).max(nominal - hours))
    }
}

/// The unit that a reading set aside belongs to rather, of some others: the one whose meter probably showed nearly
/// that. None if a slip of the pen explains it.
pub fn belongs_to<'s>(
    aside: &SetAside,
    others: impl IntoIterator<Item = (UnitId, &'s UnitState)>,
) -> Option<UnitId> {
    if aside.suggested.is_some() {
        return None;
    }
    let fitting = others.into_iter().filter_map(|(unit, state)| {
        let off = state.fits(aside.meter_hours, aside.read_at)?;
        Some((off, unit))
    });
    fitting.min().map(|(_, unit)| unit)
}
