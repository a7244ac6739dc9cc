//! What a recipient may be told.

use std::collections::BTreeSet;

use access::{Action, Decision, Grant, Object, Principal};
use model::{
    Instant, OrganizationId, PersonId, SiteId,
    person::{GrantFields, SiteScope},
};
use serde::{Deserialize, Serialize};
use store::digests::MailList;

/// What some recipients may be told: the list's own reach, cut by what the person may see whose address it is.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub(crate) struct Audience {
    /// The sites; none means all.
    pub(crate) sites: Option<BTreeSet<SiteId>>,
    /// Whether they see edits that wait for a decision.
    pub(crate) sees_held: bool,
    /// Whether they see everybody's handsets.
    pub(crate) sees_handsets: bool,
}

impl Audience {
    /// What a recipient of a list may be told at `now`; nothing at all if they see none of its sites.
    pub(crate) fn of(
        organization: OrganizationId,
        list: &MailList,
        person: Option<(PersonId, Vec<GrantFields>)>,
        now: Instant,
    ) -> Option<Self> {
        let (role, sites) = (list.fields.role?, list.fields.sites.clone()?);
        let of_list = Grant { role, sites, from: Instant::FIRST, until: None };
        // The list itself stands for somebody with its role on its sites; whoever manages it has given it that.
        let list =
            Principal { person: PersonId::from_uuid(list.id.uuid()), organization, grants: vec![of_list] };
        let mut all = vec![list];
        if let Some((person, grants)) = person {
            let grants = grants.into_iter().filter_map(|g| {
                Some(Grant { role: g.role?, sites: g.sites?, from: g.from?, until: g.until })
            });
            all.push(Principal { person, organization, grants: grants.collect() });
        }
        let sites =
            all.iter().map(|one| one.sites_at(now)).reduce(both).unwrap_or(SiteScope::Only(BTreeSet::new()));
        let may = |action: Action| {
            let whole = Object::of(organization);
            all.iter().all(|one| access::decide(one, action, &whole, now) == Decision::Allow)
        };
        let sites = match sites {
            SiteScope::All => None,
            SiteScope::Only(sites) if sites.is_empty() => return None,
            SiteScope::Only(sites) => Some(sites),
        };
        let (sees_held, sees_handsets) = (may(Action::ReadHeld), may(Action::ReadHandset { own: false }));
        Some(Self { sites, sees_held, sees_handsets })
    }

    /// Whether they may be told all that others may.
    pub(crate) fn covers(&self, other: &Self) -> bool {
        let sites = match (&self.sites, &other.sites) {
            (None, _) => true,
            (Some(_), None) => false,
            (Some(ours), Some(theirs)) => ours.is_superset(theirs),
        };
        sites && self.sees_held >= other.sees_held && self.sees_handsets >= other.sees_handsets
    }

    /// Whether they may be told of what is at one of these sites.
    pub(crate) fn sees(&self, sites: impl IntoIterator<Item = SiteId>) -> bool {
        self.sites.as_ref().is_none_or(|seen| sites.into_iter().any(|site| seen.contains(&site)))
    }

    /// Of the site where a unit stands and its home, that under which they are told of it.
    pub(crate) fn place(&self, standing: SiteId, home: SiteId) -> SiteId {
        if self.sees([standing]) { standing } else { home }
    }
}

fn both(one: SiteScope, other: SiteScope) -> SiteScope {
    match (one, other) {
        (SiteScope::All, only) | (only, SiteScope::All) => only,
        (SiteScope::Only(one), SiteScope::Only(other)) => SiteScope::Only(&one & &other),
    }
}
