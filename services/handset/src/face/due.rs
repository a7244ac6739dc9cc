//! `due`: what is due here and what else can be done on this visit, or all of one unit; worked out on the device.

use std::{
    collections::{BTreeMap, BTreeSet},
    process::ExitCode,
};

use anyhow::Result;
use clap::Args;
use device::{DeviceItem, Include, Records, Remarks, UnitDue, WhileHere};
use model::{SiteId, UnitId};
use serde::Serialize;
use serde_json::{Value, json};
use uuid::Uuid;

use super::{
    Face, Trouble, describe,
    find::{Named, stands_at},
    page::{Page, Tone},
    records::AllHere,
    story,
    task::{self, Pressing},
};

#[derive(Args)]
pub(crate) struct Due {
    /// The unit; without it all that stand at the site.
    unit: Option<String>,
    /// The site; without it where you stand.
    #[arg(long, conflicts_with = "unit")]
    site: Option<String>,
    /// What is not due yet, too.
    #[arg(long)]
    all: bool,
}

pub(crate) fn run(face: &mut Face<'_>, due: &Due) -> Result<ExitCode> {
    if let Some(unit) = &due.unit {
        let unit = face.unit(unit)?;
        return of_unit(face, &unit, due.all);
    }
    match face.site_or_here(due.site.as_deref())? {
        Some(site) => at_site(face, &site),
        None => Err(Trouble::Other("At which site? Say: at SITE, or: due --site SITE".to_owned()).into()),
    }
}

/// The groups of a list, each with its heading.
const GROUPS: [(Pressing, &str); 3] =
    [(Pressing::Due, "Due"), (Pressing::Open, "While you are here"), (Pressing::Unknown, "Not known")];

fn at_site(face: &mut Face<'_>, site: &Named) -> Result<ExitCode> {
    let now = face.now()?;
    let AllHere { records, units, tagged } = face.all_here()?;
    let here = records.while_here(SiteId::from_uuid(site.id), now);
    let mut items = items(&here);
    items.sort_by_key(|(label, item)| (task::order(item), *label));
    let mut page = face.page();
    page.title(&site.name);
    face.put_clock(&mut page)?;
    let standing = standing(units, &records, &here);
    let bare = without_items(&records, &here, &standing);
    page.line(Tone::Plain, &summary(items.iter().map(|(_, item)| *item), bare.is_empty()));
    page.line(Tone::Quiet, &face.as_of()?);
    let tagged = standing.iter().filter(|unit| tagged.contains(&unit.unit()));
    let tags = put_tags(face, &mut page, tagged.map(|unit| (unit, records.machine(unit.unit()))))?;
    for (pressing, heading) in GROUPS {
        let group: Vec<_> = items.iter().filter(|(_, item)| Pressing::of(item) == pressing).collect();
        if !group.is_empty() {
            page.title(heading);
        }
        if pressing == Pressing::Unknown {
            put_unknown(&mut page, &group);
            continue;
        }
        for (label, item) in group {
            put(&mut page, Some(label), item);
        }
    }
    let unplaced = face.labels(&here.place_unknown)?;
    put_rest(&mut page, &here, &bare, &unplaced);
    put_remarks(&mut page, &here.remarks);
    let without_schedule = bare.iter().map(|unit| unit.id).collect();
    face.say(&page, [Line { here: &here, tags, without_schedule }])?;
    Ok(ExitCode::SUCCESS)
}

/// The list for programs.
#[derive(Serialize)]
struct Line<'l> {
    #[serde(flatten)]
    here: &'l WhileHere,
    tags: Vec<Value>,
    without_schedule: Vec<Uuid>,
}

/// The units that stand here.
fn standing(mut units: Vec<Named>, records: &Records, here: &WhileHere) -> Vec<Named> {
    units.retain(|unit| {
        !here.place_unknown.contains(&unit.unit())
            && stands_at(records, unit, here.as_of) == Some(here.site_id)
    });
    units
}

