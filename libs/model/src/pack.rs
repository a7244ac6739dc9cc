//! Policy packs: named, dated sets of rules that name the schedules they bring, and for which engines.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    code::Code,
    id::{EditionId, ScheduleId},
    read::{Flaw, Object, boolean, integer, word},
    text::{Label, prose},
    unit::{BURNS, Burn, IGNITIONS, Ignition, STROKES, Stroke},
};

/// The most items in one pack.
pub const ITEMS_MOST: usize = 200;

/// One edition of a policy pack.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = PolicyPack)]
pub struct Pack {
    /// Its name, the same across its editions.
    #[schema(value_type = String, example = "cfr40_63_zzzz")]
    pub pack: Code,
    /// The edition's own label.
    #[schema(value_type = String, example = "2013-01-30")]
    pub edition: Label,
    /// What it is called.
    #[schema(value_type = String)]
    pub title: Label,
    /// Who issued the rules.
    #[schema(value_type = String)]
    pub publisher: Label,
    /// Where its rules come from.
    #[schema(value_type = String)]
    pub source: Box<str>,
    /// What must be said wherever it is used.
    #[schema(value_type = String)]
    pub notice: Box<str>,
    /// Jobs that have no meaning on some engines.
    pub not_on: Vec<NotOn>,
    /// Its table items; an engine has one of them at most.
    pub items: Vec<PackItem>,
}

/// Jobs that an engine with this ignition does not have.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct NotOn {
    /// How the mixture is lit.
    pub ignition: Ignition,
    /// The jobs.
    #[schema(value_type = Vec<String>)]
    pub jobs: Vec<Code>,
}

/// One item of a table: some engines, and the schedule that they are kept to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct PackItem {
    /// The table.
    #[schema(value_type = String, example = "2d")]
    pub table: Label,
    /// The item's number in it.
    #[schema(example = 4)]
    pub item: i64,
    /// Which sites it is for.
    pub source_class: SourceClass,
    /// Which engines it is for, in words.
    #[schema(value_type = String)]
    pub title: Label,
    /// Which engines it is for: those that meet all conditions of one of these.
    pub engines: Vec<EngineConditions>,
    /// What they are kept to; absent where the item sets emission limits and no maintenance interval.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub schedule: Option<PackSchedule>,
}

/// A schedule that a pack brings.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct PackSchedule {
    /// The schedule.
    #[schema(value_type = String, format = "uuid")]
    pub schedule_id: ScheduleId,
    /// Its edition.
    #[schema(value_type = String, format = "uuid")]
    pub edition_id: EditionId,
    /// The name of the file that holds both.
    #[schema(value_type = String)]
    pub file: Label,
}

/// How much the site emits: which of the regulation's tables holds there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum SourceClass {
    /// An area source of hazardous air pollutants: any that is not a major one.
    Area,
    /// A major source of hazardous air pollutants.
    Major,
}

/// The words of a source class.
pub const SOURCE_CLASSES: &[(&str, SourceClass)] =
    &[("area", SourceClass::Area), ("major", SourceClass::Major)];

/// What an engine has to be; an absent condition is free.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct EngineConditions {
    /// How the mixture is lit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ignition: Option<Ignition>,
    /// Whether it runs only in emergencies and for readiness tests.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub emergency_use: Option<bool>,
    /// Whether it only starts another engine.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub black_start: Option<bool>,
    /// Strokes of a cycle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stroke: Option<Stroke>,
    /// How rich the mixture is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub burn: Option<Burn>,
    /// Whether it stands far from people, as the regulation defines it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub remote: Option<bool>,
    /// Whether it runs at most 24 hours a year.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limited_use: Option<bool>,
    /// Whether landfill or digester gas gives a tenth or more of its heat input.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub digester_gas: Option<bool>,
    /// More horsepower than this.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub over_hp: Option<i64>,
    /// This horsepower or more.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from_hp: Option<i64>,
    /// Less horsepower than this.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub below_hp: Option<i64>,
    /// This horsepower or less.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub up_to_hp: Option<i64>,
}

impl Pack {
    /// Reads a pack; anything it does not know is refused by name.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        let pack = o.required("pack", Code::read);
        let edition = o.required("edition", Label::read);
        let title = o.required("title", Label::read);
        let publisher = o.required("publisher", Label::read);
        let source = o.required("source", prose);
        let notice = o.required("notice", prose);
        let not_on = o.objects("not_on", 10, NotOn::read).unwrap_or_default();
        let items = o.objects("items", ITEMS_MOST, PackItem::read);
        if !o.has("items") {
            return o.fail("items", Flaw::new("required", "This member is missing."));
        }
        Some(Self {
            pack: pack?,
            edition: edition?,
            title: title?,
            publisher: publisher?,
            source: source?,
            notice: notice?,
            not_on,
            items: items?,
        })
    }
}

impl NotOn {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let ignition = o.required("ignition", word(IGNITIONS));
        let jobs = o.values("jobs", 50, Code::read).unwrap_or_default();
        Some(Self { ignition: ignition?, jobs })
    }
}

impl PackItem {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let table = o.required("table", Label::read);
        let item = o.required("item", integer(1, 1000));
        let source_class = o.required("source_class", word(SOURCE_CLASSES));
        let title = o.required("title", Label::read);
        let engines = o.objects("engines", 20, EngineConditions::read);
        let schedule = o.object("schedule", PackSchedule::read);
        Some(Self {
            table: table?,
            item: item?,
            source_class: source_class?,
            title: title?,
            engines: engines?,
            schedule,
        })
    }
}

impl PackSchedule {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let schedule_id = o.required("schedule_id", ScheduleId::read);
        let edition_id = o.required("edition_id", EditionId::read);
        let file = o.required("file", Label::read);
        Some(Self { schedule_id: schedule_id?, edition_id: edition_id?, file: file? })
    }
}

impl EngineConditions {
    #[allow(clippy::unnecessary_wraps, reason = "the shape of every reader of an object")]
    fn read(o: &mut Object<'_>) -> Option<Self> {
        Some(Self {
            ignition: o.optional("ignition", word(IGNITIONS)),
            emergency_use: o.optional("emergency_use", boolean),
            black_start: o.optional("black_start", boolean),
            stroke: o.optional("stroke", word(STROKES)),
            burn: o.optional("burn", word(BURNS)),
            remote: o.optional("remote", boolean),
            limited_use: o.optional("limited_use", boolean),
            digester_gas: o.optional("digester_gas", boolean),
            over_hp: o.optional("over_hp", integer(0, 100_000)),
            from_hp: o.optional("from_hp", integer(0, 100_000)),
            below_hp: o.optional("below_hp", integer(0, 100_000)),
            up_to_hp: o.optional("up_to_hp", integer(0, 100_000)),
        })
    }
}
