//! What becomes of rows.

use blackbox::{Backend, World, none_failed, on_both, service, world::id_of};
use serde_json::json;

use super::{counts, import, plain, told, wanted};

on_both!(
    a_fleet_comes_in_and_comes_again,
    a_dry_run_writes_nothing,
    all_rows_or_none,
    names_are_found_or_told,
    columns_that_are_not_there_change_nothing,
    an_id_that_went_to_another_record_takes_no_record_over,
    rows_without_ids_are_known_again,
);

const SITES: &str =
    "external_id:gis,name,zone\r\nST-1,North Depot,America/Denver\r\nST-2,South Depot,America/Denver\r\n";

const UNITS: &str = "external_id:gis,label,home_site_external_id,fuel,rated_kw,features,note\r\n\
    GN-1,N-1,ST-1,petrol,5.5,spark_arrester,\"behind the shed\r\nleft\"\r\n\
    GN-2,N-2,ST-1,diesel,20,,\r\n\
    GN-3,S-1,ST-2,propane,7.5,,'=1+1\r\n";

const EVENTS: &str = "unit,kind,occurred_at,meter_hours,site,external_id,jobs\r\n\
    N-1,commissioning,2026-01-10T10:00:00-07:00,0,North Depot,C-1,\r\n\
    N-1,reading,2026-02-10T10:00:00-07:00,12.5,,,\r\n\
    N-1,service,2026-03-10T10:00:00-07:00,20.1,,W-9,oil_change\r\n";

fn a_fleet_comes_in_and_comes_again(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let sites = wanted(json!({"records": "sites"}));
    let units = wanted(json!({"records": "units", "system": "gis"}));
    let events = wanted(json!({"records": "service_events", "system": "work_orders"}));
    let mut failures = Vec::new();
    for (round, expected) in [
        ("first", [[2, 0, 0, 0, 0], [3, 0, 0, 0, 0], [3, 0, 0, 0, 0]]),
        ("again", [[0, 0, 2, 0, 0], [0, 0, 3, 0, 0], [0, 0, 0, 3, 0]]),
    ] {
        let before = world.database.log_rows();
        for ((wanted, file), expected) in
            [(&sites, SITES), (&units, UNITS), (&events, EVENTS)].into_iter().zip(expected)
        {
            let mut wanted = wanted.clone();
            wanted["id"] = json!(blackbox::world::new_id());
            let (found, rows) = import(client, wanted, file);
            if found["state"] != "done"
                || counts(&found) != expected
                || found["rows_read"] != found["rows_total"]
            {
                failures.push(format!("{round}: {found} {rows:?}"));
            }
        }
        if round == "again" {
            assert_eq!(world.database.log_rows(), before, "nothing is written twice");
        }
    }
    none_failed(&failures);
    let unit = client.all("/v1/units?external_system=gis&external_id=GN-1", 10);
    assert_eq!(unit[0]["note"], "behind the shed\r\nleft");
    assert_eq!(unit[0]["features"], json!(["spark_arrester"]));
    let third = client.all("/v1/units?external_system=gis&external_id=GN-3", 10);
    assert_eq!(third[0]["note"], "=1+1");
    let hours = client.get(&format!("/v1/units/{}/hours", id_of(&unit[0]))).expect(200).json();
    assert_eq!(hours["readings"].as_array().map(Vec::len), Some(3), "{hours}");
    service::is_clean(&world.database);
}

fn a_dry_run_writes_nothing(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let rows_before = world.database.log_rows();
    let mut dry = wanted(plain("sites"));
    dry["dry_run"] = json!(true);
    let file = format!("{SITES}ST-1,Twice,UTC\r\nST-3,,UTC\r\nST-4,Nowhere,Mars/Base\r\n");
    let (found, rows) = import(client, dry.clone(), &file);
    assert_eq!((found["state"].as_str(), counts(&found)), (Some("done"), [2, 0, 0, 0, 3]), "{rows:?}");
    assert_eq!(
        told(&rows),
        [
            (4, String::new(), "repeated_in_file".to_owned()),
            (5, "name".to_owned(), "required".to_owned()),
            (6, "zone".to_owned(), "unknown_zone".to_owned())
        ]
    );
    assert_eq!(world.database.log_rows(), rows_before);
    // It is written without being sent again.
    let path = format!("/v1/imports/{}/apply", found["id"].as_str().unwrap());
    let applied = client.post(&path, &json!({})).expect(201);
    let applied = super::ended(client, applied.header("location"));
    assert_eq!((applied["state"].as_str(), counts(&applied)), (Some("done"), [2, 0, 0, 0, 3]), "{applied}");
    assert_eq!(applied["applies"], found["id"]);
    client
        .post(&format!("/v1/imports/{}/apply", applied["id"].as_str().unwrap()), &json!({}))
        .problem(409, "wrong_state");
}

