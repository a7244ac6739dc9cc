//! What is in the tank, by what was filled in, measured, taken out and burned.

use interval::Happened;
use model::{
    EventId, Hours, Instant, LocalDate,
    event::{Details, EthanolWord, Filled, FuelAction, FuelAmount, FuelChange},
};
use serde::Serialize;
use utoipa::ToSchema;

use super::{
    Record, RunTold,
    burned::{Burned, Doubt},
};
use crate::{
    amount::Volume,
    burn::propane,
    fuel::{Batch, Dated, Ethanol, Ledger, Movement, Tank, TankFuel, fold},
};

/// What is in the tank of a unit, and how well that is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FuelRecord {
    /// The tank, and what did not add up. What is not known of what was burned counts as burned at full load, so that no less is
    /// in the tank than told.
    pub ledger: Ledger,
    /// The same where what is not known counts as not burned, so that its fuel is no older than told; absent where all is known.
    pub oldest: Option<Ledger>,
    /// Whether anybody ever wrote down what went in or was in.
    pub told: bool,
    /// What happened since the tank was last measured of which it is not known how much fuel it took or gave, or only by a guess on
    /// the safe side.
    pub uncounted: Vec<Uncounted>,
    /// The events that it rests on.
    pub evidence: Vec<EventId>,
}

/// Something of which it is not known how much fuel it took or gave.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
#[schema(as = RunNotCounted)]
pub enum Uncounted {
    /// Its load was not written down: it counts as full, so that the tank is rather fuller than told.
    LoadTakenAsFull {
        /// The event of the run.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
    },
    /// It was weighed, and is no propane: it counts as nothing until it is told in litres.
    Weighed {
        /// The event.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
    },
    /// How long it took, or what the unit burns, is not known: nothing was taken off.
    NotTakenOff {
        /// The event of the run.
        #[schema(value_type = String, format = "uuid")]
        event_id: EventId,
    },
    /// The meter went on for longer than the runs written down: so many hours count as run at full load.
    HoursTakenAsFull {
        /// How many.
        #[schema(value_type = f64)]
        hours: Hours,
    },
    /// The same, and what the unit burns is not known: nothing was taken off.
    HoursNotTakenOff {
        /// How many.
        #[schema(value_type = f64)]
        hours: Hours,
    },
}

impl FuelRecord {
    /// Whether what was entered of the tank agrees: no more was taken out than was in, nor filled in than it holds, and all has a
    /// volume.
    pub(super) fn adds_up(&self) -> bool {
        let weighed = |of: &Uncounted| matches!(of, Uncounted::Weighed { .. });
        !self.ledger.overfull && !self.ledger.overdrawn && !self.uncounted.iter().any(weighed)
    }

    /// Whether it is known how much is in the tank.
    #[must_use]
    pub fn level_known(&self) -> bool {
        let not_taken_off = |run: &Uncounted| {
            matches!(run, Uncounted::NotTakenOff { .. } | Uncounted::HoursNotTakenOff { .. })
        };
        self.told && self.adds_up() && !self.uncounted.iter().any(not_taken_off)
    }

    /// How much is in the tank, if that is known.
    #[must_use]
    pub fn level(&self) -> Option<Volume> {
        let tank = &self.ledger.tank;
        self.level_known().then(|| tank.capacity().map_or(tank.volume(), |most| tank.volume().or_less(most)))
    }
}

