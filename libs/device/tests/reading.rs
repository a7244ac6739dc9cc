//! Readings before they are saved, and readiness.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "helpers of tests")]

use device::Records;
use model::{Instant, SiteId, UnitId};
use serde_json::{Value, json};

const SITE: &str = "019a0b5e-7c00-7000-8000-00000000000a";
const UNIT: &str = "019a0b5e-7c00-7000-8000-00000000000b";
const OTHER: &str = "019a0b5e-7c00-7000-8000-00000000000c";

fn reading(n: u8, unit: &str, at: &str, hours: f64) -> Value {
    json!({"id": format!("019a0b5e-7c00-7000-8000-0000000001{n:02}"), "unit_id": unit, "kind": "reading",
           "occurred_at": at, "meter_hours": hours})
}

/// Two units at one site, the one at about 420 hours, the other at about 4230.
fn records() -> Records {
    let mut records = Records::new();
    records.site(SiteId::parse(SITE).unwrap(), &json!({"name": "Depot", "zone": "America/Denver"}));
    for (n, (unit, label, hours)) in [(UNIT, "G-1", 420.0), (OTHER, "G-2", 4228.0)].into_iter().enumerate() {
        let fields = json!({"label": label, "home_site_id": SITE, "fuel": "petrol"});
        records.unit(UnitId::parse(unit).unwrap(), &fields);
        for (day, more) in [(1, 0.0), (2, 0.4), (3, 1.2)] {
            let at = format!("2025-08-0{day}T09:00:00Z");
            records.event(&reading(u8::try_from(n).unwrap() * 10 + day, unit, &at, hours + more));
        }
    }
    records
}

fn checked(records: &Records, event: &Value) -> Value {
    serde_json::to_value(records.check(event).unwrap()).unwrap()
}

#[test]
fn a_reading_that_fits_has_no_warnings() {
    let found = checked(&records(), &reading(50, UNIT, "2025-08-04T09:00:00Z", 423.0));
    assert_eq!(found["warnings"], json!([]));
    assert_eq!(found["meter"]["least_meter_hours"], json!(421.2));
    assert_eq!(found["meter"]["most_meter_hours"], json!(445.3));
    assert_eq!(found["belongs_to"], Value::Null);
}

#[test]
fn a_slip_is_suggested() {
    let found = checked(&records(), &reading(50, UNIT, "2025-08-04T09:00:00Z", 4232.0));
    assert_eq!(found["warnings"][0]["code"], "reading_set_aside");
    assert_eq!(found["warnings"][0]["suggested_meter_hours"], json!(423.2));
}

#[test]
fn a_reading_of_another_unit_of_the_site_is_told() {
    let found = checked(&records(), &reading(50, OTHER, "2025-08-04T09:00:00Z", 421.9));
    assert_eq!(found["warnings"][0]["code"], "reading_set_aside");
    assert_eq!(found["belongs_to"], json!({"unit_id": UNIT, "unit_label": "G-1"}));
}

#[test]
fn what_is_wrong_by_itself_is_said_with_its_place() {
    let mut event = reading(50, UNIT, "2025-08-04T09:00:00Z", 1.0);
    event["meter_hours"] = json!("many");
    event["more"] = json!(1);
    let errors = records().check(&event).unwrap_err();
    let places: Vec<_> = errors.iter().filter_map(|error| error.pointer.as_deref()).collect();
    assert_eq!(places, ["/meter_hours", "/more"]);
    let elsewhere = reading(50, SITE, "2025-08-04T09:00:00Z", 1.0);
    assert_eq!(records().check(&elsewhere).unwrap_err()[0].code, "unknown_id");
}

#[test]
fn who_stores_it_twice_is_told() {
    let mut records = records();
    let stored = |n: u8, day: u8| {
        json!({"id": format!("019a0b5e-7c00-7000-8000-0000000002{n:02}"), "unit_id": UNIT, "kind": "storage",
               "action": "put_in", "occurred_on": format!("2025-09-0{day}")})
    };
    records.event(&stored(1, 1));
    assert_eq!(checked(&records, &stored(2, 2))["warnings"][0]["code"], "already_in_storage");
}

#[test]
fn a_unit_is_not_ready_for_certain_where_something_could_not_be_read() {
    let at = Instant::parse("2025-08-04T09:00:00Z").unwrap();
    let unit = UnitId::parse(UNIT).unwrap();
    let mut records = records();
    let hung = json!({"id": "019a0b5e-7c00-7000-8000-000000000301", "unit_id": UNIT, "kind": "tag", "action": "hung",
                      "tag": "out_of_service", "occurred_at": "2025-08-03T10:00:00Z", "note": "Leaks."});
    let before = serde_json::to_value(records.readiness(unit, at).unwrap()).unwrap();
    assert_eq!(before["readiness"]["verdict"], "unknown");
    records.event(&hung);
    let tagged = serde_json::to_value(records.readiness(unit, at).unwrap()).unwrap();
    assert_eq!(tagged["readiness"]["verdict"], "not_ready", "{tagged}");
    records.event(&json!({"id": "019a0b5e-7c00-7000-8000-000000000302", "unit_id": UNIT, "kind": "fuel", "action": "burned",
                          "occurred_at": "2025-08-03T10:00:00Z"}));
    let told = serde_json::to_value(records.readiness(unit, at).unwrap()).unwrap();
    assert_eq!(told["readiness"]["verdict"], "not_ready");
    assert_eq!(told["unknown_because"][0]["code"], "unreadable");
    let site = serde_json::to_value(records.site_readiness(SiteId::parse(SITE).unwrap(), at)).unwrap();
    assert_eq!(site["units"].as_array().unwrap().len(), 2);
    assert_eq!(site["readiness"]["verdict"], "unknown");
}