fn all_rows_or_none(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let rows_before = world.database.log_rows();
    let mut all = wanted(plain("sites"));
    all["on_error"] = json!("refuse_all");
    for (bad, code) in [
        ("ST-3,,UTC\r\n", "required"),
        ("ST-1,Twice,UTC\r\n", "repeated_in_file"),
        ("a,b\r\n", "wrong_cell_count"),
    ] {
        all["id"] = json!(blackbox::world::new_id());
        let (found, rows) = import(client, all.clone(), &format!("{SITES}{bad}"));
        assert_eq!(
            (found["state"].as_str(), counts(&found)),
            (Some("refused"), [0, 0, 0, 0, 1]),
            "{found} {rows:?}"
        );
        assert_eq!(rows.iter().map(|row| row["code"].as_str().unwrap()).collect::<Vec<_>>(), [code]);
    }
    assert_eq!(world.database.log_rows(), rows_before);
    // What only the store can see refuses all of them, too.
    client
        .post("/v1/sites", &json!({"name": "Other", "zone": "UTC", "external_ids": {"gis": "ST-7"}}))
        .expect(201);
    let file =
        "id,name,zone,external_id:gis\r\n,A,UTC,ST-8\r\n019a0b5e-7c00-7000-8000-00000000abcd,B,UTC,ST-7\r\n";
    all["id"] = json!(blackbox::world::new_id());
    let rows_before = world.database.log_rows();
    let (found, rows) = import(client, all.clone(), file);
    assert_eq!(
        (found["state"].as_str(), counts(&found)),
        (Some("refused"), [0, 0, 0, 0, 1]),
        "{found} {rows:?}"
    );
    assert_eq!(told(&rows), [(3, "external_id:gis".to_owned(), "external_id_taken".to_owned())]);
    // A dry run tells of every row that would be refused, whoever refuses it.
    let mut dry = all.clone();
    (dry["id"], dry["dry_run"]) = (json!(blackbox::world::new_id()), json!(true));
    let (found, rows) = import(client, dry, &format!("{file},,UTC,ST-9\r\n"));
    assert_eq!(
        (found["state"].as_str(), counts(&found)),
        (Some("refused"), [0, 0, 0, 0, 2]),
        "{found} {rows:?}"
    );
    assert_eq!(rows.len(), 2, "{rows:?}");
    assert_eq!(world.database.log_rows(), rows_before);
    all["id"] = json!(blackbox::world::new_id());
    let (found, _) = import(client, all, SITES);
    assert_eq!((found["state"].as_str(), counts(&found)), (Some("done"), [2, 0, 0, 0, 0]), "{found}");
}

fn names_are_found_or_told(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    for name in ["North Depot", "Twin", "Twin"] {
        client.post("/v1/sites", &json!({"name": name, "zone": "UTC"})).expect(201);
    }
    let file = "label,home_site,fuel,home_site_external_id\r\n\
        U-1,North Depot,petrol,\r\nU-2,North Depott,petrol,\r\nU-3,Twin,petrol,\r\nU-4,,petrol,ST-9\r\n";
    let (found, rows) = import(client, wanted(json!({"records": "units", "system": "gis"})), file);
    assert_eq!(counts(&found), [1, 0, 0, 0, 3], "{found} {rows:?}");
    assert_eq!(
        told(&rows),
        [
            (3, "home_site".to_owned(), "not_found".to_owned()),
            (4, "home_site".to_owned(), "ambiguous_name".to_owned()),
            (5, "home_site_external_id".to_owned(), "not_found".to_owned())
        ]
    );
    assert_eq!(rows[0]["suggestion"], "North Depot");
}

fn columns_that_are_not_there_change_nothing(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    import(client, wanted(plain("sites")), SITES);
    let units = json!({"records": "units", "system": "gis"});
    import(client, wanted(units.clone()), UNITS);
    let (found, rows) =
        import(client, wanted(units), "external_id,rated_kw,note,label\r\nGN-1,6,,N-1\r\nGN-2,20,,\r\n");
    assert_eq!(counts(&found), [0, 1, 1, 0, 0], "{found} {rows:?}");
    let unit = client.all("/v1/units?external_system=gis&external_id=GN-1", 10).remove(0);
    assert_eq!((&unit["rated_kw"], &unit["note"]), (&json!(6), &json!("behind the shed\r\nleft")));
    service::is_clean(&world.database);
}

/// A record keeps the id of its own that followed from its first number, also once it has another number: a new set under the
/// old number must not be written over it.
fn an_id_that_went_to_another_record_takes_no_record_over(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let wanted = || json!({"mapping": {"records": "sites", "system": "list"}});
    let file = "external_id,name,zone\r\nA,Yard,UTC\r\n";
    assert_eq!(counts(&import(client, wanted(), file).0), [1, 0, 0, 0, 0]);
    let found = client.get("/v1/sites?external_system=list&external_id=A").expect(200).json();
    let path = format!("/v1/sites/{}", found["items"][0]["id"].as_str().unwrap());
    let etag = client.get(&path).expect(200).etag();
    client.patch(&path, &etag, &json!({"external_ids": {"list": "B"}})).expect(200);
    let (again, rows) = import(client, wanted(), "external_id,name,zone\r\nA,Quay,UTC\r\n");
    assert_eq!(counts(&again), [0, 0, 0, 0, 1]);
    assert_eq!(told(&rows)[0].2, "external_id_moved");
    let site = client.get(&path).expect(200).json();
    assert_eq!((&site["name"], &site["external_ids"]["list"]), (&json!("Yard"), &json!("B")));
}

fn rows_without_ids_are_known_again(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let file =
        |note: &str| format!("label,home_site_id,fuel,note\r\nA-1,{},petrol,{note}\r\n", town.sites[0]);
    for (note, expected) in
        [("first", [1, 0, 0, 0, 0]), ("first", [0, 0, 1, 0, 0]), ("second", [0, 1, 0, 0, 0])]
    {
        let (found, rows) = import(client, wanted(plain("units")), &file(note));
        assert_eq!(counts(&found), expected, "{note}: {rows:?}");
    }
    let twice = file("x") + file("y").split_once("\r\n").unwrap().1;
    let (found, rows) = import(client, wanted(plain("units")), &twice);
    assert_eq!(
        (counts(&found), told(&rows)),
        ([0, 1, 0, 0, 1], vec![(3, String::new(), "repeated_in_file".to_owned())])
    );
    let units = client.all("/v1/units", 100);
    assert_eq!(
        units.iter().filter(|unit| unit["label"] == "A-1").map(|unit| &unit["note"]).collect::<Vec<_>>(),
        ["x"]
    );
}
