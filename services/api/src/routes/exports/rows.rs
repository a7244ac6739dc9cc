//! Sites, units and service events as rows.

use std::pin::Pin;

use actix_web::web;
use import::{Cell, Records};
use model::{EventId, Instant, SiteId, UnitId};
use report::csv::{Cell as Written, Writer};
use serde_json::{Map, Value};
use store::view::{EventQuery, Page, RecordView};
use uuid::Uuid;

use super::{PAGE, unwritten};
use crate::{
    answer,
    extract::Caller,
    problem::{ApiError, ApiResult},
    state::State,
};

/// The bytes of a page, or that there is none any more.
pub(super) type Next<'p> = Pin<Box<dyn Future<Output = ApiResult<Option<Vec<u8>>>> + 'p>>;

/// A file in pages.
pub(super) trait Pages {
    /// The next page of the file; the headings come with the first.
    fn next(&mut self) -> Next<'_>;
}

/// Rows of canonical columns in the making.
struct Table {
    records: Records,
    writer: Option<Writer>,
}

impl Table {
    const fn of(records: Records) -> Self {
        Self { records, writer: None }
    }

    /// The bytes of rows about these bodies, after the headings if they are the first.
    fn rows<'v>(&mut self, bodies: impl IntoIterator<Item = &'v Map<String, Value>>) -> ApiResult<Vec<u8>> {
        let writer = match &mut self.writer {
            Some(writer) => writer,
            None => {
                let headings: Vec<&str> =
                    import::columns(self.records).iter().map(|column| column.name).collect();
                self.writer.insert(Writer::new(&headings).map_err(unwritten)?)
            }
        };
        for body in bodies {
            let cells: Vec<Written> = import::cells(self.records, body).into_iter().map(written).collect();
            writer.row(&cells).map_err(unwritten)?;
        }
        Ok(writer.take())
    }
}

fn written(cell: Cell) -> Written {
    match cell {
        Cell::Empty => Written::Empty,
        Cell::Text(text) => Written::Text(text),
        Cell::Number(number) => Written::Number(number),
    }
}

/// Whether there are more pages after one of them, and after which record.
#[derive(Clone, Copy)]
enum Place {
    First,
    After(Uuid),
    End,
}

impl Place {
    const fn after(self) -> Option<Uuid> {
        if let Self::After(id) = self { Some(id) } else { None }
    }

    fn of(page: &Page<RecordView>) -> Self {
        page.items.last().filter(|_| page.more).map_or(Self::End, |last| Self::After(last.id))
    }
}

/// Bodies of records as they are sent.
fn bodies(page: &Page<RecordView>) -> Vec<Map<String, Value>> {
    let body =
        |view: &RecordView| if let Value::Object(body) = answer::record(view) { body } else { Map::new() };
    page.items.iter().map(body).collect()
}

/// The sites that somebody sees.
pub(super) struct Sites {
    state: web::Data<State>,
    caller: Caller,
    table: Table,
    place: Place,
}

impl Sites {
    pub(super) const fn new(state: web::Data<State>, caller: Caller) -> Self {
        Self { state, caller, table: Table::of(Records::Sites), place: Place::First }
    }
}

impl Pages for Sites {
    fn next(&mut self) -> Next<'_> {
        Box::pin(async {
            if matches!(self.place, Place::End) {
                return Ok(None);
            }
            let among = self.caller.visible_sites().map(|sites| sites.into_iter().collect());
            let after = self.place.after().map(SiteId::from_uuid);
            let page = self.state.store.sites(self.caller.organization(), among, after, PAGE).await?;
            self.place = Place::of(&page);
            self.table.rows(&bodies(&page)).map(Some)
        })
    }
}

/// The units that somebody sees, of one site where it is given.
pub(super) struct Units {
    state: web::Data<State>,
    caller: Caller,
    site: Option<SiteId>,
    table: Table,
    place: Place,
}

impl Units {
    pub(super) const fn new(state: web::Data<State>, caller: Caller, site: Option<SiteId>) -> Self {
        Self { state, caller, site, table: Table::of(Records::Units), place: Place::First }
    }

    /// The next units themselves.
    async fn page(&mut self, limit: usize) -> ApiResult<Option<Page<RecordView>>> {
        if matches!(self.place, Place::End) {
            return Ok(None);
        }
        let sets = self.caller.visible_sites().into_iter().chain(self.site.map(|site| vec![site])).collect();
        let after = self.place.after().map(UnitId::from_uuid);
        let page = self.state.store.units(self.caller.organization(), sets, after, limit).await?;
        self.place = Place::of(&page);
        Ok(Some(page))
    }
}

impl Pages for Units {
    fn next(&mut self) -> Next<'_> {
        Box::pin(async {
            let Some(page) = self.page(PAGE).await? else { return Ok(None) };
            self.table.rows(&bodies(&page)).map(Some)
        })
    }
}

/// What happened to units, one after the other.
pub(super) struct Events {
    units: Units,
    table: Table,
    /// Units whose events are still to be read, the next one last.
    waiting: Vec<UnitId>,
    /// Where the events of the next one go on.
    after: Option<(Instant, EventId)>,
    begun: bool,
}

impl Events {
    pub(super) const fn new(units: Units) -> Self {
        let table = Table::of(Records::ServiceEvents);
        Self { units, table, waiting: Vec::new(), after: None, begun: false }
    }

    /// The next unit, if there is one.
    async fn unit(&mut self) -> ApiResult<Option<UnitId>> {
        while self.waiting.is_empty() {
            let Some(page) = self.units.page(PAGE).await? else { return Ok(None) };
            self.waiting = page.items.iter().rev().map(|view| UnitId::from_uuid(view.id)).collect();
        }
        Ok(self.waiting.last().copied())
    }

    async fn page(&mut self) -> ApiResult<Option<Vec<Map<String, Value>>>> {
        let Some(unit) = self.unit().await? else { return Ok(None) };
        let organization = self.units.caller.organization();
        let query = EventQuery { organization, unit, kind: None, after: self.after, limit: PAGE };
        let page = self.units.state.store.events(query).await?;
        self.after = page.items.last().filter(|_| page.more).map(|view| (view.occurred_at, view.id));
        if !page.more {
            self.waiting.pop();
        }
        Ok(Some(page.items.into_iter().map(|view| view.body).collect()))
    }
}

impl Pages for Events {
    fn next(&mut self) -> Next<'_> {
        Box::pin(async {
            // Units of which little is known are put together, so that pieces are not too small.
            let mut rows = Vec::new();
            while rows.len() < PAGE {
                let Some(page) = self.page().await? else { break };
                rows.extend(page);
            }
            if rows.is_empty() && self.begun {
                return Ok::<_, ApiError>(None);
            }
            self.begun = true;
            self.table.rows(&rows).map(Some)
        })
    }
}
