//! Photos over HTTP: an 8 MB photo on a line that breaks every megabyte, records meanwhile, and others who look at it.

use blackbox::{Backend, Cut, Relay, World, on_both, service::is_clean};
use handset::{Ended, NewPhoto, PhotoState, State};
use model::{BlobHash, EditId, UnitId};
use serde_json::{Map, Value, json};

use crate::van::{Van, map};

on_both!(a_line_that_breaks_every_megabyte, others_look_at_it, a_restore_loses_no_photo);

const MB: u64 = 1_000_000;

/// A photo of so many bytes, as far as its parts go: a size, and pixels that show nothing.
fn photo(bytes: usize) -> Vec<u8> {
    let mut photo = b"\xFF\xD8\xFF\xC0\x00\x07\x08\x00\x01\x00\x01\xFF\xDA\x00\x02".to_vec();
    photo.extend((0..bytes - photo.len() - 2).map(|n| u8::try_from(n % 251).unwrap()));
    photo.extend_from_slice(b"\xFF\xD9");
    photo
}

fn finding(unit: &str) -> Map<String, Value> {
    map(json!({"kind": "finding", "unit_id": unit, "occurred_at": "2026-06-15T11:30:00Z", "action": "opened",
        "severity": "minor", "finding": "oil_leak"}))
}

impl Van {
    /// A finding with a photo; gives the edit and the photo's name.
    fn found(&mut self, unit: &str, bytes: &[u8]) -> (EditId, BlobHash) {
        let photos = vec![NewPhoto { bytes: bytes.to_vec(), name: Some("Oil leak".to_owned()) }];
        let edit = self.write_with_photos(finding(unit), photos);
        (edit, self.handset().photos().unwrap().last().unwrap().sha256)
    }

    fn photo_states(&mut self) -> Vec<PhotoState> {
        self.handset().photos().unwrap().iter().map(|photo| photo.state).collect()
    }
}

fn a_line_that_breaks_every_megabyte(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("Pump 1", 0);
    let mut van = Van::new(&world, &town, "technician");
    van.agrees();
    let bytes = photo(8 << 20);
    let (_, name) = van.found(&unit, &bytes);
    van.reading(&unit, 12.5);
    let relay = Relay::cutting(&[world.service.url()], || Cut { sent: MB, ..Cut::NEVER });
    van.handset().move_to(relay.url()).unwrap();
    van.wire.photo_bytes = 0;
    let synced = van.sync();
    assert_eq!((synced.ended, synced.photos.sent, synced.photos.waiting), (Ended::Done, 1, 0));
    assert_eq!(van.wire.asked[0], "sync", "records first");
    assert_eq!(van.states(), [State::Applied; 2]);
    let breaks = u64::try_from(relay.taken()[0]).unwrap() - 1;
    assert!((8..=12).contains(&breaks), "{breaks}");
    let most = bytes.len() as u64 + breaks * (256 << 10);
    assert!(van.wire.photo_bytes <= most, "{} were sent, and {most} is the most", van.wire.photo_bytes);
    assert_eq!(town.coordinator().send("HEAD", &format!("/v1/blobs/{name}"), &[], None).status, 200);
    is_clean(&world.database);
}

fn others_look_at_it(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("Pump 1", 0);
    let mut vans = [(); 2].map(|()| Van::new(&world, &town, "technician"));
    let [van, other] = &mut vans;
    van.agrees();
    let bytes = photo(700_000);
    let (edit, name) = van.found(&unit, &bytes);
    let synced = van.agrees();
    assert_eq!(synced.photos.sent, 1, "{synced:?}");
    assert_eq!((van.states(), van.photo_states()), (vec![State::Applied], vec![PhotoState::Sent]));

    other.agrees();
    let events = other.handset().events(UnitId::parse(&unit).unwrap()).unwrap();
    assert!(events.iter().any(|event| event.event["attachments"][0]["sha256"] == name.to_string()));
    other.handset().wish_for_photo(name, edit, UnitId::parse(&unit).unwrap()).unwrap();
    // Three parts, over a line that breaks.
    let relay = Relay::cutting(&[world.service.url()], || Cut { answered: 400_000, ..Cut::NEVER });
    other.handset().move_to(relay.url()).unwrap();
    let synced = other.sync();
    assert_eq!((synced.ended, synced.photos.fetched), (Ended::Done, 1), "{:?}", other.wire.asked);
    assert_eq!(other.handset().photo(&name).unwrap(), Some(bytes));
    is_clean(&world.database);
}

/// The service was restored from a backup of before the photo.
fn a_restore_loses_no_photo(backend: Backend) {
    let mut world = World::new(backend);
    let mut town = world.town();
    let unit = town.unit_in_service("Pump 1", 0);
    let person = town.people["coordinator"];
    let mut van = Van::of(&world, &town, person);
    van.agrees();
    world.service.kill();
    let backup = world.database.backup();
    let days = ["2026-06-16T12:00:00Z", "2026-06-17T12:00:00Z"];
    world.restart_at(days[0]);
    world.reach(&mut town);
    van.reach(&world, &town, person, days[0]);
    let (_, name) = van.found(&unit, &photo(1000));
    assert_eq!(van.agrees().photos.sent, 1);
    assert_eq!(van.agrees().photos.sent, 0, "nothing is sent twice");

    world.service.kill();
    world.database.restore(&backup);
    world.restart_at(days[1]);
    world.reach(&mut town);
    van.reach(&world, &town, person, days[1]);
    let blob = format!("/v1/blobs/{name}");
    assert_eq!(town.coordinator().send("HEAD", &blob, &[], None).status, 404);
    assert_eq!(van.agrees().photos.sent, 1);
    assert_eq!((van.states(), van.photo_states()), (vec![State::Applied], vec![PhotoState::Sent]));
    assert_eq!(town.coordinator().send("HEAD", &blob, &[], None).status, 200);
    is_clean(&world.database);
}
