//! Keyset pages of every list: together they are the whole, whatever is added meanwhile.

use blackbox::{
    Backend, Client, Town, World, none_failed, on_both,
    world::{edition, id_of},
};
use serde_json::{Value, json};

on_both!(
    pages_together_are_the_whole,
    rows_added_around_the_cursor,
    the_vector_of_p01,
    a_cursor_is_of_one_list_of_one_organization,
    a_page_has_500_items_at_most,
);

/// Ids that sort before any made now, in the order of `n`; an id names one thing of an organization, of whatever kind.
fn id(path: &str, n: u32) -> String {
    let kind = path.bytes().fold(0_u16, |sum, byte| sum.wrapping_mul(31).wrapping_add(byte.into()));
    format!("0194d000-0000-7000-8000-{kind:04x}{n:08x}")
}

/// How to add a row to a list, at a place in its order.
type Add<'a> = Box<dyn Fn(u32) + 'a>;

/// Every list that is ordered by what a client can choose.
fn lists<'a>(town: &'a Town, unit: &'a str) -> Vec<(String, Add<'a>)> {
    let client = town.coordinator();
    let post = |path: &str, n: u32, mut body: Value| {
        body["id"] = json!(id(path, n));
        client.post(path, &body).expect(201);
    };
    let editions = format!("/v1/schedules/{}/editions", town.schedule);
    let to_editions = editions.clone();
    vec![
        (
            "/v1/sites".to_owned(),
            Box::new(move |n| post("/v1/sites", n, json!({"name": "Yard", "zone": "UTC"}))),
        ),
        (
            "/v1/units".to_owned(),
            Box::new(move |n| {
                let unit = json!({"label": "Spare", "home_site_id": town.sites[0], "fuel": "petrol"});
                post("/v1/units", n, unit);
            }),
        ),
        (
            "/v1/schedules".to_owned(),
            Box::new(move |n| {
                let schedule = json!({"title": "T", "publisher": "P", "basis": "maker"});
                post("/v1/schedules", n, schedule);
            }),
        ),
        (editions, Box::new(move |n| post(&to_editions, n, edition()))),
        (
            format!("/v1/service-events?unit={unit}"),
            Box::new(move |n| {
                // Three to an instant, so that the id has to break the tie.
                let at = format!("2026-03-{:02}T12:00:00Z", 1 + n / 30);
                let reading =
                    json!({"kind": "reading", "unit_id": unit, "occurred_at": at, "meter_hours": 5});
                post("/v1/service-events", n, reading);
            }),
        ),
    ]
}

fn joined(path: &str, parameter: &str) -> String {
    format!("{path}{}{parameter}", if path.contains('?') { '&' } else { '?' })
}

fn pages_together_are_the_whole(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let mut failures = Vec::new();
    for (path, add) in lists(&town, &unit) {
        // Added out of order.
        [50, 20, 70, 10, 60, 40, 30].into_iter().for_each(add);
        whole(town.coordinator(), &path, &mut failures);
    }
    for sort in ["", "?sort=due_at", "?sort=-due_at"] {
        whole(town.coordinator(), &format!("/v1/due{sort}"), &mut failures);
    }
    none_failed(&failures);
}

/// Pages of every small size make up the one big page; only the last has no `next`.
fn whole(client: &Client, path: &str, failures: &mut Vec<String>) {
    let big = client.get(&joined(path, "limit=500")).expect(200).json();
    let all = big["items"].as_array().unwrap();
    assert!(all.len() >= 3, "{path} has something to be paged");
    if big.get("next").is_some() {
        failures.push(format!("{path}: a page that holds all has a next"));
    }
    for limit in [1, 2, 3, all.len() - 1, all.len(), all.len() + 1] {
        let (mut found, mut pages, mut cursor) = (Vec::new(), 0, String::new());
        loop {
            let page = client.get(&joined(path, &format!("limit={limit}{cursor}"))).expect(200).json();
            found.extend(page["items"].as_array().unwrap().clone());
            pages += 1;
            match page.get("next") {
                Some(next) => cursor = format!("&cursor={}", next.as_str().unwrap()),
                None => break,
            }
        }
        if found != *all || pages != all.len().div_ceil(limit) {
            failures.push(format!("{path} by {limit}: {pages} pages make {found:?}, not {all:?}"));
        }
    }
}

