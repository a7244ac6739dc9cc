//! To read what was written of a body gives the body again.

#![allow(clippy::unwrap_used, clippy::panic, reason = "helpers of tests")]

use import::{Cell, Format, Mapping, Records, cells, columns, read};
use model::OrganizationId;
use proptest::prelude::*;
use serde_json::{Map, Value, json};

fn organization() -> OrganizationId {
    OrganizationId::parse("019a0b5e-7c00-7000-8000-000000000001").unwrap()
}

/// A file as an export writes it: guards before texts that look like formulas, all else by the crate `csv`.
fn written(records: Records, bodies: &[Map<String, Value>]) -> Vec<u8> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    writer.write_record(columns(records).iter().map(|column| column.name)).unwrap();
    for body in bodies {
        let guarded = cells(records, body).into_iter().map(|cell| match cell {
            Cell::Empty => String::new(),
            Cell::Number(number) => number,
            Cell::Text(text) if text.starts_with(['=', '+', '-', '@', '\t', '\r', '\'']) => {
                format!("'{text}")
            }
            Cell::Text(text) => text,
        });
        writer.write_record(guarded).unwrap();
    }
    writer.into_inner().unwrap()
}

fn bodies_read(records: Records, format: Format, file: &[u8]) -> Vec<Map<String, Value>> {
    let rows = read(&Mapping::plain(records, format), organization(), file).unwrap();
    rows.map(|row| row.unwrap().wish.unwrap().body).collect()
}

fn text() -> impl Strategy<Value = String> {
    prop_oneof![
        "[^\0]{0,12}",
        "[=+@\t\r\n'\",; a-]{1,6}",
        Just("2026-08-01".to_owned()),
        Just("2026-08-01T06:00:00-06:00".to_owned()),
        Just("231:30".to_owned()),
        Just("true".to_owned()),
        "[a-z_]{1,8}( [a-z_]{1,8})?",
    ]
}

fn number() -> impl Strategy<Value = Value> {
    let text = prop_oneof![
        "-?(0|[1-9][0-9]{0,20})(\\.[0-9]{1,20})?([eE][+-]?[0-9]{1,3})?",
        Just("1.234".to_owned())
    ];
    text.prop_map(|text| Value::Number(text.parse().unwrap()))
}

fn value() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        4 => text().prop_map(Value::from),
        4 => number(),
        2 => any::<bool>().prop_map(Value::from),
        1 => Just(Value::Null),
        2 => prop::collection::vec("[a-z]{1,5}", 0..4).prop_map(Value::from),
        2 => prop::collection::vec("[a-z]{1,5}", 0..4)
            .prop_map(|codes| codes.into_iter().map(|code| json!({"job": code})).collect()),
    ];
    leaf.prop_recursive(2, 8, 3, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..3).prop_map(Value::from),
            prop::collection::btree_map("[^\0]{0,4}|job", inner, 0..3)
                .prop_map(|members| Value::Object(members.into_iter().collect())),
        ]
    })
}

/// Any body at all, but for what names the record: an id is one, and so are those of other systems.
fn body(records: Records) -> impl Strategy<Value = Map<String, Value>> {
    let names: Vec<&str> = columns(records).iter().map(|column| column.name).collect();
    let member = prop_oneof![8 => prop::sample::select(names).prop_map(str::to_owned), 1 => "[^\0]{0,8}"];
    (prop::collection::btree_map(member, value(), 0..12), any::<Option<u128>>(), any::<bool>()).prop_map(
        move |(members, id, elsewhere)| {
            let mut body: Map<String, Value> = members.into_iter().collect();
            body.remove("id");
            if let Some(id) = id.filter(|id| ![0, u128::MAX].contains(id)) {
                body.insert("id".into(), json!(uuid::Uuid::from_u128(id).to_string()));
            }
            body.remove("external_ids");
            if elsewhere && !records.are_events() {
                body.insert("external_ids".into(), json!({"gis": "=GN-0042", "erp": "7"}));
            }
            match records {
                Records::Readings => body.insert("kind".into(), json!("reading")),
                // Something, since a row of which nothing is told is blank.
                _ => body.insert("zone".into(), json!("America/Denver")),
            };
            body
        },
    )
}

