//! Photos: kept with what names them, sent after the records over a line that breaks, and fetched.

use std::{collections::BTreeMap, path::PathBuf};

use model::{BlobHash, EditId, UnitId};

use super::*;
use crate::{NewPhoto, PhotoState, PhotosSynced, outside::Method, words};

const MB: usize = 1_000_000;

/// A service that records whatever is sent, and keeps photos as it should, over a line that breaks off.
#[derive(Default)]
struct Lab {
    /// What has come of each photo, and how many bytes it will have.
    come: BTreeMap<String, (Vec<u8>, usize)>,
    /// Those that are there.
    kept: BTreeMap<String, Vec<u8>>,
    /// After so many bytes of photos the line breaks, each time.
    breaks_every: Option<usize>,
    until_break: usize,
    /// How often it has broken while photos were sent.
    breaks: usize,
    /// How many bytes of photos were sent, those that were lost included.
    sent: usize,
    /// What was asked, in order: `edits 2`, or method and offset.
    asked: Vec<String>,
    /// What is said of the result of an edit.
    result: &'static str,
    /// What is said to a sync, rather than taking it.
    says: VecDeque<Value>,
    /// What is said to a photo, rather than taking it.
    refuses: Option<(u16, Value)>,
    /// A handset's file, into which somebody writes while a photo goes.
    file: Option<PathBuf>,
    /// A photo for which it always answers that something is wrong with itself.
    fails: Option<String>,
    /// How often that is said.
    refuses_times: usize,
}

impl Lab {
    fn sync(&mut self, asked: &Asked<'_>) -> Reply {
        let body: Value = serde_json::from_slice(asked.body).unwrap();
        let edits = edits_of(&body);
        self.asked.push(format!("edits {}", edits.len()));
        if let Some(says) = self.says.pop_front() {
            return Reply { status: 200, body: says.to_string().into_bytes(), ..Reply::default() };
        }
        let results: Vec<Value> = edits.iter().map(|id| result(id, self.result)).collect();
        let answer = answer(Value::from(results), json!([depot(), pump(1)]));
        Reply { status: 200, body: answer.to_string().into_bytes(), ..Reply::default() }
    }

    /// How many of so many bytes come through, and whether the line broke behind them.
    fn through(&mut self, bytes: usize) -> (usize, bool) {
        let Some(every) = self.breaks_every else { return (bytes, false) };
        if bytes < self.until_break {
            self.until_break -= bytes;
            return (bytes, false);
        }
        (std::mem::replace(&mut self.until_break, every), true)
    }

    fn put(&mut self, name: &str, first: usize, total: usize, bytes: &[u8]) -> Result<Reply, NoAnswer> {
        self.sent += bytes.len();
        if let Some(file) = self.file.take() {
            let now = Instant::parse("2026-11-03T15:00:00Z").unwrap();
            let mut around =
                Around { now, ids: 1000, waited: Vec::new(), stops: false, wanted: false, waiting: None };
            Handset::open(&file, "first start").unwrap().write(&mut around, reading(7.0)).unwrap();
        }
        let (through, broke) = self.through(bytes.len());
        let (come, _) = self.come.entry(name.to_owned()).or_insert_with(|| (Vec::new(), total));
        assert!(first <= come.len(), "nothing is left out");
        come.truncate(first);
        come.extend_from_slice(&bytes[..through]);
        let received = come.len();
        if received == total {
            let (whole, _) = self.come.remove(name).unwrap();
            assert_eq!(blob::name_of(&whole).to_string(), name);
            self.kept.insert(name.to_owned(), whole);
        }
        if broke {
            self.breaks += 1;
            return Err(NoAnswer("the line broke".to_owned()));
        }
        let body = json!({"received": received, "bytes": total}).to_string().into_bytes();
        Ok(Reply { status: if received == total { 201 } else { 202 }, body, ..Reply::default() })
    }

