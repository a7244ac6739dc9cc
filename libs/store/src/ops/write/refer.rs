//! Whether what an edit refers to is there, and may be seen by its author.
//!
//! Absent, foreign and hidden things give the same error, so that nobody learns of what he may not see.

use model::{
    Code, EventId, LocalDate, MailListId, PersonId, ScheduleId, SiteId, UnitId, Zone,
    edit::{RecordKind, Target},
    event::{
        Adoption, AppliesTo, Details, Finding, FindingAction, JobDone, LimitsOf, Run, RunPhase, Service,
        ServiceEvent, SettingOf, Tag, TagAction,
    },
    person::SiteScope,
    read::{FieldError, Flaw},
    time::{Occurred, TimeSource, When},
};
use serde_json::{Map, Value};

use super::super::super::Conn;
use super::super::{events, folds};
use super::{Work, Wrote, for_model::FURTHEST_EAST_SECONDS};
use crate::{error::Result, key::Key};

impl Work<'_> {
    /// What is wrong with the references among a record's fields.
    pub(super) fn reference_errors(
        &mut self,
        conn: &mut Conn,
        target: Target,
        fields: &Map<String, Value>,
    ) -> Result<Vec<FieldError>> {
        let mut errors = Vec::new();
        if let Some(Ok(site)) = fields.get("home_site_id").map(SiteId::read) {
            errors.extend(self.site_error(conn, "/home_site_id", site)?);
        }
        if let Some(Ok(person)) = fields.get("person_id").map(PersonId::read) {
            errors.extend(self.person_error(conn, "/person_id", person)?);
        }
        if let Some(Ok(list)) = fields.get("mail_list_id").map(MailListId::read) {
            errors.extend(self.mail_list_error(conn, "/mail_list_id", list)?);
        }
        errors.extend(self.outage_errors(conn, target, fields)?);
        if target.kind() == RecordKind::MailList
            && let Some(Ok(SiteScope::Only(sites))) = fields.get("sites").map(SiteScope::read)
        {
            for site in sites {
                errors.extend(self.site_error(conn, "/sites", site)?);
            }
        }
        Ok(errors)
    }

    /// What is wrong with an event that only the store can see.
    pub(super) fn event_errors(&mut self, conn: &mut Conn, event: &ServiceEvent) -> Result<Vec<FieldError>> {
        let mut errors = self.content_errors(conn, event.unit_id, &event.occurred, &event.details)?;
        if let Some(person) = event.on_behalf_of {
            errors.extend(self.person_error(conn, "/on_behalf_of", person)?);
        }
        if let Details::Correction(correction) = &event.details {
            errors.extend(self.correction_errors(conn, event, &correction.action)?);
        }
        Ok(errors)
    }

    /// What is wrong with what an event says by itself.
    pub(super) fn content_errors(
        &mut self,
        conn: &mut Conn,
        unit: UnitId,
        occurred: &Occurred,
        details: &Details,
    ) -> Result<Vec<FieldError>> {
        let mut errors = Vec::new();
        errors.extend(self.future_error(conn, unit, occurred)?);
        errors.extend(self.skipped_error(conn, unit, occurred)?);
        match details {
            Details::Commissioning(c) => errors.extend(self.site_error(conn, "/site_id", c.site_id)?),
            Details::Placement(p) => errors.extend(self.site_error(conn, "/site_id", p.site_id)?),
            Details::Service(service) => {
                errors.extend(self.job_errors(service));
                errors.extend(self.results_errors(conn, unit, occurred, service)?);
            }
            Details::Adoption(adoption) => errors.extend(self.adoption_error(conn, adoption)?),
            Details::Run(run) => errors.extend(self.run_error(conn, unit, occurred, run)?),
            Details::Setting(setting) => match &setting.what {
                SettingOf::LimitsOf(LimitsOf { schedule_id, task, .. }) => {
                    errors.extend(self.task_error(conn, "/limits_of", *schedule_id, task)?);
                }
                SettingOf::AppliesTo(AppliesTo { schedule_id, task, .. }) => {
                    errors.extend(self.task_error(conn, "/applies_to", *schedule_id, task)?);
                }
                SettingOf::Feature(_) => {}
            },
            Details::Deferral(deferral) => {
                errors.extend(self.task_error(conn, "", deferral.schedule_id, &deferral.task)?);
                errors.extend(self.person_error(conn, "/authorised_by", deferral.authorised_by)?);
            }
            Details::Tag(tag) => errors.extend(self.tag_error(conn, unit, tag)?),
            Details::Finding(finding) => errors.extend(self.finding_error(conn, unit, finding)?),
            Details::Reading(_)
            | Details::Fuel(_)
            | Details::Battery(_)
            | Details::Component(_)
            | Details::Storage(_)
            | Details::Duty(_)
            | Details::Correction(_) => {}
        }
        Ok(errors)
    }

    fn future_error(
        &mut self,
        conn: &mut Conn,
        unit: UnitId,
        occurred: &Occurred,
    ) -> Result<Option<FieldError>> {
        let latest = self.command.now.plus_seconds(folds::AHEAD_SECONDS);
        let ahead = match &occurred.when {
            // What a handset says of an instant ahead is held at the gate, and a person may have let it pass.
            When::At { .. } if self.offline => false,
            When::At { instant, .. } => *instant > latest,
            When::On(date) => self.is_to_come(conn, unit, *date)?,
        };
        Ok(ahead.then(|| in_future(pointer_of(&occurred.when))))
    }

    /// Whether a day has not begun yet at any of the unit's sites.
    fn is_to_come(&mut self, conn: &mut Conn, unit: UnitId, date: LocalDate) -> Result<bool> {
        let latest = self.command.now.plus_seconds(folds::AHEAD_SECONDS);
        let mut dates = Vec::new();
        for site in self.sites_of(conn, Target::Unit(unit))? {
            dates.extend(self.known.zone(conn, site)?.map(|zone| zone.date(latest)));
        }
        Ok(dates.iter().all(|today| date > *today))
    }

    /// A typed time that no clock at the unit's place ever showed.
    fn skipped_error(
        &mut self,
        conn: &mut Conn,
        unit: UnitId,
        occurred: &Occurred,
    ) -> Result<Option<FieldError>> {
        let When::At { text, .. } = &occurred.when else { return Ok(None) };
        if occurred.source != TimeSource::Typed {
            return Ok(None);
        }
        let Some(state) = self.known.state(conn, unit)? else { return Ok(None) };
        let site = state.standing_site.id();
        let zone = self.known.zone(conn, site)?;
        let flaw = || {
            Flaw::new(
                "local_time_skipped",
                "Clocks went forward over this time where the unit stands; it never was. Check the hour.",
            )
        };
        Ok(zone.is_some_and(|zone| zone.skips(text)).then(|| FieldError::at("/occurred_at", flaw())))
    }

    pub(super) fn site_error(
        &mut self,
        conn: &mut Conn,
        pointer: &str,
        site: SiteId,
    ) -> Result<Option<FieldError>> {
        let seen = self.sees(site) && self.known.record(conn, Target::Site(site))?.is_some();
        Ok((!seen).then(|| FieldError::at(pointer, Flaw::new("unknown_site", "There is no such site."))))
    }

    pub(super) fn person_error(
        &mut self,
        conn: &mut Conn,
        pointer: &str,
        person: PersonId,
    ) -> Result<Option<FieldError>> {
        let known = self.known.record(conn, Target::Person(person))?.is_some();
        Ok((!known).then(|| FieldError::at(pointer, Flaw::new("unknown_person", "There is no such person."))))
    }

    fn mail_list_error(
        &mut self,
        conn: &mut Conn,
        pointer: &str,
        list: MailListId,
    ) -> Result<Option<FieldError>> {
        let known = self.known.record(conn, Target::MailList(list))?.is_some();
        let flaw = || Flaw::new("unknown_mail_list", "There is no such mail list.");
        Ok((!known).then(|| FieldError::at(pointer, flaw())))
    }

    fn job_errors(&self, service: &Service) -> Vec<FieldError> {
        let unknown = service.jobs.iter().enumerate().filter(|(_, done)| !self.known.has_job(&done.job));
        let error = |(at, done): (usize, &JobDone)| {
            let detail = format!("No schedule of the organization has a job {}.", done.job);
            FieldError::at(format!("/jobs/{at}/job"), Flaw::new("unknown_job", detail))
        };
        unknown.map(error).collect()
    }

    /// Results come after the sample, and are told once they are there.
    fn results_errors(
        &mut self,
        conn: &mut Conn,
        unit: UnitId,
        occurred: &Occurred,
        service: &Service,
    ) -> Result<Vec<FieldError>> {
        let mut errors = Vec::new();
        for (at, done) in service.jobs.iter().enumerate() {
            let Some(analysis) = &done.analysis else { continue };
            let pointer = format!("/jobs/{at}/analysis/results_on");
            if self.before(conn, unit, &When::On(analysis.results_on), &occurred.when)? {
                let flaw = Flaw::new("before_sample", "The results came before the sample was taken.");
                errors.push(FieldError::at(pointer, flaw));
            } else if self.is_to_come(conn, unit, analysis.results_on)? {
                errors.push(in_future(&pointer));
            }
        }
        Ok(errors)
    }

    pub(super) fn adoption_error(
        &mut self,
        conn: &mut Conn,
        adoption: &Adoption,
    ) -> Result<Option<FieldError>> {
        let flaw = |pointer: &str, code, detail: &str| Some(FieldError::at(pointer, Flaw::new(code, detail)));
        if self.known.record(conn, Target::Schedule(adoption.schedule_id))?.is_none() {
            return Ok(flaw("/schedule_id", "unknown_schedule", "There is no such schedule."));
        }
        Ok(match self.known.edition(conn, adoption.edition_id)? {
            Some(edition) if edition.schedule == adoption.schedule_id => None,
            _ => flaw("/edition_id", "unknown_edition", "The schedule has no such edition."),
        })
    }

    fn task_error(
        &mut self,
        conn: &mut Conn,
        within: &str,
        schedule: ScheduleId,
        task: &Code,
    ) -> Result<Option<FieldError>> {
        let flaw = |member: &str, code, detail| {
            Some(FieldError::at(format!("{within}/{member}"), Flaw::new(code, detail)))
        };
        if self.known.record(conn, Target::Schedule(schedule))?.is_none() {
            return Ok(flaw("schedule_id", "unknown_schedule", "There is no such schedule."));
        }
        if !self.known.has_task(conn, schedule, task)? {
            return Ok(flaw("task", "unknown_task", "No edition of the schedule has such a task."));
        }
        Ok(None)
    }

    /// A run has ended, unless only its start is told; a stop is one of a start of the same unit, and not before it.
    fn run_error(
        &mut self,
        conn: &mut Conn,
        unit: UnitId,
        occurred: &Occurred,
        run: &Run,
    ) -> Result<Option<FieldError>> {
        let latest = self.command.now.plus_seconds(folds::AHEAD_SECONDS);
        match &run.phase {
            RunPhase::Until { stopped_at, .. } => {
                Ok((stopped_at.instant > latest).then(|| in_future("/stopped_at")))
            }
            RunPhase::For { run_hours, .. } => {
                let start = match &occurred.when {
                    When::At { instant, .. } => *instant,
                    When::On(date) => Zone::utc().midnight(*date).plus_seconds(-FURTHEST_EAST_SECONDS),
                };
                Ok((start.plus_seconds(run_hours.seconds()) > latest).then(|| in_future("/run_hours")))
            }
            RunPhase::Stop { run_id } => {
                let start = self.event_of_unit(conn, unit, *run_id)?;
                let start = start.filter(|event| {
                    matches!(&event.details, Details::Run(Run { phase: RunPhase::Start, .. }))
                });
                let Some(start) = start else {
                    let flaw = Flaw::new("unknown_run", "The unit has no such start of a run.");
                    return Ok(Some(FieldError::at("/run_id", flaw)));
                };
                Ok(self.before(conn, unit, &occurred.when, &start.occurred.when)?.then(|| {
                    let flaw = Flaw::new("not_after_start", "A run does not stop before it starts.");
                    FieldError::at(pointer_of(&occurred.when), flaw)
                }))
            }
            RunPhase::Start | RunPhase::NoStart => Ok(None),
        }
    }

    /// Whether one time is before another; where only a day is known, by the day.
    fn before(&mut self, conn: &mut Conn, unit: UnitId, one: &When, other: &When) -> Result<bool> {
        if let (When::At { instant: one, .. }, When::At { instant: other, .. }) = (one, other) {
            return Ok(one < other);
        }
        let site = self.known.state(conn, unit)?.map(|state| state.standing_site.id());
        let zone = site.map(|site| self.known.zone(conn, site)).transpose()?.flatten().cloned();
        let zone = zone.unwrap_or_else(Zone::utc);
        Ok(one.date(&zone) < other.date(&zone))
    }

    /// A tag that is removed was hung on the same unit.
    fn tag_error(&mut self, conn: &mut Conn, unit: UnitId, tag: &Tag) -> Result<Option<FieldError>> {
        match &tag.action {
            TagAction::Hung { by: Some(person), .. } => self.person_error(conn, "/by", *person),
            TagAction::Hung { by: None, .. } => Ok(None),
            TagAction::Removed { tag_id } => {
                let hung = self.event_of_unit(conn, unit, *tag_id)?.is_some_and(|event| {
                    matches!(&event.details, Details::Tag(Tag { action: TagAction::Hung { .. } }))
                });
                let flaw = || Flaw::new("unknown_tag", "No such tag was hung on the unit.");
                Ok((!hung).then(|| FieldError::at("/tag_id", flaw())))
            }
        }
    }

    /// A finding that is closed was opened on the same unit.
    fn finding_error(
        &mut self,
        conn: &mut Conn,
        unit: UnitId,
        finding: &Finding,
    ) -> Result<Option<FieldError>> {
        let FindingAction::Closed { finding_id } = finding.action else { return Ok(None) };
        let opened = self.event_of_unit(conn, unit, finding_id)?.is_some_and(|event| {
            matches!(&event.details, Details::Finding(Finding { action: FindingAction::Opened { .. } }))
        });
        let flaw = || Flaw::new("unknown_finding", "No such finding was opened on the unit.");
        Ok((!opened).then(|| FieldError::at("/finding_id", flaw())))
    }

    /// An event of a unit, recorded earlier or by this same write.
    pub(super) fn event_of_unit(
        &mut self,
        conn: &mut Conn,
        unit: UnitId,
        id: EventId,
    ) -> Result<Option<ServiceEvent>> {
        let row = self.known.earlier(conn, Key::from(id))?;
        let of_unit = row.filter(|row| {
            row.is_accepted()
                && row.record_kind == RecordKind::ServiceEvent.as_str()
                && row.unit_id == Some(Key::from(unit))
        });
        if let Some(row) = of_unit {
            return events::read(&row.body, row.occurred_at).map(Some);
        }
        let planned = self.planned.iter().find_map(|planned| match &planned.wrote {
            Wrote::Event(event) if event.id == id && event.unit_id == unit => Some((**event).clone()),
            _ => None,
        });
        Ok(planned)
    }
}

fn pointer_of(when: &When) -> &'static str {
    match when {
        When::At { .. } => "/occurred_at",
        When::On(_) => "/occurred_on",
    }
}

/// That something has not happened yet.
pub(super) fn in_future(pointer: &str) -> FieldError {
    let detail = "What has not happened yet cannot be recorded; check the clock.";
    FieldError::at(pointer, Flaw::new("occurred_in_future", detail))
}
