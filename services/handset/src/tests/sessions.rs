//! Syncs that do not go straight.

use super::*;

/// Requests, each with its path and the number of its edits.
fn asked(bench: &Bench) -> Vec<(&str, usize)> {
    bench.wire.asked.iter().map(|(path, body)| (path.as_str(), edits_of(body).len())).collect()
}

/// All results of the next answer are `applied`, for `n` edits behind `from`.
fn applied(ids: &[String]) -> Value {
    answer(ids.iter().map(|id| result(id, "applied")).collect(), json!([]))
}

#[test]
fn a_token_that_is_not_good_any_more() {
    let mut bench = Bench::new();
    let id = bench.reading(5.0);
    bench.says(401, json!({"type": "/problems/unauthenticated"}));
    assert_eq!(bench.sync().ended, Ended::SignIn);
    assert_eq!(bench.states(), ["queued"]);
    // Somebody signs in; once is enough, and the one that came is not good either.
    bench.people.tokens = 2;
    bench.says(401, json!({"type": "/problems/unauthenticated"}));
    bench.says(401, json!({"type": "/problems/unauthenticated"}));
    assert_eq!(bench.sync().ended, Ended::SignIn);
    bench.says(401, json!({"type": "/problems/unauthenticated"}));
    bench.says(200, applied(&[id]));
    assert_eq!(bench.sync().ended, Ended::Done);
    assert_eq!(bench.states(), ["applied"]);
}

/// The token ends between two pages: whoever signs in goes on with the page after the one that was taken.
#[test]
fn a_token_ends_between_two_pages() {
    let mut bench = Bench::new();
    let mut first = page(json!([depot()]));
    first["cursor"] = json!("after the depot");
    bench.says(200, first);
    bench.says(401, json!({"type": "/problems/unauthenticated"}));
    assert_eq!(bench.sync().ended, Ended::SignIn);
    bench.wire.asked.clear();
    assert_eq!(bench.told(answer(json!([]), json!([pump(1)]))).ended, Ended::Done);
    assert_eq!(bench.wire.asked[0].1["cursor"], "after the depot");
    assert_eq!(bench.handset().ids(Kind::Unit).unwrap().len(), 1);
    assert_eq!(bench.handset().ids(Kind::Site).unwrap().len(), 1);
}

#[test]
fn no_answer_and_a_busy_service() {
    let mut bench = Bench::new();
    let id = bench.reading(5.0);
    bench.wire.answers.push_back(Err(NoAnswer("cut".to_owned())));
    bench.says(503, json!({"type": "/problems/busy", "retry_after": 7}));
    bench.says(502, json!("a page of a proxy"));
    bench.says(200, json!("a page of a hotel"));
    bench.says(200, applied(std::slice::from_ref(&id)));
    assert_eq!(bench.sync().ended, Ended::Done);
    let waited: Vec<u64> = bench.around.waited.iter().map(Duration::as_secs).collect();
    assert_eq!(waited, [1, 8, 6, 12]);
    // The same edit each time, unchanged.
    let first = &bench.wire.asked[0].1["edits"];
    assert!(bench.wire.asked.iter().all(|(_, body)| body["edits"] == *first) && first[0]["id"] == id);

    for _ in 0..9 {
        bench.wire.answers.push_back(Err(NoAnswer("no way".to_owned())));
    }
    assert_eq!(bench.sync().ended, Ended::Later);
}

#[test]
fn what_is_too_much_goes_in_halves() {
    let mut bench = Bench::new();
    let ids: Vec<String> = (0..5).map(|n| bench.reading(f64::from(n))).collect();
    bench.says(413, json!({"type": "/problems/content_too_large"}));
    bench.says(200, applied(&ids[..2]));
    bench.says(408, json!({"type": "/problems/request_too_slow"}));
    bench.says(200, applied(&ids[2..3]));
    bench.says(200, applied(&ids[3..4]));
    bench.says(200, applied(&ids[4..]));
    assert_eq!(bench.sync().ended, Ended::Done);
    let sent: Vec<usize> = asked(&bench).into_iter().map(|(_, edits)| edits).collect();
    assert_eq!(sent, [5, 2, 2, 1, 1, 1]);
    assert_eq!(bench.states(), ["applied"; 5]);
}

