//! What the service answers beside what is due: whether a unit is ready, how long it lasts, what an outage takes. The worked
//! examples of `tests/vectors/standby` are asked over HTTP, of units that are recorded as people record them.

mod outages;
mod refused;
mod unit;

use blackbox::{Client, Town, World, service, world::id_of};
use serde_json::{Value, json};

/// When a day of NEEDS.md B01 and B03 begins for the service.
const STORM: &str = "2025-08-01T18:00:00-06:00";

/// The set U7 at fire station 3 of the worked examples: what it burns at 0, 25, 50, 75 and 100 % of 5.5 kW.
fn u7(site: &str) -> Value {
    let point = |percent: f64, rate: f64| json!({"load_percent": percent, "litres_per_hour": rate});
    json!({"label": "U7", "home_site_id": site, "fuel": "petrol", "rated_kw": 5.5, "ignition": "spark", "electric_start": true,
        "tank_litres": 24, "reserve_litres": 4.8, "battery_volts": 12, "battery_chemistry": "wet",
        "oil_litres": 0.6, "oil_litres_per_hour": 0.02, "oil_check_hours": 8,
        "burn_curve": [point(0.0, 0.7), point(25.0, 1.2), point(50.0, 1.9), point(75.0, 2.5), point(100.0, 3.2)]})
}

/// Its schedule: oil each 100 hours, the air filter each 50.
fn edition() -> Value {
    let part = |part: &str| json!([{"part": part, "quantity": 1, "unit": "pieces"}]);
    json!({"edition": "S", "effective_from": "2020-01-01", "source": "invented for the worked examples", "tasks": [
        {"task": "oil_change", "job": "oil_change", "title": "Change the oil", "limits": {"hours": 100, "months": 6},
         "tolerance": {"hours": 10}, "parts": part("oil filter")},
        {"task": "air_filter", "job": "air_filter", "title": "Change the air filter", "limits": {"hours": 50},
         "parts": part("air filter")},
    ]})
}

/// A town at that time with U7 in service: oil changed at 140.0 h, the air filter at 190.0 h, the meter read at 212.4 h.
struct Storm {
    town: Town,
    unit: String,
}

impl Storm {
    fn new(world: &World) -> Self {
        let storm = Self::unused(world);
        storm.begin();
        storm
    }

    /// The same before anything happened to U7.
    fn unused(world: &World) -> Self {
        let mut town = world.town();
        let path = format!("/v1/schedules/{}/editions", town.schedule);
        town.edition = id_of(&town.coordinator().post(&path, &edition()).expect(201).json());
        let site = format!("/v1/sites/{}", town.sites[0]);
        let etag = town.coordinator().get(&site).expect(200).etag();
        town.coordinator()
            .patch(&site, &etag, &json!({"elevation_metres": 1600, "needs_hours": 72}))
            .expect(200);
        let unit = id_of(&town.coordinator().post("/v1/units", &u7(&town.sites[0])).expect(201).json());
        Self { town, unit }
    }

    fn begin(&self) {
        let storm = self;
        storm.told(
            "2025-01-02T09:00:00-07:00",
            json!({"kind": "commissioning", "site_id": storm.town.sites[0], "meter_hours": 120}),
        );
        storm.told("2025-01-02T09:00:00-07:00", storm.town.adoption());
        let service =
            |job: &str, meter: f64| json!({"kind": "service", "jobs": [{"job": job}], "meter_hours": meter});
        storm.told("2025-03-10T09:00:00-06:00", service("oil_change", 140.0));
        storm.told("2025-05-20T09:00:00-06:00", service("air_filter", 190.0));
        storm.told("2025-08-01T06:00:00-06:00", json!({"kind": "reading", "meter_hours": 212.4}));
    }

    /// Another schedule of the town, which nobody follows, names the job of looking at the oil.
    fn schedule_with_checks(&self) {
        let schedule = json!({"title": "Log sheet", "publisher": "Tarn Valley", "basis": "common_practice"});
        let schedule = id_of(&self.client().post("/v1/schedules", &schedule).expect(201).json());
        let edition = json!({"edition": "L", "effective_from": "2020-01-01", "source": "invented", "tasks": [
            {"task": "oil_check", "job": "oil_check", "title": "Look at the oil", "limits": {"hours": 8}}]});
        self.client().post(&format!("/v1/schedules/{schedule}/editions"), &edition).expect(201);
    }

    fn client(&self) -> &Client {
        self.town.coordinator()
    }

    fn told(&self, at: &str, event: Value) -> Value {
        self.town.happened(&self.unit, at, event)
    }

    fn ask(&self, question: &str) -> Value {
        self.client().get(&format!("/v1/units/{}/{question}", self.unit)).expect(200).json()
    }

    fn ask_site(&self, question: &str) -> Value {
        self.client().get(&format!("/v1/sites/{}/{question}", self.town.sites[0])).expect(200).json()
    }
}

/// The case of that name in a file of worked examples.
fn worked(file: &str, section: &str, name: &str) -> Value {
    let file = service::root().join(format!("tests/vectors/standby/{file}.json"));
    let all: Value = serde_json::from_slice(&std::fs::read(file).unwrap()).unwrap();
    let cases = all[section].as_array().unwrap();
    cases.iter().find(|case| case["name"] == name).unwrap_or_else(|| panic!("no {name}")).clone()
}

/// What of an answer differs from what is expected of it; members that nothing is expected of may be anything.
fn differs(at: &str, answer: &Value, expected: &Value) -> Vec<String> {
    match (answer, expected) {
        (Value::Object(found), Value::Object(wanted)) => wanted
            .iter()
            .flat_map(|(name, wanted)| {
                differs(&format!("{at}/{name}"), found.get(name).unwrap_or(&Value::Null), wanted)
            })
            .collect(),
        (Value::Array(found), Value::Array(wanted)) if found.len() == wanted.len() => {
            let pairs = found.iter().zip(wanted).enumerate();
            pairs
                .flat_map(|(place, (found, wanted))| differs(&format!("{at}/{place}"), found, wanted))
                .collect()
        }
        (Value::Number(found), Value::Number(wanted)) if found.as_f64() == wanted.as_f64() => Vec::new(),
        (found, wanted) if found == wanted => Vec::new(),
        (found, wanted) => vec![format!("{at}: {found} is not {wanted}")],
    }
}

fn codes(list: &Value, name: &str) -> Vec<String> {
    list.as_array().unwrap().iter().map(|entry| entry[name].as_str().unwrap().to_owned()).collect()
}
