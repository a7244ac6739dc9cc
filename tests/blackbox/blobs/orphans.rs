//! What becomes of photos that no event names, and of what nobody goes on sending.

use blackbox::{Backend, Direct, on_both, service::NOW, world::new_id};
use model::Instant;
use serde_json::{Value, json};

use crate::sync::{NEWER, Phone, with};

use super::{Lab, finding, named, night, paper, path, put, put_part, told};

on_both!(
    what_nobody_names_goes_after_a_while,
    one_that_is_completed_meanwhile_stays,
    what_waits_for_a_person_keeps_its_photo
);

fn what_nobody_names_goes_after_a_while(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let (client, unit) = (town.coordinator(), town.unit_in_service("FS-1", 0));
    let kept = paper("named");
    let (orphan, begun, late) = (paper("by nobody"), paper(&"begun".repeat(100)), paper("named in time"));
    named(&town, &unit, &kept);
    for bytes in [&orphan, &late] {
        put(client, &path(bytes), bytes, &[]).expect(201);
    }
    put_part(client, &begun, 0, 100).expect(202);
    let night = |date: &str| drop(night(&world, date));
    let statuses = || [&kept, &orphan, &late].map(|bytes| told(client, bytes).0);
    let files = || world.files();
    // They came on 15 June.
    night("2026-06-21");
    assert_eq!((told(client, &begun).1.as_str(), statuses(), files()), ("100", [200; 3], 4));
    night("2026-06-23");
    assert_eq!((told(client, &begun).1.as_str(), statuses(), files()), ("", [200; 3], 3));
    night("2026-07-14");
    assert_eq!(statuses(), [200; 3]);
    town.record(finding(&unit, &late));
    night("2026-07-16");
    assert_eq!((statuses(), files()), ([200, 404, 200], 2));
    // It is sent again, as if it had never been there.
    put(client, &path(&orphan), &orphan, &[]).expect(201);
    night("2026-07-18");
    assert_eq!((statuses(), files()), ([200, 404, 200], 2), "the service's clock is still in June");
}

/// The night shift has looked up an upload that stood still, and now it goes on.
fn one_that_is_completed_meanwhile_stays(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let (client, bytes) = (town.coordinator(), paper("at the last moment"));
    put_part(client, &bytes, 0, 20).expect(202);
    let (direct, id, later) =
        (Direct::open(&world.database, 2), town.id, Instant::parse(NOW).unwrap().plus_seconds(3600));
    let idle = direct.ask(|store| async move { store.idle_uploads(id, later).await }).unwrap();
    let [upload] = idle[..] else { panic!("{idle:?}") };
    put_part(client, &bytes, 20, bytes.len()).expect(201);
    let disowned = direct.ask(|store| async move { store.disown_upload(id, upload, later).await }).unwrap();
    assert_eq!(disowned, None);
    assert_eq!(client.get(&path(&bytes)).expect(200).text.as_bytes(), bytes);
}

/// An entry that is held or parked has not been recorded, and may be, also one that a newer program wrote; its photo waits with it.
fn what_waits_for_a_person_keeps_its_photo(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "coordinator");
    let photos = ["held", "parked", "newer", "refused"].map(paper);
    let of = |unit: &str, photo: &[u8]| with(&phone.event(finding(unit, photo)), "format", json!(2));
    let ahead =
        |edit: Value| with(&edit, "body", with(&edit["body"], "occurred_at", json!("2026-08-01T12:00:00Z")));
    let edits = [
        ahead(of(&unit, &photos[0])),
        of(&new_id(), &photos[1]),
        with(&of(&unit, &photos[2]), "format", json!(NEWER)),
        with(&of(&unit, &photos[3]), "stamp", json!("06GJPNV0000000000000")),
    ];
    let told_of_edits = phone.told(&edits.iter().collect::<Vec<_>>());
    assert_eq!(
        told_of_edits,
        [
            "held future_event",
            "parked missing_parent",
            "parked newer_format",
            "refused stamp_of_another_handset"
        ]
    );
    for photo in &photos {
        put(town.coordinator(), &path(photo), photo, &[]).expect(201);
    }
    night(&world, "2026-07-16");
    let left = [0, 1, 2, 3].map(|n: usize| told(town.coordinator(), &photos[n]).0);
    assert_eq!(left, [200, 200, 200, 404]);
}
