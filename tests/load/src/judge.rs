//! Readiness in the pure library, on one core.

use std::{collections::BTreeMap, hint::black_box, sync::Arc};

use anyhow::{Context, Result, anyhow};
use interval::{Happened, HungTag, Input, Policy, UnitFacts, UnitState, happened, refold, tags};
use model::{
    EditionId, Instant, SiteId, UnitId, Zone,
    event::ServiceEvent,
    json,
    read::{Mode, Object, whole},
    schedule::Edition,
    site::SiteFields,
    unit::UnitFields,
};
use serde_json::{Value, json};
use standby::{
    readiness::{Facts, ReadinessPolicy, judge},
    record::Record,
};

use crate::{
    library::on_core,
    options::Options,
    standing,
    stats::middle,
    table::{Line, seconds_of},
    town::{self, NOW, Places, twelve_tasks},
    unit::Unit,
};

/// How many units are judged.
const UNITS: usize = 10_000;
/// Lives that differ; more would measure the memory.
const LIVES: usize = 200;
const EVENTS: usize = 20;
const BAR: f64 = 0.1;

/// A unit folded.
struct Folded {
    happened: Vec<Happened>,
    tags: Vec<HungTag>,
    state: UnitState,
}

/// Two lines of the table: judging by given facts, and reading the facts as well; both held against folding the units.
pub(crate) fn lines(options: &Options) -> Result<Vec<Line>> {
    let (places, now) = (Places::new(), Instant::parse(NOW)?);
    let ground = Ground::new(&places)?;
    let lives = (0..LIVES).map(|n| Life::new(&places, n)).collect::<Result<Vec<_>>>()?;
    let folded: Vec<Folded> = lives.iter().map(|life| ground.folded(life, now)).collect();
    let told = lives.iter().zip(&folded);
    let records: Vec<Record<'_>> = told.map(|(life, folded)| ground.record(life, folded, now)).collect();
    let facts: Vec<Facts> = records.iter().map(Record::facts).collect();
    let policy = ReadinessPolicy::standard();
    let judged = |facts: &Facts| drop(black_box(judge(&policy, facts, now, &ground.zone)));
    let fold = || each(&lives, |life| drop(black_box(ground.folded(life, now))));
    let by_facts = || each(&facts, judged);
    let whole = || each(&records, |record| judged(&record.facts()));
    let folding = rounds(options, fold)?;
    let line = |what: &str, took: &[f64], bar: &'static str, reached: Option<bool>| {
        let mut line = Line::figure(what, "", seconds_of(took), bar, reached);
        line.bare = format!("{} to fold them", seconds_of(&folding));
        line.ratio = format!("{:.2}", middle(took) / middle(&folding));
        line
    };
    let judged = rounds(options, by_facts)?;
    let reached = Some(middle(&judged) < BAR);
    Ok(vec![
        line("judging 10,000 units in the library, facts given, one core", &judged, "under 0.1 s", reached),
        line("the same with facts read out of 20 events each", &rounds(options, whole)?, "", None),
    ])
}

/// What units are folded and judged with.
struct Ground {
    editions: BTreeMap<EditionId, Arc<Edition>>,
    zones: BTreeMap<SiteId, Zone>,
    zone: Zone,
    site: SiteFields,
}

/// A unit with all that happened to it.
struct Life {
    fields: UnitFields,
    facts: UnitFacts,
    events: Vec<ServiceEvent>,
    unit: UnitId,
}

impl Life {
    fn new(places: &Places, n: usize) -> Result<Self> {
        let shift = i64::try_from(n)? * 97;
        let mut unit = Unit::new(places, n, Instant::parse(standing::BEGIN)?.plus_seconds(shift));
        let events = standing::life(&mut unit, EVENTS, true)?;
        let mut fields = town::members(unit.fields())?;
        fields.extend(town::members(standing::fields())?);
        let fields = read(fields.into(), UnitFields::read)?;
        let facts = UnitFacts::of(&fields).context("a unit without a home")?;
        Ok(Self { fields, facts, events, unit: unit.id })
    }
}

impl Ground {
    fn new(places: &Places) -> Result<Self> {
        let (edition, zone) = (Arc::new(twelve_tasks()?), Zone::parse("America/Denver")?);
        let mut site = town::members(standing::site())?;
        site.extend(town::members(json!({"name": "Site", "zone": "America/Denver"}))?);
        Ok(Self {
            editions: places.schedules.iter().map(|(_, id)| (*id, Arc::clone(&edition))).collect(),
            zones: places.sites.iter().map(|site| (*site, zone.clone())).collect(),
            site: read(site.into(), SiteFields::read)?,
            zone,
        })
    }

    fn input<'a>(&'a self, life: &'a Life) -> Input<'a> {
        const STANDARD: &Policy = &Policy::standard();
        Input {
            unit: life.unit,
            facts: &life.facts,
            events: &life.events,
            zones: &self.zones,
            editions: &self.editions,
            policy: STANDARD,
        }
    }

    fn folded(&self, life: &Life, now: Instant) -> Folded {
        let input = self.input(life);
        Folded { happened: happened(&input, now), tags: tags(&input, now), state: refold(&input) }
    }

    fn record<'a>(&'a self, life: &'a Life, folded: &'a Folded, at: Instant) -> Record<'a> {
        Record {
            unit: life.unit,
            fields: &life.fields,
            site: &self.site,
            happened: &folded.happened,
            tags: &folded.tags,
            state: &folded.state,
            zone: &self.zone,
            at,
        }
    }
}

fn read<T>(fields: Value, reads: impl FnOnce(&mut Object<'_>) -> Option<T>) -> Result<T> {
    // By way of text, so that numbers are kept as written.
    let fields = json::parse(fields.to_string().as_bytes())?;
    whole(&fields, Mode::New, reads).map_err(|errors| anyhow!("{fields}: {errors:?}"))
}

/// Does it for as many units as are judged.
fn each<T>(of: &[T], one: impl FnMut(&T)) {
    of.iter().cycle().take(UNITS).for_each(one);
}

/// The seconds of a core that some work takes in each round, the shortest first.
fn rounds(options: &Options, work: impl Fn()) -> Result<Vec<f64>> {
    let mut took = (0..options.rounds).map(|_| on_core(&work)).collect::<Result<Vec<f64>>>()?;
    took.sort_by(f64::total_cmp);
    Ok(took)
}

#[cfg(test)]
mod tests {
    use standby::readiness::Verdict;

    use super::*;

    #[test]
    fn what_is_judged_is_ready_or_nearly_so() {
        let (places, now) = (Places::new(), Instant::parse(NOW).unwrap());
        let (ground, life) = (Ground::new(&places).unwrap(), Life::new(&places, 7).unwrap());
        let folded = ground.folded(&life, now);
        let facts = ground.record(&life, &folded, now).facts();
        let readiness = judge(&ReadinessPolicy::standard(), &facts, now, &ground.zone);
        assert!(readiness.verdict <= Verdict::ReadyWithLimits, "{readiness:?}");
    }
}