/// Those of them that nothing is known to do for: no schedule holds for them.
fn without_items<'u>(records: &Records, here: &WhileHere, standing: &'u [Named]) -> Vec<&'u Named> {
    let is_bare = |unit: &&Named| {
        let due = records.due(unit.unit(), here.as_of, Include::default());
        due.filter(|due| due.machine_id.is_none_or(|machine| machine == unit.unit()))
            .and_then(|due| due.known)
            .is_some_and(|known| known.items.is_empty())
    };
    let is_clear = |unit: &&Named| here.units.iter().all(|with_items| with_items.unit_id != unit.unit());
    standing.iter().filter(is_clear).filter(is_bare).collect()
}

/// The tags that hang here, before anything is done; each at every unit that is the machine.
fn put_tags<'u>(
    face: &mut Face<'_>,
    page: &mut Page,
    units: impl Iterator<Item = (&'u Named, BTreeSet<UnitId>)>,
) -> Result<Vec<Value>> {
    let (now, zone) = (face.now()?, face.zone_at(None)?);
    let mut tags = BTreeMap::new();
    for (unit, machine) in units {
        for tag in story::tags(&face.story_of(&machine)?) {
            let what = describe::event(&tag.event, now, &zone);
            page.item("!", Tone::Alarm, &format!("{}: {what}", unit.name));
            tags.insert(tag.id, json!(tag.event));
        }
    }
    Ok(tags.into_values().collect())
}

fn items(here: &WhileHere) -> Vec<(&str, &DeviceItem)> {
    here.units
        .iter()
        .flat_map(|unit| {
            unit.items.iter().map(move |item| (unit.unit_label.as_deref().unwrap_or("a unit"), item))
        })
        .collect()
}

/// The answer: how much there is to do; `all_known` says whether a schedule holds for everything that was asked about.
fn summary<'i>(items: impl Iterator<Item = &'i DeviceItem>, all_known: bool) -> String {
    let (mut due, mut open, mut unknown) = (0, 0, 0);
    for item in items {
        match Pressing::of(item) {
            Pressing::Due => due += 1,
            Pressing::Open => open += 1,
            Pressing::Unknown => unknown += 1,
            Pressing::NotYet | Pressing::Never => {}
        }
    }
    let said = [(due, "due"), (open, "more while here"), (unknown, "not known")];
    let said: Vec<String> =
        said.iter().filter(|(many, _)| *many > 0).map(|(many, what)| format!("{many} {what}")).collect();
    match (said.is_empty(), all_known) {
        (true, true) => "Nothing is due.".to_owned(),
        (true, false) => "Nothing is known to be due.".to_owned(),
        (false, _) => format!("{}.", said.join(", ")),
    }
}

fn put(page: &mut Page, label: Option<&str>, item: &DeviceItem) {
    let (mark, tone) = Pressing::of(item).shown();
    let title = &item.due.item.title;
    page.item(mark, tone, &label.map_or_else(|| title.to_string(), |label| format!("{label}: {title}")));
    page.under(tone, &task::standing(item));
    if Pressing::of(item) != Pressing::Due
        && let Some(limit) = task::limit(&item.due.item)
    {
        page.under(Tone::Quiet, &format!("at {limit}"));
    }
    if item.due.item.recommission_gate {
        page.under(Tone::Alarm, "to be done before it is used again");
    }
}

/// What is not known, by unit and by what has to be entered.
fn put_unknown(page: &mut Page, group: &[&(&str, &DeviceItem)]) {
    let mut said: BTreeMap<(&str, String), Vec<String>> = BTreeMap::new();
    for (label, item) in group {
        said.entry((label, task::standing(item))).or_default().push(item.due.item.title.to_string());
    }
    for ((label, why), titles) in said {
        page.item("?", Tone::Warning, &format!("{label}: {why}"));
        page.under(Tone::Plain, &format!("{}.", titles.join("; ")));
    }
}

