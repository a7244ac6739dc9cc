//! Outages: what ties together what happened in one, and spares promised to sites for one.

use std::collections::BTreeSet;

use serde::Serialize;
use serde_json::{Map, Value};
use utoipa::ToSchema;

use crate::{
    code::Code,
    edit::RecordKind,
    entry,
    entry::HoursEntry,
    id::{SiteId, UnitId},
    mark::Marked,
    private::PrivateText,
    quantity::{Hours, Quantity, more_than_nought},
    read::{Flaw, Object, word},
    text::Label,
    time::Instant,
};

/// So many sites an incident names at most.
const SITES_MOST: usize = 1000;
/// So many things are staged for an incident at most.
const STAGED_MOST: usize = 200;

/// The fields of an incident; in a patch, those that it sets.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct IncidentFields {
    /// What the incident is called.
    #[schema(value_type = String, required = true, example = "Ice storm", min_length = 1, max_length = 200)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<Label>,
    /// When it began.
    #[schema(value_type = String, format = DateTime, required = true, example = "2026-02-01T04:30:00Z")]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub began_at: Option<Instant>,
    /// When it was over, that instant not included; absent while it goes on.
    #[schema(value_type = String, format = DateTime, example = "2026-02-04T18:00:00Z")]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ended_at: Option<Instant>,
    /// The sites that it struck, each once; absent means every site of the organization, also later ones.
    #[schema(value_type = Vec<String>, min_items = 1, max_items = 1000)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site_ids: Option<Vec<SiteId>>,
    /// What was brought to sites for it.
    #[schema(max_items = 200)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub staging: Option<Vec<Staged>>,
    /// Anything else; private, erasable.
    #[schema(value_type = String, max_length = 4000)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<PrivateText>,
    /// Whether it is given up, as one that was entered by a slip. Taken away with null.
    #[schema(value_type = bool, example = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub retired: Option<Marked>,
}

/// Something that was brought to a site for an incident.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Staged {
    /// The site.
    #[schema(value_type = String, format = "uuid")]
    pub site_id: SiteId,
    /// What, by code: `fuel`, `oil`, `oil_filter`, `can`, `spare_unit`.
    #[schema(value_type = String, example = "fuel", pattern = "^[a-z][a-z0-9_]{0,63}$")]
    pub item: Code,
    /// How much.
    #[schema(value_type = f64, minimum = 0.01, maximum = 1_000_000, example = 60)]
    pub quantity: Quantity,
    /// In which unit.
    pub unit: StagedIn,
    /// When it was there.
    #[schema(value_type = Option<String>, format = DateTime)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub staged_at: Option<Instant>,
}

/// In which unit something staged is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StagedIn {
    /// Litres.
    Litres,
    /// Pieces.
    Pieces,
}

const STAGED_IN: &[(&str, StagedIn)] = &[("litres", StagedIn::Litres), ("pieces", StagedIn::Pieces)];

impl StagedIn {
    /// The word for it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        STAGED_IN.iter().find(|(_, unit)| *unit == self).map_or("", |(word, _)| *word)
    }
}

impl IncidentFields {
    /// JSON Pointers to the private text among the fields.
    pub const PRIVATE: &[&str] = &["/note"];

    /// Reads the fields that are there.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        let name = o.required("name", Label::read);
        let (began_at, ended_at) =
            (o.required("began_at", Instant::read), o.optional("ended_at", Instant::read));
        if !is_span(began_at, ended_at) {
            o.fail::<()>("ended_at", not_after_start());
        }
        Some(Self {
            name,
            began_at,
            ended_at,
            site_ids: sites(o),
            staging: o.objects("staging", STAGED_MOST, Staged::read),
            note: o.private("note"),
            retired: o.optional("retired", Marked::read),
        })
    }
}

/// The sites that an incident names: at least one, and each once.
fn sites(o: &mut Object<'_>) -> Option<Vec<SiteId>> {
    let sites = o.values("site_ids", SITES_MOST, SiteId::read)?;
    if sites.is_empty() {
        return o.fail("site_ids", Flaw::new("too_few", "Name a site, or leave the list out to mean all."));
    }
    let mut seen = BTreeSet::new();
    match sites.iter().position(|site| !seen.insert(*site)) {
        Some(at) => o.fail(&format!("site_ids/{at}"), Flaw::new("duplicate_site", "A site is named twice.")),
        None => Some(sites),
    }
}

