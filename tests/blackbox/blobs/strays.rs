//! Bytes that no table knows, and tables whose bytes are gone.

use blackbox::{Backend, on_both};

use super::{Lab, named, night, night_shift, paper, path, put, put_part, told};

on_both!(what_no_table_knows_goes, nothing_goes_while_the_folder_is_missing);

/// The date and the one 16 days later look through the names that begin with 0.
const TURN: [&str; 2] = ["2026-06-20", "2026-07-06"];

/// A paper that has its turn on those dates.
fn on_turn(text: &str) -> Vec<u8> {
    let mut papers = (0..).map(|n| paper(&format!("{text} {n}")));
    papers.find(|bytes| proof::sha256(bytes).to_string().starts_with('0')).unwrap()
}

/// The database came back from a backup, and does not know what came since.
fn what_no_table_knows_goes(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let (client, unit) = (town.coordinator(), town.unit_in_service("FS-1", 0));
    let (kept, begun) = (on_turn("named"), on_turn("on its way"));
    let strays = [on_turn("stray"), on_turn("another stray"), paper("not its turn")];
    assert!(path(&strays[2]).starts_with("/v1/blobs/b"));
    named(&town, &unit, &kept);
    put_part(client, &begun, 0, 20).expect(202);
    for stray in &strays {
        put(client, &path(stray), stray, &[]).expect(201);
    }
    let named = "EXISTS (SELECT 1 FROM attachment WHERE attachment.sha256 = blob.sha256)";
    world.database.sql(&format!("DELETE FROM blob WHERE NOT {named}"));
    // Somebody goes on with it.
    world.database.sql("UPDATE blob_upload SET last_at = last_at + 5000000000000");
    world.age();
    let of = |bytes: &[u8]| told(client, bytes);
    night(&world, TURN[0]);
    assert_eq!(world.files(), 5, "nothing is a week old");
    let said = night(&world, TURN[1]);
    assert!(said.contains("bytes that no table knows were dropped"), "{said}");
    assert_eq!((of(&kept).0, of(&begun), world.files()), (200, (404, "20".to_owned()), 3));
    // The last begins with b, whose turn comes eleven dates later.
    night(&world, "2026-07-17");
    assert_eq!((of(&kept).0, of(&begun).1.as_str(), world.files()), (200, "20", 2));
}

/// A disk that is not there, or the wrong one.
fn nothing_goes_while_the_folder_is_missing(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let bytes = paper("by nobody");
    put(town.coordinator(), &path(&bytes), &bytes, &[]).expect(201);
    let blobs = || world.database.number("SELECT count(*) AS n FROM blob");
    world.empty();
    // The first time it is tried again; on the next date it is late, and counts as failing.
    for (date, is_well) in [("2026-07-20", true), ("2026-07-21", false)] {
        let (ended_well, said) = night_shift(&world, date);
        assert!(said.contains("nothing of it lies in the folder or bucket"), "{said}");
        assert_eq!((ended_well, blobs()), (is_well, 1), "{said}");
    }
    // It is there again.
    put(town.coordinator(), &path(&bytes), &bytes, &[]).expect(201);
    night(&world, "2026-07-22");
    assert_eq!((blobs(), world.files()), (0, 0));
}
