//! Records with fields: their registers, as the log's rows made them.

use std::collections::{BTreeMap, BTreeSet};

use diesel::{prelude::*, sql_types::Nullable};
use merge::Record;
use model::{
    PersonId, SiteId,
    edit::{RecordKind, Target},
    person::GrantFields,
    read::Object,
};
use serde_json::{Map, Value};

use super::super::{
    Conn,
    dialect::{SqlKey, among},
};
use super::{
    IDS_AT_ONCE,
    private_texts::{self, Texts},
    schema::{record, unit_sent, unit_state},
    scope::units_at,
};
use crate::{
    body::private_pointers,
    command::Etag,
    error::{Result, StoreError},
    key::Key,
    stored,
    view::{Among, Look, Page, RecordView},
};

/// A record as it is stored.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Stored {
    pub(crate) version: i64,
    pub(crate) record: Record,
}

impl Stored {
    /// What a writer must have seen: the version, and a digest of the stamps of all values.
    pub(crate) fn etag(&self) -> Etag {
        let digest = proof::sha256(self.record.versions_text().as_bytes()).to_string();
        Etag(format!("{}-{}", self.version, digest.get(..16).unwrap_or_default()))
    }
}

/// What a record belongs to: a unit to its home site, a grant to its person, a recipient to a mail list, a promise
/// to its spare.
pub(crate) fn belongs_to(kind: RecordKind, record: &Record) -> Option<Key> {
    let member = match kind {
        RecordKind::Unit => "home_site_id",
        RecordKind::Grant => "person_id",
        RecordKind::Recipient => "mail_list_id",
        RecordKind::Promise => "unit_id",
        _ => return None,
    };
    let values = record.values();
    let text = values.get(member)?.as_str()?;
    uuid::Uuid::try_parse(text).ok().map(Key)
}

/// One record.
pub(crate) fn find(conn: &mut Conn, organization: Key, target: Target) -> Result<Option<Stored>> {
    let row: Option<(i64, String)> = record::table
        .find((organization, target.kind().as_str(), Key(target.uuid())))
        .select((record::version, record::registers))
        .first(conn)
        .optional()?;
    row.map(|(version, registers)| Ok(Stored { version, record: parse(&registers)? })).transpose()
}

/// Some records, by kind and id; those that are not there are left out.
pub(crate) fn some(
    conn: &mut Conn,
    organization: Key,
    targets: &BTreeSet<Target>,
) -> Result<BTreeMap<Target, Stored>> {
    let by_name: BTreeMap<(&str, Key), Target> =
        targets.iter().map(|target| ((target.kind().as_str(), Key(target.uuid())), *target)).collect();
    let (kinds, ids): (BTreeSet<&str>, BTreeSet<Key>) = by_name.keys().copied().unzip();
    let kinds: Vec<&str> = kinds.into_iter().collect();
    let mut found = BTreeMap::new();
    for some in ids.into_iter().collect::<Vec<_>>().chunks(IDS_AT_ONCE) {
        let rows: Vec<(String, Key, i64, String)> = record::table
            .filter(record::organization.eq(organization))
            .filter(among(record::kind, kinds.clone()))
            .filter(among(record::id, some.to_vec()))
            .select((record::kind, record::id, record::version, record::registers))
            .load(conn)?;
        for (kind, id, version, registers) in rows {
            if let Some(target) = by_name.get(&(kind.as_str(), id)) {
                found.insert(*target, Stored { version, record: parse(&registers)? });
            }
        }
    }
    Ok(found)
}

/// A record as a row.
pub(crate) struct RecordRow {
    pub(crate) organization: Key,
    pub(crate) kind: String,
    pub(crate) id: Key,
    pub(crate) version: i64,
    pub(crate) belongs_to: Option<Key>,
    pub(crate) registers: String,
    pub(crate) contested: i64,
}

impl RecordRow {
    pub(crate) fn new(organization: Key, target: Target, stored: &Stored) -> Result<Self> {
        Ok(Self {
            organization,
            kind: target.kind().as_str().to_owned(),
            id: Key(target.uuid()),
            version: stored.version,
            belongs_to: belongs_to(target.kind(), &stored.record),
            registers: text(&stored.record)?,
            contested: contested(&stored.record),
        })
    }
}

/// The text of a record's registers.
pub(crate) fn text(record: &Record) -> Result<String> {
    serde_json::to_string(record).map_err(|e| StoreError::corrupt("registers")(&e))
}

