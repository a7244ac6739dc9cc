//! What the authors of edits may do: a handset is shared, and parked edits are tried when nobody of them calls.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use model::{Instant, OrganizationId, PersonId};
use store::{
    Store,
    command::{Ask, Permission, Permit},
};

use crate::{extract::Caller, problem::ApiResult};

/// The authors of some edits, with the grants that each of them holds.
pub(crate) struct Authors(BTreeMap<PersonId, Caller>);

impl Authors {
    /// Loads the grants of these people.
    pub(crate) async fn load(
        store: &Store,
        organization: OrganizationId,
        people: &BTreeSet<PersonId>,
        now: Instant,
    ) -> ApiResult<Self> {
        let mut authors = BTreeMap::new();
        for person in people {
            let grants = store.grants(organization, *person).await?;
            authors.insert(*person, Caller::of(organization, *person, grants, now));
        }
        Ok(Self(authors))
    }

    /// The decision who may do what, for the store: each of them by their own grants, anybody else nothing.
    pub(crate) fn permit(self) -> Permit {
        let authors = self.0;
        Permit(Arc::new(move |ask| {
            let author = match &ask {
                Ask::Write { author, .. } | Ask::See { author, .. } => *author,
            };
            authors.get(&author).map_or(Permission::Hidden, |caller| caller.answer(ask))
        }))
    }
}
