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
    /// Where they see edits that wait for a decision, if they do anywhere.
    pub(crate) held: Option<Reach>,
    /// Whether they see everybody's handsets.
    pub(crate) sees_handsets: bool,
}

/// Some sites.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub(crate) enum Reach {
    /// All of them.
    Everywhere,
    /// These.
    At(BTreeSet<SiteId>),
}

impl Reach {
    fn of(scope: SiteScope) -> Option<Self> {
        match scope {
            SiteScope::All => Some(Self::Everywhere),
            SiteScope::Only(sites) => (!sites.is_empty()).then_some(Self::At(sites)),
        }
    }

    /// The sites; none means all.
    pub(crate) fn sites(&self) -> Option<Vec<SiteId>> {
        match self {
            Self::Everywhere => None,
            Self::At(sites) => Some(sites.iter().copied().collect()),
        }
    }

    fn covers(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Everywhere, _) => true,
            (Self::At(_), Self::Everywhere) => false,
            (Self::At(ours), Self::At(theirs)) => ours.is_superset(theirs),
        }
    }
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
        let held = all.iter().map(|one| access::sites_for(one, Action::ReadHeld, now)).reduce(both);
        let sees_handsets = may(Action::ReadHandset { own: false });
        Some(Self { sites, held: held.and_then(Reach::of), sees_handsets })
    }

    /// Whether they may be told all that others may.
    pub(crate) fn covers(&self, other: &Self) -> bool {
        let sites = match (&self.sites, &other.sites) {
            (None, _) => true,
            (Some(_), None) => false,
            (Some(ours), Some(theirs)) => ours.is_superset(theirs),
        };
        let held = match (&self.held, &other.held) {
            (_, None) => true,
            (None, Some(_)) => false,
            (Some(ours), Some(theirs)) => ours.covers(theirs),
        };
        sites && held && self.sees_handsets >= other.sees_handsets
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

#[cfg(test)]
mod tests {
    use model::{mail::MailListFields, person::Role};

    use super::*;

    fn id<K: model::id::Kind>(n: u128) -> model::Id<K> {
        model::Id::from_uuid(uuid::Uuid::from_u128(n))
    }

    fn only(sites: &[u128]) -> SiteScope {
        SiteScope::Only(sites.iter().map(|n| id(*n)).collect())
    }

    fn list(role: Role, sites: SiteScope) -> MailList {
        let fields = MailListFields { role: Some(role), sites: Some(sites), ..MailListFields::default() };
        MailList { id: id(9), fields }
    }

    fn grant(role: Role, sites: SiteScope) -> GrantFields {
        let from = Some(Instant::FIRST);
        GrantFields { person_id: Some(id(8)), role: Some(role), sites: Some(sites), from, until: None }
    }

    fn audience(list: &MailList, grants: Option<Vec<GrantFields>>) -> Option<Audience> {
        let now = Instant::FIRST.plus_seconds(1);
        Audience::of(id(7), list, grants.map(|grants| (id(8), grants)), now)
    }

    /// NEEDS of the digest: only facts that the recipient may see; the list and the person both have to allow it.
    #[test]
    fn nobody_is_told_more_than_list_and_person_allow() {
        let sites = |n: &[u128]| n.iter().map(|n| id(*n)).collect::<BTreeSet<SiteId>>();
        let all = list(Role::Coordinator, SiteScope::All);
        let whole = audience(&all, None).unwrap();
        assert_eq!((&whole.sites, &whole.held, whole.sees_handsets), (&None, &Some(Reach::Everywhere), true));
        // A technician at one site who coordinates another reads what is held at that other one.
        let two = vec![grant(Role::Technician, only(&[1])), grant(Role::Coordinator, only(&[2]))];
        let two = audience(&all, Some(two)).unwrap();
        assert_eq!((&two.sites, &two.held), (&Some(sites(&[1, 2])), &Some(Reach::At(sites(&[2])))));
        assert!(!two.sees_handsets && whole.covers(&two) && !two.covers(&whole));
        // The list bounds whoever sees more, and a person without a grant sees nothing.
        let viewers = list(Role::Viewer, only(&[1]));
        let bounded = audience(&viewers, Some(vec![grant(Role::Admin, SiteScope::All)])).unwrap();
        assert_eq!((&bounded.sites, &bounded.held), (&Some(sites(&[1])), &None));
        assert_eq!(audience(&all, Some(Vec::new())), None);
        assert_eq!(audience(&viewers, Some(vec![grant(Role::Viewer, only(&[2]))])), None);
    }
}
