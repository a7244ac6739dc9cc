use serde_json::json;

use super::*;

const HANDSET: &str = "019a0b5e-7c00-7000-8000-00000000000a";
const EDIT: &str = "019a0b5e-7c00-7000-8000-000000000001";
const OTHER: &str = "019a0b5e-7c00-7000-8000-000000000002";
const STAMP: &str = "06GJPNV0000000000000";

fn request(more: Value) -> Value {
    with(json!({"handset": HANDSET, "clock": "2026-08-01T06:00:00-06:00"}), more)
}

fn event(more: Value) -> Value {
    let edit = json!({"id": EDIT, "format": 1, "number": 7, "stamp": STAMP, "kind": "service_event",
        "action": "create", "body": {"kind": "reading", "meter_hours": 231.50}});
    with(edit, more)
}

fn set(more: Value) -> Value {
    let base = json!({"label": [{"raw": STAMP, "edit": OTHER}], "maker": []});
    let set = json!({"kind": "unit", "action": "set", "record_id": OTHER, "body": {"label": "FS3-1"}, "base": base});
    with(with(event(json!({})), set), more)
}

/// `value` with the members of `more`; null takes one out.
fn with(mut value: Value, more: Value) -> Value {
    for (name, member) in more.as_object().unwrap() {
        match member {
            Value::Null => value.as_object_mut().unwrap().remove(name),
            member => value.as_object_mut().unwrap().insert(name.clone(), member.clone()),
        };
    }
    value
}

fn read_one(edit: Value) -> Result<SentEdit, BadEdit> {
    SyncRequest::read(request(json!({"edits": [edit]})), 1000).unwrap().edits.remove(0)
}

fn found(errors: &[FieldError]) -> Vec<(&str, &str)> {
    errors.iter().map(|e| (e.pointer.as_deref().unwrap(), e.code)).collect()
}

#[test]
fn the_envelope_is_read_with_its_defaults() {
    let least = SyncRequest::read(request(json!({})), 1000).unwrap();
    assert_eq!((least.handset.to_string().as_str(), least.pull, least.edits.len()), (HANDSET, true, 0));
    assert_eq!((least.boot, least.cursor, least.waiting, least.oldest_waiting_at), (None, None, None, None));

    let all = json!({"boot": 3, "cursor": "Zm9v", "waiting": 12, "oldest_waiting_at": "2026-07-30T06:00:00Z",
        "edits": [event(json!({}))], "pull": false});
    let all = SyncRequest::read(request(all), 1).unwrap();
    assert_eq!(
        (all.boot, all.cursor.as_deref(), all.waiting, all.pull),
        (Some(3), Some("Zm9v"), Some(12), false)
    );
    assert_eq!(all.oldest_waiting_at, Some(Instant::parse("2026-07-30T06:00:00Z").unwrap()));
    assert_eq!(all.edits.len(), 1);
}

#[test]
fn a_wrong_envelope_fails_the_whole_request() {
    let cases = [
        (json!([]), vec![("", "wrong_type")]),
        (json!({}), vec![("/handset", "required"), ("/clock", "required")]),
        (request(json!({"handset": "van 2"})), vec![("/handset", "invalid_id")]),
        (request(json!({"clock": "2026-08-01T06:00:00"})), vec![("/clock", "offset_required")]),
        (request(json!({"boot": -1})), vec![("/boot", "out_of_range")]),
        (request(json!({"boot": 9_007_199_254_740_992_u64})), vec![("/boot", "out_of_range")]),
        (request(json!({"boot": 1e300})), vec![("/boot", "too_precise")]),
        (request(json!({"cursor": 5})), vec![("/cursor", "wrong_type")]),
        (request(json!({"waiting": 4_294_967_296_u64})), vec![("/waiting", "out_of_range")]),
        (request(json!({"waiting": 0.5})), vec![("/waiting", "wrong_type")]),
        (request(json!({"oldest_waiting_at": "yesterday"})), vec![("/oldest_waiting_at", "invalid_instant")]),
        (request(json!({"edits": {}})), vec![("/edits", "wrong_type")]),
        (request(json!({"pull": "yes"})), vec![("/pull", "wrong_type")]),
        (request(json!({"format": 1})), vec![("/format", "unknown_member")]),
        // The edit of a wrong request is not looked at.
        (request(json!({"pull": 1, "edits": [{}]})), vec![("/pull", "wrong_type")]),
    ];
    for (body, expected) in cases {
        match SyncRequest::read(body.clone(), 1000) {
            Err(SyncError::Invalid(errors)) => assert_eq!(found(&errors), expected, "{body}"),
            other => panic!("{body}: {other:?}"),
        }
    }
    let three = request(json!({"edits": [event(json!({})), 1, {}]}));
    let error = SyncRequest::read(three.clone(), 2).unwrap_err();
    assert_eq!(error, SyncError::TooManyEdits { sent: 3, most: 2 });
    assert!(SyncRequest::read(three, 3).is_ok());
}