fn some() -> impl Strategy<Value = (Records, Vec<Map<String, Value>>)> {
    let all = vec![Records::Sites, Records::Units, Records::ServiceEvents, Records::Readings];
    prop::sample::select(all)
        .prop_flat_map(|records| (Just(records), prop::collection::vec(body(records), 0..5)))
}

proptest! {
    #[test]
    fn bodies_come_back_from_their_cells((records, bodies) in some()) {
        let file = written(records, &bodies);
        let found = bodies_read(records, Format::Csv, &file);
        prop_assert_eq!(&found, &bodies);
        prop_assert_eq!(written(records, &found), file);
    }

    #[test]
    fn any_bytes_are_read_to_their_end(
        bytes in prop::collection::vec(any::<u8>(), 0..300),
        csv in any::<bool>(),
        encoding in prop::sample::select(vec!["utf-8", "utf-16le", "windows-1252", "shift_jis", "gb18030"]),
    ) {
        let mapping = json!({"records": "units", "format": if csv { "csv" } else { "ndjson" },
            "encoding": encoding, "ignore": ["*"], "columns": {"a": "label"}});
        let mapping = Mapping::parse(mapping.to_string().as_bytes()).unwrap();
        let mut file = if csv { b"a,b\n".to_vec() } else { Vec::new() };
        file.extend(&bytes);
        if let Ok(rows) = read(&mapping, organization(), &file[..]) {
            let lines: Vec<u64> = rows.map(|row| row.unwrap().line).collect();
            prop_assert!(lines.is_sorted_by(|a, b| a < b), "{lines:?}");
        }
    }

    #[test]
    fn any_cells_are_read_or_complained_of(
        cells in prop::collection::vec(text(), columns(Records::ServiceEvents).len()),
    ) {
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(columns(Records::ServiceEvents).iter().map(|column| column.name)).unwrap();
        writer.write_record(&cells).unwrap();
        let file = writer.into_inner().unwrap();
        for row in read(&Mapping::plain(Records::ServiceEvents, Format::Csv), organization(), &file[..]).unwrap() {
            let row = row.unwrap();
            prop_assert_eq!(row.line, 2);
            if let Err(complaints) = row.wish {
                prop_assert!(complaints.iter().all(|complaint| complaint.column.is_some() && complaint.line == 2));
            }
        }
    }
}

#[test]
fn what_has_a_column_stands_in_it() {
    let body = json!({"kind": "service", "jobs": [{"job": "oil_change"}, {"job": "air_filter"}], "meter_hours": 231.5,
        "note": "=1", "feature": {"fitted": true}, "colour": "red"});
    let found = cells(Records::ServiceEvents, body.as_object().unwrap());
    let names = columns(Records::ServiceEvents).iter().map(|column| column.name);
    let told: Vec<(&str, Cell)> = names.zip(found).filter(|(_, cell)| *cell != Cell::Empty).collect();
    let text = |text: &str| Cell::Text(text.to_owned());
    let expected = [
        ("kind", text("service")),
        ("meter_hours", Cell::Number("231.5".to_owned())),
        ("jobs", text("oil_change air_filter")),
        ("feature", text(r#"{"fitted":true}"#)),
        ("note", text("=1")),
        ("details", text(r#"{"colour":"red"}"#)),
    ];
    assert_eq!(told, expected);

    // One job of which more is told: all of them as they are.
    let body = json!({"jobs": [{"job": "oil_change"}, {"job": "air_filter", "result": "skipped"}]});
    let found = cells(Records::ServiceEvents, body.as_object().unwrap());
    assert_eq!(found.last(), Some(&Cell::Text(body.to_string())));
}
