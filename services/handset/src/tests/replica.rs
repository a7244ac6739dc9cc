//! Taking answers: results, changes and the cursor.

use super::*;

fn texts(bench: &mut Bench, kind: &str) -> Vec<String> {
    bench.handset().told(kind).unwrap().into_iter().map(|record| record.text).collect()
}

#[test]
fn a_page_is_taken_whole() {
    let mut bench = Bench::new();
    let synced = bench.told(answer(json!([]), json!([depot(), pump(1)])));
    assert_eq!((synced.ended, synced.changes), (Ended::Done, 2));
    // Byte for byte as it was told.
    assert_eq!(texts(&mut bench, "unit"), [pump(1)["record"].to_string()]);
    let device = bench.handset().device().unwrap();
    assert_eq!((device.cursor.as_deref(), device.more), (Some("a cursor"), false));
    assert_eq!((device.offset_micros, device.limits.edits), (Some(-118_240_000), 1000));
    assert!(device.clock >= Stamp::parse("06GPPHI4BG0000000000").unwrap().clock);
    // The next one goes on from there.
    bench.told(answer(json!([]), json!([pump(2)])));
    assert_eq!(bench.asked().0["cursor"], "a cursor");
}

/// One change of a page cannot be read: nothing of it is there, its cursor least of all, and it is asked for again.
#[test]
fn a_page_that_cannot_be_taken_leaves_no_trace() {
    let mut bench = Bench::new();
    let id = bench.reading(5.0);
    let broken = json!({"change": "record", "kind": "unit", "id": UNIT});
    bench.says(200, answer(json!([result(&id, "applied")]), json!([depot(), broken])));
    // Fewer results than edits are no answer either.
    bench.says(200, answer(json!([]), json!([depot()])));
    assert_eq!(bench.sync().ended, Ended::Update);
    assert_eq!((texts(&mut bench, "site"), bench.states()), (Vec::<String>::new(), vec!["queued"]));
    assert_eq!(bench.handset().device().unwrap().cursor, None);
}

#[test]
fn each_result_has_its_state() {
    let cases = [
        ("applied", "applied"),
        ("already_applied", "applied"),
        ("contested", "contested"),
        ("parked", "parked"),
        ("held", "held"),
        ("refused", "refused"),
        // A word of a newer service is not the last one.
        ("pondered", "parked"),
        ("", "parked"),
    ];
    for (word, state) in cases {
        let mut bench = Bench::new();
        let id = bench.reading(5.0);
        bench.says(200, answer(json!([result(&id, word)]), json!([])));
        if ["parked", "held"].contains(&state) {
            // It is offered once more, as far as anything is.
            bench.says(200, answer(json!([result(&id, word)]), json!([])));
        }
        assert_eq!(bench.sync().ended, Ended::Done, "{word}");
        assert_eq!(bench.states(), [state], "{word}");
        let kept = bench.handset().queue().unwrap()[0].result.clone().unwrap();
        assert_eq!(kept, result(&id, word).to_string());
    }
}

/// An event of one's own becomes what others are told: with its id, its author, and when it was recorded.
#[test]
fn an_echo_of_an_event() {
    let mut bench = Bench::new();
    let id = bench.reading(5.5);
    let changes = json!([depot(), pump(1), echo("service_event", &id, &[(&id, 1)])]);
    bench.told(answer(json!([result(&id, "applied")]), changes));
    let expected = json!({"author": person(), "id": id, "kind": "reading", "meter_hours": 5.5,
        "occurred_at": "2026-11-02T15:10:00-07:00", "recorded_at": "2026-11-03T15:00:01Z", "unit_id": UNIT});
    assert_eq!(texts(&mut bench, "service_event"), [expected.to_string()]);
}

/// An edit of fields is done to a copy that is at the version before, and to no other.
#[test]
fn an_echo_of_fields() {
    let cases = [(1, 2, 2, "Pump 2"), (1, 3, 1, "Pump 1"), (2, 2, 2, "Pump 1")];
    for (has, echoed, then, label) in cases {
        let mut bench = Bench::new();
        bench.told(answer(json!([]), json!([pump(has)])));
        let id = bench.set(json!({"label": "Pump 2", "rated_kw": null, "external_ids": {"gis": "7"}}));
        bench.told(answer(json!([result(&id, "applied")]), json!([echo("unit", UNIT, &[(&id, echoed)])])));
        let copy = crate::RecordCopy::read(&texts(&mut bench, "unit")[0]).unwrap();
        assert_eq!((copy.version, copy.fields["label"].as_str()), (then, Some(label)), "{has} {echoed}");
        if label == "Pump 2" {
            let edit: Value = serde_json::from_str(&bench.handset().queue().unwrap()[0].text).unwrap();
            let named = json!({"edit": id, "raw": edit["stamp"]});
            let first = &pump(1)["record"]["stamp"];
            let stamps = json!({"fuel": first, "home_site_id": first, "rated_kw": named});
            let told: Value = serde_json::from_str(&texts(&mut bench, "unit")[0]).unwrap();
            assert_eq!((&told["stamp"], &told["stamps"]), (&named, &stamps));
            assert_eq!(told["fields"]["external_ids/gis"], "7");
            assert_eq!(told["fields"].get("rated_kw"), None);
        }
    }
}