#[test]
fn what_an_edit_asks_for() {
    let id = EditId::parse(EDIT).unwrap();
    let edit =
        read_one(event(json!({"author": OTHER, "boot": 0, "group": {"id": OTHER, "size": 2}}))).unwrap();
    let group = Group { id: GroupId::parse(OTHER).unwrap(), size: 2 };
    assert_eq!((edit.id, edit.format, edit.number, edit.stamp.to_string().as_str()), (id, 1, 7, STAMP));
    assert_eq!(edit.author, Some(PersonId::parse(OTHER).unwrap()));
    let Content::Known { boot, group: of, asks: Asks::Event { body } } = edit.content else {
        panic!("no event")
    };
    assert_eq!((boot, of), (Some(0), Some(group)));
    assert_eq!(Value::Object(body), json!({"kind": "reading", "meter_hours": 231.50}));

    let made = json!({"kind": "site", "record_id": EDIT, "body": {"name": "Reservoir"}});
    let Content::Known { asks: Asks::Create { target, body }, .. } = read_one(event(made)).unwrap().content
    else {
        panic!("no new site")
    };
    assert_eq!((target, Value::Object(body)), (Target::Site(id.cast()), json!({"name": "Reservoir"})));

    let Content::Known { asks: Asks::Set { target, body, base }, .. } =
        read_one(set(json!({}))).unwrap().content
    else {
        panic!("nothing set")
    };
    let other = EditId::parse(OTHER).unwrap();
    let label = vec![Seen { raw: Stamp::parse(STAMP).unwrap(), edit: other }];
    assert_eq!((target, Value::Object(body)), (Target::Unit(other.cast()), json!({"label": "FS3-1"})));
    assert_eq!(base, BTreeMap::from([("label".to_owned(), label), ("maker".to_owned(), Vec::new())]));
    // A client that keeps no stamps has seen nothing that it could name.
    assert!(read_one(set(json!({"base": null}))).is_ok());
}

