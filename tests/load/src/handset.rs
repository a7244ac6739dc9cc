//! A handset: its clock and the numbers of its edits, what it has seen, and what it sends.

use std::collections::HashMap;

use anyhow::{Context, Result, ensure};
use blackbox::world::fresh;
use merge::HybridClock;
use model::{EditId, HandsetId, Instant, UnitId, stamp::Stamp};
use serde_json::{Map, Value, json};

use crate::{
    batch,
    http::{Connection, Server},
    town::NOW,
    unit::Unit,
};

/// Fields that somebody corrects; see [`Unit::correction`].
const CORRECTED: [&str; 2] = ["label", "tank_litres"];

/// An enrolled handset with units of its own to write about.
pub(crate) struct Handset {
    id: HandsetId,
    clock: HybridClock,
    number: u64,
    /// The edit that it made last.
    last: Option<EditId>,
    pub(crate) cursor: Value,
    units: Vec<Unit>,
    next: usize,
    /// The values of corrected fields that it has seen last.
    seen: HashMap<(UnitId, &'static str), Value>,
}

/// What a fill came to.
pub(crate) struct Filled {
    /// Changes that were told.
    pub(crate) records: usize,
    /// Bytes of the answers.
    pub(crate) bytes: usize,
    /// Answers.
    pub(crate) pages: usize,
}

impl Handset {
    /// Enrols one, to write about these units.
    pub(crate) fn enrol(server: &Server, name: &str, units: Vec<Unit>) -> Result<Self> {
        let code = server.post("/v1/handsets/codes", &json!({}))?;
        let code = code.get("code").context("no code")?;
        let handset = server.post("/v1/handsets", &json!({"code": code, "name": name}))?;
        let number = handset.get("number").and_then(Value::as_u64).context("no number")?;
        Ok(Self {
            id: HandsetId::read(handset.get("id").context("no id")?)?,
            clock: HybridClock::of(u32::try_from(number)?),
            number: 0,
            last: None,
            cursor: Value::Null,
            // It had filled itself before its signal was lost.
            seen: units.iter().flat_map(Self::corrected_last).collect(),
            units,
            next: 0,
        })
    }