/// An echo of what was never written here: somebody else counts as this handset.
#[test]
fn an_echo_of_a_strangers_edit() {
    let mut bench = Bench::new();
    let own = bench.reading(5.0);
    bench.told(answer(json!([result(&own, "applied")]), json!([pump(1)])));
    let stranger = "01990593-db00-7fff-812e-570f80052a99";
    bench.says(200, answer(json!([]), json!([echo("unit", UNIT, &[(stranger, 2)]), pump(3)])));
    // It begins afresh, with all that it wrote.
    bench.says(200, answer(json!([result(&own, "already_applied")]), json!([pump(3)])));
    let synced = bench.sync();
    assert_eq!(synced.ended, Ended::NeedsCode(CodeFor::Forked));
    let (asked, edits) = bench.asked();
    assert_eq!((asked.get("cursor"), edits), (None, vec![own]));
    assert!(bench.handset().device().unwrap().forked);
    assert_eq!(bench.states(), ["applied"]);
}

#[test]
fn what_is_out_of_sight_is_dropped_with_its_events() {
    let mut bench = Bench::new();
    let id = bench.reading(5.5);
    let changes = json!([depot(), pump(1), echo("service_event", &id, &[(&id, 1)])]);
    bench.told(answer(json!([result(&id, "applied")]), changes));
    bench.told(answer(json!([]), json!([{"change": "forget", "kind": "unit", "id": UNIT}])));
    assert_eq!(texts(&mut bench, "unit"), Vec::<String>::new());
    assert_eq!(texts(&mut bench, "service_event"), Vec::<String>::new());
    assert_eq!(texts(&mut bench, "site").len(), 1);
    assert_eq!(bench.states(), ["applied"]);
}

/// What only a newer program knows is passed over, or kept as it came.
#[test]
fn what_is_newer_is_no_error() {
    let mut bench = Bench::new();
    let mut other = pump(1);
    other["id"] = json!(SITE);
    other["record"] = json!({"registers": [1]});
    let changes =
        json!([{"change": "merged", "into": UNIT}, record("gauge", UNIT, 1, json!({})), other, pump(1)]);
    assert_eq!(bench.told(answer(json!([]), changes)).ended, Ended::Done);
    assert_eq!(texts(&mut bench, "gauge").len(), 1);
    let mut newer = answer(json!([]), json!([]));
    newer["pull"] = json!({"status": "upgrade", "reason": "too_old"});
    newer["cursor"] = json!("another cursor");
    assert_eq!(bench.told(newer).ended, Ended::Update);
    assert_eq!(bench.handset().device().unwrap().cursor.as_deref(), Some("a cursor"));
}

/// Whom the service asks for a newer program sends all that waits first, and asks for no changes meanwhile.
#[test]
fn who_is_too_old_sends_what_waits() {
    let mut bench = Bench::new();
    let limited = |results: Value| {
        let mut answer = answer(results, json!([]));
        answer["limits"]["edits"] = json!(1);
        answer
    };
    bench.told(limited(json!([])));
    bench.wire.asked.clear();
    let ids = [5.0, 6.0, 7.0].map(|hours| bench.reading(hours));
    for id in &ids {
        let mut too_old = limited(json!([result(id, "applied")]));
        too_old["pull"] = json!({"status": "upgrade", "reason": "too_old"});
        bench.says(200, too_old);
    }
    assert_eq!(bench.sync().ended, Ended::Update);
    assert_eq!(bench.states(), ["applied"; 3]);
    let sent: Vec<&Value> = bench.wire.asked.iter().map(|(_, body)| &body["edits"][0]["id"]).collect();
    assert_eq!(sent, ids.each_ref());
    assert_eq!(bench.wire.asked.last().unwrap().1["pull"], false);
}

/// A fingerprint counts a unit where it stands, also where the service put the time of its placement right: of two, the later
/// one by the times that count is the last.
#[test]
fn a_placement_counts_when_it_happened() {
    const MILL: &str = "01990593-db00-7ca4-b9f8-c1a4abbbe208";
    let placed = |id: &str, site: &str, at: &str, counts: Option<&str>| {
        let mut placed = json!({"id": id, "unit_id": UNIT, "kind": "placement", "site_id": site, "occurred_at": at,
            "occurred_source": "clock", "author": person(), "recorded_at": "2026-11-03T15:00:00Z"});
        if let Some(counts) = counts {
            placed["happened_at"] = json!(counts);
        }
        json!({"change": "record", "kind": "service_event", "id": id, "unit_id": UNIT, "record": placed})
    };
    let home = placed("01990593-db00-7e00-8000-000000000001", SITE, "2026-11-02T09:00:00Z", None);
    let away =
        |at: &str| placed("01990593-db00-7e00-8000-000000000002", MILL, "2026-11-02T08:59:00Z", Some(at));
    for (happened_at, is_away) in [("2026-11-02T10:59:00Z", true), ("2026-11-02T08:00:00Z", false)] {
        let mut bench = Bench::new();
        bench.told(answer(json!([]), json!([depot(), pump(1), home, away(happened_at)])));
        let covered = bench.handset().0.look(crate::fingerprint::covered).unwrap();
        let mill = model::SiteId::parse(MILL).unwrap();
        assert_eq!(covered.contains_key(&mill), is_away, "{happened_at}");
    }
}
