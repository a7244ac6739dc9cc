//! The clocks of all places and jobs.

use std::collections::BTreeMap;

use super::{
    Asked, Clock, Placement, Residence, ResidenceError, ResidencePolicy, ResidenceTrace,
    clock::clock,
    season::{Counts, counts},
    spell::{spells, with_own_stays},
};

/// How long each job was done at each place, whatever order the placements came in.
///
/// # Errors
///
/// Where a unit is in two places at once.
pub fn residence(asked: &Asked, policy: &ResidencePolicy) -> Result<Residence, ResidenceError> {
    one_place_at_a_time(asked.placements)?;
    let mut trace = Vec::new();
    let mut jobs: BTreeMap<(&str, &str), Vec<&Placement>> = BTreeMap::new();
    let mut places: BTreeMap<&str, Vec<&Placement>> = BTreeMap::new();
    for placement in in_order(asked.placements) {
        let (unit, from) = (placement.unit.clone(), placement.from);
        if from > asked.today {
            trace.push(ResidenceTrace::PlacedLater { unit, from });
            continue;
        }
        let (location, function) = (placement.location.clone(), placement.function.clone());
        trace.push(ResidenceTrace::PlacementUsed { unit, location, function, from });
        jobs.entry((&placement.location, &placement.function)).or_default().push(placement);
        places.entry(&placement.location).or_default().push(placement);
    }
    for season in asked.seasonal {
        if let Counts::No(why) = counts(season, policy) {
            let (location, opens) = (season.location.clone(), season.opens);
            trace.push(ResidenceTrace::SeasonLeftOut { location, opens, why });
        }
    }
    let of_job = |((location, _), of_job): (&(&str, &str), &Vec<&Placement>)| -> Vec<Clock> {
        let here = places.get(location).map_or(&[][..], Vec::as_slice);
        let spells = spells(of_job, here, asked, policy).into_iter();
        spells.map(|spell| clock(&with_own_stays(spell, here, asked, policy), asked, policy)).collect()
    };
    let clocks = jobs.iter().flat_map(of_job).collect();
    let ResidencePolicy { name, edition, source, .. } = policy.clone();
    Ok(Residence { clocks, today: asked.today, policy: name, edition, source, trace })
}

fn in_order(placements: &[Placement]) -> Vec<&Placement> {
    let mut sorted: Vec<&Placement> = placements.iter().collect();
    sorted.sort_by_key(|placement| {
        (placement.from, placement.until.is_none(), placement.until, &placement.unit, &placement.location)
    });
    sorted
}

fn one_place_at_a_time(placements: &[Placement]) -> Result<(), ResidenceError> {
    let mut of_unit: BTreeMap<&str, Vec<(usize, &Placement)>> = BTreeMap::new();
    for (at, placement) in placements.iter().enumerate() {
        of_unit.entry(&placement.unit).or_default().push((at, placement));
    }
    for mut placed in of_unit.into_values() {
        placed.sort_by_key(|(_, placement)| (placement.from, placement.until.is_none(), placement.until));
        for ((_, earlier), (at, later)) in placed.iter().zip(placed.iter().skip(1)) {
            if earlier.until.is_none_or(|until| later.from < until) {
                return Err(ResidenceError::InTwoPlaces(*at));
            }
        }
    }
    Ok(())
}
