//! A pack as a table, a row for each run, deferral and thing staged.

use std::collections::BTreeMap;

use model::{Hours, Instant, SiteId};
use report::csv::{Cell, Writer};
use serde::Serialize;
use serde_json::Value;

use super::{
    super::exports::unwritten,
    shapes::{DeferralInIncident, HoursPack, RunInIncident},
};
use crate::problem::ApiResult;

const HEADINGS: [&str; 21] = [
    "incident_id",
    "incident",
    "row",
    "site_id",
    "site",
    "unit_id",
    "unit",
    "event_id",
    "from",
    "until",
    "hours",
    "reason",
    "litres",
    "grade",
    "schedule_id",
    "task",
    "until_hours",
    "until_date",
    "item",
    "quantity",
    "quantity_unit",
];

/// The cells of a row by heading; the others stay empty.
type Row = BTreeMap<&'static str, Cell>;

/// The rows with their headings.
pub(super) fn rows(pack: &HoursPack, sites: &BTreeMap<SiteId, String>) -> ApiResult<Vec<u8>> {
    let mut writer = Writer::new(&HEADINGS).map_err(unwritten)?;
    let runs = pack.runs.iter().map(run);
    let deferrals = pack.deferrals.iter().map(deferral);
    let staging = pack.staging.iter().map(|staged| {
        let row = Row::from([
            ("row", text("staged")),
            ("from", word(&staged.staged_at)),
            ("item", text(&staged.item)),
            ("quantity", word(&staged.quantity)),
            ("quantity_unit", text(staged.unit.as_str())),
        ]);
        (staged.site_id, row)
    });
    for (site, mut row) in runs.chain(deferrals).chain(staging) {
        row.insert("incident_id", text(pack.incident_id));
        row.insert("incident", pack.name.as_ref().map_or(Cell::Empty, text));
        row.insert("site_id", text(site));
        row.insert("site", sites.get(&site).map_or(Cell::Empty, text));
        let cells: Vec<Cell> =
            HEADINGS.iter().map(|heading| row.remove(heading).unwrap_or(Cell::Empty)).collect();
        writer.row(&cells).map_err(unwritten)?;
    }
    Ok(writer.take())
}

fn run(run: &RunInIncident) -> (SiteId, Row) {
    let row = Row::from([
        ("row", text("run")),
        ("unit_id", text(run.unit_id)),
        ("unit", run.unit_label.as_ref().map_or(Cell::Empty, text)),
        ("event_id", text(run.event_id)),
        ("from", text(run.from)),
        ("until", word(&run.until)),
        ("hours", word(&run.until.map(|until| lasted(run.from, until)))),
        ("reason", word(&run.reason)),
        ("litres", word(&run.litres)),
        ("grade", word(&run.grade)),
    ]);
    (run.site_id, row)
}

fn deferral(one: &DeferralInIncident) -> (SiteId, Row) {
    let deferral = &one.deferral;
    let row = Row::from([
        ("row", text("deferral")),
        ("unit_id", text(one.unit_id)),
        ("unit", one.unit_label.as_ref().map_or(Cell::Empty, text)),
        ("event_id", text(deferral.event_id)),
        ("from", text(deferral.decided_at)),
        ("schedule_id", text(deferral.schedule_id)),
        ("task", text(&deferral.task)),
        ("until_hours", word(&deferral.until_hours)),
        ("until_date", word(&deferral.until_date)),
    ]);
    (deferral.site_id, row)
}

fn lasted(from: Instant, until: Instant) -> Hours {
    Hours::from_seconds(until.seconds_since(from))
}

fn text(value: impl ToString) -> Cell {
    Cell::Text(value.to_string())
}

/// A value as JSON writes it, words without their quotes; nothing where there is none.
fn word(value: &impl Serialize) -> Cell {
    match serde_json::to_value(value) {
        Ok(Value::String(word)) => Cell::Text(word),
        Ok(Value::Number(number)) => Cell::Number(number.to_string()),
        _ => Cell::Empty,
    }
}
