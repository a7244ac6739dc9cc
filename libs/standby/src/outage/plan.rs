//! What is answered about one set and one outage.

use interval::Grade;
use model::{Code, Hours, Instant, Label, LocalDate, quantity::Litres};
use serde::Serialize;
use utoipa::ToSchema;

use super::TraceEntry;
use crate::{asked::Asked, caution::Caution, convert::Kilograms, load::Share};

/// The run-through, or what has to be entered for one.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "answer", rename_all = "snake_case")]
#[schema(as = RunThroughAnswer)]
pub enum Answer {
    /// How it will go.
    Planned {
        /// The plan.
        plan: Box<RunThrough>,
    },
    /// Too little is known to say.
    Unknown {
        /// What to enter.
        missing: Vec<Asked>,
    },
}

impl Answer {
    /// The plan, if there is one.
    #[must_use]
    pub fn plan(&self) -> Option<&RunThrough> {
        match self {
            Self::Planned { plan } => Some(plan),
            Self::Unknown { .. } => None,
        }
    }
}

/// A set through an outage: stops, sums, what to stage, and what comes after.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct RunThrough {
    /// When it begins.
    #[schema(value_type = String, format = DateTime)]
    pub from: Instant,
    /// When it ends.
    #[schema(value_type = String, format = DateTime)]
    pub until: Instant,
    /// What the set carries.
    pub load: Carried,
    /// The stops in order.
    pub stops: Vec<Stop>,
    /// Hours that the set runs.
    #[schema(value_type = f64, example = 69.0)]
    pub run_hours: Hours,
    /// Hours that it stands at stops.
    #[schema(value_type = f64, example = 3.0)]
    pub down_hours: Hours,
    /// Hours without power because the fuel ran out; none in a plan for which all is staged.
    #[schema(value_type = f64, example = 0.0)]
    pub out_hours: Hours,
    /// Fuel that is burned; absent where it comes from a main, since that is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 129.26)]
    pub fuel_burned_litres: Option<Litres>,
    /// Fuel that is filled in at the stops; absent without a tank of its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 118.56)]
    pub fuel_added_litres: Option<Litres>,
    /// What is in the tank at the end; absent without a tank of its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 13.3)]
    pub fuel_at_end_litres: Option<Litres>,
    /// What would be burned without any stop: it is never more than that. Absent where the fuel comes from a main.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 134.88)]
    pub fuel_without_stops_litres: Option<Litres>,
    /// Engine hours at the end, if they are known at the start.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 281.4)]
    pub engine_hours_at_end: Option<Hours>,
    /// How well the fuel is known: the worst of the rates at its loads; not at all where it comes from a main.
    pub fuel_grade: Grade,
    /// What to have there beforehand, so that it runs to the end; the same whatever the plan is filled from.
    pub stage: Stage,
    /// How far what is on the site goes.
    pub on_site: OnSiteLasts,
    /// What falls due after, the soonest first.
    pub after: Vec<After>,
    /// What the answer rests on, and what it leaves out.
    pub trace: Vec<TraceEntry>,
    /// What to heed.
    pub cautions: Vec<Caution>,
}

/// A stop.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = OutageStop)]
pub struct Stop {
    /// When it begins.
    #[schema(value_type = String, format = DateTime)]
    pub at: Instant,
    /// How long it lasts in hours.
    #[schema(value_type = f64, example = 0.33)]
    pub lasts_hours: Hours,
    /// Hours run since the outage began.
    #[schema(value_type = f64, example = 8.0)]
    pub run_hours: Hours,
    /// Engine hours, if they are known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 220.4)]
    pub engine_hours: Option<Hours>,
    /// Fuel to fill in.
    #[schema(value_type = f64, example = 13.92)]
    pub add_litres: Litres,
    /// What is done at it.
    pub work: Vec<Work>,
    /// The tasks that are done at it, by code.
    #[schema(value_type = Vec<String>)]
    pub tasks: Vec<Code>,
    /// Why it is then.
    pub reason: StopReason,
}

/// What is done at a stop.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = StopWork)]
pub enum Work {
    /// Look at the oil, and make up what is missing.
    CheckOil,
    /// Fill the tank.
    Refuel,
    /// Do the tasks named.
    Tasks,
}

/// Why a stop is when it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StopReason {
    /// The oil has to be checked.
    OilCheck,
    /// The tank is down to its reserve.
    ReserveReached,
    /// A task is due and cannot wait for the next stop.
    TaskDue,
    /// Something has to be done before the set is started at all.
    BeforeStart,
}

