//! From a slice of rows to edits: what they name is found, and of records that are there only what differs is set.

use std::collections::HashMap;

use import::{Complaint, Key, Records, Row, Wish};
use model::{
    EditId, ImportId, SiteId, UnitId,
    edit::{Action, RecordKind, Target},
    external::EXTERNAL_IDS,
    private::Salt,
    site::SiteFields,
    unit::UnitFields,
};
use serde_json::{Map, Value};
use store::{
    Store,
    command::Proposal,
    imports::{Found, Wanted},
    view::RecordView,
};
use uuid::Uuid;

use super::{
    fates::{Does, Judged},
    ids,
    names::{self, Names, sees},
};
use crate::{extract::Caller, intake, problem::ApiResult, random};

/// What is remembered of a file from slice to slice.
#[derive(Default)]
pub(super) struct Memory {
    names: Names,
    /// The line of each site or unit that the file has named so far, by what it is known by.
    seen: HashMap<Uuid, u64>,
}

impl Memory {
    /// Notes rows that were judged before, by another instance or before a restart.
    pub(super) fn pass(&mut self, caller: &Caller, rows: &[Row]) {
        for wish in rows.iter().filter_map(|row| row.wish.as_ref().ok()) {
            self.seen_before(caller, wish);
        }
    }

    /// The line on which the file has named a site or unit before.
    fn seen_before(&mut self, caller: &Caller, wish: &Wish) -> Option<u64> {
        let own = own_id(caller, wish)?;
        let first = *self.seen.entry(own).or_insert(wish.line);
        (first != wish.line).then_some(first)
    }

    /// Makes edits of rows, and says of each row what it is.
    pub(super) async fn judge(
        &mut self,
        store: &Store,
        caller: &Caller,
        job: ImportId,
        rows: Vec<Row>,
    ) -> ApiResult<(Vec<Judged>, Vec<Proposal>)> {
        let mut wishes: Vec<Result<Wish, Vec<Complaint>>> = Vec::with_capacity(rows.len());
        for row in rows {
            wishes.push(row.wish.and_then(|wish| match self.seen_before(caller, &wish) {
                Some(first) => {
                    let detail = format!("Line {first} is about the same record.");
                    Err(vec![Complaint::of_row(wish.line, "repeated_in_file", detail)])
                }
                None => Ok(wish),
            }));
        }
        let good = || wishes.iter().filter_map(|wish| wish.as_ref().ok());
        self.names.load(store, caller, good()).await?;
        let mut wanted = Wanted::default();
        for wish in good() {
            names::want(wish, &mut wanted);
            want_record(caller, wish, &mut wanted);
        }
        let mut found = store.find_for_import(caller.organization(), wanted).await?;
        for wish in &mut wishes {
            let complaints = wish.as_mut().ok().and_then(|wish| {
                let resolved = self.names.resolve(wish, &found, caller);
                wish.finish();
                resolved.err()
            });
            if let Some(complaints) = complaints {
                *wish = Err(complaints);
            }
        }
        // What a row is known by where it has no id follows from what its names stand for.
        let mut wanted = Wanted::default();
        for wish in wishes.iter().flatten().filter(|wish| wish.key.is_none()) {
            want_record(caller, wish, &mut wanted);
        }
        if !wanted.records.is_empty() {
            let more = store.find_for_import(caller.organization(), wanted).await?;
            found.records.extend(more.records);
        }
        let (mut judged, mut edits) = (Vec::with_capacity(wishes.len()), Vec::new());
        for wish in wishes {
            let made = match wish {
                Ok(wish) => Asking { caller, job, found: &found }.edit(wish)?,
                Err(complaints) => Err(Judged::Refused(complaints)),
            };
            judged.push(match made {
                Ok((wish, does, edit)) => {
                    edits.push(edit);
                    Judged::Edit { wish, does }
                }
                Err(judged) => judged,
            });
        }
        Ok((judged, edits))
    }
}

/// The kind of a file's records, if they are records with fields.
fn kind_of(records: Records) -> Option<RecordKind> {
    match records {
        Records::Sites => Some(RecordKind::Site),
        Records::Units => Some(RecordKind::Unit),
        Records::ServiceEvents | Records::Readings => None,
    }
}

fn target_of(kind: RecordKind, id: Uuid) -> Target {
    if kind == RecordKind::Site {
        Target::Site(SiteId::from_uuid(id))
    } else {
        Target::Unit(UnitId::from_uuid(id))
    }
}

/// The id that the site or unit of a row has if the row makes it.
fn own_id(caller: &Caller, wish: &Wish) -> Option<Uuid> {
    let kind = kind_of(wish.records)?;
    Some(match &wish.key {
        Some(Key::Id(id)) => *id,
        Some(Key::External { system, id }) => ids::of_external(caller.organization(), kind, system, id),
        None => ids::of_content(caller.organization(), kind, &told(wish)),
    })
}

/// All that a row says, whatever its names stand for; without private text, which an id must not outlive.
fn told(wish: &Wish) -> Map<String, Value> {
    let mut told = wish.body.clone();
    for pointer in SiteFields::PRIVATE.iter().chain(UnitFields::PRIVATE) {
        told.remove(pointer.trim_start_matches('/'));
    }
    told.extend(wish.names.iter().map(|name| {
        let by = serde_json::to_value(&name.by).unwrap_or_default();
        (name.member.to_owned(), by)
    }));
    told
}

