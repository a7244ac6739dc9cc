//! Edits that cannot be read: kept whole, to be read by a later service or by a person.

use model::{EditId, edit::FORMAT};
use proof::Hash;

use super::super::super::Conn;
use super::super::inbox::{self, InboxRow};
use super::{
    Kept, Work,
    sent::{Beside, words},
};
use crate::{
    command::{Outcome, Refusal},
    error::Result,
    key::Key,
    sent::{Calling, Fate, ParkedFor, Received, Unread},
};

impl Work<'_> {
    /// Keeps the edits that cannot be read; one outcome for each, in order.
    pub(super) fn keep_unread(&mut self, conn: &mut Conn) -> Result<Vec<Outcome>> {
        let Some(Calling::Push(push)) = &self.command.calling else { return Ok(Vec::new()) };
        push.unread.iter().map(|unread| self.keep_one(conn, unread)).collect()
    }

    fn keep_one(&mut self, conn: &mut Conn, unread: &Unread) -> Result<Outcome> {
        match self.came_before(unread.id, hash(unread).as_bytes()) {
            Some(true) => return Ok(fate(unread)),
            Some(false) => {
                self.keep_other_unread(conn, unread)?;
                return Ok(Outcome::Refused(Refusal::IdReused(unread.id)));
            }
            None => {}
        }
        let beside = beside(unread);
        let received = self.caller.as_ref().and_then(|caller| caller.received(unread.id));
        if let Some(row) = received.and_then(|received| self.unread_row(unread, received, &beside)) {
            self.kept.push(Kept { row, texts: Vec::new(), beside });
        }
        Ok(fate(unread))
    }

    /// An edit that cannot be read as it is kept beside the log.
    pub(super) fn unread_row(
        &self,
        unread: &Unread,
        received: &Received,
        beside: &Beside,
    ) -> Option<InboxRow> {
        let caller = self.caller.as_ref()?;
        let edit_id = Key::from(unread.id);
        Some(InboxRow {
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
            content_hash: hash(unread).as_bytes().to_vec(),
            chained: received.chained.into(),
            flags: words(&received.flags),
            group_id: unread.group.map(Key),
            group_size: None,
            format: unread.format,
        })
    }

    /// Whether an edit of this id came before with the same content; nothing if none came.
    fn came_before(&self, edit: EditId, hash: &[u8]) -> Option<bool> {
        let key = Key::from(edit);
        // One that can be read has come with it, and will be in the log.
        if self.planned.iter().any(|planned| planned.row.edit_id == key) {
            return Some(false);
        }
        let here = self.kept.iter().find(|kept| kept.row.edit_id == key).map(|kept| &kept.row);
        match here.or_else(|| self.known.beside(edit)) {
            Some(row) => Some(row.content_hash == hash),
            None => (!self.known.is_new(edit)).then_some(false),
        }
    }
}

/// By what a text is known that nobody can read.
pub(super) fn hash(unread: &Unread) -> Hash {
    proof::sha256(unread.text.as_bytes())
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
