//! What rows name by something else than its id, looked up among what their author may see.

use std::collections::BTreeMap;

use import::{By, Complaint, Name, Named, Wish};
use model::{
    OrganizationId, ScheduleId, SiteId, UnitId,
    edit::{RecordKind, Target},
};
use serde_json::Value;
use store::{
    Store,
    command::{Ask, Permission},
    imports::{Found, Wanted},
    view::{Page, RecordView},
};
use uuid::Uuid;

use crate::extract::Caller;

/// Records that are read at a time.
const PAGE: usize = 500;

/// Names of records that somebody sees, as they were when they were first asked for.
#[derive(Default)]
pub(super) struct Names {
    known: BTreeMap<&'static str, BTreeMap<String, Vec<Uuid>>>,
}

/// The kind of record that can be named, and the field that is its name.
fn kind_of(named: Named) -> (RecordKind, &'static str) {
    match named {
        Named::Site => (RecordKind::Site, "name"),
        Named::Unit => (RecordKind::Unit, "label"),
        Named::Schedule => (RecordKind::Schedule, "title"),
    }
}

impl Names {
    /// Reads the names of what these rows call by name.
    pub(super) async fn load(
        &mut self,
        store: &Store,
        caller: &Caller,
        wishes: impl Iterator<Item = &Wish>,
    ) -> store::Result<()> {
        let names = wishes.flat_map(|wish| &wish.names);
        let called: Vec<Named> =
            names.filter(|name| matches!(name.by, By::Called(_))).map(|name| name.of).collect();
        for named in [Named::Site, Named::Unit, Named::Schedule] {
            let (kind, field) = kind_of(named);
            if called.contains(&named) && !self.known.contains_key(kind.as_str()) {
                let found = all(store, caller, named, field).await?;
                self.known.insert(kind.as_str(), found);
            }
        }
        Ok(())
    }

    /// Puts the ids of all that a row names into its body, or says what cannot be found.
    pub(super) fn resolve(
        &self,
        wish: &mut Wish,
        found: &Found,
        caller: &Caller,
    ) -> Result<(), Vec<Complaint>> {
        let mut complaints = Vec::new();
        for name in std::mem::take(&mut wish.names) {
            match self.find(&name, found, caller) {
                Ok(id) => wish.put(name.member, id),
                Err((code, detail, suggestion)) => {
                    complaints.push(wish.doubt(&name, code, &detail, suggestion));
                }
            }
        }
        if complaints.is_empty() { Ok(()) } else { Err(complaints) }
    }

    fn find(
        &self,
        name: &Name,
        found: &Found,
        caller: &Caller,
    ) -> Result<Uuid, (&'static str, String, Option<String>)> {
        let (kind, _) = kind_of(name.of);
        let (ids, told) = match &name.by {
            By::External { system, id } => {
                let key = (kind, system.clone(), id.clone());
                let holders = found.holders.get(&key).into_iter().flatten();
                let seen = holders.filter(|id| sees(caller, found, kind, **id)).copied();
                (seen.collect::<Vec<_>>(), format!("the id {id} in {system}"))
            }
            By::Called(text) => {
                let known = self.known.get(kind.as_str());
                let ids = known.and_then(|known| known.get(text)).cloned().unwrap_or_default();
                (ids, "this name".to_owned())
            }
        };
        let kind = kind.as_str();
        match ids.as_slice() {
            [id] => Ok(*id),
            [] => Err((
                "not_found",
                format!("There is no {kind} with {told} among those that you see."),
                self.suggestion(name),
            )),
            _ => Err((
                "ambiguous_name",
                format!(
                    "{} {kind}s have {told}: say which by its id, or by its id in another system.",
                    ids.len()
                ),
                None,
            )),
        }
    }

    /// The known name that is most like one that nothing has.
    fn suggestion(&self, name: &Name) -> Option<String> {
        let By::Called(text) = &name.by else { return None };
        let known = self.known.get(kind_of(name.of).0.as_str())?;
        import::nearest(text, known.keys().map(String::as_str)).map(str::to_owned)
    }
}

/// Whether somebody sees a site or a unit that was looked up.
pub(super) fn sees(caller: &Caller, found: &Found, kind: RecordKind, id: Uuid) -> bool {
    let target = match kind {
        RecordKind::Site => Target::Site(SiteId::from_uuid(id)),
        RecordKind::Unit => Target::Unit(UnitId::from_uuid(id)),
        _ => return false,
    };
    let sites = found.records.get(&target).map(|(_, sites)| sites);
    sites
        .into_iter()
        .flatten()
        .any(|site| caller.answer(Ask::See { author: caller.person(), site: *site }) == Permission::Allowed)
}

/// What has to be looked up for a row's names.
pub(super) fn want(wish: &Wish, wanted: &mut Wanted) {
    for name in &wish.names {
        if let By::External { system, id } = &name.by {
            wanted.external.insert((kind_of(name.of).0, system.clone(), id.clone()));
        }
    }
}

/// The ids of all that somebody sees of a kind, by name.
async fn all(
    store: &Store,
    caller: &Caller,
    named: Named,
    field: &str,
) -> store::Result<BTreeMap<String, Vec<Uuid>>> {
    let mut names: BTreeMap<String, Vec<Uuid>> = BTreeMap::new();
    let mut after = None;
    loop {
        let Page { items, more } = page(store, caller, named, after).await?;
        after = items.last().map(|record| record.id);
        for record in items {
            if let Some(name) = record.fields.get(field).and_then(Value::as_str) {
                names.entry(name.to_owned()).or_default().push(record.id);
            }
        }
        if !more {
            return Ok(names);
        }
    }
}

async fn page(
    store: &Store,
    caller: &Caller,
    named: Named,
    after: Option<Uuid>,
) -> store::Result<Page<RecordView>> {
    let organization: OrganizationId = caller.organization();
    let sites = caller.visible_sites();
    match named {
        Named::Site => {
            let among = sites.map(|sites| sites.into_iter().collect());
            store.sites(organization, among, after.map(SiteId::from_uuid), PAGE).await
        }
        Named::Unit => {
            let sets = sites.into_iter().collect();
            store.units(organization, sets, after.map(UnitId::from_uuid), PAGE).await
        }
        Named::Schedule => store.schedules(organization, after.map(ScheduleId::from_uuid), PAGE).await,
    }
}