impl Record<'_> {
    /// What is in the tank at the instant asked about; none where the unit has no tank of one fuel.
    #[must_use]
    pub fn fuel(&self) -> Option<FuelRecord> {
        self.fuel_by(&self.runs())
    }

    pub(super) fn fuel_by(&self, runs: &[RunTold]) -> Option<FuelRecord> {
        let fuel = self.fields.fuel.and_then(TankFuel::of)?;
        let (changes, weighed): (Vec<(&Happened, &FuelChange)>, Vec<_>) =
            self.picked(change).partition(|(_, change)| counts(change, fuel));
        let measured = changes.iter().rfind(|(_, change)| is_level(change)).map(|(event, _)| event.at);
        let first = changes.iter().find(|(_, change)| is_told(change)).map(|(event, _)| event.at);
        let burns = self.burns(runs, measured.or(first));
        let sure: Vec<Burned> = burns.all.iter().filter(|burned| !burned.guessed).copied().collect();
        let is_open = |doubt: &Doubt| measured.is_none_or(|at| doubt.until.is_none_or(|until| until > at));
        let weighed = weighed.iter().map(|(event, _)| *event);
        let told_since = weighed.clone().filter(|event| measured.is_none_or(|at| event.at > at));
        let no_volume = told_since.map(|event| Uncounted::Weighed { event_id: event.id });
        let doubts = burns.doubts.into_iter().filter(is_open).map(|doubt| doubt.of);
        Some(FuelRecord {
            ledger: self.ledger(fuel, &changes, &burns.all),
            oldest: (sure.len() < burns.all.len()).then(|| self.ledger(fuel, &changes, &sure)),
            told: first.is_some(),
            uncounted: doubts.chain(no_volume).collect(),
            evidence: changes.iter().map(|(event, _)| *event).chain(weighed).map(|event| event.id).collect(),
        })
    }

    /// The tank after all that went in and out, each at its instant.
    fn ledger(&self, fuel: TankFuel, changes: &[(&Happened, &FuelChange)], burns: &[Burned]) -> Ledger {
        let mut moved: Vec<(Instant, LocalDate, Movement)> = Vec::with_capacity(changes.len() + burns.len());
        for burned in burns {
            let after = changes.get(changes.partition_point(|(event, _)| event.at <= burned.from)..);
            let cuts = after.unwrap_or_default().iter().map(|(event, _)| event.at);
            let cuts = cuts.take_while(|at| *at < burned.until);
            let parts =
                burned.cut_at(cuts).map(|(at, volume)| (at, self.zone.date(at), Movement::Burn(volume)));
            moved.extend(parts);
        }
        moved.extend(
            changes
                .iter()
                .filter_map(|(event, change)| Some((event.at, event.on, movement(change, event.on, fuel)?))),
        );
        // What was burned up to an instant was burned when the tank was filled or measured then.
        moved.sort_by_key(|(at, ..)| *at);
        // Days of two zones may run backwards; what came first stays first.
        let mut day = LocalDate::FIRST;
        let dated = |(_, on, movement): (Instant, LocalDate, Movement)| {
            day = day.max(on);
            Dated { on: day, movement }
        };
        let movements: Vec<Dated> = moved.into_iter().map(dated).collect();
        let tank = Tank::empty(fuel, self.fields.tank_litres.map(Into::into));
        // What cannot be was refused when it was entered.
        let refused = |_| Ledger { tank: tank.clone(), notes: Vec::new(), overdrawn: true, overfull: false };
        fold(tank.clone(), &movements, self.today().max(day)).unwrap_or_else(refused)
    }
}

/// Whether it says how much went in or was in.
const fn is_told(change: &FuelChange) -> bool {
    matches!(change.action, FuelAction::Filled(_) | FuelAction::Measured { .. })
}

const fn is_level(change: &FuelChange) -> bool {
    matches!(change.action, FuelAction::Measured { .. })
}

fn change(details: &Details) -> Option<&FuelChange> {
    if let Details::Fuel(change) = details { Some(change) } else { None }
}

/// What it does to the tank; nothing where it was weighed and is no propane.
fn movement(change: &FuelChange, on: LocalDate, fuel: TankFuel) -> Option<Movement> {
    Some(match &change.action {
        FuelAction::Filled(filled) => Movement::Fill(batch(filled, on), volume(filled.amount, fuel)?),
        FuelAction::Taken { amount } => Movement::Drain(volume(*amount, fuel)?),
        FuelAction::Treated => Movement::Treat,
        FuelAction::Measured { amount } => Movement::Level(volume(*amount, fuel)?),
    })
}

fn counts(change: &FuelChange, fuel: TankFuel) -> bool {
    movement(change, LocalDate::FIRST, fuel).is_some()
}

fn volume(amount: FuelAmount, fuel: TankFuel) -> Option<Volume> {
    match amount {
        FuelAmount::Litres(litres) => Some(litres.into()),
        FuelAmount::Kilograms(mass) => (fuel == TankFuel::Propane).then(|| propane(mass.into())),
    }
}

/// A parcel as it was described. The day of purchase as written may be one ahead of that at the site, and is then the same; one
/// that lies further ahead is as good as none.
fn batch(filled: &Filled, on: LocalDate) -> Batch {
    let there = |day: LocalDate| (day <= on.plus_days(1)).then(|| day.min(on));
    let mut batch = Batch::bought(filled.bought_on.and_then(there)).with_ethanol(match filled.ethanol {
        Some(EthanolWord::Free) => Ethanol::Free,
        Some(EthanolWord::UpTo10) => Ethanol::UpTo10,
        Some(EthanolWord::Above10) => Ethanol::Above10,
        None => Ethanol::NotKnown,
    });
    batch = filled.opened_on.and_then(|on| batch.opened(on).ok()).unwrap_or(batch);
    batch = filled.treated_on.and_then(|on| batch.treated(on).ok()).unwrap_or(batch);
    filled.stored_at_celsius.and_then(|celsius| batch.stored_at(celsius).ok()).unwrap_or(batch)
}
