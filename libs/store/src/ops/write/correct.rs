//! Whether what a correction is about is there, and fits it.

use model::{
    EventId, UnitId,
    edit::{Action, RecordKind, Target},
    event::{CorrectionAction, Details, EventKind, Replacement, Run, RunPhase, ServiceEvent},
    read::{FieldError, Flaw},
};

use super::super::super::Conn;
use super::super::{kin, log::LogRow};
use super::{Work, Wrote};
use crate::{command::Permission, error::Result, key::Key};

impl Work<'_> {
    /// What is wrong with what a correction names.
    pub(super) fn correction_errors(
        &mut self,
        conn: &mut Conn,
        event: &ServiceEvent,
        action: &CorrectionAction,
    ) -> Result<Vec<FieldError>> {
        let mut errors = Vec::new();
        let mut target = None;
        if let Some(id) = action.target() {
            match self.target(conn, event.unit_id, id, "/target_id")? {
                Ok(found) => target = Some(found),
                Err(error) => errors.push(error),
            }
        }
        match action {
            CorrectionAction::Amend { replacement, .. } => {
                errors.extend(self.replacement_errors(conn, event, target.as_ref(), replacement)?);
            }
            CorrectionAction::Confirm { .. } => {
                let flaw = || Flaw::new("no_reading", "The event has no reading that could be confirmed.");
                let without = target.is_some_and(|target| !has_reading(&target.details));
                errors.extend(without.then(|| FieldError::at("/target_id", flaw())));
            }
            CorrectionAction::LinkEvents { other_id, .. }
            | CorrectionAction::UnlinkEvents { other_id, .. } => {
                let target = target.map(|target| never_the_same(action, &target, "/target_id"));
                errors.extend(target.flatten());
                match self.target(conn, event.unit_id, *other_id, "/other_id")? {
                    Ok(other) => errors.extend(never_the_same(action, &other, "/other_id")),
                    Err(error) => errors.push(error),
                }
            }
            CorrectionAction::Reassign { to_unit_id, .. } => {
                errors.extend(self.other_unit_error(conn, event, "/to_unit_id", *to_unit_id)?);
            }
            CorrectionAction::LinkUnits { other_unit_id }
            | CorrectionAction::UnlinkUnits { other_unit_id } => {
                if *other_unit_id == event.unit_id {
                    let flaw = Flaw::new("same_unit", "A unit is linked to another one.");
                    errors.push(FieldError::at("/other_unit_id", flaw));
                }
                errors.extend(self.other_unit_error(conn, event, "/other_unit_id", *other_unit_id)?);
            }
            CorrectionAction::Void { .. } | CorrectionAction::Reinstate { .. } => {}
        }
        Ok(errors)
    }

    /// A target is an event of the same unit, recorded earlier or by this same write, and no correction itself; a service
    /// that is linked to another may be one of a unit's kin too.
    fn target(
        &mut self,
        conn: &mut Conn,
        unit: UnitId,
        id: EventId,
        pointer: &str,
    ) -> Result<std::result::Result<ServiceEvent, FieldError>> {
        let flaw = |code, detail: &str| Ok(Err(FieldError::at(pointer, Flaw::new(code, detail))));
        let in_log = self.known.earlier(conn, Key::from(id))?;
        let is_event = |row: &LogRow| row.record_kind == RecordKind::ServiceEvent.as_str();
        if in_log.is_some_and(|row| is_event(row) && row.unit_id.is_none()) {
            return flaw(
                "adoption_for_a_model",
                "An adoption for a model is not corrected; adopt another edition for the model, or the same with its end.",
            );
        }
        let mut found = self.event_of_unit(conn, unit, id)?;
        if found.is_none() && pointer == "/other_id" {
            for other in self.kin(conn, unit)? {
                found = found.or(self.event_of_unit(conn, other, id)?);
            }
        }
        match found {
            None => flaw("unknown_event", "The unit has no such event."),
            Some(found) if found.kind() == EventKind::Correction => flaw(
                "correction_of_correction",
                "A correction is not corrected: correct its target once more instead.",
            ),
            Some(found) => Ok(Ok(found)),
        }
    }

    fn replacement_errors(
        &mut self,
        conn: &mut Conn,
        event: &ServiceEvent,
        target: Option<&ServiceEvent>,
        replacement: &Replacement,
    ) -> Result<Vec<FieldError>> {
        if let Some(target) = target.filter(|target| target.kind() != replacement.kind()) {
            let detail = format!("An event of kind {} stays one.", target.kind().as_str());
            return Ok(vec![FieldError::at("/replacement/kind", Flaw::new("other_kind", detail))]);
        }
        let errors = self.content_errors(conn, event.unit_id, &replacement.occurred, &replacement.details)?;
        let within = |mut error: FieldError| {
            error.pointer = error.pointer.map(|pointer| format!("/replacement{pointer}"));
            error
        };
        Ok(errors.into_iter().map(within).collect())
    }

    /// Another unit is one about which the author may do the same.
    fn other_unit_error(
        &mut self,
        conn: &mut Conn,
        event: &ServiceEvent,
        pointer: &str,
        unit: UnitId,
    ) -> Result<Option<FieldError>> {
        let there = self.known.record(conn, Target::Unit(unit))?.is_some();
        let sites = self.sites_of(conn, Target::Unit(unit))?;
        let flaw = match self.permission(&Action::Event(Box::new(event.clone())), &sites, false) {
            Permission::Allowed if there => return Ok(None),
            Permission::Forbidden if there => {
                Flaw::new("forbidden_unit", "You may not correct events of this unit.")
            }
            _ => Flaw::new("unknown_unit", "There is no such unit."),
        };
        Ok(Some(FieldError::at(pointer, flaw)))
    }

    /// The other units of a unit's group.
    fn kin(&self, conn: &mut Conn, unit: UnitId) -> Result<Vec<UnitId>> {
        let mut groups = kin::of_units(conn, self.organization, &[unit].into())?;
        for planned in &self.planned {
            if let Wrote::Event(event) = &planned.wrote {
                groups.add(event);
            }
        }
        Ok(groups.of(unit).into_iter().flatten().copied().filter(|other| *other != unit).collect())
    }
}

/// Of two changes of a component that are the same one is taken out; that they are not has to be said.
fn never_the_same(action: &CorrectionAction, event: &ServiceEvent, pointer: &str) -> Option<FieldError> {
    let flaw = || Flaw::new("not_a_service", "Only services are the same work or not.");
    let may_be = match event.kind() {
        EventKind::Service => true,
        EventKind::Component => matches!(action, CorrectionAction::UnlinkEvents { .. }),
        _ => false,
    };
    (!may_be).then(|| FieldError::at(pointer, flaw()))
}

fn has_reading(details: &Details) -> bool {
    match details {
        Details::Reading(_) => true,
        Details::Commissioning(commissioning) => commissioning.meter_hours.is_some(),
        Details::Service(service) => service.meter_hours.is_some(),
        Details::Component(change) => change.meter_hours.is_some() || change.new_meter_hours.is_some(),
        Details::Run(Run { phase, meter_hours, .. }) => {
            meter_hours.is_some() || matches!(phase, RunPhase::Until { stop_meter_hours: Some(_), .. })
        }
        _ => false,
    }
}