/// What is added before the cursor waits for the next reading, what is added after it comes, and
/// nothing else changes.
fn rows_added_around_the_cursor(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let client = town.coordinator();
    let mut failures = Vec::new();
    for (path, add) in lists(&town, &unit) {
        [10, 20, 30, 40, 50].into_iter().for_each(&add);
        let before = ids(&client.all(&path, 500));
        // The rows before those of this test, by a page of their own.
        let ours = before.iter().position(|found| found.ends_with("0000000a")).unwrap();
        let first = client.get(&joined(&path, &format!("limit={}", ours + 2))).expect(200).json();
        add(5);
        add(25);
        let mut found = ids(first["items"].as_array().unwrap());
        let cursor = format!("cursor={}", first["next"].as_str().unwrap());
        let second = client.get(&joined(&path, &format!("limit=2&{cursor}"))).expect(200).json();
        found.extend(ids(second["items"].as_array().unwrap()));
        // A second row before the cursor, one that the page before would have shown.
        add(24);
        let cursor = format!("cursor={}", second["next"].as_str().unwrap());
        found
            .extend(ids(client.get(&joined(&path, &cursor)).expect(200).json()["items"].as_array().unwrap()));

        let mut expected = before.clone();
        expected.insert(ours + 2, id(path.split('?').next().unwrap(), 25));
        if found != expected {
            failures.push(format!("{path}: expected {expected:?}, found {found:?}"));
        }
        let after = ids(&client.all(&path, 2));
        if after.len() != before.len() + 3 {
            failures.push(format!("{path}: the next reading shows all: {after:?}"));
        }
    }
    none_failed(&failures);
}

/// P01_keyset of the worked examples: pages of two by day and letter, `x` and `y` added after the first.
fn the_vector_of_p01(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit("FS-1");
    let add = |(day, letter): (&str, &str)| {
        let at = format!("{day}T12:00:00Z");
        let reading = json!({"id": format!("0194d000-0000-7000-8000-0000000000{:02x}", letter.as_bytes()[0]), "kind": "reading", "unit_id": unit, "occurred_at": at, "meter_hours": 5, "note": letter});
        town.coordinator().post("/v1/service-events", &reading).expect(201);
    };
    let there = [
        ("2025-08-05", "d"),
        ("2025-08-01", "b"),
        ("2025-08-07", "e"),
        ("2025-08-01", "a"),
        ("2025-08-03", "c"),
    ];
    there.into_iter().for_each(add);
    let mut cursor = String::new();
    for (n, expected) in [["a", "b"], ["y", "c"], ["d", "e"]].into_iter().enumerate() {
        let path = format!("/v1/service-events?unit={unit}&limit=2{cursor}");
        let page = town.coordinator().get(&path).expect(200).json();
        let letters: Vec<_> =
            page["items"].as_array().unwrap().iter().map(|item| item["note"].clone()).collect();
        assert_eq!(letters, expected, "page {}", n + 1);
        assert_eq!(page.get("next").is_none(), n == 2, "page {}", n + 1);
        if n == 0 {
            [("2025-07-31", "x"), ("2025-08-02", "y")].into_iter().for_each(add);
        }
        cursor = format!("&cursor={}", page["next"].as_str().unwrap_or_default());
    }
}

fn ids(items: &[Value]) -> Vec<String> {
    items.iter().map(id_of).collect()
}

