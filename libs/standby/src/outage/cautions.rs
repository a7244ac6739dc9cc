//! What to heed when sets run for days and people refuel and service them.

use model::unit::Fuel;

use super::{Set, course::Course, prepare::Ready};
use crate::caution::{
    BACK_FEED, BATTERY_DISCONNECT, CARBON_MONOXIDE, Caution, ENGINE_OFF_FOR_FUEL, GAS_MAIN_MAY_FAIL,
    HOT_PARTS, MANUAL_FIRST, OVERLOAD, USED_OIL,
};

pub(super) fn of(fuel: Option<Fuel>, course: &Course, set: &Set, ready: &Ready) -> Vec<Caution> {
    let worked: Vec<usize> = course
        .stops
        .iter()
        .flat_map(|stop| &stop.work)
        .filter_map(|work| ready.places.get(*work).copied())
        .collect();
    let changes_oil = worked.iter().filter_map(|place| set.tasks.get(*place)).any(|task| task.changes_oil);
    let piped = fuel == Some(Fuel::NaturalGas);
    let listed = [
        Some(CARBON_MONOXIDE),
        Some(BACK_FEED),
        (!piped && !course.stops.is_empty()).then_some(ENGINE_OFF_FOR_FUEL),
        (!course.stops.is_empty()).then_some(HOT_PARTS),
        (!course.stops.is_empty()).then_some(BATTERY_DISCONNECT),
        changes_oil.then_some(USED_OIL),
        piped.then_some(GAS_MAIN_MAY_FAIL),
        ready.overload.then_some(OVERLOAD),
        Some(MANUAL_FIRST),
    ];
    listed.into_iter().flatten().collect()
}
