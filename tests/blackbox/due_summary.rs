//! The summary of what is due by site counts the lines of the list at the same instant, whatever is asked for.

use std::collections::{BTreeMap, BTreeSet};

use blackbox::{
    Backend, Client, Town, World, none_failed, on_both,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

on_both!(
    every_filter_counts_what_the_list_gives,
    states_that_wait_for_their_step_count_as_they_are,
    pages_keep_their_instant,
    everybody_counts_what_they_see,
    what_is_asked_wrongly_is_refused,
);

const SUMMARY: &str = "/v1/due/by-site";

/// Items by site and state, states without items left out.
type Counts = BTreeMap<String, BTreeMap<String, u64>>;

/// The list's lines, counted by hand where their units stand.
fn counted(lines: &[Value]) -> Counts {
    let mut counts = Counts::new();
    for line in lines {
        let text = |member: &str| line[member].as_str().unwrap().to_owned();
        *counts.entry(text("standing_site_id")).or_default().entry(text("state")).or_default() += 1;
    }
    counts
}

/// A summary's items as counts; checks what every item has.
fn counts_of(items: &[Value]) -> Counts {
    let mut counts = Counts::new();
    for item in items {
        let states = item["states"].as_object().unwrap();
        assert_eq!(states.len(), 8, "every state is there: {item}");
        let some: BTreeMap<String, u64> = states
            .iter()
            .map(|(word, n)| (word.clone(), n.as_u64().unwrap()))
            .filter(|(_, n)| *n > 0)
            .collect();
        assert_eq!(item["total"].as_u64(), Some(some.values().sum()), "{item}");
        let twice = counts.insert(item["site_id"].as_str().unwrap().to_owned(), some);
        assert!(twice.is_none(), "a site comes once: {item}");
    }
    counts
}

fn query(path: &str, filter: &str) -> String {
    if filter.is_empty() { path.to_owned() } else { format!("{path}?{filter}") }
}

/// How a client's summary differs from its list, if it does.
fn difference(client: &Client, filter: &str) -> Option<String> {
    let lines = client.all(&query("/v1/due", filter), 3);
    let items = client.all(&query(SUMMARY, filter), 2);
    let ids: Vec<&str> = items.iter().map(|item| item["site_id"].as_str().unwrap()).collect();
    let (listed, summary) = (counted(&lines), counts_of(&items));
    (listed != summary || !ids.is_sorted())
        .then(|| format!("{filter:?}: the list comes to {listed:?}, the summary is {summary:?}"))
}

/// More sites, and units in many states on them: some on loan, one moved twice, one of which nothing is known.
fn fleet(town: &Town) -> (Vec<String>, Vec<String>) {
    let client = town.coordinator();
    let mut sites = town.sites.to_vec();
    for (n, zone) in ["America/Denver", "UTC", "Asia/Kathmandu", "America/Denver"].into_iter().enumerate() {
        let site = json!({"name": format!("Pump Station {n}"), "zone": zone});
        sites.push(id_of(&client.post("/v1/sites", &site).expect(201).json()));
    }
    let place = |unit: &str, at: &str, site: &str| {
        town.happened(unit, at, json!({"kind": "placement", "site_id": site}));
    };
    let mut units = Vec::new();
    for n in 0..9 {
        let unit = town.unit_in_service(&format!("U-{n}"), n % 2);
        if n % 3 != 0 {
            let oil = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 19});
            town.happened(&unit, "2026-02-01T12:00:00Z", oil);
        }
        if n % 4 != 0 {
            let hours = json!({"kind": "reading", "meter_hours": 20 + 30 * n});
            town.happened(&unit, "2026-06-14T12:00:00Z", hours);
        }
        if n > 2 {
            place(&unit, "2026-06-10T12:00:00Z", &sites[n % 6]);
        }
        units.push(unit);
    }
    place(&units[8], "2026-06-12T12:00:00Z", &sites[5]);
    let nearly = town.unit_in_service("U-10", 0);
    let oil = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 140});
    town.happened(&nearly, "2026-05-01T12:00:00Z", oil);
    town.happened(&nearly, "2026-06-15T06:00:00Z", json!({"kind": "reading", "meter_hours": 235}));
    let blank = town.unit("U-9");
    town.happened(&blank, "2026-01-10T12:00:00Z", town.adoption());
    units.push(blank);
    (sites, units)
}

fn every_filter_counts_what_the_list_gives(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (sites, units) = fleet(&town);
    let client = town.coordinator();
    let mut kinds = vec![
        vec![String::new()],
        ["ok", "due,overdue", "unknown", "coming_due", "deferred"]
            .map(|words| format!("state={words}"))
            .to_vec(),
        sites.iter().map(|site| format!("site={site}")).chain([format!("site={}", new_id())]).collect(),
        vec!["task=oil_change".to_owned(), "task=none_such".to_owned()],
        vec!["due_before=2026-06-15T12:00:00Z".to_owned(), "due_before=2027-01-01T00:00:00Z".to_owned()],
        units.iter().map(|unit| format!("unit={unit}")).collect(),
    ];
    let mut failures: Vec<String> =
        kinds.iter().flatten().filter_map(|filter| difference(client, filter)).collect();
    // Two of different kinds.
    kinds.remove(0);
    kinds.pop();
    for (n, kind) in kinds.iter().enumerate() {
        for (first, second) in kind.iter().flat_map(|a| kinds[n + 1..].iter().flatten().map(move |b| (a, b)))
        {
            failures.extend(difference(client, &format!("{first}&{second}")));
        }
    }
    none_failed(&failures);
    let whole = client.get(SUMMARY).expect(200).json();
    let items = whole["items"].as_array().unwrap();
    assert!(items.len() >= 5, "units stand at many sites: {whole}");
    assert!(items.iter().all(|item| item["site_name"].is_string()), "{whole}");
    let states: BTreeSet<String> = counts_of(items).into_values().flat_map(BTreeMap::into_keys).collect();
    assert!(states.len() >= 4, "items are in many states: {whole}");
}

