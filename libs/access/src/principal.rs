//! Somebody who acts, and what they were given to act with.

use std::collections::BTreeSet;

use model::{
    Instant, OrganizationId, PersonId,
    person::{Role, SiteScope},
};

/// A role on a set of sites, from one instant until another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Grant {
    /// What it lets its holder do.
    pub role: Role,
    /// Where.
    pub sites: SiteScope,
    /// The first instant it holds.
    pub from: Instant,
    /// The first instant it holds no more; never ends by itself if absent.
    pub until: Option<Instant>,
}

impl Grant {
    /// Whether it holds at `now`.
    pub fn in_force(&self, now: Instant) -> bool {
        self.from <= now && self.until.is_none_or(|until| now < until)
    }
}

/// Somebody who acts in an organization, with every grant of theirs there, past and future ones included.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Principal {
    /// Who.
    pub person: PersonId,
    /// In which organization; no other is ever reached.
    pub organization: OrganizationId,
    /// What they were given.
    pub grants: Vec<Grant>,
}

impl Principal {
    /// The grants that hold at `now`.
    pub fn in_force(&self, now: Instant) -> impl Iterator<Item = &Grant> {
        self.grants.iter().filter(move |grant| grant.in_force(now))
    }

    /// The sites that the person sees at `now`: those of all grants in force together, since every role reads.
    ///
    /// Lists are filtered by it, and agree with what [`decide()`](crate::decide()) says of single records.
    pub fn sites_at(&self, now: Instant) -> SiteScope {
        union(self.in_force(now))
    }
}

/// The sites of all these grants together.
pub(crate) fn union<'g>(grants: impl Iterator<Item = &'g Grant>) -> SiteScope {
    let mut together = BTreeSet::new();
    for grant in grants {
        match &grant.sites {
            SiteScope::All => return SiteScope::All,
            SiteScope::Only(sites) => together.extend(sites),
        }
    }
    SiteScope::Only(together)
}
