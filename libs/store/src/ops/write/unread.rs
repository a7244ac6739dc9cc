//! Edits that cannot be read: kept whole, to be read by a later service or by a person.

use model::{EditId, edit::FORMAT};

use super::super::inbox::{self, InboxRow};
use super::{
    Kept, Work,
    sent::{Beside, words},
};
use crate::{
    command::{Outcome, Refusal},
    key::Key,
    sent::{Calling, Fate, ParkedFor, Unread},
};

impl Work<'_> {
    /// Keeps the edits that cannot be read; one outcome for each, in order.
    pub(super) fn keep_unread(&mut self) -> Vec<Outcome> {
        let Some(Calling::Push(push)) = &self.command.calling else { return Vec::new() };
        push.unread.iter().map(|unread| self.keep_one(unread)).collect()
    }

    fn keep_one(&mut self, unread: &Unread) -> Outcome {
        let hash = proof::sha256(unread.text.as_bytes());
        if let Some(same) = self.came_before(unread.id, hash.as_bytes()) {
            return if same { fate(unread) } else { Outcome::Refused(Refusal::IdReused(unread.id)) };
        }
        let received = self.caller.as_ref().and_then(|caller| caller.received(unread.id).cloned());
        let (Some(received), Some(caller)) = (received, &self.caller) else { return fate(unread) };
        let edit_id = Key::from(unread.id);
        let beside = beside(unread);
        let row = InboxRow {
            organization: self.organization,
            edit_id,
            state: beside.state().to_owned(),
            reason: beside.reason().to_owned(),
            received_at: received.at.micros(),
            handset: Key::from(caller.state.handset),
            handset_edit: unread.number,
            author: Key::from(unread.author),
            wish: inbox::UNREAD.to_owned(),
            record_kind: inbox::UNREAD.to_owned(),
            record_id: edit_id,
            base: "{}".to_owned(),
            stamp_raw: unread.raw.to_string(),
            stamp_effective: received.effective.to_string(),
            occurred_at: None,
            body: unread.text.clone(),
            content_hash: hash.as_bytes().to_vec(),
            chained: received.chained.into(),
            flags: words(&received.flags),
            group_id: None,
            group_size: None,
            format: unread.format,
        };
        self.kept.push(Kept { row, texts: Vec::new(), beside });
        fate(unread)
    }

    /// Whether an edit of this id came before with the same content; nothing if none came.
    fn came_before(&self, edit: EditId, hash: &[u8]) -> Option<bool> {
        let here = self.kept.iter().find(|kept| kept.row.edit_id == Key::from(edit)).map(|kept| &kept.row);
        match here.or_else(|| self.known.beside(edit)) {
            Some(row) => Some(row.content_hash == hash),
            None => (!self.known.is_new(edit)).then_some(false),
        }
    }
}

fn beside(unread: &Unread) -> Beside {
    if unread.format > i64::from(FORMAT) {
        Beside::Parked(ParkedFor::NewerFormat)
    } else {
        Beside::Refused(Refusal::Unreadable)
    }
}

fn fate(unread: &Unread) -> Outcome {
    match beside(unread) {
        Beside::Parked(reason) => Outcome::OfHandset(Fate::Parked(reason)),
        Beside::Refused(refusal) => Outcome::Refused(refusal),
    }
}