    fn get(&mut self, name: &str, first: usize, last: usize) -> Result<Reply, NoAnswer> {
        let Some(all) = self.kept.get(name).cloned() else {
            return Ok(Reply { status: 404, ..Reply::default() });
        };
        let part = &all[first..all.len().min(last + 1)];
        if self.through(part.len()).1 {
            return Err(NoAnswer("the line broke".to_owned()));
        }
        Ok(Reply { status: 206, body: part.to_vec(), total: Some(all.len() as u64), ..Reply::default() })
    }
}

impl Wire for Lab {
    fn ask(&mut self, asked: &Asked<'_>) -> Result<Reply, NoAnswer> {
        let path = asked.url.strip_prefix("http://service/v1/").unwrap();
        let Some(name) = path.strip_prefix("blobs/") else { return Ok(self.sync(asked)) };
        if self.fails.as_deref() == Some(name) {
            return Ok(Reply { status: 500, ..Reply::default() });
        }
        let at = |of: u64| usize::try_from(of).unwrap();
        match asked.method {
            Method::Head => {
                self.asked.push("head".to_owned());
                let status = if self.kept.contains_key(name) { 200 } else { 404 };
                let upload_offset = self.come.get(name).map(|(come, _)| come.len() as u64);
                Ok(Reply { status, upload_offset, ..Reply::default() })
            }
            Method::PutPart { first, total } => {
                self.asked.push(format!("put {first}"));
                if let Some((status, body)) = self.refuses.as_ref().filter(|_| self.refuses_times > 0) {
                    self.refuses_times -= 1;
                    return Ok(Reply {
                        status: *status,
                        body: body.to_string().into_bytes(),
                        ..Reply::default()
                    });
                }
                self.put(name, at(first), at(total), asked.body)
            }
            Method::GetPart { first, last } => {
                self.asked.push(format!("get {first}"));
                self.get(name, at(first), at(last))
            }
            other => panic!("{other:?} {path}"),
        }
    }
}

/// A paper of so many bytes.
fn paper(bytes: usize) -> Vec<u8> {
    let mut paper = b"%PDF-1.7\n".to_vec();
    let mut n: u32 = 7;
    paper.extend(
        std::iter::repeat_with(|| {
            n = n.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            n.to_be_bytes()[0]
        })
        .take(bytes - 15),
    );
    paper.extend_from_slice(b"%%EOF\n");
    paper
}

fn finding() -> Map<String, Value> {
    map(
        json!({"kind": "finding", "unit_id": UNIT, "occurred_at": "2026-11-02T15:10:00-07:00", "action": "opened",
        "severity": "minor"}),
    )
}

fn lab() -> Lab {
    Lab { result: "applied", refuses_times: usize::MAX, ..Lab::default() }
}

impl Bench {
    fn finding(&mut self, bytes: Vec<u8>) -> String {
        let Self { handset, around, .. } = self;
        let photos = vec![NewPhoto { bytes, name: Some("Fuel line".to_owned()) }];
        handset.as_mut().unwrap().write_with_photos(around, finding(), photos).unwrap().to_string()
    }

    fn sync_with(&mut self, lab: &mut Lab) -> Synced {
        let Self { handset, around, people, .. } = self;
        handset.as_mut().unwrap().sync(Outside { around, people, wire: lab }).unwrap()
    }

    fn photos(&mut self) -> Vec<(PhotoState, String)> {
        let photos = self.handset().photos().unwrap();
        photos.iter().map(|photo| (photo.state, words::photo(photo))).collect()
    }
}

fn named(bytes: &[u8]) -> BlobHash {
    blob::name_of(bytes)
}