/// What waits at the service is offered again, and was sent before.
#[test]
fn what_is_offered_again_was_sent_before() {
    let mut bench = Bench::new();
    let ids = [5.0, 6.0, 7.0].map(|hours| bench.reading(hours));
    let waits = || vec![result(&ids[1], "held"), result(&ids[2], "parked")];
    let first = [vec![result(&ids[0], "applied")], waits()].concat();
    bench.says(200, answer(Value::from(first), json!([])));
    assert_eq!(bench.told(answer(Value::from(waits()), json!([]))).answered, 3);
    assert_eq!(bench.told(answer(Value::from(waits()), json!([]))).answered, 0);
    // After a restore all is offered again.
    bench.says(200, reset("restored", Value::from(waits()), Value::Null));
    let again = ids.iter().map(|id| result(id, "applied")).collect();
    assert_eq!(bench.told(answer(again, json!([]))).answered, 0);
    assert_eq!(bench.states(), ["applied"; 3]);
}

#[test]
fn a_request_that_is_refused_keeps_the_queue() {
    let mut bench = Bench::new();
    bench.reading(5.0);
    bench.says(400, json!({"type": "/problems/invalid_request", "title": "Members of the body are wrong"}));
    let Ended::Mistake(problem) = bench.sync().ended else { panic!("it went on") };
    assert_eq!((problem.code(), problem.status), ("invalid_request", 400));
    assert_eq!(bench.states(), ["queued"]);
}

#[test]
fn a_damaged_cursor_is_dropped() {
    let mut bench = Bench::new();
    let id = bench.reading(5.0);
    bench.told(applied(std::slice::from_ref(&id)));
    bench.says(400, json!({"type": "/problems/cursor_invalid"}));
    bench.told(applied(std::slice::from_ref(&id)));
    let (body, edits) = bench.asked();
    assert_eq!((body.get("cursor"), edits), (None, vec![id]));
}

/// There are two copies: it is enrolled anew with an id of its own, and what it writes then counts from 1.
#[test]
fn a_copied_handset() {
    let mut bench = Bench::new();
    let first = bench.reading(5.0);
    let mut forked = applied(&[first]);
    forked["forked"] = json!(true);
    bench.says(200, forked.clone());
    assert_eq!(bench.sync().ended, Ended::NeedsCode(CodeFor::Forked));
    let old = bench.handset().enrolments().unwrap()[0].handset;
    let written = bench.reading(6.0);
    bench.people.codes.push_back("3HRE-W8N5-Z1VC");
    // The answer to the enrolment gets lost once.
    bench.wire.answers.push_back(Err(NoAnswer("cut".to_owned())));
    bench.says(200, json!({"id": "01990593-db00-7f16-a9d2-64c7e83b0e91", "number": 99}));
    let mut forked = applied(&[written]);
    forked["forked"] = json!(true);
    bench.says(200, forked);
    assert_eq!(bench.sync().ended, Ended::Done);
    let enrolling: Vec<&Value> =
        bench.wire.asked.iter().filter(|(path, _)| path == "/v1/handsets").map(|(_, body)| body).collect();
    assert!(enrolling.len() == 2 && enrolling[0] == enrolling[1] && enrolling[0].get("previous").is_none());
    // What was written before goes out under the old id.
    assert_eq!(bench.asked().0["handset"], old.to_string());
    let clock = bench.handset().device().unwrap().clock;
    let next = bench.reading(7.0);
    bench.told(applied(&[next]));
    let edit = bench.asked().0["edits"][0].clone();
    assert_eq!((&edit["number"], edit.get("previous")), (&json!(1), None));
    let stamp = Stamp::parse(edit["stamp"].as_str().unwrap()).unwrap();
    assert!(stamp.clock > clock && stamp.handset == 99);
    assert_eq!(bench.asked().0["handset"], "01990593-db00-7f16-a9d2-64c7e83b0e91");
}

/// The service knows it no more: it is enrolled under its own id and number, and goes on.
#[test]
fn a_forgotten_handset() {
    let mut bench = Bench::new();
    let id = bench.reading(5.0);
    bench.says(404, json!({"type": "/problems/handset_unknown"}));
    assert_eq!(bench.sync().ended, Ended::NeedsCode(CodeFor::Forgotten));
    assert_eq!(bench.states(), ["queued"]);
    bench.people.codes.push_back("3HRE-W8N5-Z1VC");
    let handset = "01990593-db00-7e4a-8c3f-2d6b90f1a755";
    bench.says(404, json!({"type": "/problems/handset_unknown"}));
    bench.says(201, json!({"id": handset, "number": NUMBER}));
    bench.told(applied(&[id]));
    let (_, body) = &bench.wire.asked[2];
    assert_eq!(body["previous"], json!({"id": handset, "number": NUMBER}));
    assert_eq!(body.get("id"), None);
    assert_eq!(bench.handset().enrolments().unwrap().len(), 1);
}

