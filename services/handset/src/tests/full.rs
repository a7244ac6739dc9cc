//! A disk without room: what could not be written leaves nothing, and all goes on when there is room again.

use diesel::{
    RunQueryDsl, SqliteConnection, connection::SimpleConnection, dsl::sql, select, sql_types::BigInt,
};

use super::*;
use crate::{Error, NewPhoto, disk::device};

/// Larger than the room that is left within the pages of the file.
const LARGE: usize = 60_000;

impl Bench {
    /// From now on the file cannot grow, until it is opened anew.
    fn is_full(&mut self) {
        let limit = |conn: &mut SqliteConnection| Ok(conn.batch_execute("PRAGMA max_page_count = 1")?);
        self.handset().0.look(limit).unwrap();
    }

    /// How many pieces of photos are kept.
    fn pieces(&mut self) -> i64 {
        let count = select(sql::<BigInt>("(SELECT count(*) FROM photo_piece)"));
        self.handset().0.look(|conn| Ok(count.get_result(conn)?)).unwrap()
    }

    /// All that the handset has: its edits, its numbers, what it knows of itself, the records and the photos.
    fn whole(&mut self) -> String {
        let handset = self.handset();
        let edits = handset.queue().unwrap();
        let (device, numbers) = (handset.device().unwrap(), handset.enrolments().unwrap());
        let records = ["unit", "site", "service_event"].map(|kind| handset.told(kind).unwrap());
        let photos = handset.photos().unwrap();
        format!("{edits:?} {device:?} {numbers:?} {records:?} {photos:?}")
    }
}

fn finding(note: usize) -> Map<String, Value> {
    map(json!({"kind": "finding", "unit_id": UNIT, "action": "opened", "occurred_on": "2026-11-03",
        "severity": "minor", "note": "x".repeat(note)}))
}

/// Neither an edit, nor its number, nor its stamp; the next one has them.
#[test]
fn an_entry_is_written_whole_or_not_at_all() {
    let mut bench = Bench::new();
    bench.reading(5.0);
    let before = bench.whole();
    for _ in 0..3 {
        bench.is_full();
        let Bench { handset, around, .. } = &mut bench;
        let wishes = vec![Wish::Event(finding(10)), Wish::Event(finding(LARGE))];
        let refused = handset.as_mut().unwrap().write_together(around, wishes);
        assert!(matches!(refused, Err(Error::Full)), "{refused:?}");
        assert_eq!(bench.whole(), before);
    }
    bench.reading(6.0);
    bench.open("first start");
    let numbers: Vec<_> = bench.handset().queue().unwrap().iter().map(|edit| edit.at).collect();
    assert_eq!(numbers, [(1, 1), (1, 2)]);
}

/// Neither the photo, nor a piece of it, nor the edit that names it.
#[test]
fn a_photo_is_kept_with_its_entry_or_not_at_all() {
    let mut bench = Bench::new();
    let before = bench.whole();
    let paper = [b"%PDF-1.7\n".as_slice(), &b"x".repeat(600_000), b"\n%%EOF\n"].concat();
    let keeps = |bench: &mut Bench| {
        let Bench { handset, around, .. } = bench;
        let photo = NewPhoto { bytes: paper.clone(), name: None };
        handset.as_mut().unwrap().write_with_photos(around, finding(10), vec![photo])
    };
    bench.is_full();
    let refused = keeps(&mut bench);
    assert!(matches!(refused, Err(Error::Full)), "{refused:?}");
    assert_eq!((bench.whole(), bench.pieces()), (before, 0));

    keeps(&mut bench).unwrap();
    assert_eq!((bench.states(), bench.pieces()), (vec!["queued"], 3));
    let sha256 = bench.handset().photos().unwrap()[0].sha256;
    assert_eq!(bench.handset().photo(&sha256).unwrap().unwrap().len(), paper.len());
}

/// Neither a result, nor a change, nor the cursor: the same is asked for once more.
#[test]
fn a_page_is_taken_whole_or_not_at_all() {
    let mut bench = Bench::new();
    let id = bench.reading(5.0);
    let before = bench.whole();
    let mut large = pump(1);
    large["record"]["fields"]["note"] = json!("x".repeat(LARGE));
    let page = answer(json!([result(&id, "applied")]), json!([depot(), large]));
    bench.is_full();
    bench.says(200, page.clone());
    let Bench { handset, around, people, wire, .. } = &mut bench;
    let refused = handset.as_mut().unwrap().sync(Outside { around, people, wire });
    assert!(matches!(refused, Err(Error::Full)), "{refused:?}");
    assert_eq!(bench.whole(), before);

    assert_eq!(bench.told(page).ended, Ended::Done);
    let asked: Vec<_> =
        bench.wire.asked.iter().map(|(_, body)| (body["cursor"].clone(), edits_of(body))).collect();
    assert_eq!(asked, [(Value::Null, vec![id.clone()]), (Value::Null, vec![id])]);
    assert_eq!((bench.states(), bench.handset().ids(Kind::Unit).unwrap()), (vec!["applied"], vec![unit()]));
    let cursor = bench.handset().0.look(device::load).unwrap().cursor;
    assert_eq!(cursor.as_deref(), Some("a cursor"));
}