fn a_cursor_is_of_one_list_of_one_organization(backend: Backend) {
    let mut world = World::new(backend);
    let (mut town, other) = (world.town(), world.town());
    let units = ["FS-1", "FS-2"].map(|label| town.unit_in_service(label, 0));
    other.unit_in_service("FS-1", 0);
    for (_, add) in lists(&town, &units[0]) {
        [10, 20].into_iter().for_each(add);
    }
    let editions = |schedule: &str| format!("/v1/schedules/{schedule}/editions");
    let events = |unit: &str| format!("/v1/service-events?unit={unit}");
    let due = |filter: &str| format!("/v1/due?{filter}");
    // A list, and other lists that its cursors are not for.
    let cases = [
        (
            "/v1/sites".to_owned(),
            vec!["/v1/units".to_owned(), "/v1/schedules".into(), editions(&town.schedule)],
        ),
        ("/v1/units".to_owned(), vec![format!("/v1/units?site={}", town.sites[0]), "/v1/sites".into()]),
        ("/v1/schedules".to_owned(), vec!["/v1/sites".to_owned(), editions(&town.schedule)]),
        (editions(&town.schedule), vec![editions(&id("/v1/schedules", 10)), "/v1/schedules".into()]),
        (events(&units[0]), vec![events(&units[1]), format!("{}&kind=reading", events(&units[0]))]),
        (
            "/v1/due".to_owned(),
            vec![
                due("state=ok"),
                due("task=oil_change"),
                due("sort=-due_at"),
                due("sort=due_at"),
                due("due_before=2027-01-01T00:00:00Z"),
                due(&format!("site={}", town.sites[0])),
                due(&format!("unit={}", units[0])),
            ],
        ),
        (
            due("state=ok,overdue&task=oil_change"),
            vec!["/v1/due".to_owned(), due("state=ok&task=oil_change")],
        ),
    ];
    let mut kept = Vec::new();
    for (list, others) in cases {
        let client = town.coordinator();
        let page = client.get(&joined(&list, "limit=1")).expect(200).json();
        let cursor = page["next"].as_str().unwrap_or_else(|| panic!("{list} has one page"));
        let with = |path: &str, cursor: &str| joined(path, &format!("cursor={cursor}"));
        let rest = client.get(&with(&list, cursor)).expect(200).json()["items"].clone();
        for path in others {
            client.get(&with(&path, cursor)).problem(400, "cursor_invalid");
        }
        let foreign = other.coordinator().get(&with(&list, cursor));
        // Of a unit or schedule of others there is no list at all.
        if foreign.status != 404 || !(list.contains("unit=") || list.contains("editions")) {
            foreign.problem(400, "cursor_invalid");
        }
        for at in [0, cursor.len() / 2, cursor.len() - 1] {
            for instead in ["A", "B", "-", "_", "9", "%3D", "+"] {
                let mut tampered = cursor.to_owned();
                tampered.replace_range(at..=at, instead);
                if tampered != cursor {
                    client.get(&with(&list, &tampered)).problem(400, "cursor_invalid");
                }
            }
        }
        for broken in [String::new(), cursor[1..].to_owned(), format!("{cursor}A"), format!("{cursor}=")] {
            client.get(&with(&list, &broken)).problem(400, "cursor_invalid");
        }
        kept.push((list.clone(), with(&list, cursor), rest));
    }
    // The service keeps nothing between requests: a cursor outlives it, and those of what is due a day at most.
    for (clock, stale) in [("2026-06-16T11:00:00Z", false), ("2026-06-16T13:00:00Z", true)] {
        world.restart_at(clock);
        world.reach(&mut town);
        for (list, path, rest) in &kept {
            let reply = town.coordinator().get(path);
            if stale && list.starts_with("/v1/due") {
                reply.problem(400, "cursor_invalid");
            } else {
                assert_eq!(reply.expect(200).json()["items"], *rest, "{path} at {clock}");
            }
        }
    }
}

fn a_page_has_500_items_at_most(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    // 600 items without 600 requests: one unit that follows three long schedules.
    let unit = town.unit("FS-1");
    let at = "2026-01-10T10:00:00-07:00";
    town.happened(&unit, at, json!({"kind": "commissioning", "site_id": town.sites[0]}));
    let task = |n| json!({"task": format!("t{n}"), "job": format!("t{n}"), "title": "Look", "limits": {"months": 1 + n % 40}});
    for _ in 0..3 {
        let schedule = json!({"title": "Long", "publisher": "Tarn Valley", "basis": "maker"});
        let schedule = id_of(&client.post("/v1/schedules", &schedule).expect(201).json());
        let tasks: Vec<Value> = (0..200).map(task).collect();
        let edition = json!({"edition": "A", "effective_from": "2020-01-01", "source": "invented fixture", "tasks": tasks});
        let path = format!("/v1/schedules/{schedule}/editions");
        let edition = id_of(&client.post(&path, &edition).expect(201).json());
        town.happened(&unit, at, json!({"kind": "adoption", "schedule_id": schedule, "edition_id": edition}));
    }
    let all = client.all("/v1/due", 500);
    assert_eq!(all.len(), 600);
    assert_eq!(client.all("/v1/due", 77), all);
    for (limit, items) in
        [("limit=1000000000", 500), ("limit=501", 500), ("limit=500", 500), ("limit=499", 499), ("", 100)]
    {
        let page = client.get(&format!("/v1/due?{limit}")).expect(200).json();
        assert_eq!(page["items"].as_array().unwrap(), &all[..items], "{limit}");
        assert!(page["next"].is_string(), "{limit}");
    }
    for limit in ["0", "-1", "1.5", "many", ""] {
        let reply = client.get(&format!("/v1/due?limit={limit}"));
        reply.problem(400, "invalid_parameter");
        assert_eq!(reply.errors()[0].0, "limit", "{}", reply.text);
    }
}
