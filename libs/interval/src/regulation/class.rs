//! The one item of a pack that an engine falls under.

use std::collections::BTreeSet;

use model::{
    Code,
    pack::{Pack, PackItem, SourceClass},
    schedule::{Edition, Limits},
};

use super::engine::{Engine, Fit};

/// What a pack says of an engine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum EngineClass<'p> {
    /// It falls under this item: adopt its schedule, or where it names none, there are emission limits and no
    /// maintenance interval.
    Item(&'p PackItem),
    /// These fields of the unit would decide, and are not told.
    Missing(BTreeSet<&'static str>),
    /// No item is for such an engine.
    NoItem,
}

/// What an item asks of a job.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Asked<'e> {
    /// It is to be done within these limits.
    Within(&'e Limits),
    /// The item sets no interval for it; the unit's own manual may.
    NoInterval,
    /// Such an engine has no such job.
    NotApplicable,
}

/// Finds the item of a pack that an engine at a site of this class falls under.
pub fn classify<'p>(pack: &'p Pack, source: SourceClass, engine: &Engine) -> EngineClass<'p> {
    let mut missing = BTreeSet::new();
    for item in pack.items.iter().filter(|item| item.source_class == source) {
        let fits = || item.engines.iter().map(|conditions| engine.meets(conditions));
        if fits().any(|fit| fit == Fit::Yes) {
            return EngineClass::Item(item);
        }
        missing.extend(fewest(fits()));
    }
    if missing.is_empty() { EngineClass::NoItem } else { EngineClass::Missing(missing) }
}

/// The fields that decide whether an item fits, without those of alternatives that ask for more than another does.
fn fewest(fits: impl Iterator<Item = Fit>) -> BTreeSet<&'static str> {
    let unknown = |fit| if let Fit::Unknown(fields) = fit { Some(fields) } else { None };
    let all: Vec<BTreeSet<_>> = fits.filter_map(unknown).collect();
    let needed = all
        .iter()
        .filter(|fields| !all.iter().any(|other| other.len() < fields.len() && other.is_subset(fields)));
    needed.flatten().copied().collect()
}

/// What an item asks of a job on an engine, by the edition that the item names; without one it asks for nothing.
pub fn asked_of<'e>(pack: &Pack, edition: Option<&'e Edition>, engine: &Engine, job: &Code) -> Asked<'e> {
    let foreign =
        pack.not_on.iter().any(|rule| Some(rule.ignition) == engine.lit_by() && rule.jobs.contains(job));
    let task = edition.and_then(|edition| edition.tasks.iter().find(|task| &task.job == job));
    match task {
        Some(task) => Asked::Within(&task.limits),
        None if foreign => Asked::NotApplicable,
        None => Asked::NoInterval,
    }
}