impl Staged {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let site_id = o.required("site_id", SiteId::read);
        let item = o.required("item", Code::read);
        let quantity = o.required("quantity", more_than_nought(Quantity::read));
        let unit = o.required("unit", word(STAGED_IN));
        let staged_at = o.optional("staged_at", Instant::read);
        Some(Self { site_id: site_id?, item: item?, quantity: quantity?, unit: unit?, staged_at })
    }
}

/// The fields of a promise; in a patch, those that it sets.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct PromiseFields {
    /// The spare that is promised.
    #[schema(value_type = String, format = "uuid", required = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit_id: Option<UnitId>,
    /// The site that it is promised to; what the site needs stands among its own fields.
    #[schema(value_type = String, format = "uuid", required = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site_id: Option<SiteId>,
    /// When it was promised: of two promises that contradict each other the one made first goes before.
    #[schema(value_type = String, format = DateTime, required = true, example = "2026-01-10T15:00:00Z")]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub made_at: Option<Instant>,
    /// From when on.
    #[schema(value_type = String, format = DateTime, required = true, example = "2026-02-01T00:00:00Z")]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<Instant>,
    /// Until when, that instant not included; absent means until further notice.
    #[schema(value_type = String, format = DateTime, example = "2026-05-01T00:00:00Z")]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<Instant>,
    /// How long after the power fails it is there and connected.
    #[schema(value_type = HoursEntry, example = 4)]
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    pub there_after_hours: Option<Hours>,
    /// What carries the site until then.
    #[schema(required = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bridge: Option<BridgedBy>,
    /// How long the site's batteries last, where they carry it.
    #[schema(value_type = HoursEntry, example = 8)]
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    pub batteries_hours: Option<Hours>,
    /// Anything else; private, erasable.
    #[schema(value_type = String, max_length = 4000)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<PrivateText>,
    /// Whether it is taken back. Taken away with null.
    #[schema(value_type = bool, example = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub retired: Option<Marked>,
}

/// What carries a site until a spare is there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BridgedBy {
    /// Nothing has to: the site can do without power meanwhile.
    NotNeeded,
    /// Batteries.
    Batteries,
}

const BRIDGES: &[(&str, BridgedBy)] =
    &[("not_needed", BridgedBy::NotNeeded), ("batteries", BridgedBy::Batteries)];

impl PromiseFields {
    /// JSON Pointers to the private text among the fields.
    pub const PRIVATE: &[&str] = &["/note"];

    /// Reads the fields that are there.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        let unit_id = o.required("unit_id", UnitId::read);
        let site_id = o.required("site_id", SiteId::read);
        let made_at = o.required("made_at", Instant::read);
        let (from, until) = (o.required("from", Instant::read), o.optional("until", Instant::read));
        if !is_span(from, until) {
            o.fail::<()>("until", not_after_start());
        }
        Some(Self {
            unit_id,
            site_id,
            made_at,
            from,
            until,
            there_after_hours: o.optional("there_after_hours", Hours::read),
            bridge: o.required("bridge", word(BRIDGES)),
            batteries_hours: o.optional("batteries_hours", Hours::read),
            note: o.private("note"),
            retired: o.optional("retired", Marked::read),
        })
    }
}

/// The sites by which it is decided who writes and who sees an incident or a promise, by its fields; none where it belongs to the
/// whole organization.
#[must_use]
pub fn places(kind: RecordKind, fields: &Map<String, Value>) -> BTreeSet<SiteId> {
    let id = |value: &Value| SiteId::read(value).ok();
    match kind {
        RecordKind::Incident => {
            fields.get("site_ids").and_then(Value::as_array).into_iter().flatten().filter_map(id).collect()
        }
        RecordKind::Promise => fields.get("site_id").and_then(id).into_iter().collect(),
        _ => BTreeSet::new(),
    }
}

/// The members that begin and end a record of this kind, if it has such: its end comes after its beginning.
#[must_use]
pub const fn span(kind: RecordKind) -> Option<(&'static str, &'static str)> {
    match kind {
        RecordKind::Incident => Some(("began_at", "ended_at")),
        RecordKind::Promise => Some(("from", "until")),
        _ => None,
    }
}

/// What is wrong with an end as it stands beside its beginning: a patch may name one of them alone.
#[must_use]
pub fn span_flaw(begin: &Value, end: &Value) -> Option<Flaw> {
    let (begin, end) = (Instant::read(begin).ok(), Instant::read(end).ok());
    (!is_span(begin, end)).then(not_after_start)
}

fn is_span(begin: Option<Instant>, end: Option<Instant>) -> bool {
    begin.zip(end).is_none_or(|(begin, end)| begin < end)
}

fn not_after_start() -> Flaw {
    Flaw::new("not_after_start", "The end lies after the start.")
}
