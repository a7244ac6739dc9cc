//! Sets and outages as the cases write them.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::cast_possible_truncation,
    reason = "helpers of tests"
)]
#![allow(dead_code, reason = "each test uses some of them")]

use interval::Grade;
use model::{
    Code, Hours, Instant, Kilowatts, Label, Litres, LocalDate, Zone, mail::TimeOfDay,
    quantity::LitresPerHour, unit::Fuel,
};
use serde_json::Value;
use standby::{
    amount::{BurnRate, Volume},
    burn::{BurnCurve, BurnFacts},
    load::{Band, Load, Profile, Share, Step},
    outage::{EngineHours, HourLimit, Oil, OilUse, OnSite, Outage, OutagePolicy, Set, Supply, Task},
};

/// The cases of a file of vectors.
pub(crate) fn cases(text: &str) -> Vec<Value> {
    serde_json::from_str::<Value>(text).unwrap()["cases"].as_array().unwrap().clone()
}

/// A number in hundredths.
pub(crate) fn hundredths(value: &Value) -> i64 {
    (number(value) * 100.0).round() as i64
}

/// A number.
pub(crate) fn number(value: &Value) -> f64 {
    value.to_string().parse().unwrap_or_else(|_| panic!("no number: {value}"))
}

fn some<T>(value: &Value, read: impl Fn(&Value) -> T) -> Option<T> {
    (!value.is_null()).then(|| read(value))
}

/// Hours to the second.
pub(crate) fn hours(value: &Value) -> Hours {
    Hours::from_seconds((number(value) * 3600.0).round() as i64)
}

pub(crate) fn litres(value: &Value) -> Litres {
    Litres::from_hundredths(hundredths(value))
}

fn millionths(value: &Value) -> i64 {
    (number(value) * 1_000_000.0).round() as i64
}

pub(crate) fn share(value: &Value) -> Share {
    Share::from_millionths(millionths(value))
}

pub(crate) fn volume(value: &Value) -> Volume {
    Volume::from_microlitres(millionths(value))
}

pub(crate) fn rate(value: &Value) -> BurnRate {
    BurnRate::from_microlitres_per_hour(millionths(value))
}

pub(crate) fn instant(value: &Value) -> Instant {
    Instant::parse(value.as_str().unwrap()).unwrap()
}

pub(crate) fn code(text: &str) -> Code {
    Code::parse(text).unwrap()
}

pub(crate) fn points(value: &Value) -> Vec<(Share, BurnRate)> {
    value.as_array().unwrap().iter().map(|point| (share(&point[0]), rate(&point[1]))).collect()
}

pub(crate) fn fuel(value: &Value) -> Fuel {
    match value.as_str().unwrap() {
        "petrol" => Fuel::Petrol,
        "diesel" => Fuel::Diesel,
        "propane" => Fuel::Propane,
        "natural_gas" => Fuel::NaturalGas,
        "dual" => Fuel::Dual,
        other => panic!("{other}"),
    }
}

pub(crate) fn burn_facts(value: &Value) -> BurnFacts {
    BurnFacts {
        fuel: some(&value["fuel"], fuel),
        rated_kw: some(&value["rated_kw"], |kw| Kilowatts::from_hundredths(hundredths(kw))),
        curve: some(&value["burn_curve"], |curve| (BurnCurve::new(points(curve)).unwrap(), Grade::A)),
        usual: some(&value["burn_litres_per_hour"], |rate| {
            (LitresPerHour::from_hundredths(hundredths(rate)), Grade::B)
        }),
    }
}

pub(crate) fn load(value: &Value) -> Load {
    match &value["kw"] {
        Value::Null => Load::Share(share(&value["share"])),
        kw => Load::Kilowatts(Kilowatts::from_hundredths(hundredths(kw))),
    }
}

pub(crate) fn profile(value: &Value) -> Profile {
    let time = |text: &Value| TimeOfDay::parse(text.as_str().unwrap()).unwrap();
    if let Value::Array(bands) = &value["bands"] {
        let band =
            |band: &Value| Band { from: time(&band["from"]), until: time(&band["until"]), load: load(band) };
        return Profile::Bands(bands.iter().map(band).collect());
    }
    if let Value::Array(steps) = &value["steps"] {
        let step =
            |step: &Value| Step { after_seconds: hours(&step["after_hours"]).seconds(), load: load(step) };
        return Profile::Steps(steps.iter().map(step).collect());
    }
    Profile::Constant(load(value))
}

