//! Due items as rows.

use actix_web::web;
use model::{Instant, SiteId, UnitId};
use report::csv::{Cell, Writer};
use serde::Serialize;
use serde_json::Value;
use store::view::{DueFilter, DuePlace, DueQuery};

use super::{PAGE, rows::Pages, unwritten};
use crate::{extract::Caller, problem::ApiResult, state::State};

/// The columns, named as the members of a line of `GET /v1/due`.
const HEADINGS: &[&str] = &[
    "unit_id",
    "unit_label",
    "home_site_id",
    "standing_site_id",
    "schedule_id",
    "edition_id",
    "task",
    "state",
    "reason",
    "due_at",
    "until",
];

/// What is due at one instant.
pub(super) struct Items {
    state: web::Data<State>,
    filter: DueFilter,
    as_of: Instant,
    writer: Writer,
    after: Option<DuePlace>,
    ended: bool,
}

impl Items {
    pub(super) async fn new(
        state: web::Data<State>,
        caller: Caller,
        site: Option<SiteId>,
        unit: Option<UnitId>,
    ) -> ApiResult<Self> {
        let organization = caller.organization();
        let as_of = state.store.due_as_of(organization, caller.now()).await?;
        let sites = caller.visible_sites();
        let filter = DueFilter { sites, site, unit, ..DueFilter::all(organization) };
        let writer = Writer::new(HEADINGS).map_err(unwritten)?;
        Ok(Self { state, filter, as_of, writer, after: None, ended: false })
    }

    async fn page(&mut self) -> ApiResult<Option<Vec<u8>>> {
        if self.ended {
            return Ok(None);
        }
        let organization = self.filter.organization;
        let query = DueQuery {
            filter: self.filter.clone(),
            as_of: self.as_of,
            descending: false,
            after: self.after.take(),
            limit: PAGE,
        };
        let (page, _) = self.state.store.due(query).await?;
        let units = page.items.iter().map(|row| row.place.unit).collect();
        let labels = self.state.store.labels(organization, units).await?;
        self.after = page.items.last().filter(|_| page.more).map(|row| row.place.clone());
        self.ended = !page.more;
        for row in &page.items {
            let cells = [
                id(row.place.unit),
                labels.get(&row.place.unit).map_or(Cell::Empty, |label| Cell::Text(label.clone())),
                id(row.home_site),
                id(row.standing_site),
                id(row.place.schedule),
                row.edition.map_or(Cell::Empty, id),
                Cell::Text(row.place.task.to_string()),
                word(&row.state),
                row.reason.as_ref().map_or(Cell::Empty, word),
                instant(row.place.due_at),
                instant(row.until),
            ];
            self.writer.row(&cells).map_err(unwritten)?;
        }
        Ok(Some(self.writer.take()))
    }
}

impl Pages for Items {
    fn next(&mut self) -> super::rows::Next<'_> {
        Box::pin(self.page())
    }
}

fn id<K>(id: model::Id<K>) -> Cell {
    Cell::Text(id.to_string())
}

/// A word as JSON has it.
fn word(value: &impl Serialize) -> Cell {
    match serde_json::to_value(value) {
        Ok(Value::String(word)) => Cell::Text(word),
        _ => Cell::Empty,
    }
}

fn instant(instant: Instant) -> Cell {
    if instant < Instant::LAST { Cell::Text(instant.to_string()) } else { Cell::Empty }
}
