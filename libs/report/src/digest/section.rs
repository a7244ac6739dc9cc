//! A section of a digest: a heading, and rows of three cells under their sites.

use std::collections::BTreeMap;

use model::{SiteId, UnitId};

use super::{
    facts::{Facts, ItemRef, QualityLine, SiteRef, TaskRef, UnitRef},
    late,
    order::Placed,
    shown::shown,
    subject::thousands,
    words,
    wrap::{COLUMNS, wrapped},
};

/// Rows of a section that are shown; the rest is counted.
pub(crate) const ROWS: usize = 200;

/// A section with something in it.
#[derive(Debug)]
pub(crate) struct Section {
    /// Whether it tells of what is late or out of service.
    pub(crate) is_late: bool,
    pub(crate) heading: String,
    /// What is said before the rows.
    pub(crate) notes: Vec<String>,
    /// What the three cells of a row tell.
    pub(crate) columns: [&'static str; 3],
    pub(crate) groups: Vec<Group>,
    /// How many rows are not shown.
    pub(crate) more: Option<String>,
}

/// The rows of one site.
#[derive(Debug)]
pub(crate) struct Group {
    pub(crate) site: String,
    pub(crate) rows: Vec<Row>,
}

/// One thing to tell.
#[derive(Debug)]
pub(crate) struct Row {
    pub(crate) what: String,
    pub(crate) link: Option<String>,
    pub(crate) standing: Vec<String>,
    pub(crate) last: String,
}

impl Section {
    /// What stands under the heading in plain text.
    pub(crate) fn underline(&self) -> String {
        "-".repeat(self.heading.chars().count().min(COLUMNS))
    }

    /// A row in plain text.
    pub(crate) fn text(&self, row: &Row) -> String {
        let [_, _, last] = self.columns;
        let said = format!("{}: {}. {last}: {}", row.what, row.standing.join("; "), row.last);
        let said = wrapped(&said, 2);
        match &row.link {
            Some(link) => format!("{said}\n    {link}"),
            None => said,
        }
    }
}

/// A row and the site that it stands under.
pub(crate) struct Told<'a> {
    pub(crate) site: &'a SiteRef,
    pub(crate) row: Row,
}

pub(crate) fn section<'a>(
    heading: &str,
    columns: [&'static str; 3],
    total: usize,
    told: impl Iterator<Item = Told<'a>>,
) -> Section {
    let mut groups: Vec<Group> = Vec::new();
    let mut places: BTreeMap<SiteId, usize> = BTreeMap::new();
    for Told { site, row } in told.take(ROWS) {
        let place = *places.entry(site.id).or_insert(groups.len());
        match groups.get_mut(place) {
            Some(group) => group.rows.push(row),
            None => groups.push(Group { site: shown(site.name.as_str()), rows: vec![row] }),
        }
    }
    let more = total.saturating_sub(ROWS);
    Section {
        is_late: false,
        heading: format!("{heading} ({})", thousands(total)),
        notes: Vec::new(),
        columns,
        groups,
        more: (more > 0).then(|| format!("and {} more", thousands(more))),
    }
}

pub(crate) fn told<'a>(facts: &Facts, placed: &Placed<'a>) -> Told<'a> {
    let line = placed.line;
    let row = Row {
        what: what(&line.unit, &line.task),
        link: item_link(facts, line.unit.id, &line.task),
        standing: late::standing(line),
        last: line.next.words().to_owned(),
    };
    Told { site: placed.site, row }
}

pub(crate) fn told_of_item<'a>(
    facts: &Facts,
    item: &'a ItemRef,
    standing: Vec<String>,
    last: String,
) -> Told<'a> {
    let link = item_link(facts, item.unit.id, &item.task);
    Told { site: &item.site, row: Row { what: what(&item.unit, &item.task), link, standing, last } }
}

pub(crate) fn told_of_record<'a>(facts: &Facts, line: &'a QualityLine) -> Told<'a> {
    let row = Row {
        what: shown(line.unit.label.as_str()),
        link: unit_link(facts, line.unit.id),
        standing: vec![format!("since {}", line.since)],
        last: words::code(&line.code),
    };
    Told { site: &line.site, row }
}

fn what(unit: &UnitRef, task: &TaskRef) -> String {
    let (unit, title) = (shown(unit.label.as_str()), shown(task.title.as_str()));
    match &task.schedule {
        Some(schedule) => format!("{unit}, {title} ({})", shown(schedule.as_str())),
        None => format!("{unit}, {title}"),
    }
}

/// Nothing but an id and a code is in a link.
fn item_link(facts: &Facts, unit: UnitId, task: &TaskRef) -> Option<String> {
    Some(facts.link_base.as_ref()?.join(&format!("/v1/due?unit={unit}&task={}", task.code)))
}

pub(crate) fn unit_link(facts: &Facts, unit: UnitId) -> Option<String> {
    Some(facts.link_base.as_ref()?.join(&format!("/v1/units/{unit}")))
}