fn supply(value: &Value) -> Supply {
    if value["site_tank"] == Value::Bool(true) {
        return Supply::SiteTank;
    }
    Supply::OwnTank {
        capacity: some(&value["tank_litres"], litres),
        start: some(&value["start_litres"], litres),
        reserve: some(&value["reserve_litres"], litres).unwrap_or(Litres::from_hundredths(0)),
    }
}

pub(crate) fn limit(value: &Value) -> HourLimit {
    HourLimit {
        due_at: hours(&value["due_at"]),
        interval: hours(&value["interval"]),
        tolerance: some(&value["tolerance"], hours).unwrap_or(Hours::ZERO),
    }
}

fn task(value: &Value) -> Task {
    let parts = value["parts"].as_object().cloned().unwrap_or_default();
    let part = |(part, count): (String, Value)| {
        (Label::parse(&part).unwrap(), u32::try_from(count.as_u64().unwrap()).unwrap())
    };
    Task {
        task: code(value["task"].as_str().unwrap()),
        hours: some(&value["hours"], limit),
        due_date: some(&value["due_date"], |date| LocalDate::parse(date.as_str().unwrap()).unwrap()),
        stop: some(&value["stop_hours"], hours),
        parts: parts.into_iter().map(part).collect(),
        changes_oil: value["changes_oil"] == Value::Bool(true),
        is_check: value["is_check"] == Value::Bool(true),
    }
}

pub(crate) fn engine_hours(value: &Value) -> EngineHours {
    if value.is_object() {
        let (nominal, upper) = (hours(&value["nominal"]), hours(&value["upper"]));
        return EngineHours { nominal, upper, grade: Grade::C };
    }
    EngineHours::measured(hours(value))
}

fn oil(value: &Value) -> Oil {
    let per_hour = some(&value["litres_per_hour"], |used| OilUse::PerHour(rate(used)));
    let of_fuel = some(&value["of_fuel"], |used| OilUse::OfFuel(share(used)));
    Oil { use_: per_hour.or(of_fuel), capacity: some(&value["capacity_litres"], litres) }
}

pub(crate) fn set(value: &Value) -> Set {
    let on_site = &value["on_site"];
    Set {
        burn: burn_facts(value),
        load: some(&value["load"], profile),
        supply: supply(&value["supply"]),
        on_site: OnSite {
            litres: some(&on_site["litres"], litres).unwrap_or(Litres::from_hundredths(0)),
            can_size: some(&on_site["can_litres"], litres),
        },
        engine_hours: some(&value["engine_hours"], engine_hours),
        running: value["running"] == Value::Bool(true),
        since_check: some(&value["since_check_hours"], hours).unwrap_or(Hours::ZERO),
        check_every: some(&value["check_every_hours"], hours),
        tasks: value["tasks"].as_array().cloned().unwrap_or_default().iter().map(task).collect(),
        not_told: Vec::new(),
        oil: oil(&value["oil"]),
        plain_stop: some(&value["plain_stop_hours"], hours),
    }
}

pub(crate) fn outage(value: &Value) -> Outage {
    Outage {
        start: instant(&value["start"]),
        duration: hours(&value["duration_hours"]),
        zone: Zone::parse(value["zone"].as_str().unwrap_or("UTC")).unwrap(),
        policy: OutagePolicy::standard(),
    }
}

/// Whether what is found has all that is expected, at any depth; lists are as long as expected ones, numbers equal to the
/// hundredth.
pub(crate) fn agrees(name: &str, path: &str, expected: &Value, found: &Value) {
    match (expected, found) {
        (Value::Object(fields), _) => {
            for (key, expected) in fields {
                agrees(name, &format!("{path}/{key}"), expected, &found[key]);
            }
        }
        (Value::Array(expected), Value::Array(found)) => {
            assert_eq!(expected.len(), found.len(), "{name}: length of {path}: {found:?}");
            for (place, (expected, found)) in expected.iter().zip(found).enumerate() {
                agrees(name, &format!("{path}/{place}"), expected, found);
            }
        }
        (Value::Number(_), Value::Number(_)) => {
            assert!(
                (number(expected) - number(found)).abs() < 0.005,
                "{name}: {path}: {found}, not {expected}"
            );
        }
        _ => assert_eq!(expected, found, "{name}: {path}"),
    }
}
