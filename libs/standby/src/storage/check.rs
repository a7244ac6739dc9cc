//! What is kept on a site against the limits.

use std::collections::{BTreeMap, BTreeSet};

use interval::Grade;
use model::quantity::Metres;

use super::{
    ContainerKind, Place, Placed, StoredFuel,
    answer::{Advice, Finding, FindingCode, Measure, SiteStorage, StorageTrace},
    policy::{OSHA, SPILL, StoragePolicy},
};
use crate::{
    amount::Volume,
    caution::{Caution, ENGINE_OFF_FOR_FUEL},
    convert::UsGallons,
};

pub(super) const CAUTIONS: [Caution; 2] = [
    ENGINE_OFF_FOR_FUEL,
    Caution {
        caution: "ignition_sources",
        text: "Keep flames, sparks and smoking at least 50 ft away, and bond containers when fuel is transferred.",
        source: OSHA,
    },
];

const ADVICE: [Advice; 4] = [
    Advice { text: "Cans must be approved for the fuel.", source: OSHA },
    Advice { text: "A fire extinguisher of at least 20-B:C stands within 75 ft.", source: OSHA },
    Advice {
        text: "By a room with more than 60 gallons an extinguisher of at least 20-B stands within 10 ft of its door.",
        source: OSHA,
    },
    Advice {
        text: "Local fire codes often allow less, above all in garages and dwellings.",
        source: "local codes",
    },
];

/// Checks what is kept on a site.
#[must_use]
pub fn site_storage(placed: &[Placed], policy: &StoragePolicy) -> SiteStorage {
    let liquids: Vec<&Placed> =
        placed.iter().filter(|one| one.number > 0 && one.container.fuel != StoredFuel::Propane).collect();
    let mut findings = Vec::new();
    findings.extend(rooms(&liquids, policy));
    findings.extend(cabinets(&liquids, policy));
    findings.extend(liquids.iter().filter_map(|one| can(one, policy)));
    findings.extend(piles(&liquids, policy));
    findings.extend(liquids.iter().flat_map(|one| distances(one, policy)));
    let spill = spill_plan(&liquids, policy);
    let spill_plan_needed = spill.as_ref().is_some_and(|finding| !finding.kept);
    let kept = findings.iter().all(|finding| finding.kept);
    findings.extend(spill);
    let mut trace = vec![StorageTrace::PolicyUsed { policy: policy.policy, edition: policy.edition }];
    trace.extend(placed.iter().enumerate().flat_map(|(container, one)| traced(container, one, policy)));
    let some = !placed.is_empty();
    SiteStorage {
        kept,
        spill_plan_needed,
        findings,
        advice: if some { ADVICE.to_vec() } else { Vec::new() },
        trace,
        cautions: if some { CAUTIONS.to_vec() } else { Vec::new() },
    }
}

/// Gallons by place, each with how well it is known. Each container counts to a hundredth of a gallon, so that one of 5 gallons
/// that was entered as 18.93 litres is not over.
fn by_place<'p, K: Ord>(
    liquids: &[&'p Placed],
    key: impl Fn(&'p Place) -> Option<K>,
    counts: impl Fn(&Placed) -> bool,
) -> BTreeMap<K, (UsGallons, Grade)> {
    let mut sums = BTreeMap::new();
    for one in liquids.iter().filter(|one| counts(one)) {
        let Some(key) = key(&one.place) else { continue };
        let (sum, grade) = sums.entry(key).or_insert((UsGallons::default(), Grade::A));
        *sum = plus(*sum, one.container.counted(), one.number);
        *grade = (*grade).max(grade_of(one));
    }
    sums
}

fn plus(sum: UsGallons, each: Volume, number: u32) -> UsGallons {
    let all = UsGallons::from(each).hundredths().saturating_mul(i64::from(number));
    UsGallons::from_hundredths(sum.hundredths().saturating_add(all))
}

fn grade_of(one: &Placed) -> Grade {
    if one.container.contents.is_some() { Grade::A } else { Grade::C }
}

fn volume(
    code: FindingCode,
    place: Option<&str>,
    (value, grade): (UsGallons, Grade),
    threshold: UsGallons,
    source: &'static str,
) -> Finding {
    Finding {
        code,
        kept: value <= threshold,
        place: place.map(str::to_owned),
        measure: Measure::Gallons {
            value,
            threshold,
            value_litres: Volume::from(value).litres(),
            threshold_litres: Volume::from(threshold).litres(),
        },
        source,
        grade,
    }
}

fn rooms(liquids: &[&Placed], policy: &StoragePolicy) -> Vec<Finding> {
    let room = |place: &'_ Place| match place {
        Place::Room(room) => Some(room.clone()),
        Place::Cabinet { .. } | Place::Outdoors { .. } | Place::Buried => None,
    };
    by_place(liquids, room, |one| one.container.kind != ContainerKind::Tank)
        .into_iter()
        .map(|(room, sum)| volume(FindingCode::Indoors, Some(&room), sum, policy.indoors, OSHA))
        .collect()
}

