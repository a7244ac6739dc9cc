//! A set through an outage: when it stops and for what, and what has to be there beforehand.
//!
//! The set runs from the start. It stops at the first of two things: the hours since its last oil check reach what they may, or its
//! tank is down to the reserve. At a stop the oil is checked and the tank filled; nothing is burned. A task is done at the last
//! stop before it would fall due. Where it falls due before any stop, it is done at the next one if it may be that late, and
//! otherwise has a stop of its own at its limit.
//!
//! ```
//! use model::{Hours, Instant, Kilowatts, Litres, Zone, unit::Fuel};
//! use standby::burn::BurnFacts;
//! use standby::load::{Load, Profile, Share};
//! use standby::outage::{Oil, OnSite, Outage, OutagePolicy, Set, Supply, run_through};
//!
//! let (litres, hours) = (|litres: i64| Litres::from_hundredths(litres * 100), |hours: i64| Hours::from_seconds(hours * 3600));
//! let outage = Outage {
//!     start: Instant::parse("2025-08-01T18:00:00-06:00").unwrap(),
//!     duration: hours(72),
//!     zone: Zone::parse("America/Denver").unwrap(),
//!     policy: OutagePolicy::standard(),
//! };
//! let set = Set {
//!     burn: BurnFacts { fuel: Some(Fuel::Diesel), rated_kw: Some(Kilowatts::from_hundredths(2_000)), ..BurnFacts::default() },
//!     load: Some(Profile::Constant(Load::Share(Share::from_percent(75)))),
//!     supply: Supply::OwnTank { capacity: Some(litres(100)), start: Some(litres(80)), reserve: litres(20) },
//!     on_site: OnSite { litres: litres(60), can_size: Some(litres(20)) },
//!     engine_hours: None,
//!     running: false,
//!     since_check: Hours::ZERO,
//!     check_every: Some(hours(24)),
//!     tasks: Vec::new(),
//!     not_told: Vec::new(),
//!     oil: Oil::default(),
//!     plain_stop: None,
//! };
//! let answer = run_through(&outage, &set).unwrap();
//! let plan = answer.plan().unwrap();
//!
//! // 60 L above the reserve last 12.19 h at the 4.92 L/h of the generic table, which is grade C.
//! assert_eq!(plan.stops[0].run_hours.to_string(), "12.19");
//! assert_eq!(plan.fuel_grade, interval::Grade::C);
//! assert_eq!(plan.stage.cans.unwrap().count, 12);
//!
//! // Without a tank there is no answer but what to enter.
//! let nothing = Supply::OwnTank { capacity: None, start: None, reserve: litres(0) };
//! assert!(run_through(&outage, &Set { supply: nothing, ..set }).unwrap().plan().is_none());
//! ```

mod cautions;
mod course;
mod error;
mod fleet;
mod input;
pub mod live;
mod plan;
mod prepare;
mod rates;
mod site;
mod stage;
mod tell;
mod trace;

use model::{Hours, quantity::Litres};

use self::{
    course::{Cause, Course, Stock},
    prepare::{Prepared, Ready},
};
pub use self::{
    error::OutageError,
    fleet::{FleetStage, SiteAsked, SiteStage, fleet},
    input::{EngineHours, HourLimit, NotTold, Oil, OilUse, OnSite, Outage, Set, Supply, Task},
    plan::{
        After, Answer, Cans, Carried, OilToStage, OnSiteLasts, Part, RunThrough, Stage, Stop, StopReason,
        Weighed, Work,
    },
    site::{FuelToStage, SharedLasts, SitePlan, SiteTank, UnitAnswer, UnitSet, site},
    trace::TraceEntry,
};

/// The rules of a run-through; a municipality may have its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OutagePolicy {
    /// Its name.
    pub name: &'static str,
    /// Running hours from one oil check to the next where nothing else is stated.
    pub check_every: Hours,
    /// How long a stop lasts for a check and fuel.
    pub plain_stop: Hours,
    /// How long a stop lasts with work.
    pub work_stop: Hours,
    /// What a bottle of oil holds.
    pub oil_bottle: Litres,
    /// Bottles of oil to spare.
    pub spare_bottles: i64,
    /// The longest outage that is planned for.
    pub longest: Hours,
}

impl OutagePolicy {
    /// The oil checked every 8 running hours (common practice for small engines), stops of 20 minutes and of 40 with work, in which a
    /// petrol set cools before it is refuelled (common practice), bottles of 1 litre and one to spare, and at most 366 days.
    #[must_use]
    pub const fn standard() -> Self {
        Self {
            name: "standard",
            check_every: Hours::from_seconds(8 * 3600),
            plain_stop: Hours::from_seconds(20 * 60),
            work_stop: Hours::from_seconds(40 * 60),
            oil_bottle: Litres::from_hundredths(100),
            spare_bottles: 1,
            longest: Hours::from_seconds(366 * 86_400),
        }
    }
}

/// Runs one set through an outage.
///
/// The plan is made as if all that is to be staged were there; [`RunThrough::on_site`] says how far it goes without.
///
/// # Errors
/// Where what was entered cannot be, or contradicts itself.
pub fn run_through(outage: &Outage, set: &Set) -> Result<Answer, OutageError> {
    answer(outage, set, Filling::Staged)
}

/// Runs one set through an outage with nothing but what is on the site: once that is used up it stops for good.
///
/// # Errors
/// Where what was entered cannot be, or contradicts itself.
pub fn run_through_unstaged(outage: &Outage, set: &Set) -> Result<Answer, OutageError> {
    answer(outage, set, Filling::FromSite)
}

/// What tanks are filled from in a plan.
#[derive(Clone, Copy)]
enum Filling {
    Staged,
    FromSite,
}

fn answer(outage: &Outage, set: &Set, filling: Filling) -> Result<Answer, OutageError> {
    Ok(match prepare::prepare(outage, set)? {
        Prepared::Missing(missing) => Answer::Unknown { missing },
        Prepared::Ready(ready) => {
            Answer::Planned { plan: Box::new(planned(outage, set, &ready, filling)?.0) }
        }
    })
}

/// The plan of a set and its course where all is staged, which a site adds up.
fn planned(
    outage: &Outage,
    set: &Set,
    ready: &Ready,
    filling: Filling,
) -> Result<(RunThrough, Course), OutageError> {
    let run =
        |stock| course::course(ready.set(stock)).map_err(|course::TooManyStops(cause)| too_many(set, cause));
    let with_stock = run(Stock::OnSite(set.on_site.litres.into()))?;
    let staged = run(Stock::Staged)?;
    if staged.ran_dry.is_some() {
        return Err(OutageError::TankLastsNoTime);
    }
    let courses = tell::Courses { staged: &staged, with_stock: &with_stock };
    Ok((tell::plan(outage, set, ready, filling, &courses), staged))
}

/// Which entry makes too many stops.
fn too_many(set: &Set, cause: Cause) -> OutageError {
    let check = set.tasks.iter().position(|task| task.is_check).filter(|_| set.check_every.is_none());
    let pointer = match (cause, check) {
        (Cause::Check, Some(place)) => format!("/tasks/{place}/hours/interval"),
        (Cause::Check, None) => "/check_every_hours".to_owned(),
        (Cause::Task, _) => "/tasks".to_owned(),
        (Cause::Reserve | Cause::End, _) => "/supply/tank_litres".to_owned(),
    };
    OutageError::TooManyStops { pointer }
}