/// What a set carries, as shares of its rating.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = LoadCarried)]
pub struct Carried {
    /// The least.
    #[schema(value_type = f64, example = 0.3)]
    pub least_share: Share,
    /// The most.
    #[schema(value_type = f64, example = 0.6)]
    pub most_share: Share,
}

impl Carried {
    pub(super) const fn steady(share: Share) -> Self {
        Self { least_share: share, most_share: share }
    }

    pub(super) fn and(self, share: Share) -> Self {
        Self { least_share: self.least_share.min(share), most_share: self.most_share.max(share) }
    }
}

/// What to have on the site beforehand.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = ToStage)]
pub struct Stage {
    /// The least fuel beyond what is in the tank and on the site for the plan as it stands: burned + reserve - what is there. Tanks
    /// that are not filled up at a stop may shift work and with it the plan; `fuel_to_fill_up_litres` is always enough. Absent
    /// without a tank of its own: what it draws is staged for the site, or comes from a main.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 50.06)]
    pub fuel_litres: Option<Litres>,
    /// Fuel beyond what is on the site where every stop fills the tank; absent without a tank of its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 58.56)]
    pub fuel_to_fill_up_litres: Option<Litres>,
    /// The same two weighed, in kilograms; of propane only.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub weighed: Option<Weighed>,
    /// The least fuel in cans of the size that the site uses, rounded up; absent without such cans or a tank of its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cans: Option<Cans>,
    /// Oil, to make up and to change; absent where neither is known, which does not mean that none is needed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub oil: Option<OilToStage>,
    /// Parts, each with how many.
    pub parts: Vec<Part>,
}

/// Propane to stage, in kilograms at 0.508 kg per litre.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = PropaneToStage)]
pub struct Weighed {
    /// The least.
    #[schema(value_type = f64, example = 25.43)]
    pub fuel_kilograms: Kilograms,
    /// Where every stop fills the tank.
    #[schema(value_type = f64, example = 29.75)]
    pub fuel_to_fill_up_kilograms: Kilograms,
}

/// Cans to stage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = CansToStage)]
pub struct Cans {
    /// What one holds.
    #[schema(value_type = f64, example = 20.0)]
    pub size_litres: Litres,
    /// How many.
    #[schema(example = 3)]
    pub count: i64,
}

/// Oil to stage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct OilToStage {
    /// How much is used.
    #[schema(value_type = f64, example = 1.98)]
    pub litres: Litres,
    /// What one bottle holds.
    #[schema(value_type = f64, example = 1.0)]
    pub bottle_litres: Litres,
    /// Bottles that are used, rounded up.
    #[schema(example = 2)]
    pub bottles: i64,
    /// Bottles with the spare ones of the policy.
    #[schema(example = 3)]
    pub bottles_with_spare: i64,
    /// Whether all of it is known; if not it is the least, and the trace names what to enter.
    pub complete: bool,
}

/// A part to stage.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = PartToStage)]
pub struct Part {
    /// The part.
    #[schema(value_type = String, example = "air filter")]
    pub part: Label,
    /// How many.
    #[schema(example = 1)]
    pub count: u32,
}

/// How far what is on the site goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "on_site", rename_all = "snake_case")]
pub enum OnSiteLasts {
    /// To the end.
    Suffices,
    /// The tank is at its reserve and nothing is left to fill in.
    RunsOut {
        /// Then.
        #[schema(value_type = String, format = DateTime)]
        at: Instant,
        /// After so many hours of running.
        #[schema(value_type = f64, example = 41.2)]
        run_hours: Hours,
    },
    /// Fuel on the site does not limit it: it comes from a main, which may fail, too.
    Piped,
    /// It draws on the tank of the site: see there.
    OfTheSite,
}

/// A task that falls due after the outage.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = DueAfterOutage)]
pub struct After {
    /// Its code.
    #[schema(value_type = String, example = "air_filter")]
    pub task: Code,
    /// Engine hours at which it is due: its limit, or where it was done in the outage, the hours then and its interval.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 286.4)]
    pub due_at_hours: Option<Hours>,
    /// Running hours left at the end of the outage, by the most that engine hours may be; negative where it is past due.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 5.0)]
    pub left_hours: Option<Hours>,
    /// The date on which it is due.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub due_date: Option<LocalDate>,
}
