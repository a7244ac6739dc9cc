//! Groups that can never be taken, since one of their edits is refused before all of them are there.

use std::collections::{BTreeMap, BTreeSet};

use model::EditId;

use super::super::super::Conn;
use super::super::{
    inbox::{self, InboxRow},
    other_content,
};
use super::{Kept, Work, judge::Judged, sent::Beside};
use crate::{
    command::{Outcome, Refusal},
    error::Result,
    key::Key,
    sent::{Calling, Fate},
};

impl Work<'_> {
    /// Refuses what has come of groups of which an edit is refused: whether that came now or earlier, and whatever waits of
    /// them.
    pub(super) fn refuse_broken_groups(
        &mut self,
        conn: &mut Conn,
        judged: &mut [Judged],
        unread: &mut [Outcome],
    ) -> Result<()> {
        let Some(Calling::Push(push)) = &self.command.calling else { return Ok(()) };
        let mut refused = BTreeSet::new();
        for (group, there) in self.broken_groups(conn, Key::from(push.handset))? {
            refused.extend(self.refuse_group(group, there));
        }
        let is_refused = |edit: EditId| refused.contains(&Key::from(edit));
        for (proposal, judged) in self.command.edits.iter().zip(judged) {
            if is_refused(proposal.edit.id) && matches!(judged, Judged::Parked(_)) {
                *judged = Judged::Refused(Refusal::WithGroup);
            }
        }
        for (sent, outcome) in push.unread.iter().zip(unread) {
            if is_refused(sent.id) && matches!(outcome, Outcome::OfHandset(Fate::Parked(_))) {
                *outcome = Outcome::Refused(Refusal::WithGroup);
            }
        }
        Ok(())
    }

    /// Those groups of which something came now that are broken, with what came of them earlier.
    fn broken_groups(&self, conn: &mut Conn, handset: Key) -> Result<BTreeMap<Key, Earlier>> {
        let reused = self.reused.iter().map(|(group, _)| *group);
        let come = self.kept.iter().map(|kept| kept.row.group_id).chain(reused);
        let mut groups: BTreeMap<Key, Earlier> =
            come.flatten().map(|group| (group, Earlier::default())).collect();
        if groups.is_empty() {
            return Ok(groups);
        }
        let named: Vec<Key> = groups.keys().copied().collect();
        for row in inbox::parked_of_groups(conn, self.organization, handset, &named)? {
            groups.entry(row.group_id.unwrap_or(row.edit_id)).or_default().parked.push(row);
        }
        for (group, edit) in inbox::refused_of_groups(conn, self.organization, handset, &named)? {
            groups.entry(group.unwrap_or(edit)).or_default().refused.insert(edit);
        }
        let mut reused = other_content::of_groups(conn, self.organization, handset, &named)?;
        reused.extend(&self.reused);
        let offered: BTreeSet<Key> =
            self.command.edits.iter().map(|proposal| Key::from(proposal.edit.id)).collect();
        groups.retain(|group, there| {
            let now = || self.kept.iter().map(|kept| &kept.row).filter(|row| row.group_id == Some(*group));
            let has = |edit: Key| there.has(edit) || now().any(|row| row.edit_id == edit);
            // One that is offered again is judged again; whether it can be taken then depends on all of its group.
            now().any(InboxRow::is_refused)
                || there.refused.iter().any(|edit| !offered.contains(edit))
                // Its first content is none of the group, so that the group is never complete.
                || reused.iter().any(|(of, edit)| *of == Some(*group) && !has(*edit))
        });
        Ok(groups)
    }

    /// Refuses all that waits of a group, what came earlier included; says which edits those are.
    fn refuse_group(&mut self, group: Key, there: Earlier) -> BTreeSet<Key> {
        let with_group = Beside::Refused(Refusal::WithGroup);
        let come_now: BTreeSet<Key> = self.kept.iter().map(|kept| kept.row.edit_id).collect();
        let earlier = there.parked.into_iter().filter(|row| !come_now.contains(&row.edit_id));
        self.kept.extend(earlier.map(|row| Kept { row, texts: Vec::new(), beside: with_group.clone() }));
        let mut refused = BTreeSet::new();
        for kept in self.kept.iter_mut().filter(|kept| kept.row.group_id == Some(group)) {
            if !kept.row.is_refused() {
                kept.row.state = with_group.state().to_owned();
                kept.row.reason = with_group.reason().to_owned();
                kept.beside = with_group.clone();
                refused.insert(kept.row.edit_id);
            }
        }
        // One that was refused before goes on saying why.
        let said = |edit: &Key| there.refused.contains(edit) && refused.contains(edit);
        self.kept.retain(|kept| !said(&kept.row.edit_id));
        refused
    }
}

/// What came of a group earlier and is not in the log.
#[derive(Default)]
struct Earlier {
    parked: Vec<InboxRow>,
    refused: BTreeSet<Key>,
}

impl Earlier {
    fn has(&self, edit: Key) -> bool {
        self.refused.contains(&edit) || self.parked.iter().any(|row| row.edit_id == edit)
    }
}
