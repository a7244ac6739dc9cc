//! What is wrong with a request as a whole: nothing of it is taken, and the queue is as good as before.

use blackbox::{
    Backend, Client, Town, World, none_failed, on_both,
    service::{NOW, is_clean},
    world::{claims, id_of, new_id},
};
use model::Instant;
use serde_json::{Value, json};

use super::{Phone, SYNC, beside, with};
use crate::codings::{deflate, gzip, zstd};

on_both!(
    nothing_is_taken_of_a_wrong_request,
    an_unknown_handset_and_a_foreign_one_are_told_alike,
    a_cursor_is_good_for_its_organization_only,
    what_may_just_be_sent_is_taken,
);

const JSON: (&str, &str) = ("content-type", "application/json");

/// What is told of a request: the status, the code, and the places and codes of what is wrong.
type Told<'c> = (u16, &'c str, Vec<(&'c str, &'c str)>);

/// A wrong request.
struct Case<'c> {
    name: &'c str,
    client: &'c Client,
    path: String,
    headers: Vec<(&'c str, &'c str)>,
    body: Vec<u8>,
    told: Told<'c>,
}

/// Sends each; every one must be answered as it says and leave no trace.
fn none_is_taken(world: &World, town: &Town, phone: &Phone, cases: Vec<Case<'_>>) {
    let left = || (world.database.log_rows(), beside(world), phone.known(town.coordinator()));
    let before = left();
    let mut failures = Vec::new();
    for Case { name, client, path, headers, body, told: (status, code, places) } in cases {
        let reply = client.send("POST", &path, &headers, Some(&body));
        if reply.status != status {
            failures.push(format!("{name}: {} {}", reply.status, reply.text));
            continue;
        }
        reply.problem(status, code);
        let found = reply.errors();
        let found: Vec<(&str, &str)> = found.iter().map(|(at, code)| (at.as_str(), code.as_str())).collect();
        if found != places {
            failures.push(format!("{name}: {found:?}"));
        }
        let after = left();
        if after != before {
            failures.push(format!("{name}: {after:?} is left, and {before:?} was there"));
        }
    }
    none_failed(&failures);
}

