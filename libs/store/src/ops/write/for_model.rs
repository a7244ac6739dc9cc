//! Edits that concern many units at once.

use std::{collections::BTreeSet, sync::Arc};

use model::{Zone, edit::RecordKind, event::ModelAdoption, read::FieldError, stamp::Stamp, time::When};

use super::super::super::Conn;
use super::super::{
    contexts::{self, ContextId},
    folds, model_adoptions,
};
use super::{Planned, Work, Wrote, refer, row::note_time};
use crate::{
    body::Body,
    command::{Permission, Proposal, Refusal},
    error::Result,
    key::Key,
    locks::lock_of,
};

/// So many units are folded by the write itself; more stay stale until the advance comes to them.
const FOLDED_AT_ONCE: usize = 50;

/// No place on earth is further ahead of UTC.
pub(super) const FURTHEST_EAST_SECONDS: i64 = 14 * 3600;

impl Work<'_> {
    /// Notes that what many units are folded with changes.
    pub(super) fn change_context(&mut self, conn: &mut Conn, context: ContextId) -> Result<()> {
        *self.changes.entry(context).or_default() += 1;
        let limit = i64::try_from(FOLDED_AT_ONCE).unwrap_or(i64::MAX) + 1;
        let units = contexts::units_behind(conn, self.organization, context, i64::MAX, limit)?;
        if self.refolding + units.len() > FOLDED_AT_ONCE {
            return Ok(());
        }
        self.refolding += units.len();
        for unit in units {
            let lock = lock_of(RecordKind::Unit, Key::from(unit));
            if !self.locks.contains(&lock) && !self.command.dry_run {
                self.more.insert(lock);
            } else if let Some(fields) = self.known.unit_fields(conn, unit)? {
                self.touch(conn, unit, &fields, false)?.folds = true;
            }
        }
        Ok(())
    }

    /// Judges an adoption for a model.
    pub(super) fn model_adoption(
        &mut self,
        conn: &mut Conn,
        proposal: &Proposal,
        adoption: &ModelAdoption,
        body: Arc<Body>,
    ) -> Result<Option<Refusal>> {
        match self.permission(&proposal.edit.action, &BTreeSet::new(), false) {
            Permission::Allowed => {}
            Permission::Forbidden => return Ok(Some(Refusal::Forbidden)),
            Permission::Hidden => return Ok(Some(Refusal::NotFound)),
        }
        let errors = self.model_adoption_errors(conn, adoption)?;
        if !errors.is_empty() {
            return Ok(Some(Refusal::Invalid(errors)));
        }
        let mut row = self.row(proposal, &body, None, Stamp::service(self.command.now, None));
        row.on_behalf_of = adoption.on_behalf_of.map(Key::from);
        note_time(&mut row, &adoption.occurred);
        let sealed = model_adoptions::read(&body.text)?;
        self.change_context(conn, ContextId::of_model(&sealed.of))?;
        let wrote = Wrote::ModelAdoption(Box::new(sealed));
        self.planned.push(Planned { row, body, wrote, scope: None });
        Ok(None)
    }

    fn model_adoption_errors(
        &mut self,
        conn: &mut Conn,
        adoption: &ModelAdoption,
    ) -> Result<Vec<FieldError>> {
        let mut errors = Vec::new();
        let latest = self.command.now.plus_seconds(folds::AHEAD_SECONDS);
        match &adoption.occurred.when {
            When::At { instant, .. } if *instant > latest => errors.push(refer::in_future("/occurred_at")),
            // The units may stand anywhere, so a day has begun once it has begun somewhere.
            When::On(date) if *date > Zone::utc().date(latest.plus_seconds(FURTHEST_EAST_SECONDS)) => {
                errors.push(refer::in_future("/occurred_on"));
            }
            _ => {}
        }
        if let Some(person) = adoption.on_behalf_of {
            errors.extend(self.person_error(conn, "/on_behalf_of", person)?);
        }
        errors.extend(self.adoption_error(conn, &adoption.adoption)?);
        Ok(errors)
    }
}