/// What has to be known of the record of a row.
fn want_record(caller: &Caller, wish: &Wish, wanted: &mut Wanted) {
    let (Some(kind), Some(own)) = (kind_of(wish.records), own_id(caller, wish)) else { return };
    wanted.records.insert(target_of(kind, own));
    if let Some(Key::External { system, id }) = &wish.key {
        wanted.external.insert((kind, system.clone(), id.clone()));
    }
}

/// Whose rows are made edits, and what is known of the records.
struct Asking<'a> {
    caller: &'a Caller,
    job: ImportId,
    found: &'a Found,
}

/// A row as an edit, or what becomes of it without one.
type Made = Result<(Wish, Does, Proposal), Judged>;

impl Asking<'_> {
    fn edit(&self, mut wish: Wish) -> ApiResult<Made> {
        let own = own_id(self.caller, &wish);
        let body = std::mem::take(&mut wish.body);
        let salts = random::salts()?;
        let (Some(kind), Some(own)) = (kind_of(wish.records), own) else {
            return Ok(match intake::event_with_id(&Value::Object(body), salts) {
                Ok(edit) => Ok((wish, Does::Record, edit)),
                Err(errors) => Err(Judged::Refused(wish.complain(&errors))),
            });
        };
        self.record(wish, (kind, own), body, salts)
    }

    /// A row about a site or a unit: one that is there is changed, else it is made.
    fn record(
        &self,
        wish: Wish,
        (kind, own): (RecordKind, Uuid),
        mut body: Map<String, Value>,
        salts: Vec<Salt>,
    ) -> ApiResult<Made> {
        body.remove("id");
        let there = match self.there(&wish, kind, own) {
            Ok(there) => there,
            Err(complaint) => return Ok(Err(Judged::Refused(vec![complaint]))),
        };
        let Some(view) = there else {
            let id = Value::from(own.hyphenated().to_string());
            body.insert("id".to_owned(), id);
            let made = intake::new_record(kind, Value::Object(body), EditId::from_uuid(own), salts);
            return Ok(match made {
                Ok(edit) => Ok((wish, Does::Make, edit)),
                Err(errors) => Err(Judged::Refused(wish.complain(&errors))),
            });
        };
        if body.is_empty() {
            return Ok(Err(Judged::Unchanged));
        }
        let edit = EditId::from_uuid(ids::of_change(self.job, wish.line));
        let patch = intake::patch(
            target_of(kind, view.id),
            &Value::Object(body),
            edit,
            Some(view.etag.clone()),
            salts,
        );
        Ok(match patch {
            Ok(mut edit) => {
                if keep_what_differs(&mut edit.edit.action, view) {
                    Ok((wish, Does::Change, edit))
                } else {
                    Err(Judged::Unchanged)
                }
            }
            Err(errors) => Err(Judged::Refused(wish.complain(&errors))),
        })
    }

    /// The record that a row is about, if it is there and may be seen.
    fn there(&self, wish: &Wish, kind: RecordKind, own: Uuid) -> Result<Option<&RecordView>, Complaint> {
        let mut ids = Vec::new();
        if let Some(Key::External { system, id }) = &wish.key {
            let holders = self.found.holders.get(&(kind, system.clone(), id.clone()));
            ids.extend(holders.into_iter().flatten().filter(|id| sees(self.caller, self.found, kind, **id)));
        }
        if ids.is_empty() && sees(self.caller, self.found, kind, own) {
            if let Some(Key::External { system, id }) = &wish.key {
                let detail = format!(
                    "The {} that was made under the id {id} of {system} has it no more: say by its own id which is meant, or give it back.",
                    kind.as_str()
                );
                return Err(Complaint::of_row(wish.line, "external_id_moved", detail));
            }
            ids.push(own);
        }
        match ids.as_slice() {
            [] => Ok(None),
            [id] => Ok(self.found.records.get(&target_of(kind, *id)).map(|(view, _)| view)),
            _ => {
                let detail =
                    format!("{} {}s have this id: say which by its own id.", ids.len(), kind.as_str());
                Err(Complaint::of_row(wish.line, "ambiguous_name", detail))
            }
        }
    }
}

/// Leaves of the fields that an edit sets those that say something else than the record; says whether there are any.
fn keep_what_differs(action: &mut Action, view: &RecordView) -> bool {
    let Action::Set { fields, .. } = action else { return true };
    if let Some(Value::Object(ids)) = fields.get_mut(EXTERNAL_IDS) {
        let known = view.fields.get(EXTERNAL_IDS);
        ids.retain(|system, id| known.and_then(|known| known.get(system)) != Some(id));
        if ids.is_empty() {
            fields.remove(EXTERNAL_IDS);
        }
    }
    fields.retain(|name, value| {
        // Private text may come with a salt, which says nothing.
        let text = value.get("text").filter(|_| value.get("salt").is_some());
        !view.fields.get(name).is_some_and(|known| same(known, text.unwrap_or(value)))
    });
    !fields.is_empty()
}

/// Whether two values say the same, however their numbers are spelled.
fn same(one: &Value, other: &Value) -> bool {
    let spelled = |value| proof::canonical(value).map(proof::Canonical::into_string).ok();
    one == other || spelled(one).is_some_and(|text| Some(text) == spelled(other))
}
