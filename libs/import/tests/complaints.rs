//! The errors of a body are told about the columns of its row.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

use import::{Complaint, Key, Mapping, Wish, nearest, read};
use model::{
    EventId, OrganizationId,
    event::ServiceEvent,
    read::{FieldError, Mode, whole},
    unit::UnitFields,
};
use serde_json::{Value, json};

fn wish(mapping: &Value, file: &str) -> Wish {
    let organization = OrganizationId::parse("019a0b5e-7c00-7000-8000-000000000001").unwrap();
    let mapping = Mapping::parse(mapping.to_string().as_bytes()).unwrap();
    read(&mapping, organization, file.as_bytes()).unwrap().next().unwrap().unwrap().wish.unwrap()
}

fn told(complaints: &[Complaint]) -> Value {
    complaints.iter().map(|c| json!([c.line, c.column, c.code, c.suggestion])).collect()
}

/// What `model` says of the fields of a unit, as the API reads them.
fn errors_of_unit(wish: &Wish) -> Vec<FieldError> {
    let mut fields = wish.body.clone();
    fields.remove("external_ids");
    whole(&Value::Object(fields), Mode::New, UnitFields::read).unwrap_err()
}

#[test]
fn errors_of_a_unit_lead_to_its_columns() {
    let mapping = json!({"records": "units", "system": "gis", "constants": {"battery_volts": 5000},
        "columns": {"Name": "label", "Site": "home_site", "Fuel": "fuel", "kW": "rated_kw", "Fitted": "features",
            "Rest": "details", "No.": "external_id"}});
    let file = "Name,Site,Fuel,kW,Fitted,No.,Rest\n,Works yard,Diesle,-5,spark_arrester NO,7,\"{\"\"color\"\":1}\"\n";
    let wish = wish(&mapping, file);
    let expected = json!([
        [2, "Name", "required", null],
        [2, "Site", "required", null],
        [2, "Fuel", "unknown_word", "diesel"],
        [2, "kW", "out_of_range", null],
        [2, null, "out_of_range", null],
        [2, "Fitted", "invalid_code", null],
        [2, "Rest", "unknown_member", null],
    ]);
    let complaints = wish.complain(&errors_of_unit(&wish));
    assert_eq!(told(&complaints), expected);
    assert!(complaints[4].detail.starts_with("battery_volts: "), "{}", complaints[4].detail);

    let nested =
        FieldError::at("/external_ids/gis", model::read::Flaw::new("taken", "Another unit has this id."));
    assert_eq!(told(&wish.complain(&[nested])), json!([[2, "No.", "taken", null]]));
}

#[test]
fn a_member_that_no_column_gives_is_named_in_the_detail() {
    let wish = wish(&json!({"records": "units"}), "label,details\na,\"{\"\"color\"\":1}\"\n");
    let complaints = wish.complain(&errors_of_unit(&wish));
    let expected = json!([
        [2, null, "required", null],
        [2, null, "required", null],
        [2, "details", "unknown_member", null]
    ]);
    assert_eq!(told(&complaints), expected);
    assert_eq!(complaints[1].detail, "fuel: This member is missing.");
}

#[test]
fn a_day_read_from_the_column_of_a_time_leads_back_to_it() {
    let mapping = json!({"records": "readings", "columns": {"Unit": "unit_id", "When": "occurred_at", "Hours": "meter_hours"}});
    let mut wish =
        wish(&mapping, "Unit;When;Hours\n019a0b5e-7c00-7000-8000-000000000002;1969-12-31;231:70\n");
    wish.finish();
    let errors = whole(&Value::Object(wish.body.clone()), Mode::New, ServiceEvent::read).unwrap_err();
    let expected = json!([[2, "When", "out_of_range", null], [2, "Hours", "invalid_hours", null]]);
    assert_eq!(told(&wish.complain(&errors)), expected);
}

#[test]
fn members_of_an_object_are_their_own_columns() {
    let mapping = json!({"records": "units", "format": "ndjson", "columns": {"kW": "rated_kw", "Name": "label", "s": "home_site"}});
    let wish = wish(&mapping, "{\"kW\":-5,\"Name\":\"a\",\"s\":\"x\"}\n");
    let expected =
        json!([[1, "s", "required", null], [1, null, "required", null], [1, "kW", "out_of_range", null]]);
    assert_eq!(told(&wish.complain(&errors_of_unit(&wish))), expected);
}

#[test]
fn an_event_is_complete_once_its_names_are_found() {
    let file = "unit,occurred_at,meter_hours\nFS3-1,2026-08-01,231.5\n";
    let reading = |unit: &str| {
        let mut wish = wish(&json!({"records": "readings"}), file);
        assert_eq!(wish.key, None);
        wish.put(wish.names[0].member, unit.parse().unwrap());
        wish.finish();
        let event = whole(&Value::Object(wish.body.clone()), Mode::New, ServiceEvent::read).unwrap();
        assert_eq!(wish.key, Some(Key::Id(event.id.uuid())));
        event.id
    };
    let (one, other) = ("019a0b5e-7c00-7000-8000-000000000002", "019a0b5e-7c00-7000-8000-000000000003");
    assert_eq!(reading(one), reading(one));
    assert_ne!(reading(one), reading(other));
    assert_eq!(reading(one).uuid().get_version_num(), 8);
    assert!(EventId::parse(&reading(one).to_string()).is_ok());
}

#[test]
fn a_name_that_stands_for_nothing_is_told_with_what_is_like_it() {
    let wish = wish(&json!({"records": "units"}), "label,home_site\na,Fire Staton 3\n");
    let sites = ["Works yard", "Fire Station 2", "Fire Station 3"];
    let meant = nearest("Fire Staton 3", sites).map(str::to_owned);
    let complaint = wish.doubt(&wish.names[0], "unknown_site", "No site has this name.", meant);
    assert_eq!(told(&[complaint]), json!([[2, "home_site", "unknown_site", "Fire Station 3"]]));
    assert_eq!(nearest("Tarn", sites), None);
}