    /// The values of a unit's corrected fields by the names that they have.
    fn corrected_last(unit: &Unit) -> [((UnitId, &'static str), Value); 2] {
        CORRECTED.map(|field| ((unit.id, field), json!(unit.seen())))
    }

    /// Asks for pages until there are no more, and keeps what it has to know of its units.
    pub(crate) fn fill(&mut self, server: &Server) -> Result<Filled> {
        let mut connection = server.connect()?;
        let mut filled = Filled { records: 0, bytes: 0, pages: 0 };
        loop {
            let text = connection.ask(&self.pull(server)?)?;
            let page: Value = serde_json::from_slice(&text)?;
            let changes = page.get("changes").and_then(Value::as_array).context("no changes")?;
            changes.iter().for_each(|change| self.learn(change));
            filled.records += changes.len();
            filled.bytes += text.len();
            filled.pages += 1;
            self.cursor = page.get("cursor").cloned().context("no cursor")?;
            if page.get("more") != Some(&Value::Bool(true)) {
                return Ok(filled);
            }
        }
    }

    /// The same without looking at what comes: what the service can do, and not this client.
    pub(crate) fn drain(&self, server: &Server, connection: &mut Connection) -> Result<Filled> {
        let mut filled = Filled { records: 0, bytes: 0, pages: 0 };
        let mut cursor = Value::Null;
        loop {
            let text = connection.ask(&server.post_request("/v1/sync", &self.asking(&cursor))?)?;
            filled.bytes += text.len();
            filled.pages += 1;
            let page: Page<'_> = serde_json::from_slice(&text)?;
            cursor = page.cursor;
            if !page.more {
                return Ok(filled);
            }
        }
    }

    /// The bytes of a request that sends nothing and asks for what changed.
    pub(crate) fn pull(&self, server: &Server) -> Result<Vec<u8>> {
        server.post_request("/v1/sync", &self.asking(&self.cursor))
    }

    fn asking(&self, cursor: &Value) -> Value {
        json!({"handset": self.id, "clock": NOW, "cursor": cursor})
    }

    /// The bytes of a request with the next `count` edits, and whether to ask for changes in it, too.
    pub(crate) fn push(&mut self, server: &Server, count: usize, pull: bool) -> Result<Vec<u8>> {
        let mut edits = Vec::with_capacity(count);
        for n in 0..count {
            let at = (self.next + n % batch::UNITS) % self.units.len().max(1);
            edits.push(self.edit(at, n)?);
        }
        self.next += batch::UNITS;
        let sent =
            json!({"handset": self.id, "clock": NOW, "cursor": self.cursor, "pull": pull, "edits": edits});
        server.post_request("/v1/sync", &sent)
    }

    /// An edit of the unit at this place; each of a unit's five edits of a batch is of another kind than the one before.
    fn edit(&mut self, at: usize, n: usize) -> Result<Value> {
        let unit = self.units.get_mut(at).context("no units")?;
        let stamp = self.clock.tick(Instant::parse(NOW)?)?;
        self.number += 1;
        let id: EditId = fresh();
        let more = match (n + n / batch::UNITS) % 4 {
            3 => set(unit, id, stamp, &mut self.seen)?,
            kind => {
                let event = if kind == 1 {
                    unit.service(batch::STEP, batch::MORE)?
                } else {
                    unit.reading(batch::STEP, batch::MORE)?
                };
                let mut body = members(serde_json::to_value(event)?)?;
                body.remove("id");
                json!({"kind": "service_event", "action": "create", "body": body})
            }
        };
        let mut edit = members(more)?;
        let envelope = json!({"id": id, "format": 1, "number": self.number, "stamp": stamp});
        edit.extend(members(envelope)?);
        if let Some(previous) = self.last.replace(id) {
            edit.insert("previous".to_owned(), json!(previous));
        }
        Ok(Value::Object(edit))
    }

    /// Keeps the names of the values that a change tells of a unit.
    fn learn(&mut self, change: &Value) {
        if change.get("kind").and_then(Value::as_str) != Some("unit") {
            return;
        }
        let Some(unit) = change.get("id").and_then(|id| UnitId::read(id).ok()) else { return };
        for field in CORRECTED {
            let own = change.pointer(&format!("/record/stamps/{field}"));
            if let Some(stamp) = own.or_else(|| change.pointer("/record/stamp")) {
                self.seen.insert((unit, field), stamp.clone());
            }
        }
    }
}

/// What is read of a page by a client that does not keep it.
#[derive(serde::Deserialize)]
struct Page<'a> {
    cursor: Value,
    more: bool,
    #[serde(borrow, rename = "changes")]
    _changes: &'a serde_json::value::RawValue,
}

/// A correction of fields, which names what its author had seen of them.
fn set(
    unit: &mut Unit,
    id: EditId,
    stamp: Stamp,
    seen: &mut HashMap<(UnitId, &'static str), Value>,
) -> Result<Value> {
    let mut base = Map::new();
    for field in CORRECTED {
        let before = seen.insert((unit.id, field), json!({"raw": stamp, "edit": id}));
        base.insert(field.to_owned(), before.into_iter().collect());
    }
    Ok(
        json!({"kind": "unit", "action": "set", "record_id": unit.id, "body": unit.correction(), "base": base}),
    )
}

/// Every edit of a push must have been taken, now or by an earlier try.
pub(crate) fn taken(answer: &[u8], count: usize) -> Result<()> {
    let answer: Value = serde_json::from_slice(answer)?;
    let results = answer.get("results").and_then(Value::as_array).context("no results")?;
    ensure!(results.len() == count, "{} results for {count} edits", results.len());
    for result in results {
        let word = result.get("result").and_then(Value::as_str);
        ensure!(matches!(word, Some("applied" | "already_applied")), "not taken: {result}");
    }
    Ok(())
}

fn members(value: Value) -> Result<Map<String, Value>> {
    if let Value::Object(members) = value { Some(members) } else { None }.context("not an object")
}
