//! What due state is worked out from.

use std::{collections::BTreeMap, sync::Arc};

use model::{
    Code, EditionId, Hours, SiteId, UnitId, Zone,
    event::ServiceEvent,
    schedule::Edition,
    unit::{Ignition, MeterTick, UnitFields},
};

/// The fields of a unit that bear on due state.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnitFacts {
    /// Whether it has an hour meter.
    pub meter_fitted: bool,
    /// The smallest step of its meter.
    pub tick: Hours,
    /// Where it belongs; its place until the first placement.
    pub home_site: SiteId,
    /// At what its meter goes back to nought.
    pub rollover: Option<Hours>,
    /// How long it runs on a full tank, if that is known.
    pub run_most: Option<Hours>,
    /// What it has, told by its other fields included, unless an event says otherwise; in order.
    pub features: Arc<[Code]>,
    /// The maker's serial number.
    pub serial: Option<Box<str>>,
}

impl UnitFacts {
    /// What a unit's fields say; nothing without a home site.
    pub fn of(fields: &UnitFields) -> Option<Self> {
        let tick = fields.meter_tick_hours.unwrap_or(MeterTick::TENTH).hours();
        let tank = fields.tank_litres.zip(fields.burn_litres_per_hour);
        let seconds = tank.and_then(|(tank, burn)| (tank.hundredths() * 3600).checked_div(burn.hundredths()));
        Some(Self {
            rollover: fields.meter_rollover_hours,
            run_most: seconds.map(Hours::from_seconds),
            features: features(fields).into(),
            serial: fields.serial.as_ref().map(|serial| serial.as_str().into()),
            ..Self::plain(fields.meter_fitted.unwrap_or(true), tick, fields.home_site_id?)
        })
    }

    /// A unit of which nothing else is known.
    pub fn plain(meter_fitted: bool, tick: Hours, home_site: SiteId) -> Self {
        Self {
            meter_fitted,
            tick,
            home_site,
            rollover: None,
            run_most: None,
            features: Arc::default(),
            serial: None,
        }
    }
}

/// The features that are listed, and those that other fields tell of.
fn features(fields: &UnitFields) -> Vec<Code> {
    let words = [
        fields.fuel.map(|fuel| fuel.as_str()),
        fields.ignition.map(|ignition| match ignition {
            Ignition::Spark => "spark_ignition",
            Ignition::Compression => "compression_ignition",
        }),
        (fields.electric_start == Some(true)).then_some("electric_start"),
        fields.meter_fitted.unwrap_or(true).then_some("hour_meter"),
    ];
    let told = words.into_iter().flatten().filter_map(|word| Code::parse(word).ok());
    let mut features: Vec<Code> = fields.features.iter().flatten().cloned().chain(told).collect();
    features.sort_unstable();
    features.dedup();
    features
}

/// Limits that the schedules leave open, under a name that every answer can be traced to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Policy {
    /// Its name.
    pub name: &'static str,
    /// Its edition.
    pub edition: &'static str,
    /// Days after which the newest reading no longer decides that an hour limit is reached.
    pub reading_age_days: i64,
    /// The least use to reckon with since the newest reading, in hundredths of an hour per day.
    pub least_rate_hundredths_per_day: i64,
    /// How long before its limit a task is coming due, in percent of the interval, unless the task says.
    pub lead_percent: i64,
    /// How far an edition that shortens an interval lets the work wait from its adoption on, in running hours.
    pub grace_hours: Hours,
    /// The same in days.
    pub grace_days: i64,
}

impl Policy {
    /// The policy in use where nobody chose another: 60 days, half an hour per day, a tenth; 10 hours or 14 days.
    pub const fn standard() -> Self {
        Self {
            name: "standard",
            edition: "1",
            reading_age_days: 60,
            least_rate_hundredths_per_day: 50,
            lead_percent: 10,
            grace_hours: Hours::from_hundredths(1000),
            grace_days: 14,
        }
    }
}

/// Everything that due state is worked out from, for one unit.
#[derive(Clone, Copy, Debug)]
pub struct Input<'a> {
    /// The unit.
    pub unit: UnitId,
    /// Its own fields; of units that are one machine, those of the unit that stands for it.
    pub facts: &'a UnitFacts,
    /// All events of the unit, in any order; those of other units too that a correction moved to it or from it, or
    /// that are the same machine. Corrections included.
    pub events: &'a [ServiceEvent],
    /// The zone of each site that the events name, and of the home site. A site without one has the home
    /// site's zone, and that failing UTC.
    pub zones: &'a BTreeMap<SiteId, Zone>,
    /// Each edition that the events adopt; one that is missing yields no due items.
    pub editions: &'a BTreeMap<EditionId, Arc<Edition>>,
    /// The policy.
    pub policy: &'a Policy,
}