/// Time alone moves states; the summary does not wait for somebody to move the stored ones on.
fn states_that_wait_for_their_step_count_as_they_are(backend: Backend) {
    let mut world = World::new(backend);
    let mut town = world.town();
    fleet(&town);
    let mut failures = Vec::new();
    let mut seen = BTreeSet::new();
    for clock in [
        "2026-06-15T12:00:00Z",
        "2026-07-20T05:59:59Z",
        "2026-08-01T06:00:00Z",
        "2026-12-24T07:00:00Z",
        "2028-01-01T00:00:00Z",
    ] {
        world.restart_at(clock);
        world.reach(&mut town);
        // The very first requests, then others after whatever the service does by itself.
        for filter in ["", "state=due,overdue", "task=oil_change", ""] {
            failures.extend(difference(town.coordinator(), filter).map(|what| format!("{clock}: {what}")));
        }
        seen.insert(format!("{:?}", counted(&town.coordinator().all("/v1/due", 500))));
    }
    none_failed(&failures);
    assert!(seen.len() >= 4, "time moved states: {seen:?}");
}

/// The later pages of a summary are about the instant of the first, as those of a list are.
fn pages_keep_their_instant(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (_, units) = fleet(&town);
    let client = town.coordinator();
    let begun = |path: &str| client.get(&format!("{path}?limit=1")).expect(200).json();
    let (list, summary) = (begun("/v1/due"), begun(SUMMARY));
    let rest = |path: &str, first: &Value| -> Vec<Value> {
        let mut items = first["items"].as_array().unwrap().clone();
        let mut cursor = first["next"].as_str().map(str::to_owned);
        while let Some(next) = cursor {
            let page = client.get(&format!("{path}?limit=2&cursor={next}")).expect(200).json();
            assert_eq!(page["as_of"], first["as_of"]);
            items.extend(page["items"].as_array().unwrap().clone());
            cursor = page["next"].as_str().map(str::to_owned);
        }
        items
    };
    // Serviced, read and adopted meanwhile; and a unit that was not there.
    for unit in &units[..6] {
        let service = json!({"kind": "service", "jobs": [{"job": "oil_change"}, {"job": "plug_replace"}], "meter_hours": 200});
        town.happened(unit, "2026-06-15T11:00:00Z", service);
    }
    town.unit_in_service("Newcomer", 0);
    let (lines, items) = (rest("/v1/due", &list), rest(SUMMARY, &summary));
    assert_eq!(counts_of(&items), counted(&lines));
    assert_ne!(counts_of(&items), counts_of(&client.all(SUMMARY, 500)), "something changed meanwhile");
}

fn everybody_counts_what_they_see(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    let (sites, _) = fleet(&town);
    fleet(&other);
    let mut failures = Vec::new();
    for some in [&sites[..1], &sites[1..2], &sites[2..5], &sites[5..]] {
        let client = world.client(town.id, world.person(town.id, &[("custodian", json!(some))]));
        for filter in [String::new(), "state=overdue,unknown".to_owned(), format!("site={}", sites[0])] {
            failures.extend(difference(&client, &filter));
        }
        for item in client.all(SUMMARY, 500) {
            // A unit of theirs that stands elsewhere counts there; the other site's name is not theirs to see.
            let own = some.contains(&item["site_id"].as_str().unwrap().to_owned());
            if own != item.get("site_name").is_some() {
                failures.push(format!("{some:?}: {item}"));
            }
        }
    }
    let nobody = world.client(town.id, world.person(town.id, &[]));
    assert_eq!(nobody.get(SUMMARY).expect(200).json()["items"], json!([]));
    none_failed(&failures);
}

fn what_is_asked_wrongly_is_refused(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    fleet(&town);
    let client = town.coordinator();
    for (wrong, parameter) in [
        ("state=none", "state"),
        ("site=1", "site"),
        ("due_before=now", "due_before"),
        ("sort=due_at", "sort"),
        ("limit=0", "limit"),
        ("task=A", "task"),
    ] {
        let reply = client.get(&format!("{SUMMARY}?{wrong}"));
        reply.problem(400, "invalid_parameter");
        assert_eq!(reply.errors()[0].0, parameter, "{}", reply.text);
    }
    let page = client.get(&format!("{SUMMARY}?limit=1")).expect(200).json();
    let cursor = page["next"].as_str().unwrap();
    client.get(&format!("{SUMMARY}?state=due&cursor={cursor}")).problem(400, "cursor_invalid");
    client.get(&format!("/v1/due?cursor={cursor}")).problem(400, "cursor_invalid");
    other.coordinator().get(&format!("{SUMMARY}?cursor={cursor}")).problem(400, "cursor_invalid");
    client.post(SUMMARY, &json!({})).problem(405, "method_not_allowed");
    world.service.anonymous().get(SUMMARY).problem(401, "unauthenticated");
}
