//! The row of an edit: its body with private text sealed, and everything beside it.

use model::{
    edit::{Action, FORMAT},
    json,
    private::Salt,
    stamp::Stamp,
    time::{Occurred, When},
};
use proof::Sealed;
use serde_json::Value;

use super::super::super::Conn;
use super::super::{editions, log::LogRow, private_texts, records};
use super::Work;
use crate::{
    command::Proposal,
    error::{Result, StoreError},
    key::Key,
};

/// An edit's body as the log will hold it.
pub(super) struct Body {
    pub(super) value: Value,
    pub(super) text: String,
    pub(super) hash: proof::Hash,
    pub(super) sealed: Vec<Sealed>,
}

impl Body {
    /// The body of an edit; a text that came without a salt gets the `first` one's at its pointer, or a new one.
    pub(super) fn sealed(proposal: &Proposal, first: impl Fn(&str) -> Option<Salt>) -> Result<Self> {
        let action = &proposal.edit.action;
        let corrupt = StoreError::corrupt("edit");
        let mut value = value_of(action).map_err(|e| corrupt(&e))?;
        let mut salts = proposal.salts.iter().copied();
        let sealed = proof::seal(&mut value, records::private_pointers(action.kind()), |pointer| {
            first(pointer).or_else(|| salts.next())
        })
        .map_err(|e| corrupt(&e))?;
        let canonical = proof::canonical(&value).map_err(|e| corrupt(&e))?;
        let hash = proof::content_hash(action.kind(), action.uuid(), &canonical);
        let text = canonical.into_string();
        // Read back from the text, so that registers hold what a rebuild from the log will read.
        let value = json::parse(text.as_bytes()).map_err(|e| corrupt(&e))?;
        Ok(Self { value, text, hash, sealed })
    }
}

fn value_of(action: &Action) -> serde_json::Result<Value> {
    match action {
        Action::Create { fields, .. } | Action::Set { fields, .. } => Ok(Value::Object(fields.clone())),
        Action::Event(event) => serde_json::to_value(event),
        Action::ModelAdoption(adoption) => serde_json::to_value(adoption),
        // The row alone has to say which schedule an edition belongs to.
        Action::Edition { edition, schedule, .. } => {
            let mut value = serde_json::to_value(edition)?;
            if let Some(members) = value.as_object_mut() {
                members.insert(editions::SCHEDULE.to_owned(), Value::from(schedule.to_string()));
            }
            Ok(value)
        }
    }
}

impl Work<'_> {
    /// The body with private text sealed; a repeat without salts of its own is sealed with the first one's.
    pub(super) fn body(
        &self,
        conn: &mut Conn,
        proposal: &Proposal,
        earlier: Option<&LogRow>,
    ) -> Result<Body> {
        let texts = match earlier {
            Some(row) => private_texts::of_edits(conn, self.organization, &[row.edit_id])?,
            None => private_texts::Texts::new(),
        };
        let edit = Key::from(proposal.edit.id);
        let first = |pointer: &str| -> Option<Salt> {
            texts.get(&(edit, pointer.to_owned())).and_then(|(salt, _)| salt.as_slice().try_into().ok())
        };
        Body::sealed(proposal, first)
    }

    /// The row of an edit, without its number, and with what only some kinds of edits have left out.
    pub(super) fn row(&self, proposal: &Proposal, body: &Body, unit: Option<Key>, stamp: Stamp) -> LogRow {
        let action = &proposal.edit.action;
        LogRow {
            organization: self.organization,
            seq: 0,
            recorded_at: 0,
            row_kind: "edit".into(),
            channel: self.command.channel.as_str().into(),
            edit_id: Key::from(proposal.edit.id),
            // An edit id is used once, so the first row's names the rows that were written together.
            group_id: (self.command.edits.len() > 1)
                .then(|| self.planned.first().map_or(Key::from(proposal.edit.id), |first| first.row.edit_id)),
            format: FORMAT,
            record_kind: action.kind().as_str().into(),
            record_id: Key(action.uuid()),
            unit_id: unit,
            base: None,
            author: Key::from(self.command.author),
            on_behalf_of: None,
            handset: None,
            handset_edit: None,
            stamp_raw: stamp.to_string(),
            stamp_effective: stamp.to_string(),
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