/// Its number belongs to somebody else by now: what it wrote gets numbers and stamps of the new one, and keeps its ids.
#[test]
fn a_number_that_was_given_away() {
    let mut bench = Bench::new();
    bench.told(answer(json!([]), json!([depot(), pump(1)])));
    let ids =
        [bench.set(json!({"label": "Pump 2"})), bench.set(json!({"label": "Pump 3"})), bench.reading(5.0)];
    let before: Vec<Value> = bench.edits();
    bench.people.codes.push_back("3HRE-W8N5-Z1VC");
    bench.says(404, json!({"type": "/problems/handset_unknown"}));
    bench.says(409, json!({"type": "/problems/already_exists"}));
    bench.says(201, json!({"id": "01990593-db00-7f16-a9d2-64c7e83b0e91", "number": 99}));
    bench.told(applied(&ids));
    assert_eq!(
        asked(&bench).iter().map(|(path, _)| *path).collect::<Vec<_>>()[1..],
        ["/v1/sync", "/v1/handsets", "/v1/handsets", "/v1/sync"]
    );
    let (body, edits) = bench.asked();
    assert_eq!((&body["handset"], edits), (&json!("01990593-db00-7f16-a9d2-64c7e83b0e91"), ids.to_vec()));
    let sent = body["edits"].as_array().unwrap();
    let stamp = |edit: &Value| Stamp::parse(edit["stamp"].as_str().unwrap()).unwrap();
    for ((n, old), new) in (1..).zip(&before).zip(sent) {
        assert_eq!(
            (&new["number"], &new["body"], new.get("previous")),
            (&json!(n), &old["body"], old.get("previous"))
        );
        assert_eq!(stamp(new), Stamp { handset: 99, ..stamp(old) });
    }
    // The service may have the first one by either name.
    assert_eq!(sent[0]["base"], before[0]["base"]);
    let mut names = [&before[0], &sent[0]].map(|edit| json!({"edit": ids[0], "raw": edit["stamp"]}));
    names.sort_by_key(|name| name["raw"].to_string());
    assert_eq!(sent[1]["base"]["label"], json!(names));
    bench.reading(6.0);
    let last = bench.handset().queue().unwrap().pop().unwrap();
    assert_eq!(last.at, (2, 4));
}

/// Another handset got its id while the answer to its enrolment was lost and the service restored: what it wrote is refused for
/// its number, and goes out under a new one.
#[test]
fn a_number_of_another_handset() {
    let mut bench = Bench::new();
    let ids: Vec<String> = [5.0, 6.0].map(|hours| bench.reading(hours)).into();
    let refused = |ids: &[String]| -> Value {
        let refusal = |id| json!({"id": id, "result": "refused", "reason": "stamp_of_another_handset"});
        ids.iter().map(refusal).collect()
    };
    bench.says(200, answer(refused(&ids), json!([])));
    assert_eq!(bench.sync().ended, Ended::NeedsCode(CodeFor::Forked));
    let second = bench.reading(7.0);
    bench.people.codes.push_back("3HRE-W8N5-Z1VC");
    bench.says(201, json!({"id": "01990593-db00-7f16-a9d2-64c7e83b0e91", "number": 99}));
    let all: Vec<String> = ids.into_iter().chain([second]).collect();
    bench.told(applied(&all));
    assert_eq!((bench.asked().1, bench.states()), (all, vec!["applied"; 3]));
    let stamps = bench.handset().queue().unwrap().into_iter().map(|edit| {
        let edit: Value = serde_json::from_str(&edit.text).unwrap();
        Stamp::parse(edit["stamp"].as_str().unwrap()).unwrap().handset
    });
    assert_eq!(stamps.collect::<Vec<_>>(), [99; 3]);
}

