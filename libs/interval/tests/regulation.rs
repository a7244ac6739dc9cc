//! Every engine of the two tables, and every edge between them.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

use std::path::PathBuf;

use interval::regulation::{Asked, Engine, EngineClass, asked_of, classify};
use model::{
    json,
    pack::{Pack, SourceClass},
    read::{self, Object},
    schedule::Edition,
    unit::{Burn, Ignition, Stroke},
};
use serde_json::Value;

fn file(path: &str) -> Value {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../deploy").join(path);
    json::parse(&std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))).unwrap()
}

fn whole<T>(value: &Value, read: impl FnOnce(&mut Object<'_>) -> Option<T>) -> T {
    read::whole(value, read::Mode::New, read).unwrap_or_else(|errors| panic!("{value}: {errors:?}"))
}

fn pack() -> Pack {
    whole(&file("packs/cfr40-63-zzzz.json"), Pack::read)
}

/// An engine in short: `ci 223.71 em`, every word one field.
fn engine(words: &str) -> Engine {
    let mut engine = Engine::default();
    for word in words.split_whitespace() {
        match word {
            "ci" => engine.ignition = Some(Ignition::Compression),
            "si" => engine.ignition = Some(Ignition::Spark),
            "petrol" => engine.fuel = Some(model::unit::Fuel::Petrol),
            "gas" => engine.fuel = Some(model::unit::Fuel::NaturalGas),
            "propane" => engine.fuel = Some(model::unit::Fuel::Propane),
            "diesel" => engine.fuel = Some(model::unit::Fuel::Diesel),
            "dual" => engine.fuel = Some(model::unit::Fuel::Dual),
            "em" => engine.emergency_use = Some(true),
            "-em" => engine.emergency_use = Some(false),
            "black" => engine.black_start = Some(true),
            "-black" => engine.black_start = Some(false),
            "-" => (engine.emergency_use, engine.black_start) = (Some(false), Some(false)),
            "2s" => engine.stroke = Some(Stroke::TwoStroke),
            "4s" => engine.stroke = Some(Stroke::FourStroke),
            "lean" => engine.burn = Some(Burn::Lean),
            "rich" => engine.burn = Some(Burn::Rich),
            "remote" => engine.remote = Some(true),
            "-remote" => engine.remote = Some(false),
            "limited" => engine.limited_use = Some(true),
            "-limited" => engine.limited_use = Some(false),
            "digester" => engine.digester_gas = Some(true),
            "-digester" => engine.digester_gas = Some(false),
            kw => engine.power = Some(model::Kilowatts::read(&json::parse(kw.as_bytes()).unwrap()).unwrap()),
        }
    }
    engine
}

/// What the pack says, in short: the item, with `limits` where it has no interval; the missing fields; or `none`.
fn said(pack: &Pack, source: SourceClass, words: &str) -> String {
    match classify(pack, source, &engine(words)) {
        EngineClass::Item(item) => {
            format!("{}{}", item.item, if item.schedule.is_some() { "" } else { " limits" })
        }
        EngineClass::Missing(fields) => format!("? {}", Vec::from_iter(fields).join(" ")),
        EngineClass::NoItem => "none".to_owned(),
    }
}

/// 40 CFR 63 Subpart ZZZZ Tables 2c and 2d (78 FR 6709). 100, 300 and 500 HP are 74.57, 223.71 and 372.85 kW;
/// the nearest hundredth below and above each falls on either side.
#[test]
fn each_engine_has_its_item() {
    use SourceClass::{Area, Major};
    #[rustfmt::skip]
    let table: &[(SourceClass, &str, &str)] = &[
        (Area, "ci - 10", "1"), (Area, "ci - 223.70", "1"), (Area, "ci - 223.71", "2 limits"),
        (Area, "ci - 372.84", "2 limits"), (Area, "ci - 372.85", "3 limits"),
        (Area, "ci em 10", "4"), (Area, "diesel em", "4"), (Area, "diesel black", "4"), (Area, "ci em 2000", "4"),
        (Area, "si em", "5"), (Area, "gas black", "5"), (Area, "propane em", "5"), (Area, "petrol em", "5"),
        (Area, "si - 4s lean 400 limited -digester", "5"), (Area, "si - 4s rich 400 limited -digester", "5"),
        (Area, "si - 4s 400 limited -digester", "5"),
        (Area, "si - 2s lean -digester", "6"), (Area, "si - 2s rich -digester", "none"),
        (Area, "si - 4s lean 372.84 -digester", "7"), (Area, "si - 4s lean 372.85 -limited remote -digester", "8"),
        (Area, "si - 4s lean 372.85 -limited -remote -digester", "9 limits"),
        (Area, "si - 4s rich 20 -digester", "10"), (Area, "si - 4s rich 400 -limited remote -digester", "11"),
        (Area, "si - 4s rich 400 -limited -remote -digester", "12 limits"),
        (Area, "gas - digester", "13"), (Area, "si - digester 4s lean 400 limited", "13"), (Area, "si em digester", "5"),
        (Major, "ci em 400", "1"), (Major, "ci black", "1"), (Major, "ci - 74.56", "2"), (Major, "ci - 74.57", "3 limits"),
        (Major, "ci - 223.70", "3 limits"), (Major, "ci - 223.71", "4 limits"), (Major, "ci - 372.85", "5 limits"),
        (Major, "si em 372.84", "6"), (Major, "si black 20", "6"), (Major, "si em 372.85", "none"),
        (Major, "si - 4s 20", "7"), (Major, "si - rich 20", "7"), (Major, "si - 2s lean 20", "8"),
        (Major, "si - 2s lean 80 -digester", "9 limits"), (Major, "si - 4s lean 80 -digester", "10 limits"),
        (Major, "si - 4s rich 80 -digester", "11 limits"), (Major, "si - 80 digester", "12 limits"),
        (Major, "si - 4s rich 400 -digester", "none"),
        // What is not told is asked for, and only that.
        (Area, "diesel", "? black_start emergency_use engine_kw"), (Area, "diesel 20", "? black_start emergency_use"),
        (Area, "diesel - ", "? engine_kw"), (Area, "dual em", "? ignition"), (Area, "diesel -em", "? black_start engine_kw"),
        (Area, "si - 4s lean -digester", "? engine_kw limited_use remote"), (Area, "si - 4s 20 -digester", "? burn"),
        (Area, "si - 20 digester", "13"), (Area, "si - 4s lean 400 remote -digester", "? limited_use"),
        (Area, "si - 4s lean 400 -limited -digester", "? remote"), (Area, "petrol - 20 4s lean", "? digester_gas"),
        (Major, "si em", "? engine_kw"), (Major, "si - 20", "? burn stroke"),
    ];
    let pack = pack();
    for (source, words, expected) in table {
        assert_eq!(said(&pack, *source, words), *expected, "{source:?} {words}");
    }
}

#[test]
fn no_engine_has_two_items() {
    let pack = pack();
    let choices: [&[&str]; 9] = [
        &["si", "ci"],
        &["em", "-em"],
        &["black", "-black"],
        &["2s", "4s"],
        &["lean", "rich"],
        &["remote", "-remote"],
        &["limited", "-limited"],
        &["digester", "-digester"],
        &["50", "74.56", "74.57", "223.70", "223.71", "300", "372.84", "372.85", "1000"],
    ];
    let all = choices.iter().fold(vec![String::new()], |begun, words| {
        begun.iter().flat_map(|start| words.iter().map(move |word| format!("{start} {word}"))).collect()
    });
    let alone: Vec<Pack> =
        pack.items.iter().map(|item| Pack { items: vec![item.clone()], ..pack.clone() }).collect();
    for words in &all {
        let engine = engine(words);
        for source in [SourceClass::Area, SourceClass::Major] {
            let alone = alone.iter().filter(|alone| classify(alone, source, &engine) != EngineClass::NoItem);
            let fitting: Vec<_> = alone.map(|alone| alone.items[0].item).collect();
            assert!(fitting.len() < 2, "{source:?}{words}: {fitting:?}");
        }
    }
}

/// Hours of the oil change, of the second inspection and of hoses and belts, each or annually.
#[test]
fn each_item_has_its_intervals() {
    #[rustfmt::skip]
    let table: &[(&str, i64, &str, [i64; 3])] = &[
        ("2d", 1, "air_cleaner_inspect", [1000, 1000, 500]), ("2d", 4, "air_cleaner_inspect", [500, 1000, 500]),
        ("2d", 5, "plug_inspect", [500, 1000, 500]), ("2d", 6, "plug_inspect", [4320, 4320, 4320]),
        ("2d", 7, "plug_inspect", [1440, 1440, 1440]), ("2d", 8, "plug_inspect", [2160, 2160, 2160]),
        ("2d", 10, "plug_inspect", [1440, 1440, 1440]), ("2d", 11, "plug_inspect", [2160, 2160, 2160]),
        ("2d", 13, "plug_inspect", [1440, 1440, 1440]), ("2c", 1, "air_cleaner_inspect", [500, 1000, 500]),
        ("2c", 2, "air_cleaner_inspect", [1000, 1000, 500]), ("2c", 6, "plug_inspect", [500, 1000, 500]),
        ("2c", 7, "plug_inspect", [1440, 1440, 1440]), ("2c", 8, "plug_inspect", [4320, 4320, 4320]),
    ];
    let pack = pack();
    let with_schedule = pack.items.iter().filter(|item| item.schedule.is_some()).count();
    assert_eq!(with_schedule, table.len());
    for (name, number, second, hours) in table {
        let item = pack.items.iter().find(|i| i.table.as_str() == *name && i.item == *number).unwrap();
        let schedule = item.schedule.as_ref().unwrap();
        let file = file(&format!("schedules/{}", schedule.file.as_str()));
        assert_eq!(file["schedule"]["id"], schedule.schedule_id.to_string());
        assert_eq!(file["edition"]["id"], schedule.edition_id.to_string());
        assert_eq!(file["schedule"]["title"], item.title.as_str());
        let found: Vec<_> = file["edition"]["tasks"]
            .as_array()
            .unwrap()
            .iter()
            .map(|task| {
                (
                    task["job"].as_str().unwrap(),
                    task["limits"]["hours"].as_i64(),
                    task["limits"]["months"].as_i64(),
                )
            })
            .collect();
        let jobs = ["oil_and_filter_change", second, "hoses_and_belts_inspect"];
        let expected: Vec<_> =
            jobs.iter().zip(hours).map(|(job, hours)| (*job, Some(*hours), Some(12))).collect();
        assert_eq!(found, expected, "Table {name} item {number}");
    }
}

/// An emergency engine lit by spark has no interval for its air cleaner, and one lit by compression has no plugs.
#[test]
fn a_job_outside_the_item_has_no_interval_or_no_meaning() {
    let pack = pack();
    let code = |text: &str| model::Code::parse(text).unwrap();
    let edition = edition_of(&pack, "2d", 5);
    let spark = engine("si em");
    assert_eq!(asked_of(&pack, Some(&edition), &spark, &code("air_cleaner_inspect")), Asked::NoInterval);
    assert!(matches!(asked_of(&pack, Some(&edition), &spark, &code("plug_inspect")), Asked::Within(_)));
    let edition = edition_of(&pack, "2d", 4);
    let compression = engine("diesel em");
    assert_eq!(asked_of(&pack, Some(&edition), &compression, &code("plug_inspect")), Asked::NotApplicable);
    assert_eq!(asked_of(&pack, None, &engine("ci - 300"), &code("air_cleaner_inspect")), Asked::NoInterval);
}

fn edition_of(pack: &Pack, table: &str, number: i64) -> Edition {
    let item = pack.items.iter().find(|i| i.table.as_str() == table && i.item == number).unwrap();
    let mut fields =
        file(&format!("schedules/{}", item.schedule.as_ref().unwrap().file.as_str()))["edition"].clone();
    fields.as_object_mut().unwrap().remove("id");
    whole(&fields, Edition::read)
}
