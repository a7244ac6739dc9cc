//! Which tags hang on a unit: it must not run, or is not to be relied on.

use std::collections::BTreeSet;

use model::{
    EventId, Instant,
    event::{Details, TagAction, TagWord},
};

use crate::{input::Input, places::Stays, standing};

/// A tag while it hangs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HungTag {
    /// The event of its hanging.
    pub event_id: EventId,
    /// What it says.
    pub tag: TagWord,
    /// Since when.
    pub since: Instant,
    /// When it is over by what it says itself; absent if somebody has to take it off.
    pub until: Option<Instant>,
}

/// The tags that hang on a unit at `at`, the first one first.
pub fn tags(input: &Input<'_>, at: Instant) -> Vec<HungTag> {
    let said = standing::said(input);
    let stays = Stays::of(input, said.iter().copied());
    let (mut hung, mut removed) = (Vec::new(), BTreeSet::new());
    for said in said {
        let Details::Tag(tag) = said.details else { continue };
        let instant = stays.instant(said.when);
        if instant > at {
            continue;
        }
        match &tag.action {
            TagAction::Removed { tag_id } => drop(removed.insert(*tag_id)),
            TagAction::Hung { tag, effective_until, .. } => {
                let until = effective_until.map(|until| stays.at(at).zone.midnight(until));
                if until.is_none_or(|until| until > at) {
                    hung.push(HungTag { event_id: said.id, tag: *tag, since: instant, until });
                }
            }
        }
    }
    hung.retain(|tag| !removed.contains(&tag.event_id));
    hung.sort_unstable_by_key(|tag| (tag.since, tag.event_id));
    hung
}
