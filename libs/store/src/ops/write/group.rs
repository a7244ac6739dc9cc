//! Groups of a handset's edits that are taken together or not at all.

use std::{collections::BTreeMap, sync::Arc};

use merge::{Alone, Together};
use model::EditId;

use super::super::super::Conn;
use super::{
    Planned, Work, Wrote,
    judge::Judged,
    sent::{Beside, received_before},
};
use crate::{
    body::Body,
    command::{Command, Proposal, Refusal},
    error::Result,
    key::Key,
    sent::{Calling, ParkedFor},
};

/// What becomes of each edit of a group that is not taken.
pub(super) type Fates = BTreeMap<EditId, Fate>;

/// What becomes of one of them.
pub(super) enum Fate {
    Held(merge::Reason),
    Beside(Beside),
}

/// What becomes of the edits of a group, judged one by one, if they are not taken.
pub(super) fn fates(command: &Command, judged: &[Judged], planned: &[Planned]) -> Option<Fates> {
    let Some(Calling::Again { together: Some(size), .. }) = command.calling else { return None };
    let edits = || command.edits.iter().map(|proposal| proposal.edit.id);
    let alone: BTreeMap<EditId, Alone<ParkedFor>> =
        edits().zip(judged.iter().map(|judged| alone(judged, planned))).collect();
    let each = |fate: &dyn Fn(EditId) -> Fate| Some(edits().map(|edit| (edit, fate(edit))).collect());
    match merge::together(size, &alone) {
        Together::Applied => None,
        Together::Incomplete => each(&|_| Fate::Beside(Beside::Parked(ParkedFor::GroupIncomplete))),
        Together::Parked(waits) => each(&|edit| {
            let reason = waits.get(&edit).copied().unwrap_or(ParkedFor::GroupIncomplete);
            Fate::Beside(Beside::Parked(reason))
        }),
        Together::Held(reason) => each(&|_| Fate::Held(reason)),
        Together::Refused(_) => {
            let own: BTreeMap<EditId, Refusal> = edits()
                .zip(judged)
                .filter_map(|(edit, judged)| match judged {
                    Judged::Refused(refusal) => Some((edit, refusal.clone())),
                    _ => None,
                })
                .collect();
            each(&|edit| {
                let refusal = own.get(&edit).cloned().unwrap_or(Refusal::WithGroup);
                Fate::Beside(Beside::Refused(refusal))
            })
        }
    }
}

/// What is said of edits that are recorded together or not at all, if one of them cannot be: those that somebody decides
/// about, and those of a command that says so.
pub(super) fn none_of_them(command: &Command, judged: &[Judged]) -> Option<Vec<Judged>> {
    let decides = |proposal: &Proposal| proposal.sent.as_ref().is_some_and(|sent| sent.decision.is_some());
    let together = command.together || command.edits.iter().all(decides);
    let refused = judged.iter().any(|judged| matches!(judged, Judged::Refused(_)));
    let each = |judged: &Judged| match judged {
        Judged::Refused(refusal) => Judged::Refused(refusal.clone()),
        _ => Judged::Refused(Refusal::WithGroup),
    };
    (refused && together).then(|| judged.iter().map(each).collect())
}

fn alone(judged: &Judged, planned: &[Planned]) -> Alone<ParkedFor> {
    match judged {
        Judged::Planned(at) | Judged::Twin(at) => match planned.get(*at).map(|planned| &planned.wrote) {
            Some(Wrote::Held(reason)) => Alone::Held(*reason),
            _ => Alone::Applied,
        },
        Judged::Repeat(_) | Judged::HeldBefore(_) => Alone::Applied,
        Judged::Parked(reason) => Alone::Parked(*reason),
        Judged::Refused(_) => Alone::Refused,
    }
}

impl Work<'_> {
    /// Does with each edit of a group what becomes of all of it.
    pub(super) fn share_fate(
        &mut self,
        conn: &mut Conn,
        bodies: &[Arc<Body>],
        fates: &Fates,
    ) -> Result<Vec<Judged>> {
        let mut judged = Vec::with_capacity(self.command.edits.len());
        for (proposal, read) in self.command.edits.iter().zip(bodies) {
            let edit = proposal.edit.id;
            let earlier = self.known.earlier(conn, Key::from(edit))?.cloned();
            judged.push(match (self.known.kept(proposal).cloned(), fates.get(&edit), earlier) {
                (Some(kept), Some(fate), None) => {
                    let body = if kept.is_unread() { Arc::clone(read) } else { Arc::new(kept.body()?) };
                    let again = received_before(proposal, &kept)?;
                    match fate {
                        Fate::Held(reason) => {
                            self.done_waiting.push(Key::from(edit));
                            self.hold(&again, &body, *reason)?
                        }
                        Fate::Beside(beside) => {
                            self.keep_beside(&again, &body, beside.clone());
                            beside.judged()
                        }
                    }
                }
                (_, _, Some(row)) if row.is_accepted() => Judged::Repeat(Box::new(row)),
                (_, _, Some(row)) => Judged::HeldBefore(Box::new(row)),
                _ => Judged::Parked(ParkedFor::GroupIncomplete),
            });
        }
        Ok(judged)
    }
}
