//! Whether what an edit refers to is there, and may be seen by its author.
//!
//! Absent, foreign and hidden things give the same error, so that nobody learns of what he may not see.

use model::{
    EventId, PersonId, SiteId,
    edit::{RecordKind, Target},
    event::{Adoption, Correction, Details, EventKind, JobDone, Service, ServiceEvent},
    read::{FieldError, Flaw},
    time::{TimeSource, When},
};
use serde_json::{Map, Value};

use super::super::super::Conn;
use super::super::{events, folds, log::LogRow};
use super::{Work, Wrote};
use crate::{error::Result, key::Key};

impl Work<'_> {
    /// What is wrong with the references among a record's fields.
    pub(super) fn reference_errors(
        &mut self,
        conn: &mut Conn,
        fields: &Map<String, Value>,
    ) -> Result<Vec<FieldError>> {
        let mut errors = Vec::new();
        if let Some(Ok(site)) = fields.get("home_site_id").map(SiteId::read) {
            errors.extend(self.site_error(conn, "/home_site_id", site)?);
        }
        if let Some(Ok(person)) = fields.get("person_id").map(PersonId::read) {
            errors.extend(self.person_error(conn, "/person_id", person)?);
        }
        Ok(errors)
    }

    /// What is wrong with an event that only the store can see.
    pub(super) fn event_errors(&mut self, conn: &mut Conn, event: &ServiceEvent) -> Result<Vec<FieldError>> {
        let mut errors = Vec::new();
        errors.extend(self.future_error(conn, event)?);
        errors.extend(self.skipped_error(conn, event)?);
        if let Some(person) = event.on_behalf_of {
            errors.extend(self.person_error(conn, "/on_behalf_of", person)?);
        }
        match &event.details {
            Details::Commissioning(c) => errors.extend(self.site_error(conn, "/site_id", c.site_id)?),
            Details::Placement(p) => errors.extend(self.site_error(conn, "/site_id", p.site_id)?),
            Details::Service(service) => errors.extend(self.job_errors(service)),
            Details::Adoption(adoption) => errors.extend(self.adoption_error(conn, adoption)?),
            Details::Correction(correction) => errors.extend(self.correction_error(conn, event, correction)?),
            Details::Reading(_)
            | Details::Component(_)
            | Details::Run(_)
            | Details::Storage(_)
            | Details::Duty(_)
            | Details::Setting(_)
            | Details::Deferral(_)
            | Details::Tag(_) => {}
        }
        Ok(errors)
    }

    fn future_error(&mut self, conn: &mut Conn, event: &ServiceEvent) -> Result<Option<FieldError>> {
        let latest = self.command.now.plus_seconds(folds::AHEAD_SECONDS);
        let (pointer, ahead) = match &event.occurred.when {
            When::At { instant, .. } => ("/occurred_at", *instant > latest),
            When::On(date) => {
                let mut dates = Vec::new();
                for site in self.sites_of(conn, Target::Unit(event.unit_id))? {
                    dates.extend(self.known.zone(conn, site)?.map(|zone| zone.date(latest)));
                }
                ("/occurred_on", dates.iter().all(|today| date > today))
            }
        };
        Ok(ahead.then(|| in_future(pointer)))
    }

    /// A typed time that no clock at the unit's place ever showed.
    fn skipped_error(&mut self, conn: &mut Conn, event: &ServiceEvent) -> Result<Option<FieldError>> {
        let When::At { text, .. } = &event.occurred.when else { return Ok(None) };
        if event.occurred.source != TimeSource::Typed {
            return Ok(None);
        }
        let Some(state) = self.known.state(conn, event.unit_id)? else { return Ok(None) };
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

    fn site_error(&mut self, conn: &mut Conn, pointer: &str, site: SiteId) -> Result<Option<FieldError>> {
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

    fn job_errors(&self, service: &Service) -> Vec<FieldError> {
        let unknown = service.jobs.iter().enumerate().filter(|(_, done)| !self.known.has_job(&done.job));
        let error = |(at, done): (usize, &JobDone)| {
            let detail = format!("No schedule of the organization has a job {}.", done.job);
            FieldError::at(format!("/jobs/{at}/job"), Flaw::new("unknown_job", detail))
        };
        unknown.map(error).collect()
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

    /// A target is an event of the same unit, recorded earlier or by this same write, and no correction itself.
    fn correction_error(
        &mut self,
        conn: &mut Conn,
        event: &ServiceEvent,
        correction: &Correction,
    ) -> Result<Option<FieldError>> {
        let flaw = |code, detail: &str| Some(FieldError::at("/target_id", Flaw::new(code, detail)));
        let Some(target) = correction.action.target() else { return Ok(None) };
        let in_log = self.known.earlier(conn, Key::from(target))?;
        let is_event = |row: &LogRow| row.record_kind == RecordKind::ServiceEvent.as_str();
        if in_log.is_some_and(|row| is_event(row) && row.unit_id.is_none()) {
            return Ok(flaw(
                "adoption_for_a_model",
                "An adoption for a model is not corrected; adopt another edition for the model, or the same with its end.",
            ));
        }
        let of_unit = in_log.filter(|row| is_event(row) && row.unit_id == Some(Key::from(event.unit_id)));
        let kind = match of_unit {
            Some(row) => Some(events::read(&row.body)?.kind()),
            None => self.planned_kind(event, target),
        };
        Ok(match kind {
            None => flaw("unknown_event", "The unit has no such event."),
            Some(EventKind::Correction) => flaw(
                "correction_of_correction",
                "A correction is not corrected: reinstate or void its target instead.",
            ),
            Some(_) => None,
        })
    }

    fn planned_kind(&self, event: &ServiceEvent, target: EventId) -> Option<EventKind> {
        let planned = self.planned.iter().find_map(|planned| match &planned.wrote {
            Wrote::Event(other) if other.id == target => Some(other),
            _ => None,
        });
        planned.filter(|other| other.unit_id == event.unit_id).map(|other| other.kind())
    }
}

/// That something has not happened yet.
pub(super) fn in_future(pointer: &str) -> FieldError {
    let detail = "What has not happened yet cannot be recorded; check the clock.";
    FieldError::at(pointer, Flaw::new("occurred_in_future", detail))
}
