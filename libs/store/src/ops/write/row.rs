//! The row of an edit, with the body that it will have.

use std::sync::Arc;

use model::{
    private::Salt,
    time::{Occurred, When},
};

use super::super::super::Conn;
use super::super::{log::LogRow, private_texts};
use super::{Work, sent::Stamps};
use crate::{body::Body, command::Proposal, error::Result, key::Key};

impl Work<'_> {
    /// The body with private text sealed; a repeat without salts of its own is sealed with the first one's.
    pub(super) fn body(
        &self,
        conn: &mut Conn,
        proposal: &Proposal,
        body: &Arc<Body>,
        came_before: bool,
    ) -> Result<Arc<Body>> {
        if !came_before {
            return Ok(Arc::clone(body));
        }
        let edit = Key::from(proposal.edit.id);
        let texts = private_texts::of_edits(conn, self.organization, &[edit])?;
        let first = |pointer: &str| -> Option<Salt> {
            texts.get(&(edit, pointer.to_owned())).and_then(|(salt, _)| salt.as_slice().try_into().ok())
        };
        resealed(proposal, body, first)
    }

    /// The row of an edit, without its number, and with what only some kinds of edits have left out.
    pub(super) fn row(&self, proposal: &Proposal, body: &Body, unit: Option<Key>, stamps: Stamps) -> LogRow {
        let action = &proposal.edit.action;
        let sent = proposal.sent.as_ref();
        let chained = self.received(proposal).is_some_and(|received| received.chained);
        LogRow {
            organization: self.organization,
            seq: 0,
            recorded_at: 0,
            row_kind: self.row_kind(proposal).into(),
            channel: self.command.channel.as_str().into(),
            edit_id: Key::from(proposal.edit.id),
            // An edit id is used once, so the first row's names the rows that were written together.
            group_id: (self.command.edits.len() > 1)
                .then(|| self.planned.first().map_or(Key::from(proposal.edit.id), |first| first.row.edit_id)),
            format: action.format(),
            record_kind: action.kind().as_str().into(),
            record_id: Key(action.uuid()),
            unit_id: unit,
            base: None,
            author: Key::from(self.author(proposal)),
            on_behalf_of: sent.filter(|sent| sent.decision.is_some()).map(|sent| Key::from(sent.author)),
            handset: sent.map(|sent| Key::from(sent.handset)),
            handset_edit: sent.filter(|_| chained).map(|sent| sent.number),
            stamp_raw: stamps.raw.to_string(),
            stamp_effective: stamps.effective.to_string(),
            occurred_raw: None,
            occurred_at: None,
            occurred_source: None,
            occurred_precision: None,
            body: body.text.clone(),
            content_hash: body.hash.as_bytes().to_vec(),
            leaf_hash: Vec::new(),
        }
    }
}

/// The body of a repeat without salts of its own, sealed with those of the first; without private text it is the same.
pub(super) fn resealed(
    proposal: &Proposal,
    body: &Arc<Body>,
    first: impl Fn(&str) -> Option<Salt>,
) -> Result<Arc<Body>> {
    if body.sealed.is_empty() { Ok(Arc::clone(body)) } else { Body::salted(proposal, first).map(Arc::new) }
}

/// Notes in a row when what it tells of happened.
pub(super) fn note_time(row: &mut LogRow, occurred: &Occurred) {
    row.occurred_precision = Some(occurred.when.precision().to_owned());
    row.occurred_source =
        serde_json::to_value(occurred.source).ok().and_then(|word| word.as_str().map(str::to_owned));
    (row.occurred_raw, row.occurred_at) = match &occurred.when {
        When::At { text, instant, .. } => (Some(text.to_string()), Some(instant.micros())),
        When::On(date) => (Some(date.to_string()), None),
    };
}