/// SYNC R24: 8 MB, and the line breaks after each of them.
#[test]
fn a_line_that_breaks_every_megabyte() {
    let mut bench = Bench::new();
    let photo = paper(8 << 20);
    bench.finding(photo.clone());
    let mut lab = Lab { breaks_every: Some(MB), until_break: MB, ..lab() };
    let synced = bench.sync_with(&mut lab);
    assert_eq!((synced.ended, synced.answered), (Ended::Done, 1));
    assert_eq!(synced.photos, PhotosSynced { sent: 1, ..PhotosSynced::default() });
    assert_eq!(lab.asked[0], "edits 1", "records first");
    assert_eq!(lab.kept.get(&named(&photo).to_string()), Some(&photo));
    assert_eq!(lab.breaks, 8);
    assert!(lab.sent <= photo.len() + lab.breaks * (256 << 10), "{} of {}", lab.sent, photo.len());
    assert_eq!(bench.photos(), [(PhotoState::Sent, "Sent.".to_owned())]);
    // Nothing more is said of it.
    lab.asked.clear();
    bench.sync_with(&mut lab);
    assert_eq!(lab.asked, ["edits 0"]);
}

/// It is killed between any two steps: what has come is not sent again, and what is written meanwhile goes first.
#[test]
fn records_flow_while_a_photo_waits() {
    let mut bench = Bench::new();
    let photo = paper(3 * MB);
    bench.finding(photo.clone());
    let mut lab = Lab { breaks_every: Some(MB), until_break: MB, ..lab() };
    for round in 0..3 {
        bench.around.stops = true;
        bench.reading(5.0 + f64::from(round));
        lab.asked.clear();
        let synced = bench.sync_with(&mut lab);
        assert_eq!(synced.ended, Ended::Done, "records flow");
        assert!(lab.asked[0].starts_with("edits ") && lab.asked[0] != "edits 0", "{:?}", lab.asked);
        if round < 2 {
            assert_eq!((synced.photos.waiting, synced.photos.ended), (1, Some(Ended::Stopped)));
            assert_eq!(bench.photos()[0].0, PhotoState::Waiting);
        }
        bench.open("second start");
    }
    assert!(bench.states().iter().all(|state| *state == "applied"));
    assert_eq!(lab.kept.len() + lab.come.len(), 1);
    bench.around.stops = false;
    bench.sync_with(&mut lab);
    assert_eq!(lab.kept.get(&named(&photo).to_string()), Some(&photo));
}

/// An event that names photos is of format 2, and no other; what a picture tells beside itself is not even kept here.
#[test]
fn what_is_written_down() {
    let mut bench = Bench::new();
    let jpeg = b"\xFF\xD8\xFF\xC0\x00\x07\x08\x00\x01\x00\x01\xFF\xFE\x00\x07my vn\xFF\xDA\x00\x02..\xFF\xD9"
        .to_vec();
    let kept: Vec<u8> = jpeg[..11].iter().chain(&jpeg[20..]).copied().collect();
    bench.finding(jpeg);
    bench.reading(5.0);
    let edits: Vec<Value> = bench.edits();
    assert_eq!((&edits[0]["format"], &edits[1]["format"]), (&json!(2), &json!(1)));
    let sha256 = named(&kept);
    let expected = json!([{"sha256": sha256, "media_type": "image/jpeg", "name": "Fuel line"}]);
    assert_eq!(edits[0]["body"]["attachments"], expected);
    assert_eq!(bench.handset().photo(&sha256).unwrap(), Some(kept));
    assert_eq!(bench.photos(), [(PhotoState::Waiting, "Waits for a signal. Records go first.".to_owned())]);

    // What is no photo, and what is no event of a unit, is written down neither.
    let before = bench.states().len();
    let Bench { handset, around, .. } = &mut bench;
    let mut no_photo = |event: Map<String, Value>, bytes: &[u8]| {
        let photos = vec![NewPhoto { bytes: bytes.to_vec(), name: None }];
        handset.as_mut().unwrap().write_with_photos(around, event, photos).unwrap_err().to_string()
    };
    assert_eq!(no_photo(finding(), b"<html>"), "It is no JPEG, PNG or PDF.");
    assert!(no_photo(Map::new(), &paper(100)).contains("unit"));
    let mut written =
        |photos: Vec<NewPhoto>| handset.as_mut().unwrap().write_with_photos(around, finding(), photos);
    let photo =
        |bytes: usize, name: Option<&str>| NewPhoto { bytes: paper(bytes), name: name.map(str::to_owned) };
    assert!(
        written(vec![photo(100, Some("a\nb"))]).unwrap_err().to_string().contains("the name of a photo: ")
    );
    assert!(
        written((100..121).map(|n| photo(n, None)).collect()).unwrap_err().to_string().contains("20 photos")
    );
    assert_eq!((bench.states().len(), bench.photos().len()), (before, 1));

    // One that is there twice is named once.
    let twice = vec![NewPhoto { bytes: paper(100), name: None }, NewPhoto { bytes: paper(100), name: None }];
    let Bench { handset, around, .. } = &mut bench;
    handset.as_mut().unwrap().write_with_photos(around, finding(), twice).unwrap();
    let edit: Value = serde_json::from_str(&bench.handset().queue().unwrap()[2].text).unwrap();
    assert_eq!(edit["body"]["attachments"].as_array().unwrap().len(), 1);
}

