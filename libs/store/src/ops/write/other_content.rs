//! An id that was used before for other content: the edit is refused, and what it says is kept beside the first.

use std::sync::Arc;

use model::{edit::Action, stamp::Stamp};

use super::super::super::Conn;
use super::super::{
    other_content::{self, Other},
    private_texts::TextRow,
};
use super::{
    Work,
    judge::Judged,
    receive::{Caller, happened, offset},
    row::resealed,
    sent::Beside,
    unread,
};
use crate::{
    body::Body,
    command::{Proposal, Refusal},
    error::Result,
    key::Key,
    sent::{Calling, Received, Sent, Unread},
};

impl Work<'_> {
    /// Refuses an edit whose id was used before; of a handset's it is kept what it says.
    pub(super) fn refuse_reused(
        &mut self,
        conn: &mut Conn,
        proposal: &Proposal,
        body: &Arc<Body>,
        refusal: Refusal,
    ) -> Result<Judged> {
        if let Some(other) = self.other_content(proposal, body, &refusal) {
            let same = |known: &Other| {
                // A text that came without a salt got another one the last time.
                let resealed = resealed(proposal, body, |pointer| known.salt(pointer))?;
                Ok(resealed.hash.as_bytes().as_slice() == known.row.content_hash)
            };
            self.keep_other(conn, other, same)?;
        }
        Ok(Judged::Refused(refusal))
    }

    /// The same of one that cannot be read.
    pub(super) fn keep_other_unread(&mut self, conn: &mut Conn, unread: &Unread) -> Result<()> {
        let received = self.received_now(unread.raw, None);
        let beside = Beside::Refused(Refusal::IdReused(unread.id));
        if let Some(row) = self.unread_row(unread, &received, &beside) {
            let hash = unread::hash(unread);
            let same = |known: &Other| Ok(known.row.content_hash == hash.as_bytes());
            self.keep_other(conn, Other { row, texts: Vec::new() }, same)?;
        }
        Ok(())
    }

    fn keep_other(
        &mut self,
        conn: &mut Conn,
        other: Other,
        mut same: impl FnMut(&Other) -> Result<bool>,
    ) -> Result<()> {
        let edit = other.row.edit_id;
        self.reused.push((other.row.group_id, edit));
        let room = self.room_for_others(conn, other.row.handset)?;
        if i64::try_from(self.others.len()).unwrap_or(i64::MAX) >= room {
            return Ok(());
        }
        let before = other_content::of_edit(conn, self.organization, edit)?;
        let now = self.others.iter().filter(|known| known.row.edit_id == edit);
        let known: Vec<&Other> = before.iter().chain(now).collect();
        if known.len() >= other_content::MOST_OF_ONE {
            return Ok(());
        }
        for known in known {
            if same(known)? {
                return Ok(());
            }
        }
        self.others.push(other);
        Ok(())
    }

    /// How many more of them are kept of the handset, those of this command included.
    fn room_for_others(&mut self, conn: &mut Conn, handset: Key) -> Result<i64> {
        if let Some(room) = self.room_for_others {
            return Ok(room);
        }
        let kept = other_content::count(conn, self.organization, handset)?;
        Ok(*self.room_for_others.insert(other_content::MOST.saturating_sub(kept)))
    }

    fn other_content(&self, proposal: &Proposal, body: &Body, refusal: &Refusal) -> Option<Other> {
        let sent =
            proposal.sent.as_ref().filter(|_| matches!(self.command.calling, Some(Calling::Push(_))))?;
        let received = self.received_now(sent.raw, Some((&proposal.edit.action, sent)));
        let row = self.kept_row(proposal, sent, &received, body, &Beside::Refused(refusal.clone()));
        let text = |text| {
            let row = TextRow::new(self.organization, Key::from(proposal.edit.id), text);
            TextRow { pointer: other_content::pointer(body.hash, &row.pointer), ..row }
        };
        Some(Other { row, texts: body.sealed.iter().map(text).collect() })
    }

    /// What is fixed of a content that counts for nothing.
    fn received_now(&self, raw: Stamp, sent: Option<(&Action, &Sent)>) -> Received {
        let (at, caller) = (self.command.now, self.caller.as_ref());
        let happened = sent.and_then(|(action, sent)| happened(action, sent, offset(self.command)));
        let effective = merge::effective(raw, at);
        let sent = sent.map(|(_, sent)| sent);
        let gate = |caller: &Caller| merge::gate(&caller.facts(at, raw, effective, happened, sent));
        Received {
            at,
            effective,
            occurred_at: happened.map(|happened| happened.at),
            chained: false,
            flags: caller.map(|caller| gate(caller).flags).unwrap_or_default(),
        }
    }
}