#[test]
fn a_wrong_member_makes_its_own_edit_an_error() {
    let wrong_base = json!({"a/b": [{"raw": STAMP, "edit": "x", "at": 1}], "maker": 5});
    let cases = [
        (event(json!({"id": null})), vec![("/id", "required")]),
        (event(json!({"format": 0})), vec![("/format", "out_of_range")]),
        (event(json!({"format": "1"})), vec![("/format", "wrong_type")]),
        (event(json!({"number": 0})), vec![("/number", "out_of_range")]),
        (event(json!({"number": 1.5})), vec![("/number", "wrong_type")]),
        (event(json!({"previous": 6})), vec![("/previous", "wrong_type")]),
        (event(json!({"stamp": "06GJPNV000000000000"})), vec![("/stamp", "invalid_stamp")]),
        (event(json!({"stamp": "06gjpnv0000000000000"})), vec![("/stamp", "invalid_stamp")]),
        (event(json!({"author": "me"})), vec![("/author", "invalid_id")]),
        (
            event(json!({"group": {"size": 0}})),
            vec![("/group/id", "required"), ("/group/size", "out_of_range")],
        ),
        (event(json!({"group": {"id": OTHER, "size": 1001}})), vec![("/group/size", "out_of_range")]),
        (event(json!({"kind": "grant"})), vec![("/kind", "unknown_word")]),
        (event(json!({"action": "set"})), vec![("/action", "unknown_word")]),
        (event(json!({"record_id": EDIT})), vec![("/record_id", "unknown_member")]),
        (event(json!({"base": {}})), vec![("/base", "unknown_member")]),
        (event(json!({"body": []})), vec![("/body", "wrong_type")]),
        (event(json!({"body": null})), vec![("/body", "required")]),
        (event(json!({"color": 1, "seq": 2})), vec![("/color", "unknown_member"), ("/seq", "read_only")]),
        (set(json!({"record_id": null})), vec![("/record_id", "required")]),
        (set(json!({"action": "create", "base": null})), vec![("/record_id", "two_ids")]),
        (set(json!({"base": []})), vec![("/base", "wrong_type")]),
        (
            set(json!({"base": wrong_base})),
            vec![
                ("/base/a~1b/0/edit", "invalid_id"),
                ("/base/a~1b/0/at", "unknown_member"),
                ("/base/maker", "wrong_type"),
            ],
        ),
        (set(json!({"base": {"label": vec![json!({}); 201]}})), vec![("/base/label", "too_many")]),
        (json!(7), vec![("", "wrong_type")]),
    ];
    for (edit, expected) in cases {
        let good = event(json!({"id": OTHER}));
        let body = request(json!({"edits": [good, edit, good]}));
        let edits = SyncRequest::read(body, 1000).unwrap().edits;
        let [Ok(_), Err(bad), Ok(_)] = edits.as_slice() else { panic!("{edit}: {edits:?}") };
        let expected: Vec<_> = expected.iter().map(|(at, code)| (format!("/edits/1{at}"), *code)).collect();
        let seen: Vec<_> = found(&bad.errors).iter().map(|(at, code)| (at.to_string(), *code)).collect();
        assert_eq!(seen, expected, "{edit}");
        assert_eq!(bad.id, EditId::read(&edit["id"]).ok(), "{edit}");
        assert_eq!(bad.number.is_some(), edit["number"].as_u64().is_some_and(|n| n > 0), "{edit}");
        assert_eq!(bad.sent, edit);
    }
}

#[test]
fn photos_are_named_in_edits_of_format_2() {
    let naming = |format: i32, photos: Value| {
        event(json!({"format": format, "body": {"kind": "finding", "attachments": photos}}))
    };
    for photos in [json!([]), json!(null), json!([{"sha256": "x"}])] {
        assert!(read_one(naming(2, photos.clone())).is_ok(), "{photos}");
        let bad = read_one(naming(1, photos.clone())).unwrap_err();
        assert_eq!(found(&bad.errors), [("/edits/0/body/attachments", "newer_member")], "{photos}");
    }
    // Of a unit it is a member that nobody knows, which is told where bodies are read.
    assert!(read_one(set(json!({"body": {"attachments": []}}))).is_ok());
}

#[test]
fn an_edit_of_a_newer_format_is_kept_whole() {
    let newer = event(
        json!({"format": FORMAT + 1, "previous": OTHER, "kind": "drone", "body": 5, "base": "x", "boot": {}, "more": [1.50]}),
    );
    let edit = read_one(newer.clone()).unwrap();
    assert_eq!((edit.format, edit.number), (FORMAT + 1, 7));
    assert_eq!(edit.previous, Some(EditId::parse(OTHER).unwrap()));
    assert_eq!(edit.content, Content::Newer(newer.as_object().unwrap().clone()));
    // Without these nothing can be kept of it.
    for member in ["id", "number", "stamp"] {
        let bad = read_one(with(newer.clone(), json!({member: null}))).unwrap_err();
        assert_eq!(found(&bad.errors), [(format!("/edits/0/{member}").as_str(), "required")]);
    }
}
