//! Groups of edits that are recorded together or not at all, however they come.

use blackbox::{
    Backend, World, none_failed, on_both,
    service::is_clean,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

use super::{EVENTS, NEWER, Phone, beside, line, of_group, reading, results::orders, with};

on_both!(
    what_becomes_of_one_becomes_of_all,
    a_group_comes_over_several_pushes,
    a_group_is_its_handsets_own,
    one_that_is_no_edit_ends_its_group,
    a_group_is_offered_again_when_its_broken_one_is_repaired,
    one_that_can_be_read_by_now_completes_its_group,
);

/// A new unit, its commissioning and its first reading.
fn three(phone: &Phone, site: &str, group: &str, size: u32) -> [Value; 3] {
    let unit = phone.new_unit("FS-5", site);
    let started = json!({"kind": "commissioning", "unit_id": unit["id"], "site_id": site, "meter_hours": 0,
        "occurred_at": "2026-06-01T12:00:00Z"});
    let started = phone.event(started);
    let read = phone.event(reading(&id_of(&unit), "2026-06-10T12:00:00Z", 5.0));
    [unit, started, read].map(|edit| of_group(&edit, group, size))
}

/// Which edit is changed, to what, and what becomes of all three, in one push.
fn what_becomes_of_one_becomes_of_all(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let site = &town.sites[0];
    type Spoil<'s> = Box<dyn Fn(&mut [Value; 3]) + 's>;
    let stranger = world.person(town.id, &[("technician", json!("all"))]);
    let viewer = town.people["viewer"];
    let cases: Vec<(&str, u32, Spoil<'_>, [&str; 3])> = vec![
        ("all are good", 3, Box::new(|_| {}), ["applied"; 3]),
        (
            "one lies ahead",
            3,
            Box::new(|edits| edits[2]["body"]["occurred_at"] = json!("2026-06-20T12:00:00Z")),
            ["held future_event"; 3],
        ),
        (
            "one is a stranger's",
            3,
            Box::new(|edits| edits[1]["author"] = json!(stranger)),
            ["held unknown_author"; 3],
        ),
        (
            "one names what is not there",
            3,
            Box::new(|edits| edits[1]["body"]["site_id"] = json!(new_id())),
            ["parked group_incomplete", "parked missing_parent", "parked group_incomplete"],
        ),
        (
            "one may not be written",
            3,
            Box::new(|edits| edits[2]["author"] = json!(viewer)),
            ["refused group_refused", "refused group_refused", "refused forbidden"],
        ),
        (
            "one cannot be",
            3,
            Box::new(|edits| {
                edits[0]["body"]["home_site_id"] = json!(town.sites[1]);
                edits[1]["body"]["occurred_at"] = json!("2026-03-08T02:30:00");
            }),
            ["refused group_refused", "refused invalid", "refused group_refused"],
        ),
        ("one has not come", 4, Box::new(|_| {}), ["parked group_incomplete"; 3]),
        ("more than it says", 2, Box::new(|_| {}), ["refused group_refused"; 3]),
        (
            "one of a newer format",
            3,
            Box::new(|edits| edits[2]["format"] = json!(NEWER)),
            ["parked group_incomplete", "parked group_incomplete", "parked newer_format"],
        ),
    ];
    let mut failures = Vec::new();
    for (case, size, spoil, expected) in cases {
        for order in orders(3) {
            let phone = Phone::new(&town, "technician")
                .passed_to(&town.clients["viewer"])
                .passed_to(town.coordinator());
            let mut edits = three(&phone, site, &new_id(), size);
            spoil(&mut edits);
            let alone = phone.reading(&town.unit("FS-6"), 1.0);
            let mut sent: Vec<&Value> = order.iter().map(|at| &edits[*at]).collect();
            sent.insert(1, &alone);
            let rows = world.database.log_rows();
            for round in ["first", "again"] {
                let told = phone.told(&sent);
                for (n, at) in order.iter().enumerate() {
                    let word = &told[if n == 0 { 0 } else { n + 1 }];
                    let right = match (round, expected[*at]) {
                        ("again", "applied") => word == "already_applied",
                        (_, expected) => word == expected,
                    };
                    if !right {
                        failures.push(format!("{case}, in order {order:?}, {round}, edit {at}: {told:?}"));
                    }
                }
                let lone = if round == "first" { "applied" } else { "already_applied" };
                if told[1] != lone {
                    failures.push(format!("{case}, in order {order:?}, {round}: {told:?} of its neighbour"));
                }
            }
            let there = town.coordinator().get(&format!("/v1/units/{}", id_of(&edits[0]))).status == 200;
            let written = world.database.log_rows() - rows;
            let (all, held) = (expected[0] == "applied", expected[0].starts_with("held"));
            if there != all || written != 1 + if all || held { 3 } else { 0 } {
                failures.push(format!("{case}, in order {order:?}: there {there}, {written} rows"));
            }
        }
    }
    none_failed(&failures);
    is_clean(&world.database);
}

/// In every order, each in a push of its own with a repeat: nothing counts before the last has come, and all does then.
fn a_group_comes_over_several_pushes(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    for order in orders(3) {
        let phone = Phone::new(&town, "coordinator");
        let edits = three(&phone, &town.sites[0], &new_id(), 3);
        let rows = world.database.log_rows();
        for (n, at) in order.iter().enumerate() {
            let last = n == 2;
            let first = phone.told(&[&edits[*at]]);
            assert_eq!(first, [if last { "applied" } else { "parked group_incomplete" }], "{order:?}");
            let again = phone.told(&[&edits[*at]]);
            assert_eq!(
                again,
                [if last { "already_applied" } else { "parked group_incomplete" }],
                "{order:?}"
            );
            assert_eq!(world.database.log_rows() - rows, if last { 3 } else { 0 }, "{order:?}");
        }
        let all: Vec<&Value> = edits.iter().collect();
        assert_eq!(phone.told(&all), ["already_applied"; 3], "{order:?}");
        assert_eq!(beside(&world), 0, "{order:?}");
        let events = town.coordinator().all(&format!("{EVENTS}?unit={}", id_of(&edits[0])), 100);
        assert_eq!(events.len(), 2, "{order:?}");
    }
    // One that waits for its unit waits with all of its group, and comes with it when the unit does.
    let phone = Phone::new(&town, "coordinator");
    let (unit, group) = (phone.new_unit("FS-6", &town.sites[0]), new_id());
    let [one, two] = [5.0, 6.0].map(|hours| of_group(&phone.reading(&id_of(&unit), hours), &group, 2));
    assert_eq!(phone.told(&[&one, &two]), ["parked missing_parent"; 2]);
    assert_eq!(phone.told(&[&unit]), ["applied"]);
    assert_eq!(phone.told(&[&one, &two]), ["already_applied"; 2]);
    is_clean(&world.database);
}

fn a_group_is_its_handsets_own(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let (one, two) = (Phone::new(&town, "technician"), Phone::new(&town, "technician"));
    let group = new_id();
    let [first, foreign, second] =
        [&one, &two, &one].map(|phone| of_group(&phone.reading(&unit, 5.0), &group, 2));
    assert_eq!(one.told(&[&first]), ["parked group_incomplete"]);
    assert_eq!(two.told(&[&foreign]), ["parked group_incomplete"], "another handset's is another group");
    assert_eq!(one.told(&[&second]), ["applied"]);
    assert_eq!(one.told(&[&first]), ["already_applied"]);
    assert_eq!(two.told(&[&foreign]), ["parked group_incomplete"]);
    // One alone is a group, too.
    let alone = of_group(&two.reading(&unit, 6.0), &new_id(), 1);
    assert_eq!(two.push(&[&alone]).iter().map(line).collect::<Vec<_>>(), ["applied"]);
    let other_group = with(&alone, "group", json!({"id": new_id(), "size": 1}));
    assert_eq!(two.told(&[&other_group]), ["already_applied"], "the group is none of its content");
    is_clean(&world.database);
}

/// How an edit is broken, and what it comes to then.
type Broken = (&'static str, fn(&Value) -> Value, &'static str);

fn broken_ones() -> [Broken; 3] {
    [
        ("malformed", |edit| with(edit, "body", json!({"kind": "party"})), "refused invalid"),
        ("too large", |edit| with(edit, "padding", json!("x".repeat(70_000))), "refused invalid"),
        (
            "of another handset",
            |edit| with(edit, "stamp", json!("06GJPNV0000000000000")),
            "refused stamp_of_another_handset",
        ),
    ]
}

/// In every order, each in a push of its own: what came before the broken one and what comes after it is refused, told so
/// whenever it is offered, and kept for somebody to look at.
fn one_that_is_no_edit_ends_its_group(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let mut failures = Vec::new();
    for (case, spoil, refused) in broken_ones() {
        for order in orders(3) {
            let phone = Phone::new(&town, "coordinator");
            let mut edits = three(&phone, &town.sites[0], &new_id(), 3);
            edits[1] = spoil(&edits[1]);
            let (rows, kept) = (world.database.log_rows(), beside(&world));
            let mut came = false;
            for at in &order {
                came |= *at == 1;
                let expected = match (*at, came) {
                    (1, _) => refused,
                    (_, true) => "refused group_refused",
                    (_, false) => "parked group_incomplete",
                };
                for round in ["first", "again"] {
                    let told = phone.told(&[&edits[*at]]);
                    if told != [expected] {
                        failures.push(format!("{case}, {order:?}, {round}, edit {at}: {told:?}"));
                    }
                }
            }
            // Whatever is offered afterwards, alone or with the others, is answered the same.
            let all = ["refused group_refused", refused, "refused group_refused"];
            for offered in [vec![0], vec![1], vec![2], vec![2, 0], vec![0, 1, 2], vec![1, 0]] {
                let told = phone.told(&offered.iter().map(|at| &edits[*at]).collect::<Vec<_>>());
                if told != offered.iter().map(|at| all[*at]).collect::<Vec<_>>() {
                    failures.push(format!("{case}, {order:?}, offered {offered:?}: {told:?}"));
                }
            }
            let parked = world.database.number("SELECT count(*) AS n FROM inbox WHERE state = 'parked'");
            let left = (world.database.log_rows() - rows, beside(&world) - kept, parked);
            if left != (0, 3, 0) {
                failures.push(format!("{case}, {order:?}: {left:?} in the log, beside it and parked"));
            }
        }
    }
    none_failed(&failures);
    is_clean(&world.database);
}

fn a_group_is_offered_again_when_its_broken_one_is_repaired(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    // The stamp that came first stays, so that what has another handset's is never repaired.
    for (case, spoil, refused) in broken_ones().into_iter().filter(|(_, _, word)| *word == "refused invalid")
    {
        let phone = Phone::new(&town, "coordinator");
        let edits = three(&phone, &town.sites[0], &new_id(), 3);
        let broken = spoil(&edits[1]);
        let all = ["refused group_refused", refused, "refused group_refused"];
        assert_eq!(phone.told(&[&edits[0], &broken, &edits[2]]), all, "{case}");
        // The others were told that they never count, so they count only if they are offered with it.
        assert_eq!(phone.told(&[&edits[1]]), ["refused group_refused"], "{case}");
        assert_eq!(phone.told(&edits.iter().collect::<Vec<_>>()), ["applied"; 3], "{case}");
        assert_eq!(phone.told(&edits.iter().collect::<Vec<_>>()), ["already_applied"; 3], "{case}");
        assert_eq!(beside(&world), 0, "{case}");
    }
    is_clean(&world.database);
}

/// What a service did not know when it came, a later one reads; the group is complete then.
fn one_that_can_be_read_by_now_completes_its_group(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    for (order, hidden) in [([0, 1, 2], 1), ([1, 0, 2], 1), ([2, 1, 0], 0)] {
        let phone = Phone::new(&town, "coordinator");
        let edits = three(&phone, &town.sites[0], &new_id(), 3);
        for at in order {
            let (edit, expected) = if at == hidden {
                (with(&edits[at], "format", json!(NEWER)), "parked newer_format")
            } else {
                (edits[at].clone(), "parked group_incomplete")
            };
            assert_eq!(phone.told(&[&edit]), [expected], "{order:?}, {at}");
        }
        assert_eq!(phone.told(&[&edits[hidden]]), ["applied"], "{order:?}");
        assert_eq!(phone.told(&edits.iter().collect::<Vec<_>>()), ["already_applied"; 3], "{order:?}");
        assert_eq!(beside(&world), 0, "{order:?}");
    }
    is_clean(&world.database);
}
