//! What made seeds fail, each stated small.

use std::collections::BTreeSet;

use merge::Base;
use model::{EditId, Instant, edit::RecordKind, stamp::Stamp};
use serde_json::{Map, json};
use simulation::{
    handset::Handset,
    hub::Hub,
    wire::{Action, Cursor, Edit, Outcome, Request, Response, Status, What},
};
use uuid::Uuid;

fn uuid(number: u128) -> Uuid {
    Uuid::from_u128(0x019a_0b5e_7c00_7000_8000_0000_0000_0000 | number)
}

/// So many seconds after the beginning.
fn at(seconds: i64) -> Instant {
    Instant::FIRST.plus_seconds(1_754_006_400 + seconds)
}

const SITE: u128 = 1;
const UNIT: u128 = 2;

fn edit(number: u128, handset: u32, action: Action) -> Edit {
    let stamp = Stamp { handset, ..Stamp::service(at(0), None) };
    let id = EditId::from_uuid(uuid(number));
    Edit { id, format: 1, number: 1, previous: None, stamp, author: 1, boot: 1, group: None, action }
}

fn labelled(of: (RecordKind, Uuid)) -> Action {
    let fields = [("home_site", uuid(SITE).to_string()), ("label", "new".to_owned())];
    Action::Create {
        of,
        fields: fields.map(|(name, value)| (name.to_owned(), json!(value))).into_iter().collect(),
    }
}

fn reading() -> Action {
    Action::Event { unit: uuid(UNIT), what: What::Reading(7), occurred: at(0) }
}

fn sync(
    hub: &mut Hub,
    handset: u32,
    seconds: i64,
    cursor: Option<Cursor>,
    edits: Vec<Edit>,
) -> Option<Response> {
    let (copy, waiting) = (0, edits.len());
    hub.receive(Request {
        nonce: 1,
        copy,
        handset,
        person: 1,
        clock: at(seconds),
        boot: 1,
        cursor,
        waiting,
        edits,
        pull: false,
    });
    hub.commit(0, at(seconds), None)
}

/// A parked edit came once, before the backup, and is taken in two histories, each time as the last row. Who was told of
/// the first of these rows has to notice that it is not the second.
#[test]
fn a_row_that_is_made_again_after_a_restore_is_another_row() {
    let mut hub = Hub::new(8, None, at(0));
    hub.at_desk(edit(10, 0, labelled((RecordKind::Site, uuid(SITE)))), at(0));
    hub.grant(1, BTreeSet::from([uuid(SITE)]), at(0));
    (1..=2).for_each(|number| hub.enrol(number));
    let parked = edit(11, 1, reading());
    let response = sync(&mut hub, 1, 1, None, vec![parked.clone()]).unwrap();
    assert_eq!(response.results, [(parked.id, Outcome::Parked)]);
    let backup = hub.tables.clone();

    let goes_on = |hub: &mut Hub, other: u128, seconds: i64| {
        let fields = Map::from_iter([("label".to_owned(), json!(other.to_string()))]);
        let of = (RecordKind::Site, uuid(SITE));
        hub.at_desk(edit(other, 0, Action::Set { of, fields, base: Base::default() }), at(seconds));
        hub.at_desk(edit(12, 0, labelled((RecordKind::Unit, uuid(UNIT)))), at(seconds));
        assert_eq!(hub.tables.log.values().next_back().unwrap().edit.id, parked.id);
    };
    goes_on(&mut hub, 20, 2);
    let told = sync(&mut hub, 2, 3, None, Vec::new()).unwrap().cursor;
    hub.tables = backup;
    goes_on(&mut hub, 21, 4);
    assert_eq!(sync(&mut hub, 2, 5, told, Vec::new()).unwrap().status, Status::Restored);
}

/// A handset offers all of its parked edits in turn, however few a request holds, and whichever number it wrote them under.
#[test]
fn all_parked_edits_have_their_turn() {
    let mut handset = Handset::new(0, 1, 1);
    let mut offered = Vec::new();
    let mut say_parked = |handset: &mut Handset| {
        let request = handset.request(at(10), 2, false);
        let results: Vec<_> = request.edits.iter().map(|edit| (edit.id, Outcome::Parked)).collect();
        offered.push(results.iter().map(|(id, _)| *id).collect::<Vec<_>>());
        let response = Response {
            nonce: request.nonce,
            copy: 0,
            results,
            changes: Vec::new(),
            cursor: None,
            more: false,
            status: Status::Ok,
            forked: false,
            clock: Stamp::service(at(10), None),
        };
        handset.read(response).unwrap();
    };
    let id = |number: u128| EditId::from_uuid(uuid(number));
    (1..=3).for_each(|number| drop(handset.write(id(number), at(10), None, reading())));
    handset.enrol_anew(2);
    handset.write(id(4), at(10), None, reading());
    (0..10).for_each(|_| say_parked(&mut handset));

    let first: Vec<EditId> = offered.iter().take(5).flatten().copied().collect();
    let all: BTreeSet<EditId> = (1..=4).map(id).collect();
    assert_eq!(first.iter().copied().collect::<BTreeSet<_>>(), all, "sent: {offered:?}");
    let again: BTreeSet<EditId> = offered.iter().skip(5).flatten().copied().collect();
    assert_eq!(again, all, "offered again: {offered:?}");
}
