//! What is on the disk, and when.

use model::stamp::Stamp;
use serde_json::Value;

use super::*;
use crate::{Error, wire::EditText};

fn texts(bench: &mut Bench) -> Vec<EditText> {
    let queue = bench.handset().queue().unwrap();
    queue.iter().map(|edit| serde_json::from_str(&edit.text).unwrap()).collect()
}

#[test]
fn what_is_written_is_there_after_a_stop() {
    let mut bench = Bench::new();
    let first = bench.reading(5.0);
    bench.open("first start");
    // The clock is set back by an hour, and the device started again.
    bench.around.now = bench.around.now.plus_seconds(-3600);
    let second = bench.reading(6.0);
    bench.open("second start");
    let third = bench.reading(7.0);
    let edits = texts(&mut bench);
    let ids: Vec<String> = edits.iter().map(|edit| edit.id.to_string()).collect();
    assert_eq!(ids, [first, second, third]);
    assert_eq!(edits.iter().map(|edit| edit.number).collect::<Vec<_>>(), [1, 2, 3]);
    assert_eq!(edits.iter().map(|edit| edit.boot).collect::<Vec<_>>(), [1, 1, 2]);
    let before: Vec<_> = edits.iter().map(|edit| edit.previous).collect();
    assert_eq!(before, [None, Some(edits[0].id), Some(edits[1].id)]);
    assert!(edits.is_sorted_by_key(|edit| edit.stamp) && edits[0].stamp < edits[1].stamp);
    assert!(edits.iter().all(|edit| edit.stamp.handset == NUMBER && edit.author == person()));
}

#[test]
fn the_first_stamp_is_that_of_the_protocol_page() {
    let mut bench = Bench::new();
    bench.around.now = Instant::from_micros(1_793_657_520_000_000);
    bench.reading(5.0);
    assert_eq!(texts(&mut bench)[0].stamp, Stamp::parse("06GPSKDVG00002D5CCJ0").unwrap());
}

/// What is begun and not ended leaves nothing: neither an edit, nor a number, nor a stamp.
#[test]
fn a_group_is_written_whole_or_not_at_all() {
    let mut bench = Bench::new();
    let clock = bench.handset().device().unwrap().clock;
    let mut large = map(json!({"kind": "finding", "unit_id": UNIT}));
    large.insert("description".to_owned(), Value::from("x".repeat(70_000)));
    let Bench { handset, around, .. } = &mut bench;
    let wishes = vec![reading(5.0), Wish::Event(large)];
    let refused = handset.as_mut().unwrap().write_together(around, wishes);
    assert!(matches!(refused, Err(Error::TooLarge { most: 65536, bytes }) if bytes > 70_000));
    assert_eq!(bench.states(), Vec::<&str>::new());
    assert_eq!(bench.handset().device().unwrap().clock, clock);
    assert_eq!(bench.handset().enrolments().unwrap()[0].last_number, 0);

    let Bench { handset, around, .. } = &mut bench;
    handset.as_mut().unwrap().write_together(around, vec![reading(5.0), reading(6.0)]).unwrap();
    let groups: Vec<_> = texts(&mut bench).iter().map(|edit| edit.group.unwrap()).collect();
    assert!(groups[0] == groups[1] && groups[0].size == 2);
}

/// Two programs that write into one file would give one number twice.
#[test]
fn one_program_has_the_file() {
    let mut bench = Bench::new();
    let file = bench.folder.path().join("van-2.db");
    assert!(matches!(Handset::open(&file, "first start"), Err(Error::Taken)));
    bench.reading(5.0);
    bench.handset = None;
    assert_eq!(Handset::open(&file, "first start").unwrap().queue().unwrap().len(), 1);
}

#[test]
fn nothing_is_written_before_it_is_enrolled() {
    let folder = tempfile::tempdir().unwrap();
    let mut handset = Handset::open(&folder.path().join("new.db"), "first start").unwrap();
    let mut bench = Bench::new();
    let refused = handset.write(&mut bench.around, reading(5.0));
    assert!(matches!(refused, Err(Error::NotEnrolled)));
    let Bench { handset, around, people, wire, .. } = &mut bench;
    let again = Device::new("http://service", "Van 3", person(), "x");
    let refused = handset.as_mut().unwrap().enrol(again, Outside { around, people, wire });
    assert!(matches!(refused, Err(Error::EnrolledAlready)));
}

/// Recorded edits are kept for 30 days after their answer, and whatever is not recorded for ever. The device's clock has no say
/// in that.
#[test]
fn what_was_recorded_long_ago_goes() {
    let mut bench = Bench::new();
    let ids = [bench.reading(5.0), bench.reading(6.0), bench.reading(7.0)];
    let results = json!([result(&ids[0], "applied"), result(&ids[1], "held"), result(&ids[2], "refused")]);
    bench.says(200, answer(results, json!([])));
    let held = answer(json!([result(&ids[1], "held")]), json!([]));
    bench.told(held.clone());
    bench.around.now = bench.around.now.plus_seconds(700 * 24 * 3600);
    for (now, states) in [
        ("2026-11-03T15:00:00Z", ["applied", "held", "refused"].as_slice()),
        ("2026-12-03T15:00:00Z", ["applied", "held", "refused"].as_slice()),
        ("2026-12-03T15:00:00.000001Z", ["held", "refused"].as_slice()),
    ] {
        bench.told(at(now, held.clone()));
        assert_eq!(bench.states(), states, "{now}");
    }
}

/// A refused entry goes when its author wants it no more; nothing else does, and numbers go on.
#[test]
fn only_what_was_refused_is_dropped() {
    let mut bench = Bench::new();
    let ids = [5.0, 6.0].map(|hours| bench.reading(hours));
    let drop = |bench: &mut Bench, id: &str| bench.handset().drop_refused(model::EditId::parse(id).unwrap());
    assert!(matches!(drop(&mut bench, &ids[0]), Err(Error::NotRefused)));
    let results =
        json!([{"id": ids[0], "result": "refused", "reason": "invalid"}, result(&ids[1], "applied")]);
    bench.told(answer(results, json!([])));
    assert!(matches!(drop(&mut bench, &ids[1]), Err(Error::NotRefused)));
    drop(&mut bench, &ids[0]).unwrap();
    assert!(matches!(drop(&mut bench, &ids[0]), Err(Error::NotRefused)));
    assert_eq!(bench.states(), ["applied"]);
    bench.reading(7.0);
    assert_eq!(bench.handset().queue().unwrap().last().unwrap().at, (1, 3));
}