/// A record as a reader sees it.
pub(crate) fn view(
    conn: &mut Conn,
    organization: Key,
    target: Target,
    stored: &Stored,
) -> Result<RecordView> {
    let texts = private_texts::of_edits(conn, organization, &sealing_edits(target.kind(), &stored.record))?;
    Ok(joined(target.kind(), target.uuid(), stored, &texts))
}

/// A page of records of one kind by id, those `among` which they are asked for.
pub(crate) fn list(
    conn: &mut Conn,
    organization: Key,
    kind: RecordKind,
    among: &Among,
    after: Option<uuid::Uuid>,
    limit: usize,
) -> Result<Page<RecordView>> {
    let rows = stored_after(conn, organization, kind, among, after, limit.saturating_add(1))?;
    let Page { items, more } = Page::cut(rows, limit);
    let edits: Vec<Key> = items.iter().flat_map(|(_, stored)| sealing_edits(kind, &stored.record)).collect();
    let texts = private_texts::of_edits(conn, organization, &edits)?;
    let items = items.iter().map(|(id, stored)| joined(kind, id.0, stored, &texts)).collect();
    Ok(Page { items, more })
}

/// The next records of one kind by id, those `among` which they are asked for.
pub(crate) fn stored_after(
    conn: &mut Conn,
    organization: Key,
    kind: RecordKind,
    among: &Among,
    after: Option<uuid::Uuid>,
    limit: usize,
) -> Result<Vec<(Key, Stored)>> {
    let mut query = record::table
        .filter(record::organization.eq(organization))
        .filter(record::kind.eq(kind.as_str()))
        .order(record::id)
        .limit(i64::try_from(limit).unwrap_or(i64::MAX))
        .select((record::id, record::version, record::registers))
        .into_boxed();
    if let Some(after) = after {
        query = query.filter(record::id.gt(Key(after)));
    }
    match among {
        Among::All => {}
        Among::Of(owner) => query = query.filter(record::belongs_to.eq(Key(*owner))),
        Among::Ids(ids) => {
            query = query.filter(record::id.eq_any(ids.iter().map(|id| Key(*id)).collect::<Vec<_>>()))
        }
        Among::UnitsOf(sets) => {
            for sites in sets {
                let sites: Vec<Key> = sites.iter().map(|site| Key::from(*site)).collect();
                let in_scope = units_at!(organization, sites).select(unit_sent::unit_id);
                query = query.filter(record::id.eq_any(in_scope));
            }
        }
    }
    let rows: Vec<(Key, i64, String)> = query.load(conn)?;
    rows.into_iter()
        .map(|(id, version, registers)| Ok((id, Stored { version, record: parse(&registers)? })))
        .collect()
}

/// The records of a kind that belong to another one, by id.
pub(crate) fn belonging_to(
    conn: &mut Conn,
    organization: Key,
    kind: RecordKind,
    owner: Key,
) -> Result<Vec<(Key, Stored)>> {
    let rows: Vec<(Key, i64, String)> = record::table
        .filter(record::organization.eq(organization))
        .filter(record::kind.eq(kind.as_str()))
        .filter(record::belongs_to.eq(owner))
        .order(record::id)
        .select((record::id, record::version, record::registers))
        .load(conn)?;
    rows.into_iter()
        .map(|(id, version, registers)| Ok((id, Stored { version, record: parse(&registers)? })))
        .collect()
}

/// Somebody's grants; none for a person who is not there.
pub(crate) fn grants_of(conn: &mut Conn, organization: Key, person: PersonId) -> Result<Vec<GrantFields>> {
    let rows: Vec<String> = record::table
        .filter(record::organization.eq(organization))
        .filter(record::kind.eq(RecordKind::Grant.as_str()))
        .filter(record::belongs_to.eq(Key::from(person)))
        .order(record::id)
        .select(record::registers)
        .load(conn)?;
    rows.iter().map(|registers| fields(&parse(registers)?, GrantFields::read)).collect()
}

/// Kind, version and registers of a record, and home and standing site if it is a unit.
type Looked = (String, i64, String, Option<Key>, Option<Key>);

/// One record as it is stored, the asker's grants and the sites in scope.
pub(crate) struct LookedAt {
    pub(crate) grants: Vec<GrantFields>,
    pub(crate) sites: BTreeSet<SiteId>,
    pub(crate) record: Option<Stored>,
}

/// One record, the asker's grants and the sites in scope, with one statement.
pub(crate) fn look(conn: &mut Conn, organization: Key, person: PersonId, target: Target) -> Result<Look> {
    let LookedAt { grants, sites, record } = looked(conn, organization, person, target)?;
    let record = record.map(|stored| view(conn, organization, target, &stored)).transpose()?;
    Ok(Look { grants, sites, record })
}