/// The same, found out when it has been enrolled anew for another reason already: no code is needed.
#[test]
fn a_number_of_another_handset_found_out_late() {
    let mut bench = Bench::new();
    let id = bench.reading(5.0);
    let theirs = "019a4f6e-2b00-7a52-9c11-6b0d2f3e4a21";
    bench.people.codes.push_back("3HRE-W8N5-Z1VC");
    let mut forked = answer(
        json!([{"id": id, "result": "parked"}]),
        json!([echo("service_event", theirs, &[(theirs, 1)])]),
    );
    forked["forked"] = json!(true);
    bench.says(200, forked);
    bench.says(201, json!({"id": "01990593-db00-7f16-a9d2-64c7e83b0e91", "number": 99}));
    bench.says(
        200,
        answer(json!([{"id": id, "result": "refused", "reason": "stamp_of_another_handset"}]), json!([])),
    );
    bench.says(200, applied(std::slice::from_ref(&id)));
    assert_eq!((bench.sync().ended, bench.states()), (Ended::Done, vec!["applied"]));
    assert_eq!(bench.handset().queue().unwrap()[0].at, (2, 1));
}

/// An id of an enrolment that was refused is not kept: a copy of the file would come to have the same.
#[test]
fn a_refused_enrolment_leaves_no_id() {
    let mut bench = Bench::new();
    bench.people.codes.extend(["3HRE-W8N5-Z1VC", "WRONG"]);
    let mut forked = answer(json!([]), json!([]));
    forked["forked"] = json!(true);
    bench.says(200, forked);
    bench.says(400, json!({"type": "/problems/invalid_request", "errors": [{"code": "code_not_valid"}]}));
    bench.sync();
    assert_eq!(bench.handset().device().unwrap().next_handset, None);
}

/// A revoked handset sends what it has, keeps its cursor, and needs a code for new work.
#[test]
fn a_revoked_handset() {
    let mut bench = Bench::new();
    let ids: Vec<String> = (0..2).map(|n| bench.reading(f64::from(n))).collect();
    let held: Value =
        ids.iter().map(|id| json!({"id": id, "result": "held", "reason": "handset_revoked"})).collect();
    bench.says(200, reset("handset_revoked", held.clone(), json!("its cursor")));
    bench.says(200, reset("handset_revoked", held, json!("its cursor")));
    assert_eq!(bench.sync().ended, Ended::NeedsCode(CodeFor::Revoked));
    assert_eq!(bench.states(), ["held", "held"]);
    assert_eq!(bench.handset().device().unwrap().cursor.as_deref(), Some("its cursor"));
}

/// Edits that wait at the service take turns, over all syncs.
#[test]
fn what_waits_takes_turns() {
    let mut bench = Bench::new();
    let ids: Vec<String> = (0..3).map(|n| bench.reading(f64::from(n))).collect();
    let parked = |ids: &[String]| {
        let mut answer = answer(ids.iter().map(|id| result(id, "parked")).collect(), json!([]));
        answer["limits"]["edits"] = json!(2);
        answer
    };
    bench.says(200, parked(&ids));
    bench.says(200, parked(&ids[..2]));
    bench.sync();
    for turn in [&ids[2..], &ids[..2], &ids[2..]] {
        bench.told(parked(turn));
        assert_eq!(bench.asked().1, turn);
        assert_eq!(bench.asked().0["waiting"], 3);
    }
}

/// Another program gets the file while this one waits for the service.
#[test]
fn the_file_is_left_while_it_waits() {
    let mut bench = Bench::new();
    bench.told(answer(json!([]), json!([depot()])));
    let file = bench.folder.path().join("van-2.db");
    bench.around.waiting = Some(Box::new(move || drop(Handset::open(&file, "first start").unwrap())));
    bench.says(503, json!({"retry_after": 7}));
    bench.says(200, answer(json!([]), json!([])));
    assert_eq!(bench.sync().ended, Ended::Done);
}

/// A site differs, and nobody says how.
#[test]
fn what_cannot_be_mended_is_no_end() {
    let mut bench = Bench::new();
    let mut told = answer(json!([]), json!([depot()]));
    told["fingerprints"] = json!([{"site_id": SITE, "count": 2, "fingerprint": "00".repeat(32)}]);
    bench.says(200, told);
    bench.says(404, json!({"status": 404}));
    assert_eq!(bench.sync().ended, Ended::Differs);
    assert_eq!(bench.handset().device().unwrap().synced_at, None);
}
