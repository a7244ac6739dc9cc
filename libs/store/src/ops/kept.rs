//! What came from a handset and is not in the log: parked edits, refused ones, and other contents of used ids.

use diesel::prelude::*;
use model::{EditId, Instant, UnitId, edit::RecordKind, json};
use proof::Hash;
use serde_json::Value;

use super::super::Conn;
use super::{
    IDS_AT_ONCE,
    inbox::{self, InboxRow},
    other_content,
    private_texts::{self, Texts},
    schema::{inbox as first, other_content as other},
    scope,
};
use crate::{
    body::private_pointers,
    error::{Result, StoreError},
    key::Key,
    view::{KeptContent, KeptEdit, KeptPlace, KeptQuery, KeptState, Page, one_more},
};

/// A page of them, the one that came first first.
pub(crate) fn list(conn: &mut Conn, query: &KeptQuery) -> Result<Page<KeptEdit>> {
    // Few are kept of a handset, so that all of them are looked at, some at a time, where not all may be seen.
    let at_once = if query.sites.is_some() { IDS_AT_ONCE } else { query.limit.saturating_add(1) };
    let (mut after, mut found) = (query.after.clone(), Vec::new());
    while found.len() <= query.limit {
        let some = next(conn, query, after.as_ref(), at_once)?;
        let Some(last) = some.last() else { break };
        after = Some(last.place()?);
        let were_all = some.len() < at_once;
        found.extend(seen(conn, query, some)?);
        if were_all {
            break;
        }
    }
    let Page { items, more } = Page::cut(found, query.limit);
    let edits: Vec<Key> = items.iter().map(|line| line.row.edit_id).collect();
    let texts = private_texts::of_all_contents(conn, Key::from(query.organization), &edits)?;
    let items: Result<Vec<KeptEdit>> = items.into_iter().map(|line| line.told(&texts)).collect();
    Ok(Page { items: items?, more })
}

/// An edit as it is kept, and which of the tables has it.
struct Line {
    row: InboxRow,
    is_other: bool,
}

/// The next of both tables, in one order.
fn next(conn: &mut Conn, query: &KeptQuery, after: Option<&KeptPlace>, at_once: usize) -> Result<Vec<Line>> {
    let organization = Key::from(query.organization);
    let limit = one_more(at_once.saturating_sub(1));
    let mut firsts = first::table
        .filter(first::organization.eq(organization))
        .filter(first::handset.eq(Key::from(query.handset)))
        .order((first::received_at, first::edit_id))
        .limit(limit)
        .select(InboxRow::as_select())
        .into_boxed();
    let mut others = other::table
        .filter(other::organization.eq(organization))
        .filter(other::handset.eq(Key::from(query.handset)))
        .order((other::received_at, other::edit_id, other::content_hash))
        .limit(limit)
        .into_boxed();
    if let (Some([]), Some(own)) = (query.sites.as_deref(), query.own) {
        firsts = firsts.filter(first::author.eq(Key::from(own)));
        others = others.filter(other::author.eq(Key::from(own)));
    }
    if let Some(state) = query.state {
        firsts = firsts.filter(first::state.eq(word(state)));
        others = others.filter(other::state.eq(word(state)));
    }
    if let Some(KeptPlace { received_at, edit, other: hash }) = after {
        let (at, edit) = (received_at.micros(), Key::from(*edit));
        // No hash is below nothing: after the first content come the others.
        let hash = hash.map(|hash| hash.as_bytes().to_vec()).unwrap_or_default();
        firsts = firsts
            .filter(first::received_at.ge(at))
            .filter(first::received_at.gt(at).or(first::edit_id.gt(edit)));
        let of_edit = other::edit_id.eq(edit).and(other::content_hash.gt(hash));
        others = others
            .filter(other::received_at.ge(at))
            .filter(other::received_at.gt(at).or(other::edit_id.gt(edit)).or(of_edit));
    }
    let line = |is_other| move |row| Line { row, is_other };
    let mut lines: Vec<Line> = firsts.load(conn)?.into_iter().map(line(false)).collect();
    lines.extend(others.load(conn)?.into_iter().map(line(true)));
    lines.sort_by(|a, b| a.order().cmp(&b.order()));
    lines.truncate(at_once);
    Ok(lines)
}