#[test]
fn a_photo_stays_until_it_is_safe() {
    let mut bench = Bench::new();
    let photo = paper(1000);
    bench.finding(photo.clone());
    let mut lab = Lab { result: "held", ..lab() };
    bench.sync_with(&mut lab);
    assert_eq!(
        bench.photos(),
        [(PhotoState::Sent, "Sent. Kept here until its entry is recorded.".to_owned())]
    );
    // The entry is released long after; the service has dropped the photo that nothing named.
    lab.result = "applied";
    lab.kept.clear();
    lab.asked.clear();
    bench.sync_with(&mut lab);
    assert_eq!(lab.asked, ["edits 1", "head", "put 0"]);
    assert_eq!(bench.photos(), [(PhotoState::Sent, "Sent.".to_owned())]);

    // A service that was restored may have lost it.
    lab.says.push_back(reset("restored", json!([]), Value::Null));
    lab.kept.clear();
    bench.sync_with(&mut lab);
    assert_eq!(lab.kept.len(), 1);
}

/// The service cannot say anything of one photo; the others go.
#[test]
fn one_photo_does_not_hold_up_the_next() {
    let mut bench = Bench::new();
    let photos = [paper(1000), paper(1001), paper(1002)];
    for photo in &photos {
        bench.finding(photo.clone());
    }
    let mut lab = Lab { fails: Some(named(&photos[0]).to_string()), ..lab() };
    let synced = bench.sync_with(&mut lab);
    assert_eq!((synced.ended, synced.photos.sent, synced.photos.waiting), (Ended::Done, 2, 1));
    assert_eq!(synced.photos.ended, Some(Ended::Later));
}

/// A photo may take long: people go on writing meanwhile, in this program between two pieces, in another at any time.
#[test]
fn people_write_while_a_photo_goes() {
    let mut bench = Bench::new();
    bench.finding(paper(MB));
    let file = bench.folder.path().join("van-2.db");
    let mut lab = Lab { file: Some(file), ..lab() };
    bench.around.wanted = true;
    let synced = bench.sync_with(&mut lab);
    assert_eq!(
        synced.photos,
        PhotosSynced { waiting: 1, ended: Some(Ended::Stopped), ..PhotosSynced::default() }
    );
    assert_eq!(bench.states(), ["applied", "queued"]);
    bench.reading(8.0);
    let mut calls = 1;
    while bench.photos()[0].0 == PhotoState::Waiting {
        let Bench { handset, around, people, .. } = &mut bench;
        handset.as_mut().unwrap().send_photos(Outside { around, people, wire: &mut lab }).unwrap();
        calls += 1;
    }
    assert_eq!((calls, lab.sent), (4, MB));
    bench.sync_with(&mut lab);
    assert_eq!(bench.states(), ["applied"; 3]);
}

