//! What went into a tank and out of it, in order of days; what does not add up is named, never smoothed over.

use model::{LocalDate, quantity::Litres};
use serde::Serialize;
use utoipa::ToSchema;

use super::{Batch, FuelError, Tank};
use crate::amount::Volume;

/// Something that happened to the fuel in a tank.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Movement {
    /// A parcel was filled in.
    Fill(Batch, Volume),
    /// The engine burned so much.
    Burn(Volume),
    /// So much was drained off.
    Drain(Volume),
    /// The level was measured: so much is in the tank.
    Level(Volume),
    /// Stabiliser was added to what is in the tank.
    Treat,
}

/// A movement on its day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Dated {
    /// The day.
    pub on: LocalDate,
    /// What happened.
    pub movement: Movement,
}

/// What a tank holds at the end of a day, and what did not add up on the way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ledger {
    /// The tank.
    pub tank: Tank,
    /// What did not add up.
    pub notes: Vec<TankNote>,
    /// More was taken than the record held, and no level was measured since: what is in the tank is not known.
    pub overdrawn: bool,
    /// More went in than it holds, by more than a tenth, and no level that fits was measured since: the same.
    pub overfull: bool,
}

/// Something that does not add up, or that was left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum TankNote {
    /// More is in the tank than fits.
    OverCapacity {
        /// Since that day.
        #[schema(value_type = String, format = Date)]
        on: LocalDate,
        /// By so many litres.
        #[schema(value_type = f64)]
        over_litres: Litres,
    },
    /// More was taken than the tank held by the record; what is in it is not known until its level is measured.
    TakenMoreThanHeld {
        /// On that day.
        #[schema(value_type = String, format = Date)]
        on: LocalDate,
        /// By so many litres.
        #[schema(value_type = f64)]
        missing_litres: Litres,
    },
    /// Less was measured than the record says; the difference was taken from all parcels alike.
    MeasuredLess {
        /// On that day.
        #[schema(value_type = String, format = Date)]
        on: LocalDate,
        /// By the record.
        #[schema(value_type = f64)]
        recorded_litres: Litres,
        /// As measured.
        #[schema(value_type = f64)]
        measured_litres: Litres,
        /// How much less.
        #[schema(value_type = f64)]
        difference_litres: Litres,
    },
    /// More was measured than the record says; the difference counts as fuel of unknown age.
    MeasuredMore {
        /// On that day.
        #[schema(value_type = String, format = Date)]
        on: LocalDate,
        /// By the record.
        #[schema(value_type = f64)]
        recorded_litres: Litres,
        /// As measured.
        #[schema(value_type = f64)]
        measured_litres: Litres,
        /// How much more.
        #[schema(value_type = f64)]
        difference_litres: Litres,
    },
    /// A movement after the day that was asked for.
    LeftOutLater {
        /// Its day.
        #[schema(value_type = String, format = Date)]
        on: LocalDate,
    },
}

/// What the tank holds at the end of `at`, by movements in any order of days; those of one day count in the order given.
///
/// # Errors
///
/// The place of the movement that cannot be, and why.
pub fn fold(mut tank: Tank, movements: &[Dated], at: LocalDate) -> Result<Ledger, (usize, FuelError)> {
    for (place, dated) in movements.iter().enumerate() {
        possible(dated).map_err(|error| (place, error))?;
    }
    let mut sorted = movements.to_vec();
    sorted.sort_by_key(|dated| dated.on);
    let (mut notes, mut overdrawn, mut overfull) = (Vec::new(), false, false);
    for dated in sorted {
        if dated.on > at {
            notes.push(TankNote::LeftOutLater { on: dated.on });
        } else {
            let note = moved(&mut tank, dated);
            overdrawn = match (dated.movement, note) {
                (Movement::Level(_), _) => false,
                (_, Some(TankNote::TakenMoreThanHeld { .. })) => true,
                _ => overdrawn,
            };
            let is_level = matches!(dated.movement, Movement::Level(_));
            overfull = is_overfull(&tank) || (overfull && !is_level);
            notes.extend(note);
        }
    }
    Ok(Ledger { tank, notes, overdrawn, overfull })
}

/// Whether so much more is in it than it holds that what was burned, which is known to a tenth at best, does not tell why.
fn is_overfull(tank: &Tank) -> bool {
    tank.capacity().is_some_and(|capacity| {
        let tenth = Volume::from_microlitres(capacity.microlitres() / 10);
        tank.volume() > capacity + tenth
    })
}

fn possible(dated: &Dated) -> Result<(), FuelError> {
    match dated.movement {
        Movement::Fill(batch, _) if batch.bought_on().is_some_and(|bought| bought > dated.on) => {
            Err(FuelError::FilledBeforeBought)
        }
        Movement::Fill(_, Volume::ZERO) | Movement::Burn(Volume::ZERO) | Movement::Drain(Volume::ZERO) => {
            Err(FuelError::NothingMoved)
        }
        _ => Ok(()),
    }
}

fn moved(tank: &mut Tank, Dated { on, movement }: Dated) -> Option<TankNote> {
    match movement {
        Movement::Fill(batch, volume) => {
            tank.fill(batch, volume);
            let over = tank.capacity().map_or(Volume::ZERO, |capacity| tank.volume() - capacity);
            (over > Volume::ZERO).then(|| TankNote::OverCapacity { on, over_litres: over.litres() })
        }
        Movement::Burn(volume) | Movement::Drain(volume) => {
            let missing = volume - tank.take(volume);
            (missing > Volume::ZERO)
                .then(|| TankNote::TakenMoreThanHeld { on, missing_litres: missing.litres() })
        }
        Movement::Level(measured) => levelled(tank, on, measured),
        Movement::Treat => {
            tank.treat(on);
            None
        }
    }
}

fn levelled(tank: &mut Tank, on: LocalDate, measured: Volume) -> Option<TankNote> {
    let recorded = tank.volume();
    let (less, more) = (recorded - measured, measured - recorded);
    let (recorded_litres, measured_litres) = (recorded.litres(), measured.litres());
    if less > Volume::ZERO {
        tank.take(less);
        let difference_litres = less.litres();
        return Some(TankNote::MeasuredLess { on, recorded_litres, measured_litres, difference_litres });
    }
    tank.fill(Batch::bought(None), more);
    let difference_litres = more.litres();
    (more > Volume::ZERO).then_some(TankNote::MeasuredMore {
        on,
        recorded_litres,
        measured_litres,
        difference_litres,
    })
}