/// Meters that need another look, units with nothing to do, those nobody knows enough of, and what to bring.
fn put_rest(page: &mut Page, here: &WhileHere, bare: &[&Named], unplaced: &[String]) {
    for unit in &here.units {
        if !unit.remarks.are_harmless() {
            let label = unit.unit_label.as_deref().unwrap_or("a unit");
            page.item("?", Tone::Warning, &format!("{label}: some of its records cannot be read here"));
        }
        for reading in &unit.set_aside {
            let label = unit.unit_label.as_deref().unwrap_or("a unit");
            let meant = reading.suggested_meter_hours.map(|meant| format!(", probably {meant}"));
            let said = format!(
                "{label}: look at its meter; {} is not used{}",
                reading.meter_hours,
                meant.unwrap_or_default()
            );
            page.item("?", Tone::Warning, &said);
        }
    }
    let clear = here.clear.saturating_sub(bare.len());
    if clear > 0 {
        page.item("-", Tone::Good, &format!("{clear} more here with nothing to do"));
    }
    if !bare.is_empty() {
        let names = bare.iter().map(|unit| unit.name.as_str()).collect::<Vec<_>>().join(", ");
        page.item("?", Tone::Warning, &format!("{} without a schedule: {names}", bare.len()));
    }
    put_unplaced(page, unplaced);
    if !here.parts.is_empty() {
        page.title("Bring");
        for part in &here.parts {
            page.item("-", Tone::Plain, &format!("{} {} {}", part.quantity, part.unit, part.part));
        }
    }
}

/// Units that may stand here or elsewhere.
pub(super) fn put_unplaced(page: &mut Page, labels: &[String]) {
    if !labels.is_empty() {
        page.item("?", Tone::Warning, &format!("nobody knows where these stand: {}", labels.join(", ")));
    }
}

/// What makes an answer uncertain, in a line.
fn put_remarks(page: &mut Page, remarks: &Remarks) {
    if !remarks.are_harmless() {
        let many = describe::many(remarks.unknown_because.len(), "record");
        page.item("?", Tone::Warning, &format!("{many} cannot be read here: the list may lack something."));
    }
}

fn of_unit(face: &mut Face<'_>, unit: &Named, all: bool) -> Result<ExitCode> {
    let (now, records) = (face.now()?, face.records()?);
    let due = records.due(unit.unit(), now, Include::default());
    let due = due.ok_or_else(|| Trouble::Unknown { what: "unit", given: unit.name.clone() })?;
    let mut items: Vec<&DeviceItem> = due.known.iter().flat_map(|known| &known.items).collect();
    items.sort_by_key(|item| task::order(item));
    let mut page = face.page();
    page.title(&unit.name);
    face.put_clock(&mut page)?;
    page.line(
        Tone::Plain,
        &match &due.known {
            None => "Its record cannot be read here.".to_owned(),
            Some(_) if items.is_empty() => "No schedule holds for it.".to_owned(),
            Some(_) => summary(items.iter().copied(), true),
        },
    );
    page.line(Tone::Quiet, &format!("{}; {}", hours(&due), face.as_of()?));
    for tag in story::tags(&face.story_of(&records.machine(unit.unit()))?) {
        let zone = face.zone_at(Some(unit))?;
        page.item("!", Tone::Alarm, &describe::event(&tag.event, now, &zone));
    }
    for item in items.iter().filter(|item| all || Pressing::of(item) <= Pressing::Unknown) {
        put(&mut page, None, item);
    }
    if !all && let Some(next) = items.iter().find(|item| Pressing::of(item) == Pressing::NotYet) {
        page.title("Next");
        put(&mut page, None, next);
    }
    put_remarks(&mut page, &due.remarks);
    face.say(&page, [serde_json::to_value(&due)?])?;
    Ok(ExitCode::SUCCESS)
}

/// Engine hours, with how far they may be off.
pub(super) fn hours(due: &UnitDue) -> String {
    match due.known.as_ref().and_then(|known| known.engine_hours.range) {
        None => "no hours known".to_owned(),
        Some(range) if range.lower == range.upper => format!("{} h", range.nominal),
        Some(range) => format!("{} h ({} to {})", range.nominal, range.lower, range.upper),
    }
}
