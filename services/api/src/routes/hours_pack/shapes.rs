//! What is told of an incident.

use std::collections::BTreeSet;

use interval::{DeferralDecided, Grade};
use model::{EventId, IncidentId, Instant, Label, Litres, SiteId, UnitId, event::RunReason, outage::Staged};
use serde::Serialize;
use standby::{asked::Asked, caution::Caution, incident::Pack};
use utoipa::ToSchema;

use super::super::moment::KnownThen;

/// What an incident came to.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct HoursPack {
    /// The incident.
    #[schema(value_type = String, format = "uuid")]
    pub(super) incident_id: IncidentId,
    /// What it is called.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub(super) name: Option<Label>,
    /// The instant of the answer.
    #[schema(value_type = String, format = DateTime)]
    pub(super) as_of: Instant,
    /// What of the log it rests on.
    #[serde(flatten)]
    pub(super) known: KnownThen,
    /// Each run, or part of one, in order of time.
    pub(super) runs: Vec<RunInIncident>,
    /// Hours and fuel by unit and purpose; it names runs by their place in `runs`, from 0.
    pub(super) sum: Pack,
    /// What was let wait in it, by unit and time.
    pub(super) deferrals: Vec<DeferralInIncident>,
    /// What was staged at sites that you may see.
    pub(super) staging: Vec<Staged>,
    /// What to enter so that nothing is missing.
    pub(super) missing: Vec<Asked>,
    /// What it rests on.
    pub(super) trace: Vec<HoursPackTrace>,
    /// What to heed while sets run.
    pub(super) cautions: Vec<Caution>,
}

/// A run in an incident, or the part of one that fell into it at one of its sites.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RunInIncident {
    /// The unit.
    #[schema(value_type = String, format = "uuid")]
    pub(super) unit_id: UnitId,
    /// What people call the unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) unit_label: Option<String>,
    /// Where it stood.
    #[schema(value_type = String, format = "uuid")]
    pub(super) site_id: SiteId,
    /// The event that tells of the run, or of its start.
    #[schema(value_type = String, format = "uuid")]
    pub(super) event_id: EventId,
    /// Since when.
    #[schema(value_type = String, format = DateTime)]
    pub(super) from: Instant,
    /// Until when; absent where its stop was never recorded and something shows that it has stopped, or where only its day is known:
    /// its hours are not counted.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    pub(super) until: Option<Instant>,
    /// Whether it still goes on: its hours are those until now.
    pub(super) goes_on: bool,
    /// Whether only its day is known: where not all of that is within the incident, its hours are not counted.
    pub(super) only_day: bool,
    /// Whether it began before the incident or went on after it, or the unit was moved meanwhile.
    pub(super) is_part: bool,
    /// What it was for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) reason: Option<RunReason>,
    /// What it burned; absent where no event tells it.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>)]
    pub(super) litres: Option<Litres>,
    /// How well its hours are known.
    pub(super) grade: Grade,
}

/// A deferral that was decided in an incident.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DeferralInIncident {
    /// The unit.
    #[schema(value_type = String, format = "uuid")]
    pub(super) unit_id: UnitId,
    /// What people call the unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) unit_label: Option<String>,
    /// The deferral.
    #[serde(flatten)]
    pub(super) deferral: DeferralDecided,
}

/// One thing that the answer rests on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub(crate) enum HoursPackTrace {
    /// The time that runs were cut to.
    Window {
        /// Its beginning.
        #[schema(value_type = String, format = DateTime)]
        from: Instant,
        /// Its end, not included: that of the incident, or now while it goes on.
        #[schema(value_type = String, format = DateTime)]
        until: Instant,
        /// Whether the incident goes on.
        open: bool,
    },
    /// The incident names no sites, and is about all.
    AllSites,
    /// Only units and staging at sites that you may see were looked at.
    OnlyWhatYouSee,
    /// How many units were looked at.
    UnitsLookedAt {
        /// So many.
        #[schema(example = 12)]
        value: usize,
    },
    /// A run goes on; its hours are estimated, until now.
    GoesOn {
        /// The place of the run, from 0.
        run: usize,
    },
    /// Of a run only the day is known: its hours are estimated, or not counted.
    OnlyDayKnown {
        /// The place of the run, from 0.
        run: usize,
    },
    /// A run without a stop that has ended: its hours are not counted.
    StopMissing {
        /// The place of the run, from 0.
        run: usize,
    },
}

impl HoursPack {
    /// Every site that it names.
    pub(super) fn sites(&self) -> BTreeSet<SiteId> {
        let runs = self.runs.iter().map(|run| run.site_id);
        let deferrals = self.deferrals.iter().map(|one| one.deferral.site_id);
        runs.chain(deferrals).chain(self.staging.iter().map(|staged| staged.site_id)).collect()
    }
}