fn cabinets(liquids: &[&Placed], policy: &StoragePolicy) -> Vec<Finding> {
    let cabinet = |place: &'_ Place| match place {
        Place::Cabinet { room, cabinet } => Some((room.clone(), cabinet.clone())),
        Place::Room(_) | Place::Outdoors { .. } | Place::Buried => None,
    };
    let low = by_place(liquids, cabinet, |one| one.container.fuel != StoredFuel::HighFlashPoint);
    let all = by_place(liquids, cabinet, |_| true);
    let names: BTreeSet<(String, String)> = all.keys().cloned().collect();
    let mut in_room: BTreeMap<String, usize> = BTreeMap::new();
    for (room, _) in names {
        *in_room.entry(room).or_default() += 1;
    }
    let told = |room: &str, cabinet: &str| format!("{room}, {cabinet}");
    let low = low.into_iter().map(|((room, cabinet), sum)| {
        volume(FindingCode::Cabinet, Some(&told(&room, &cabinet)), sum, policy.cabinet, OSHA)
    });
    let all = all.into_iter().map(|((room, cabinet), sum)| {
        volume(FindingCode::CabinetInAll, Some(&told(&room, &cabinet)), sum, policy.cabinet_category_4, OSHA)
    });
    let counts = in_room.into_iter().map(|(room, value)| Finding {
        code: FindingCode::Cabinets,
        kept: value <= policy.cabinets,
        place: Some(room),
        measure: Measure::Count { value, threshold: policy.cabinets },
        source: OSHA,
        grade: Grade::A,
    });
    low.chain(all).chain(counts).collect()
}

fn can(one: &Placed, policy: &StoragePolicy) -> Option<Finding> {
    let is_can = one.container.kind == ContainerKind::Can;
    is_can
        .then(|| volume(FindingCode::Can, None, (one.container.capacity.into(), Grade::A), policy.can, OSHA))
}

fn pile(place: &Place) -> Option<String> {
    match place {
        Place::Outdoors { pile } => Some(pile.clone()),
        Place::Room(_) | Place::Cabinet { .. } | Place::Buried => None,
    }
}

/// Tanks that stay where they are have rules of their own.
fn piles(liquids: &[&Placed], policy: &StoragePolicy) -> Vec<Finding> {
    by_place(liquids, pile, |one| one.container.kind != ContainerKind::Tank)
        .into_iter()
        .map(|(pile, sum)| volume(FindingCode::Pile, Some(&pile), sum, policy.pile, OSHA))
        .collect()
}

fn distances(one: &Placed, policy: &StoragePolicy) -> Vec<Finding> {
    let Some(pile) = pile(&one.place).filter(|_| one.container.kind != ContainerKind::Tank) else {
        return Vec::new();
    };
    let finding = |code, value: Option<Metres>, threshold| {
        value.map(|value| Finding {
            code,
            kept: value >= threshold,
            place: Some(pile.clone()),
            measure: Measure::Metres { value, threshold },
            source: OSHA,
            grade: Grade::A,
        })
    };
    let building = StoragePolicy::metres(policy.pile_from_building);
    let apart = StoragePolicy::metres(policy.pile_apart);
    finding(FindingCode::PileFromBuilding, one.from_building, building)
        .into_iter()
        .chain(finding(FindingCode::PilesApart, one.from_other_pile, apart))
        .collect()
}

/// Whether it is too small to count for a plan against spills.
fn is_small(one: &Placed, policy: &StoragePolicy) -> bool {
    // In whole gallons: a drum of 208 L is what is called one of 55 gallons.
    let gallons = (UsGallons::from(one.container.capacity).hundredths() + 50) / 100;
    UsGallons::from_hundredths(gallons * 100) < policy.spill_plan_counts
}

/// By capacity, not by contents.
fn spill_plan(liquids: &[&Placed], policy: &StoragePolicy) -> Option<Finding> {
    let counted = liquids.iter().filter(|one| one.place != Place::Buried && !is_small(one, policy));
    let sum = counted.fold(UsGallons::default(), |sum, one| plus(sum, one.container.capacity, one.number));
    (!liquids.is_empty())
        .then(|| volume(FindingCode::SpillPlan, None, (sum, Grade::A), policy.spill_plan, SPILL))
}

fn traced(container: usize, one: &Placed, policy: &StoragePolicy) -> Vec<StorageTrace> {
    let gas = one.container.fuel == StoredFuel::Propane;
    let tank = one.container.kind == ContainerKind::Tank;
    let small = is_small(one, policy);
    let outdoors = pile(&one.place).is_some() && !tank && !gas;
    let somewhere = one.from_building.is_some() && one.from_other_pile.is_some();
    [
        (gas || tank || one.place == Place::Buried, StorageTrace::NotCounted { container, source: OSHA }),
        (gas || one.place == Place::Buried, StorageTrace::NotCounted { container, source: SPILL }),
        (!gas && one.container.contents.is_none(), StorageTrace::CountedAsFull { container }),
        (one.container.fuel == StoredFuel::Diesel, StorageTrace::CountedAsCategory3 { container }),
        (!gas && small && one.place != Place::Buried, StorageTrace::TooSmallToCount { container }),
        (outdoors && !somewhere, StorageTrace::DistanceNotKnown { container }),
    ]
    .into_iter()
    .filter_map(|(holds, trace)| holds.then_some(trace))
    .collect()
}