/// Those that may be seen.
fn seen(conn: &mut Conn, query: &KeptQuery, lines: Vec<Line>) -> Result<Vec<Line>> {
    let Some(sites) = &query.sites else { return Ok(lines) };
    let units: Result<Vec<Option<UnitId>>> = lines.iter().map(|line| Ok(line.unit(&line.body()?))).collect();
    let units = units?;
    let asked: Vec<Key> = units.iter().flatten().copied().map(Key::from).collect();
    let in_scope = scope::of_units_at(conn, Key::from(query.organization), &asked, sites)?;
    let is_seen = |line: &Line, unit: Option<UnitId>| {
        query.own.is_some_and(|own| line.row.author == Key::from(own))
            || unit.is_some_and(|unit| in_scope.contains(&Key::from(unit)))
    };
    let lines = lines.into_iter().zip(units).filter(|(line, unit)| is_seen(line, *unit));
    Ok(lines.map(|(line, _)| line).collect())
}

fn word(state: KeptState) -> &'static str {
    match state {
        KeptState::Parked => inbox::PARKED,
        KeptState::Refused => inbox::REFUSED,
    }
}

impl Line {
    fn order(&self) -> (i64, Key, bool, &[u8]) {
        (self.row.received_at, self.row.edit_id, self.is_other, &self.row.content_hash)
    }

    fn place(&self) -> Result<KeptPlace> {
        Ok(KeptPlace {
            received_at: Instant::from_micros(self.row.received_at),
            edit: self.row.edit_id.id(),
            other: if self.is_other { Some(other_content::hash(&self.row)?) } else { None },
        })
    }

    fn body(&self) -> Result<Value> {
        json::parse(self.row.body.as_bytes()).map_err(|e| StoreError::corrupt("kept edit")(&e))
    }

    /// The unit that it names; of one that could not be read as far as that can be told.
    fn unit(&self, body: &Value) -> Option<UnitId> {
        let id = |of: &Value, name: &str| of.get(name).and_then(|id| UnitId::read(id).ok());
        if self.row.is_unread() {
            let named = body.get("body").and_then(|body| id(body, "unit_id"));
            let is_unit = body.get("kind").and_then(Value::as_str) == Some(RecordKind::Unit.as_str());
            return named.or_else(|| id(body, "record_id").filter(|_| is_unit));
        }
        match RecordKind::parse(&self.row.record_kind) {
            Some(RecordKind::ServiceEvent) => id(body, "unit_id"),
            Some(RecordKind::Unit) => Some(self.row.record_id.id()),
            _ => None,
        }
    }

    fn told(self, texts: &Texts) -> Result<KeptEdit> {
        let mut body = self.body()?;
        let unit = self.unit(&body);
        let place = self.place()?;
        let received = self.row.received()?;
        let content = if self.row.is_unread() {
            KeptContent::Unread(body)
        } else {
            let kind = RecordKind::parse(&self.row.record_kind)
                .ok_or_else(|| StoreError::corrupt("kept edit")(&"it is about nothing known"))?;
            let pointers = private_pointers(kind, &body);
            proof::unseal(&mut body, pointers, |pointer, _| text(texts, place.edit, place.other, pointer));
            let creates = kind == RecordKind::ServiceEvent || self.row.creates();
            KeptContent::Read { kind, record: self.row.record_id.0, creates, body }
        };
        Ok(KeptEdit {
            number: self.row.handset_edit,
            state: if self.row.is_refused() { KeptState::Refused } else { KeptState::Parked },
            flags: received.flags,
            author: self.row.author.id(),
            occurred_at: received.occurred_at,
            unit,
            group: self.row.group_id.map(|id| (id.0, self.row.group().map(|group| group.size))),
            reason: self.row.reason,
            content,
            place,
        })
    }
}

/// A private text of an edit, or of another content under its id.
fn text(texts: &Texts, edit: EditId, other: Option<Hash>, pointer: &str) -> Option<String> {
    let named = other.map_or_else(|| pointer.to_owned(), |hash| other_content::pointer(hash, pointer));
    texts.get(&(Key::from(edit), named)).map(|(_, text)| text.clone())
}
