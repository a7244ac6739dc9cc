//! What to have on the site beforehand.

use std::collections::BTreeMap;

use model::{Label, unit::Fuel};

use super::{
    Cans, NotTold, OilToStage, OilUse, Outage, Part, Set, Stage, TraceEntry, Weighed,
    course::{self, Course},
    prepare::Ready,
    tell::up,
};
use crate::{amount::Volume, burn::propane_mass};

pub(super) fn stage(outage: &Outage, set: &Set, ready: &Ready, course: &Course) -> Stage {
    let there = Volume::from(set.on_site.litres);
    let own_tank = match ready.supply {
        course::Supply::Tank { start, reserve, .. } => {
            Some((course.burned + reserve - (start + there), course.added - there))
        }
        // What it draws is staged for the site.
        course::Supply::Fed => None,
    };
    let fuel_litres = own_tank.map(|(least, _)| least.litres());
    let is_propane = set.burn.fuel == Some(Fuel::Propane);
    let weighed = |(least, to_fill)| Weighed {
        fuel_kilograms: propane_mass(least),
        fuel_to_fill_up_kilograms: propane_mass(to_fill),
    };
    let cans = |(size, fuel)| Cans { size_litres: size, count: up(fuel, size) };
    Stage {
        fuel_litres,
        fuel_to_fill_up_litres: own_tank.map(|(_, to_fill)| to_fill.litres()),
        weighed: own_tank.filter(|_| is_propane).map(weighed),
        cans: set.on_site.can_size.zip(fuel_litres).map(cans),
        oil: oil(outage, set, ready, course),
        parts: parts(set, ready, course),
    }
}

/// How often each task is done.
fn times<'a>(ready: &'a Ready, course: &'a Course) -> impl Iterator<Item = usize> + 'a {
    course.stops.iter().flat_map(|stop| &stop.work).filter_map(|work| ready.places.get(*work).copied())
}

fn parts(set: &Set, ready: &Ready, course: &Course) -> Vec<Part> {
    let mut counts: BTreeMap<&Label, u32> = BTreeMap::new();
    for task in times(ready, course).filter_map(|place| set.tasks.get(place)) {
        for (part, count) in &task.parts {
            let sum = counts.entry(part).or_default();
            *sum = sum.saturating_add(*count);
        }
    }
    counts.into_iter().map(|(part, count)| Part { part: part.clone(), count }).collect()
}

fn oil(outage: &Outage, set: &Set, ready: &Ready, course: &Course) -> Option<OilToStage> {
    let changes =
        times(ready, course).filter_map(|place| set.tasks.get(place)).filter(|task| task.changes_oil).count();
    let left_out_change =
        ready.left_out.iter().filter_map(|place| set.tasks.get(*place)).any(|task| task.changes_oil)
            || set.not_told.iter().any(may_change_oil);
    let change = set.oil.capacity.map_or(Volume::ZERO, Volume::from);
    let changed = std::iter::repeat_n(change, changes).fold(Volume::ZERO, |sum, one| sum + one);
    let made_up = set.oil.use_.map(|used| made_up(used, course));
    let sum = changed + made_up.unwrap_or_default();
    let bottle = outage.policy.oil_bottle;
    let bottles = up(sum.litres(), bottle);
    (sum > Volume::ZERO || made_up.is_some()).then(|| OilToStage {
        litres: sum.litres(),
        bottle_litres: bottle,
        bottles,
        bottles_with_spare: bottles.saturating_add(outage.policy.spare_bottles),
        complete: made_up.is_some() && (changes == 0 || set.oil.capacity.is_some()) && !left_out_change,
    })
}

fn made_up(used: OilUse, course: &Course) -> Volume {
    match used {
        OilUse::PerHour(rate) => rate.over(course.run),
        OilUse::OfFuel(share) => {
            let oil = i128::from(course.burned.microlitres()) * i128::from(share.millionths()) / 1_000_000;
            Volume::from_microlitres(i64::try_from(oil).unwrap_or(i64::MAX))
        }
    }
}

const fn may_change_oil(not_told: &NotTold) -> bool {
    match not_told {
        NotTold::Task { changes_oil, .. } => *changes_oil,
        NotTold::Schedule => true,
    }
}

/// The work that is not known.
pub(super) fn not_told(set: &Set) -> impl Iterator<Item = TraceEntry> + '_ {
    set.not_told.iter().map(|not_told| match not_told {
        NotTold::Task { task, .. } => TraceEntry::LeftOut {
            pointer: format!("/tasks/{task}"),
            enter: "when it was last done, and what the hour meter showed then and shows now",
        },
        NotTold::Schedule => TraceEntry::LeftOut {
            pointer: "/tasks".to_owned(),
            enter: "the schedule that it follows: what is due on it is not known",
        },
    })
}

/// What of the oil is not known.
pub(super) fn left_out(set: &Set) -> impl Iterator<Item = TraceEntry> + '_ {
    let changes = set.tasks.iter().any(|task| task.changes_oil);
    let capacity = (changes && set.oil.capacity.is_none()).then(|| TraceEntry::LeftOut {
        pointer: "/oil/capacity_litres".to_owned(),
        enter: "how much oil a change takes",
    });
    let used = set.oil.use_.is_none().then(|| TraceEntry::LeftOut {
        pointer: "/oil/use".to_owned(),
        enter: "how much oil the set burns, so that what is to be made up can be staged",
    });
    capacity.into_iter().chain(used)
}