/// Whatever else is in a handset's way, its photos go like its edits.
#[test]
fn photos_go_where_edits_go() {
    let mut bench = Bench::new();
    bench.finding(paper(1000));
    let id = bench.handset().queue().unwrap()[0].id.to_string();
    let mut lab = lab();
    lab.says.push_back(reset("handset_revoked", json!([result(&id, "held")]), Value::Null));
    let synced = bench.sync_with(&mut lab);
    assert_eq!(synced.ended, Ended::NeedsCode(CodeFor::Revoked));
    assert_eq!((synced.photos.sent, lab.kept.len()), (1, 1));
    // Where nobody answers they are counted all the same.
    let mut bench = Bench::new();
    bench.finding(paper(1000));
    bench.around.stops = true;
    bench.wire.answers.push_back(Err(NoAnswer("no signal".to_owned())));
    assert_eq!(bench.sync().photos.waiting, 1);
}

/// What is not taken, and what no entry names that counts, does not stay for ever.
#[test]
fn what_never_goes_is_let_go() {
    let refused = json!({"type": "/problems/blob_refused", "title": "Not taken"});
    for (result, refuses) in [("applied", Some((422, refused))), ("refused", None)] {
        let mut bench = Bench::new();
        bench.finding(paper(1000));
        let mut lab = Lab { result, refuses, ..lab() };
        assert_eq!(bench.sync_with(&mut lab).photos.waiting, 0);
        bench.sync_with(&mut lab);
        for (now, left) in [("2026-12-03T14:59:00Z", 1), ("2026-12-03T15:01:00Z", 0)] {
            bench.wire.answers.push_back(Ok((200, at(now, answer(json!([]), json!([]))))));
            bench.sync();
            assert_eq!(bench.photos().len(), left, "{result} {now}");
        }
    }
}

/// What was put together at the service is another file: it is sent once more, and only once.
#[test]
fn a_photo_that_was_spoilt_is_sent_again() {
    let spoilt =
        json!({"type": "/problems/blob_refused", "title": "Not taken", "errors": [{"code": "wrong_hash"}]});
    for (times, state) in [(1, PhotoState::Sent), (2, PhotoState::Refused)] {
        let mut bench = Bench::new();
        bench.finding(paper(1000));
        let mut lab = Lab { refuses: Some((422, spoilt.clone())), refuses_times: times, ..lab() };
        bench.sync_with(&mut lab);
        assert_eq!(bench.photos()[0].0, state);
        assert_eq!(lab.asked[2..], ["put 0", "put 0"]);
    }
}

/// By the service's clock, 30 days after it was sent and what names it recorded.
#[test]
fn a_photo_goes_after_a_while() {
    let mut bench = Bench::new();
    let photo = paper(1000);
    bench.finding(photo.clone());
    let mut lab = lab();
    bench.sync_with(&mut lab);
    for (now, left) in [("2026-12-03T14:59:00Z", 1), ("2026-12-03T15:01:00Z", 0)] {
        bench.wire.answers.push_back(Ok((200, at(now, answer(json!([]), json!([]))))));
        bench.sync();
        assert_eq!(bench.photos().len(), left, "{now}");
    }
    assert_eq!(bench.handset().photo(&named(&photo)).unwrap(), None);
}

#[test]
fn what_is_in_a_photos_way_is_told() {
    let refused = json!({"type": "/problems/blob_refused", "title": "Not taken", "detail": "It is damaged: it breaks off."});
    let forbidden = json!({"type": "/problems/forbidden", "title": "You may not do this here"});
    let full = json!({"type": "/problems/no_room", "title": "No room", "detail": "Finish what was begun."});
    let cases = [
        ("applied", Some((422, refused)), PhotoState::Refused, "Not taken. It is damaged: it breaks off."),
        ("applied", Some((403, forbidden)), PhotoState::Waiting, "Not sent yet. You may not do this here"),
        ("applied", Some((507, full)), PhotoState::Waiting, "Not sent yet. Finish what was begun."),
        ("refused", None, PhotoState::Waiting, "Not sent yet. Its entry was not recorded."),
        ("parked", None, PhotoState::Sent, "Sent. Kept here until its entry is recorded."),
    ];
    for (result, refuses, state, words) in cases {
        let mut bench = Bench::new();
        bench.finding(paper(1000));
        let mut lab = Lab { result, refuses, ..lab() };
        let synced = bench.sync_with(&mut lab);
        assert_eq!((synced.ended, synced.photos.ended), (Ended::Done, None));
        assert_eq!(bench.photos(), [(state, words.to_owned())], "{result}");
    }
}

