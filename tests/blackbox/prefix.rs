//! "Known at T" is a prefix of the log.

use std::{
    sync::atomic::{AtomicBool, Ordering},
    thread,
};

use blackbox::{Backend, World, on_both, service::is_clean};
use serde_json::json;

on_both!(no_number_is_seen_before_one_ahead_of_it);

/// While eight write, somebody looks again and again: what is visible has no gap at any moment.
fn no_number_is_seen_before_one_ahead_of_it(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    let units: Vec<String> = (0..3).map(|n| town.unit_in_service(&format!("U-{n}"), 0)).collect();
    let before = world.database.log_rows();
    let (writers, each) = (8_usize, 12_usize);
    let gaps = "SELECT coalesce(max(d), 0) AS n FROM (SELECT max(seq) - count(*) AS d FROM change_log GROUP BY organization) x";
    let done = AtomicBool::new(false);
    thread::scope(|scope| {
        let writing: Vec<_> = (0..writers)
            .map(|writer| {
                let client = world.client(town.id, town.people["coordinator"]);
                let (other, units) = (&other, &units);
                scope.spawn(move || {
                    for n in 0..each {
                        // Most on the same few units; some on things of their own, and some elsewhere.
                        match n % 4 {
                            0 => client
                                .post("/v1/sites", &json!({"name": format!("{writer} {n}"), "zone": "UTC"})),
                            1 => other.coordinator().post("/v1/sites", &json!({"name": "Y", "zone": "UTC"})),
                            _ => client.post(
                                "/v1/service-events",
                                &json!({"kind": "reading", "unit_id": units[(writer + n) % 3],
                                "occurred_at": "2026-06-01T12:00:00Z", "meter_hours": 7}),
                            ),
                        }
                        .expect(201);
                    }
                })
            })
            .collect();
        let watching = scope.spawn(|| {
            let mut looks = 0;
            while !done.load(Ordering::Relaxed) {
                assert_eq!(world.database.number(gaps), 0, "a number is visible before one ahead of it");
                looks += 1;
            }
            looks
        });
        for writer in writing {
            writer.join().unwrap();
        }
        done.store(true, Ordering::Relaxed);
        assert!(watching.join().unwrap() > 0);
    });
    assert_eq!(world.database.log_rows(), before + i64::try_from(writers * each).unwrap());
    let disorder = "SELECT count(*) AS n FROM change_log a JOIN change_log b \
        ON b.organization = a.organization AND b.seq = a.seq + 1 WHERE b.recorded_at < a.recorded_at";
    assert_eq!(world.database.number(disorder), 0);
    assert_eq!(world.database.number(gaps), 0);
    is_clean(&world.database);
}
