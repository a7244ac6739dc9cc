//! Ties together what happened in an incident.

use std::collections::{BTreeMap, BTreeSet};

use model::{EventId, IncidentId, Instant, Litres, SiteId, outage::IncidentFields};
use process::readiness::record;
use standby::{
    asked::Asked,
    caution::{BACK_FEED, CARBON_MONOXIDE, Caution, ENGINE_OFF_FOR_FUEL, MANUAL_FIRST},
    incident::{self, MissingField, Run},
};
use store::view::UnitStory;

use super::{
    super::moment::KnownThen,
    shapes::{DeferralInIncident, HoursPack, HoursPackTrace, RunInIncident},
};
use crate::problem::{ApiError, ApiResult};

/// What is said while sets may run.
const CAUTIONS: [Caution; 4] = [CARBON_MONOXIDE, BACK_FEED, ENGINE_OFF_FOR_FUEL, MANUAL_FIRST];

/// What a pack is about.
pub(super) struct Ground {
    pub(super) id: IncidentId,
    pub(super) incident: IncidentFields,
    /// The sites of the incident; none means all.
    pub(super) struck: Option<BTreeSet<SiteId>>,
    /// The sites that the asker sees; none means all.
    pub(super) sees: Option<Vec<SiteId>>,
    pub(super) now: Instant,
    pub(super) known: KnownThen,
}

impl Ground {
    /// The time of the incident, as far as it has passed.
    fn window(&self) -> ApiResult<(Instant, Instant)> {
        let from =
            self.incident.began_at.ok_or_else(|| ApiError::internal("an incident without a beginning"))?;
        let until = self.incident.ended_at.map_or(self.now, |ended| ended.min(self.now));
        Ok((from, until.max(from)))
    }

    fn is_open(&self) -> bool {
        self.incident.ended_at.is_none_or(|ended| self.now < ended)
    }

    fn is_struck(&self, site: SiteId) -> bool {
        self.struck.as_ref().is_none_or(|sites| sites.contains(&site))
    }
}

/// Everything about an incident, by these units.
pub(super) fn pack(ground: Ground, units: &[UnitStory]) -> ApiResult<HoursPack> {
    let (from, until) = ground.window()?;
    let runs = runs(&ground, units, from, until);
    let asked: Vec<Run> = runs.iter().map(asked).collect();
    let sum = incident::pack(&asked).map_err(ApiError::internal)?;
    let missing =
        sum.units.iter().flat_map(|unit| &unit.missing).map(|missing| enter(missing.run, missing.field));
    let mut missing: Vec<Asked> = missing.collect();
    missing.sort();
    let is_open = ground.is_open();
    let runs_go_on = runs.iter().any(|run| run.goes_on);
    let trace = trace(&ground, units.len(), &runs, (from, until));
    let deferrals = deferrals(&ground, units, from, until);
    let sees = |site: SiteId| ground.sees.as_ref().is_none_or(|sees| sees.contains(&site));
    let staging = ground.incident.staging.into_iter().flatten();
    Ok(HoursPack {
        incident_id: ground.id,
        name: ground.incident.name,
        as_of: ground.now,
        known: ground.known,
        runs,
        sum,
        deferrals,
        staging: staging.filter(|staged| sees(staged.site_id)).collect(),
        missing,
        trace,
        cautions: if is_open || runs_go_on { CAUTIONS.to_vec() } else { Vec::new() },
    })
}

fn runs(ground: &Ground, units: &[UnitStory], from: Instant, until: Instant) -> Vec<RunInIncident> {
    let of = |unit: &UnitStory| {
        let (unit_id, due, label) = (unit.id, &unit.due, unit.due.label.clone());
        let burned = burned(unit, ground.now);
        let within = due.state.runs_within(from, until, ground.now).into_iter();
        let here = within.filter(|run| ground.is_struck(run.site_id));
        let told = move |run: interval::RunWithin| RunInIncident {
            unit_id,
            unit_label: label.clone(),
            site_id: run.site_id,
            event_id: run.event_id,
            from: run.from,
            until: run.until,
            goes_on: run.goes_on,
            only_day: run.only_day,
            is_part: run.is_part,
            reason: run.reason,
            // Of a part of a run nobody measured what it burned.
            litres: burned.get(&run.event_id).copied().filter(|_| !run.is_part),
            grade: run.grade,
        };
        here.map(told).collect::<Vec<_>>()
    };
    let mut runs: Vec<RunInIncident> = units.iter().flat_map(of).collect();
    runs.sort_by_key(|run| (run.from, run.unit_id, run.event_id));
    runs
}

/// What the runs of a unit burned, as far as that was measured, by their events.
fn burned(unit: &UnitStory, now: Instant) -> BTreeMap<EventId, Litres> {
    let runs = record(unit, now).runs();
    runs.iter().filter_map(|run| Some((run.id, run.measured.fuel_used_litres?))).collect()
}

fn asked(run: &RunInIncident) -> Run {
    let RunInIncident { unit_id, from, until, reason, litres, grade, .. } = *run;
    Run { unit: unit_id, from, until, reason, litres, grade }
}

fn deferrals(ground: &Ground, units: &[UnitStory], from: Instant, until: Instant) -> Vec<DeferralInIncident> {
    let of = |unit: &UnitStory| {
        let (unit_id, due, label) = (unit.id, &unit.due, unit.due.label.clone());
        let within = due.state.deferrals_within(from, until).into_iter();
        let here = within.filter(|deferral| ground.is_struck(deferral.site_id));
        here.map(|deferral| DeferralInIncident { unit_id, unit_label: label.clone(), deferral })
            .collect::<Vec<_>>()
    };
    units.iter().flat_map(of).collect()
}

fn trace(
    ground: &Ground,
    looked_at: usize,
    runs: &[RunInIncident],
    (from, until): (Instant, Instant),
) -> Vec<HoursPackTrace> {
    let mut trace = vec![HoursPackTrace::Window { from, until, open: ground.is_open() }];
    trace.extend(ground.struck.is_none().then_some(HoursPackTrace::AllSites));
    trace.extend(ground.sees.is_some().then_some(HoursPackTrace::OnlyWhatYouSee));
    trace.push(HoursPackTrace::UnitsLookedAt { value: looked_at });
    trace.extend(runs.iter().enumerate().filter_map(|(run, of)| match of {
        RunInIncident { goes_on: true, .. } => Some(HoursPackTrace::GoesOn { run }),
        RunInIncident { only_day: true, .. } => Some(HoursPackTrace::OnlyDayKnown { run }),
        RunInIncident { until: None, .. } => Some(HoursPackTrace::StopMissing { run }),
        _ => None,
    }));
    trace
}

/// What to enter where something of a run was not recorded.
fn enter(run: usize, field: MissingField) -> Asked {
    let (member, enter) = match field {
        MissingField::Until => (
            "until",
            "When the run began and stopped: record its stop, or amend it where only its day is known.",
        ),
        MissingField::Reason => ("reason", "What the run was for: amend it."),
        MissingField::Litres => ("litres", "What the run burned."),
    };
    Asked::at(format!("/runs/{run}/{member}"), enter)
}
