//! Beginning afresh: after a restore, and when the sites change while they are told.

use super::*;

const OTHER: &str = "01990593-db00-7b8f-812e-570f80052b00";

fn other(version: u64) -> Value {
    record("unit", OTHER, version, json!({"label": "Pump 9", "home_site_id": SITE, "fuel": "petrol"}))
}

fn labels(bench: &mut Bench) -> Vec<String> {
    let units = bench.handset().told("unit").unwrap();
    let label =
        |text: &str| crate::RecordCopy::read(text).unwrap().fields["label"].as_str().unwrap().to_owned();
    units.iter().map(|unit| label(&unit.text)).collect()
}

/// After a restore all is offered again, in order and unchanged, and the copy stays until it was told anew.
#[test]
fn a_restore() {
    let mut bench = Bench::new();
    let ids = [bench.reading(5.0), bench.reading(6.0), bench.reading(7.0)];
    let results =
        |words: [&str; 3]| ids.iter().zip(words).map(|(id, word)| result(id, word)).collect::<Value>();
    bench.says(200, answer(results(["applied", "parked", "refused"]), json!([depot(), pump(1), other(1)])));
    bench.told(answer(json!([result(&ids[1], "parked")]), json!([])));
    let before: Vec<String> = bench.handset().queue().unwrap().into_iter().map(|edit| edit.text).collect();

    bench.says(200, reset("restored", json!([result(&ids[1], "parked")]), json!(null)));
    let mut first = page(json!([depot()]));
    first["results"] = results(["applied", "parked", "refused"]);
    bench.says(200, first);
    let mut second = page(json!([pump(1)]));
    second["results"] = json!([result(&ids[1], "parked")]);
    bench.says(200, second);
    bench.told(answer(json!([]), json!([])));
    let (_, body) = &bench.wire.asked[3];
    assert_eq!(bench.wire.asked.len(), 6);
    assert_eq!((body.get("cursor"), edits_of(body)), (None, ids.to_vec()));
    let after: Vec<String> = bench.handset().queue().unwrap().into_iter().map(|edit| edit.text).collect();
    assert_eq!(after, before);
    // One did not come again.
    assert_eq!(labels(&mut bench), ["Pump 1"]);
    assert!(!bench.handset().device().unwrap().filling);
}

/// While it fills, what did not come again so far is still there for its user; a stop in between changes nothing.
#[test]
fn a_fill_that_breaks_off() {
    let mut bench = Bench::new();
    bench.told(answer(json!([]), json!([depot(), pump(1), other(1)])));
    bench.says(200, reset("scope_changed", json!([]), json!("a fresh cursor")));
    bench.says(200, page(json!([pump(2)])));
    bench.wire.answers.push_back(Err(NoAnswer("cut".to_owned())));
    bench.around.stops = true;
    assert_eq!(bench.sync().ended, Ended::Stopped);
    assert_eq!(bench.wire.asked[2].1["cursor"], "a fresh cursor");
    assert_eq!(labels(&mut bench), ["Pump 1", "Pump 9"]);
    bench.open("second start");
    bench.told(answer(json!([]), json!([depot()])));
    assert_eq!(bench.asked().0["cursor"], "a cursor");
    assert_eq!(labels(&mut bench), ["Pump 1"]);
}

/// While it fills, an own edit is done to what came, and not to what has not come again.
#[test]
fn an_echo_while_it_fills() {
    let mut bench = Bench::new();
    bench.told(answer(json!([]), json!([depot(), pump(1)])));
    let id = bench.set(json!({"label": "Pump 2"}));
    let results = json!([result(&id, "applied")]);
    bench.says(200, reset("scope_changed", results, json!("a fresh cursor")));
    let changes = json!([depot(), echo("unit", UNIT, &[(&id, 2)])]);
    bench.told(answer(json!([]), changes));
    assert_eq!(labels(&mut bench), Vec::<String>::new());
}

/// A service that begins afresh again and again is left alone.
#[test]
fn not_for_ever() {
    let mut bench = Bench::new();
    for _ in 0..6 {
        bench.says(200, reset("scope_changed", json!([]), json!("a fresh cursor")));
    }
    assert_eq!(bench.sync().ended, Ended::Later);
}

/// After a restore somebody's edit that had seen an own one came before it: the own one is told as done, and changes nothing.
#[test]
fn an_echo_of_what_was_seen_before_it_came() {
    let mut bench = Bench::new();
    bench.told(answer(json!([]), json!([depot(), pump(1)])));
    let id = bench.set(json!({"label": "Pump 2", "rated_kw": 6}));
    let mut later = pump(1);
    later["record"]["version"] = json!(2);
    later["record"]["fields"]["label"] = json!("Pump 3");
    let name = json!({"raw": "06GSKDVG000000000000", "edit": SITE});
    later["record"]["stamps"] = json!({"label": name});
    bench.says(200, reset("restored", json!([result(&id, "applied")]), json!(null)));
    bench.says(200, page(json!([depot(), later])));
    let mut last = answer(json!([]), json!([echo("unit", UNIT, &[(&id, 3)])]));
    last["results"] = json!([]);
    bench.wire.answers[1].as_mut().unwrap().1["results"] =
        json!([{"id": id, "result": "applied", "version": 3}]);
    bench.told(last);
    let told = bench.handset().told("unit").unwrap().pop().unwrap();
    let copy = crate::RecordCopy::read(&told.text).unwrap();
    assert_eq!(
        (copy.version, &copy.fields["label"], &copy.fields["rated_kw"]),
        (3, &json!("Pump 3"), &json!(6))
    );
    assert_eq!(bench.fields()["label"], "Pump 3");
}