/// A tablet changes hands: somebody who sees the unit sends it, too, and nobody else.
#[test]
fn whoever_sees_the_unit_sends_it() {
    for (sees, state) in [(true, PhotoState::Sent), (false, PhotoState::Waiting)] {
        let mut bench = Bench::new();
        let mut lab = lab();
        let event = if sees {
            finding()
        } else {
            let mut event = finding();
            event.insert("unit_id".to_owned(), json!(SITE));
            event
        };
        let Bench { handset, around, .. } = &mut bench;
        let photos = vec![NewPhoto { bytes: paper(1000), name: None }];
        handset.as_mut().unwrap().write_with_photos(around, event, photos).unwrap();
        bench.handset().sign_in(PersonId::from_uuid(Uuid::from_u128(8))).unwrap();
        bench.sync_with(&mut lab);
        assert_eq!(bench.photos()[0].0, state);
        bench.handset().sign_in(person()).unwrap();
        bench.sync_with(&mut lab);
        assert_eq!(bench.photos()[0].0, PhotoState::Sent);
    }
}

/// Two runs fetch the same piece: it is here once.
#[test]
fn a_piece_that_comes_twice_is_kept_once() {
    let mut bench = Bench::new();
    let (photo, unit) = (paper(1000), UnitId::from_uuid(unit()));
    bench.handset().wish_for_photo(named(&photo), EditId::from_uuid(Uuid::from_u128(99)), unit).unwrap();
    for _ in 0..2 {
        let keep = |conn: &mut _| crate::disk::photos::keep(conn, &named(&photo), 0, &photo);
        bench.handset().0.change(keep).unwrap();
    }
    let kept = bench.handset().0.look(|conn| crate::disk::photos::bytes(conn, &named(&photo))).unwrap();
    assert_eq!(kept, photo);
}

#[test]
fn others_photos_come_on_wish() {
    let mut bench = Bench::new();
    let photo = paper(MB + 5);
    let event = EditId::from_uuid(Uuid::from_u128(99));
    let unit = UnitId::from_uuid(unit());
    bench.handset().wish_for_photo(named(&photo), event, unit).unwrap();
    let mut lab = Lab { breaks_every: Some(600_000), until_break: 600_000, ..lab() };
    bench.sync_with(&mut lab);
    let words = "Not here yet. Whoever took it has still to send it.";
    assert_eq!(bench.photos(), [(PhotoState::Wished, words.to_owned())]);
    assert_eq!(bench.handset().photo(&named(&photo)).unwrap(), None);

    // What is not what its name says is thrown away.
    let mut other = photo.clone();
    other[100] ^= 1;
    lab.kept.insert(named(&photo).to_string(), other);
    bench.sync_with(&mut lab);
    assert_eq!(bench.photos()[0].0, PhotoState::Wished);

    // It goes on where the line broke.
    lab.kept.insert(named(&photo).to_string(), photo.clone());
    lab.asked.clear();
    let synced = bench.sync_with(&mut lab);
    assert_eq!(synced.photos.fetched, 1);
    let first = lab.asked.iter().filter(|asked| *asked == "get 0").count();
    assert!(first <= 2 && lab.asked.len() <= 8, "{:?}", lab.asked);
    assert_eq!(bench.photos(), [(PhotoState::Fetched, "Here.".to_owned())]);
    assert_eq!(bench.handset().photo(&named(&photo)).unwrap(), Some(photo));

    // It goes with its unit.
    let forget = json!([{"change": "forget", "kind": "unit", "id": UNIT}]);
    bench.told(answer(json!([]), forget));
    assert_eq!(bench.photos(), []);
}
