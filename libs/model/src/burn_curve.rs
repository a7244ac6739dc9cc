//! What a unit burns at which load.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    quantity::{LitresPerHour, Percent, more_than_nought},
    read::{Flaw, Object},
};

/// What a unit burns at one load.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct BurnPoint {
    /// The load in percent of the rated output.
    #[schema(value_type = f64, minimum = 0, maximum = 110, example = 75)]
    pub load_percent: Percent,
    /// What it burns there, in litres per hour.
    #[schema(value_type = f64, minimum = 0.01, maximum = 100_000, example = 2.5)]
    pub litres_per_hour: LitresPerHour,
}

/// Points of a burn curve at most.
pub const BURN_POINTS_MOST: usize = 20;

/// Reads a curve: loads rise from point to point, and more load never burns less.
pub(crate) fn read(o: &mut Object<'_>) -> Option<Vec<BurnPoint>> {
    let points = o.objects("burn_curve", BURN_POINTS_MOST, point)?;
    if points.is_empty() {
        return o.fail("burn_curve", Flaw::new("empty_list", "A burn curve has at least one point."));
    }
    let wrong = points.windows(2).enumerate().find_map(|(at, pair)| match pair {
        [before, point] if point.load_percent <= before.load_percent => Some((
            at + 1,
            "load_percent",
            "load_not_rising",
            "The load is above that of the point before it.",
        )),
        [before, point] if point.litres_per_hour < before.litres_per_hour => Some((
            at + 1,
            "litres_per_hour",
            "rate_falls_with_load",
            "More load never burns less than the point before it.",
        )),
        _ => None,
    });
    match wrong {
        Some((at, member, code, detail)) => {
            o.fail(&format!("burn_curve/{at}/{member}"), Flaw::new(code, detail))
        }
        None => Some(points),
    }
}

fn point(o: &mut Object<'_>) -> Option<BurnPoint> {
    let load_percent = o.required("load_percent", Percent::read);
    let litres_per_hour = o.required("litres_per_hour", more_than_nought(LitresPerHour::read));
    Some(BurnPoint { load_percent: load_percent?, litres_per_hour: litres_per_hour? })
}