/// The same, with the record as it is stored.
pub(crate) fn looked(
    conn: &mut Conn,
    organization: Key,
    person: PersonId,
    target: Target,
) -> Result<LookedAt> {
    let nowhere = || None::<Key>.into_sql::<Nullable<SqlKey>>();
    let wanted =
        record::table
            .left_join(unit_state::table.on(
                unit_state::organization.eq(record::organization).and(unit_state::unit_id.eq(record::id)),
            ))
            .filter(record::organization.eq(organization))
            .filter(record::kind.eq(target.kind().as_str()))
            .filter(record::id.eq(Key(target.uuid())))
            .select((
                record::kind,
                record::version,
                record::registers,
                unit_state::home_site.nullable(),
                unit_state::standing_site.nullable(),
            ));
    let grants = record::table
        .filter(record::organization.eq(organization))
        .filter(record::kind.eq(RecordKind::Grant.as_str()))
        .filter(record::belongs_to.eq(Key::from(person)))
        .select((record::kind, record::version, record::registers, nowhere(), nowhere()));
    let rows: Vec<Looked> = wanted.union_all(grants).load(conn)?;
    let mut looked = LookedAt { grants: Vec::new(), sites: BTreeSet::new(), record: None };
    for (kind, version, registers, home, standing) in rows {
        let record = parse(&registers)?;
        if kind == target.kind().as_str() {
            looked.record = Some(Stored { version, record });
            looked.sites = home.into_iter().chain(standing).map(Key::id).collect();
        } else {
            looked.grants.push(fields(&record, GrantFields::read)?);
        }
    }
    Ok(looked)
}

/// The typed fields of a record; private text stays sealed.
pub(crate) fn fields<T>(record: &Record, read: impl FnOnce(&mut Object<'_>) -> Option<T>) -> Result<T> {
    stored::value("fields", &Value::Object(merge::nest(record.values())), read)
}

fn parse(registers: &str) -> Result<Record> {
    serde_json::from_str(registers).map_err(|e| StoreError::corrupt("registers")(&e))
}

/// The edits whose private text a record shows.
pub(crate) fn sealing_edits(kind: RecordKind, record: &Record) -> Vec<Key> {
    private_fields(kind)
        .filter_map(|field| record.register(field))
        .map(|register| Key::from(register.top().edit))
        .collect()
}

/// The fields of a record that are private text.
pub(crate) fn private_fields(kind: RecordKind) -> impl Iterator<Item = &'static str> {
    private_pointers(kind, &Value::Null).iter().map(|pointer| pointer.trim_start_matches('/'))
}

/// A record as a reader sees it, with private text from `texts`.
pub(crate) fn joined(kind: RecordKind, id: uuid::Uuid, stored: &Stored, texts: &Texts) -> RecordView {
    let fields = joined_fields(kind, stored, texts);
    RecordView { kind, id, fields, version: stored.version, etag: stored.etag() }
}

/// The fields of a record, with private text from `texts`.
fn joined_fields(kind: RecordKind, stored: &Stored, texts: &Texts) -> Map<String, Value> {
    let mut fields = Value::Object(merge::nest(stored.record.values()));
    let pointers = private_pointers(kind, &fields);
    proof::unseal(&mut fields, pointers, |pointer, _| {
        let register = stored.record.register(pointer.trim_start_matches('/'))?;
        texts.get(&(Key::from(register.top().edit), pointer.to_owned())).map(|(_, text)| text.clone())
    });
    fields.as_object_mut().map(std::mem::take).unwrap_or_default()
}

/// How many fields of a record are contested.
pub(crate) fn contested(record: &Record) -> i64 {
    i64::try_from(record.contested().len()).unwrap_or(i64::MAX)
}

/// Version, owner and registers of a record, and how many fields are contested, as stored.
pub(crate) type AsStored = (i64, Option<Key>, String, i64);

/// Every record as stored; for the rebuild.
pub(crate) fn all(conn: &mut Conn, organization: Key) -> Result<BTreeMap<(String, Key), AsStored>> {
    let rows: Vec<(String, Key, i64, Option<Key>, String, i64)> = record::table
        .filter(record::organization.eq(organization))
        .select((
            record::kind,
            record::id,
            record::version,
            record::belongs_to,
            record::registers,
            record::contested,
        ))
        .load(conn)?;
    Ok(rows
        .into_iter()
        .map(|(kind, id, version, belongs, registers, contested)| {
            ((kind, id), (version, belongs, registers, contested))
        })
        .collect())
}