fn nothing_is_taken_of_a_wrong_request(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician");
    let (first, second) = (phone.reading(&unit, 5.0), phone.reading(&unit, 6.0));
    let good = phone.request(&[&first, &second]);
    let text = |value: &Value| value.to_string().into_bytes();
    let member = |name: &str, value: Value| text(&with(&good, name, value));
    let many = |edits: usize| text(&with(&good, "edits", json!(vec![json!({"id": new_id()}); edits])));
    let whole = text(&good);
    let wide = |to: usize| [whole.as_slice(), &vec![b' '; to - whole.len()]].concat();
    let expired = {
        let now = Instant::parse(NOW).unwrap();
        let claims = access::Claims {
            issued_at: now.plus_seconds(-7200),
            expires_at: now.plus_seconds(-3600),
            ..claims(town.id, town.people["technician"])
        };
        world.service.client(&access::token::sign(&world.key, &claims).unwrap())
    };
    let anonymous = world.service.anonymous();
    let case = |name, headers: &[(&'static str, &'static str)], body: Vec<u8>, told| Case {
        name,
        client: &phone.client,
        path: SYNC.to_owned(),
        headers: [&[JSON], headers].concat(),
        body,
        told,
    };
    let plain = |name, body, told| case(name, &[], body, told);
    let invalid = |at, code| (400, "invalid_request", vec![(at, code)]);
    let no_json = || (400, "invalid_json", vec![("", "invalid_json")]);
    let coding = || (415, "unsupported_media_type", vec![("Content-Encoding", "unsupported_coding")]);
    let large = || (413, "content_too_large", vec![("", "content_too_large")]);
    let many_told = || (422, "too_many_edits", vec![]);
    let packed = |name, coding, body, told| case(name, &[("content-encoding", coding)], body, told);
    let twice = format!(r#"{{"pull":true,{}"#, &String::from_utf8(whole.clone()).unwrap()[1..]);
    let cases = vec![
        plain("10,000 edits", many(10_000), many_told()),
        plain("one edit too many", many(1001), many_told()),
        plain("cut in the middle", whole[..whole.len() / 2].to_vec(), no_json()),
        plain("cut before its end", whole[..whole.len() - 1].to_vec(), no_json()),
        plain("nothing", Vec::new(), no_json()),
        plain("something behind it", [whole.as_slice(), b"]"].concat(), no_json()),
        plain("a member twice", twice.into_bytes(), no_json()),
        plain("no text", vec![0xff, 0xfe], no_json()),
        packed("gzip cut in the middle", "gzip", gzip(&whole)[..60].to_vec(), no_json()),
        packed("zstd cut before its end", "zstd", zstd(&whole).split_last().unwrap().1.to_vec(), no_json()),
        packed("compressed twice, said once", "gzip", gzip(&gzip(&whole)), no_json()),
        packed("compressed twice, in two ways", "deflate", deflate(&zstd(&whole)), no_json()),
        packed("compressed twice, and said so", "gzip, gzip", gzip(&gzip(&whole)), coding()),
        packed("a coding that is not taken", "br", whole.clone(), coding()),
        packed("compressed, but not as it says", "zstd", gzip(&whole), no_json()),
        plain("larger than any may be", wide(4_194_305), large()),
        packed("larger than any may be when unpacked", "gzip", gzip(&wide(16_777_217)), large()),
        plain("a list", text(&json!([good])), invalid("", "wrong_type")),
        plain("no handset", member("handset", Value::Null), invalid("/handset", "required")),
        plain("a handset that is none", member("handset", json!("Van 2")), invalid("/handset", "invalid_id")),
        plain("no clock", member("clock", Value::Null), invalid("/clock", "required")),
        plain(
            "a clock without offset",
            member("clock", json!("2026-06-15T12:00:00")),
            invalid("/clock", "offset_required"),
        ),
        plain("a start below zero", member("boot", json!(-1)), invalid("/boot", "out_of_range")),
        plain("less than nothing waits", member("waiting", json!(-1)), invalid("/waiting", "out_of_range")),
        plain(
            "the oldest of yesterday",
            member("oldest_waiting_at", json!("yesterday")),
            invalid("/oldest_waiting_at", "invalid_instant"),
        ),
        plain("edits that are no list", member("edits", json!({})), invalid("/edits", "wrong_type")),
        plain("a member that there is not", member("device", json!(7)), invalid("/device", "unknown_member")),
        plain(
            "no cursor of ours",
            member("cursor", json!("x")),
            (400, "cursor_invalid", vec![("/cursor", "cursor_invalid")]),
        ),
        plain(
            "an empty cursor",
            member("cursor", json!("")),
            (400, "cursor_invalid", vec![("/cursor", "cursor_invalid")]),
        ),
        plain("a cursor that is no text", member("cursor", json!(5)), invalid("/cursor", "wrong_type")),
        plain("an unknown handset", member("handset", json!(new_id())), (404, "handset_unknown", vec![])),
        Case {
            path: format!("{SYNC}?pull=false"),
            ..plain(
                "a parameter",
                whole.clone(),
                (400, "invalid_parameter", vec![("pull", "unknown_parameter")]),
            )
        },
        Case {
            headers: vec![("content-type", "text/plain")],
            ..plain(
                "no JSON by its type",
                whole.clone(),
                (415, "unsupported_media_type", vec![("Content-Type", "unsupported_media_type")]),
            )
        },
        Case { client: &anonymous, ..plain("nobody's", whole.clone(), (401, "unauthenticated", vec![])) },
        Case {
            client: &expired,
            ..plain("too late a token", whole.clone(), (401, "unauthenticated", vec![]))
        },
    ];
    none_is_taken(&world, &town, &phone, cases);
    assert_eq!(phone.sync(&good).expect(200).json()["results"].as_array().unwrap().len(), 2);
    assert_eq!(phone.told(&[&first, &second]), ["already_applied"; 2]);
    is_clean(&world.database);
}

/// Whether there is such a handset elsewhere is nobody's business.
fn an_unknown_handset_and_a_foreign_one_are_told_alike(backend: Backend) {
    let world = World::new(backend);
    let (town, elsewhere) = (world.town(), world.town());
    let unit = town.unit_in_service("FS-1", 0);
    let (own, foreign) = (Phone::new(&town, "technician"), Phone::new(&elsewhere, "technician"));
    let edit = own.reading(&unit, 5.0);
    let good = own.request(&[&edit]);
    let (before, theirs) = (world.database.log_rows(), foreign.known(elsewhere.coordinator()));
    let told = [("unknown", new_id()), ("foreign", foreign.id.clone()), ("no handset's", unit.clone())].map(
        |(case, id)| {
            let reply = own.sync(&with(&good, "handset", json!(id)));
            let problem = reply.problem(404, "handset_unknown");
            let text = reply.text.replace(problem["instance"].as_str().unwrap(), "ID");
            (case, text.replace(&id, "HANDSET"))
        },
    );
    for (case, text) in &told {
        assert_eq!(*text, told[0].1, "{case}");
    }
    assert_eq!((world.database.log_rows(), beside(&world)), (before, 0));
    assert_eq!(foreign.known(elsewhere.coordinator()), theirs);
    // A token of the one organization opens no handset of the other, whoever enrolled it.
    let here = Phone { client: elsewhere.clients["technician"].clone(), ..Phone::new(&town, "technician") };
    here.sync(&here.request(&[&edit])).problem(404, "handset_unknown");
    assert_eq!(own.told(&[&edit]), ["applied"]);
    is_clean(&world.database);
}

fn a_cursor_is_good_for_its_organization_only(backend: Backend) {
    let world = World::new(backend);
    let (town, elsewhere) = (world.town(), world.town());
    let unit = town.unit_in_service("FS-1", 0);
    let (phone, foreign) = (Phone::new(&town, "technician"), Phone::new(&elsewhere, "technician"));
    let cursor = |phone: &Phone, pull: bool| {
        phone.sync(&with(&phone.request(&[]), "pull", json!(pull))).expect(200).json()["cursor"].clone()
    };
    let own = cursor(&phone, true);
    let text = own.as_str().unwrap().to_owned();
    let turned = format!("{}{}", if text.starts_with('A') { "B" } else { "A" }, &text[1..]);
    let listed = town.coordinator().get("/v1/sites?limit=1").expect(200).json()["next"].clone();
    let edit = phone.reading(&unit, 5.0);
    let good = phone.request(&[&edit]);
    let told = || (400, "cursor_invalid", vec![("/cursor", "cursor_invalid")]);
    let cases = [
        ("of another organization", cursor(&foreign, true)),
        ("of another organization's push", cursor(&foreign, false)),
        ("with another character", json!(turned)),
        ("cut", json!(text[..text.len() / 2])),
        ("written twice", json!(format!("{text}{text}"))),
        ("of a list", listed),
    ];
    let cases = cases.map(|(name, cursor)| Case {
        name,
        client: &phone.client,
        path: SYNC.to_owned(),
        headers: vec![JSON],
        body: with(&good, "cursor", cursor).to_string().into_bytes(),
        told: told(),
    });
    none_is_taken(&world, &town, &phone, cases.into());
    let good = with(&good, "cursor", own);
    assert_eq!(phone.sync(&good).expect(200).json()["results"][0]["result"], "applied");
    // Of the same organization it is good on another handset, which is told what that has not.
    let other = Phone::new(&town, "coordinator");
    let request = with(&other.request(&[]), "cursor", good["cursor"].clone());
    assert_eq!(other.sync(&request).expect(200).json()["pull"]["status"], "ok");
    is_clean(&world.database);
}

/// As many edits, and as large ones, as `/v1/limits` says.
fn what_may_just_be_sent_is_taken(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician");
    let limits = phone.client.get("/v1/limits").expect(200).json();
    let most = |name: &str| usize::try_from(limits[name].as_u64().unwrap()).unwrap();
    let edits: Vec<Value> = (0..most("edits")).map(|n| phone.reading(&unit, n as f64 / 100.0)).collect();
    let request = phone.request(&edits.iter().collect::<Vec<_>>());
    assert_eq!(request, with(&request, "limits", Value::Null));
    let mut body = request.to_string().into_bytes();
    assert!(body.len() < most("request_bytes"));
    body.resize(most("request_bytes"), b' ');
    let reply = phone.client.send("POST", SYNC, &[JSON], Some(&body)).expect(200).json();
    assert_eq!(reply["limits"], limits);
    let applied = reply["results"].as_array().unwrap().iter().filter(|result| result["result"] == "applied");
    assert_eq!(applied.count(), most("edits"));
    // Compressed, it may be larger.
    let mut large = phone.request(&[&phone.reading(&unit, 11.0)]).to_string().into_bytes();
    large.resize(most("decompressed_bytes"), b' ');
    let url = format!("{}{SYNC}", world.service.url());
    let token = format!("Bearer {}", world.token(town.id, town.people["technician"]));
    let request = ureq::post(url).header("authorization", token).header("content-encoding", "gzip");
    let mut answer = request.header("content-type", "application/json").send(gzip(&large)).unwrap();
    let answer: Value = serde_json::from_str(&answer.body_mut().read_to_string().unwrap()).unwrap();
    assert_eq!(answer["results"][0]["result"], "applied");
    let events = format!("/v1/service-events?unit={unit}&kind=reading");
    assert_eq!(town.coordinator().all(&events, 1000).len(), most("edits") + 1);
    let _ = id_of(&edits[0]);
    is_clean(&world.database);
}
