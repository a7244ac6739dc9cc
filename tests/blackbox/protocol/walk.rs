//! One walk through the protocol, from a handset's enrolment to its end.

use blackbox::{Backend, Client, World, service::is_clean, world::id_of};
use model::{OrganizationId, PersonId};
use serde_json::{Value, json};

use super::device::Device;

/// The service's clock, day by day.
const DAYS: [&str; 3] =
    ["2026-11-02T08:00:00-07:00", "2026-11-03T08:00:00-07:00", "2026-11-04T08:00:00-07:00"];

const SITE: &str = "01990593-db00-7ca4-b9f8-c1a4abbbe207";
const ELSEWHERE: &str = "01990593-db00-7221-ba09-5a260a702bb6";
const UNIT: &str = "01990593-db00-7b8f-812e-570f80052a99";
const HANDSET: &str = "01990593-db00-7e4a-8c3f-2d6b90f1a755";
const OTHER_HANDSET: &str = "01990593-db00-7f16-a9d2-64c7e83b0e91";
const LATE_HANDSET: &str = "01990593-db00-7d52-b7f3-1c8a90e6d431";
/// A unit that is made on the handset.
const NEW_UNIT: &str = "019a4f6e-1e00-7c77-8d21-0e9f6a7b8c02";
/// Another one, with its commissioning.
const PAIRED_UNIT: &str = "019a4f6e-1f00-7d03-8e45-917a5c6b7d06";
const HELD_GROUP: &str = "019a4f6e-1f00-7a18-b2c4-6d0e9f3a5b21";
const GROUP: &str = "019a4f6e-1f00-7e61-9a3b-50c2d8e4f107";

/// So much of a cursor is shown.
const CURSOR_SHOWN: usize = 30;

/// What the handset writes, in order.
fn edit_id(n: u32) -> String {
    format!("019a4f6e-2b00-7a52-9c11-6b0d2f3e4a{n:02}")
}

/// The walk, and what it shows so far.
pub(super) struct Walk {
    world: World,
    organization: OrganizationId,
    boss: PersonId,
    field: PersonId,
    shown: Vec<(&'static str, Value)>,
}

impl Walk {
    pub(super) fn new(backend: Backend) -> Self {
        let world = World::at(backend, DAYS[0]);
        let (organization, people) = world.organization();
        let boss = people["coordinator"];
        let desk = world.client(organization, boss);
        for (id, name) in [(SITE, "Ridge Road Fire Station"), (ELSEWHERE, "Quarry Lane Works Yard")] {
            desk.post("/v1/sites", &json!({"id": id, "name": name, "zone": "America/Denver"})).expect(201);
        }
        let unit =
            json!({"id": UNIT, "label": "FS-02", "home_site_id": SITE, "fuel": "petrol", "rated_kw": 5.5});
        desk.post("/v1/units", &unit).expect(201);
        let field = world.person(organization, &[("coordinator", json!([SITE]))]);
        Self { world, organization, boss, field, shown: Vec::new() }
    }

    pub(super) fn played(mut self) -> Vec<(&'static str, Value)> {
        let mut device = self.enrol();
        self.fill(&mut device);
        self.day(1, &mut device);
        self.push(&mut device);
        self.contest(&mut device);
        self.park(&mut device);
        self.group(&mut device);
        self.hold(&mut device);
        self.refuse(&mut device);
        self.forget(&mut device);
        self.widen(&mut device);
        self.restore(&mut device);
        self.revoke(&mut device);
        is_clean(&self.world.database);
        self.shown
    }

    fn show(&mut self, name: &'static str, value: &Value) {
        let mut value = value.clone();
        shorten(&mut value);
        self.shown.push((name, value));
    }

    /// Shows some members of an answer.
    fn part(&mut self, name: &'static str, value: &Value, members: &[&str]) {
        let part = members.iter().map(|name| ((*name).to_owned(), value[*name].clone())).collect();
        self.show(name, &Value::Object(part));
    }

    fn desk(&self) -> Client {
        self.world.client(self.organization, self.boss)
    }

    fn in_the_field(&self) -> Client {
        self.world.client(self.organization, self.field)
    }

    /// The service starts anew on another day.
    fn day(&mut self, day: usize, device: &mut Device) {
        self.world.restart_at(DAYS[day]);
        device.client = self.in_the_field();
    }

    fn edit(&self, kind: &str, action: &str, body: Value) -> Value {
        let mut edit = json!({"author": self.field, "kind": kind, "action": action, "body": body});
        if kind != "service_event" {
            edit["record_id"] = json!(UNIT);
        }
        edit
    }

    fn reading(&self, unit: &str, at: &str, hours: f64) -> Value {
        let body = json!({"kind": "reading", "unit_id": unit, "occurred_at": at, "meter_hours": hours});
        self.edit("service_event", "create", body)
    }

    /// That the copy of the handset is what the service says it is.
    #[track_caller]
    fn same(device: &Device, answer: &Value) {
        let [told] = answer["fingerprints"].as_array().unwrap().as_slice() else { panic!("{answer}") };
        let (count, fingerprint) = device.fingerprint();
        assert_eq!((&told["count"], &told["fingerprint"]), (&json!(count), &json!(fingerprint)), "{told}");
    }

    fn enrol(&mut self) -> Device {
        let code = self.desk().post("/v1/handsets/codes", &json!({})).expect(201).json();
        self.show("a code", &code);
        let request = json!({"id": HANDSET, "code": code["code"], "name": "Van 2"});
        self.show("enrolment", &request);
        let client = self.in_the_field();
        let handset = client.post("/v1/handsets", &request).expect(201).json();
        self.show("enrolled", &handset);
        // The answer got lost.
        let again = client.post("/v1/handsets", &request).expect(200).json();
        assert_eq!(again["number"], handset["number"]);
        let limits = client.get("/v1/limits").expect(200).json();
        self.show("limits", &limits);
        Device::enrolled(&client, &handset)
    }

    /// More than a page of readings, and a first fill over a connection that breaks.
    fn fill(&mut self, device: &mut Device) {
        let note = "Ran well under load. ".repeat(150).trim_end().to_owned();
        let reading = |n: u32| {
            let day = format!("2026-{:02}-{:02}T10:00:00-07:00", 1 + n / 28, 1 + n % 28);
            json!({"id": format!("01990593-db00-7b00-8000-{n:012}"), "kind": "reading", "unit_id": UNIT, "occurred_at": day,
                "meter_hours": n, "note": note})
        };
        let events: Vec<Value> = (0..200).map(reading).collect();
        self.desk().post("/v1/service-events/batch", &json!({"events": events})).expect(207);

        let request = device.request("2026-11-02T08:02:00-07:00", &[]);
        self.show("a first fill", &request);
        let first = device.sync(&request);
        let mut page = first.clone();
        page["changes"].as_array_mut().unwrap().truncate(2);
        page["changes"].as_array_mut().unwrap().push(json!("…"));
        self.show("the first page", &page);
        assert_eq!(first["more"], true);
        let request = device.request("2026-11-02T08:02:01-07:00", &[]);
        // The connection breaks, so the page is asked for again: it is the same.
        let lost = device.client.post("/v1/sync", &request).expect(200).json();
        let last = device.sync(&request);
        assert_eq!((&lost["changes"], &lost["cursor"]), (&last["changes"], &last["cursor"]));
        self.part("the last page", &last, &["cursor", "more", "pull", "fingerprints"]);
        Self::same(device, &last);
    }

    fn push(&mut self, device: &mut Device) {
        let run = json!({"kind": "reading", "unit_id": UNIT, "occurred_at": "2026-11-02T15:10:00-07:00",
            "meter_hours": 231.5});
        let reading =
            device.edit(&edit_id(1), "2026-11-02T15:12:00-07:00", self.edit("service_event", "create", run));
        let seen = json!({"rated_kw": device.seen("unit", UNIT, "rated_kw")});
        let mut rating = self.edit("unit", "set", json!({"rated_kw": 5}));
        rating["base"] = seen;
        let rating = device.edit(&edit_id(2), "2026-11-02T15:14:00-07:00", rating);
        let request = device.request("2026-11-03T08:02:00-07:00", &[reading, rating]);
        self.show("two edits", &request);
        // The first answer gets lost.
        let lost = device.client.post("/v1/sync", &request).expect(200).json();
        self.part("two results", &lost, &["results", "changes", "pull", "more"]);
        let again = device.sync(&request);
        self.part("the same again", &again, &["results", "changes"]);
        assert_eq!(again["changes"], lost["changes"]);
        Self::same(device, &again);
    }

    /// The desk changes a field that the handset changes, too; then somebody settles it.
    fn contest(&mut self, device: &mut Device) {
        let path = format!("/v1/units/{UNIT}");
        let etag = self.desk().get(&path).expect(200).etag();
        self.desk().patch(&path, &etag, &json!({"label": "FS-2"})).expect(200);
        let mut label = self.edit("unit", "set", json!({"label": "Engine 2"}));
        label["base"] = json!({"label": device.seen("unit", UNIT, "label")});
        let label = device.edit(&edit_id(3), "2026-11-03T08:03:00-07:00", label);
        self.show("a contested edit", &label);
        let (_, answer) = device.send("2026-11-03T08:03:10-07:00", &[label]);
        self.part("a contested result", &answer, &["results", "changes"]);
        Self::same(device, &answer);

        let mut settled = self.edit("unit", "set", json!({"label": "FS-02"}));
        settled["base"] = json!({"label": device.seen("unit", UNIT, "label")});
        let settled = device.edit(&edit_id(4), "2026-11-03T08:03:20-07:00", settled);
        self.show("a settling edit", &settled);
        let (_, answer) = device.send("2026-11-03T08:03:30-07:00", &[settled]);
        self.part("a settled result", &answer, &["results", "changes"]);
        Self::same(device, &answer);
    }

    /// A reading comes before its unit.
    fn park(&mut self, device: &mut Device) {
        let mut unit =
            self.edit("unit", "create", json!({"label": "FS-05", "home_site_id": SITE, "fuel": "diesel"}));
        unit["record_id"] = json!(NEW_UNIT);
        let unit = device.edit(NEW_UNIT, "2026-11-03T08:03:40-07:00", unit);
        let reading = self.reading(NEW_UNIT, "2026-11-03T07:30:00-07:00", 12.5);
        let reading = device.edit(&edit_id(6), "2026-11-03T08:03:50-07:00", reading);
        let (_, answer) = device.send("2026-11-03T08:04:00-07:00", std::slice::from_ref(&reading));
        self.part("a parked result", &answer, &["results", "changes"]);
        let (_, answer) = device.send("2026-11-03T08:04:10-07:00", &[unit, reading]);
        self.part("what it waited for", &answer, &["results", "changes"]);
        Self::same(device, &answer);
    }

    /// A unit and its commissioning, which count together, come one by one.
    fn group(&mut self, device: &mut Device) {
        let group = json!({"id": GROUP, "size": 2});
        let fields = json!({"label": "FS-06", "home_site_id": SITE, "fuel": "petrol"});
        let mut unit = self.edit("unit", "create", fields);
        unit["record_id"] = json!(PAIRED_UNIT);
        let body = json!({"kind": "commissioning", "unit_id": PAIRED_UNIT, "occurred_at": "2026-11-03T07:40:00-07:00",
            "site_id": SITE, "meter_hours": 0});
        let commissioned = self.edit("service_event", "create", body);
        let edits = [(PAIRED_UNIT.to_owned(), unit), (edit_id(8), commissioned)].map(|(id, mut edit)| {
            edit["group"] = group.clone();
            device.edit(&id, "2026-11-03T08:04:20-07:00", edit)
        });
        self.show("a member of a group", &edits[0]);
        let (_, answer) = device.send("2026-11-03T08:04:20-07:00", &edits[..1]);
        self.part("half a group", &answer, &["results"]);
        let (_, answer) = device.send("2026-11-03T08:04:25-07:00", &edits);
        self.part("a group", &answer, &["results"]);
        Self::same(device, &answer);
    }

    /// What lies ahead waits for a person.
    fn hold(&mut self, device: &mut Device) {
        let ahead = self.reading(UNIT, "2026-12-03T07:30:00-07:00", 232.0);
        let ahead = device.edit(&edit_id(9), "2026-11-03T08:04:30-07:00", ahead);
        let (_, answer) = device.send("2026-11-03T08:04:30-07:00", std::slice::from_ref(&ahead));
        self.part("a held result", &answer, &["results", "changes"]);
        let path = format!("/v1/held/{}/refuse", id_of(&ahead));
        self.desk().post(&path, &json!({"reason": "The month was mistyped."})).expect(200);
        let (_, answer) = device.send("2026-11-03T08:04:35-07:00", &[ahead]);
        self.part("decided", &answer, &["results", "changes"]);
        self.hold_two(device);
    }

    /// Two of a group wait, and somebody releases one of them.
    fn hold_two(&mut self, device: &mut Device) {
        let group = json!({"id": HELD_GROUP, "size": 2});
        let edits = [(15, 240.0), (16, 240.5)].map(|(n, hours)| {
            let mut edit = self.reading(UNIT, "2026-12-04T07:30:00-07:00", hours);
            edit["group"] = group.clone();
            device.edit(&edit_id(n), "2026-11-03T08:04:36-07:00", edit)
        });
        let (_, answer) = device.send("2026-11-03T08:04:36-07:00", &edits);
        assert!(
            answer["results"].as_array().unwrap().iter().all(|result| result["result"] == "held"),
            "{answer}"
        );
        let waiting = self.desk().get("/v1/held").expect(200).json();
        self.show("a held group", &waiting);
        self.desk().post(&format!("/v1/held/{}/release", id_of(&edits[0])), &json!({})).expect(200);
        let (_, answer) = device.send("2026-11-03T08:04:37-07:00", &edits);
        self.part("a group decided", &answer, &["results"]);
        Self::same(device, &answer);
    }

    /// What cannot be, beside what can, and what nobody understands yet.
    fn refuse(&mut self, device: &mut Device) {
        let mut wrong = self.reading(UNIT, "2026-11-03T07:45:00-07:00", 232.0);
        wrong["body"].as_object_mut().unwrap().remove("meter_hours");
        let wrong = device.edit(&edit_id(10), "2026-11-03T08:04:40-07:00", wrong);
        let newer = self.edit("service_event", "create", json!({"kind": "meter_photo"}));
        let mut newer = device.edit(&edit_id(11), "2026-11-03T08:04:41-07:00", newer);
        newer["format"] = json!(model::edit::FORMAT + 1);
        let right = self.reading(UNIT, "2026-11-03T07:50:00-07:00", 231.75);
        let right = device.edit(&edit_id(12), "2026-11-03T08:04:42-07:00", right);
        let (_, answer) = device.send("2026-11-03T08:04:45-07:00", &[wrong, newer, right]);
        self.part("a refused result", &answer, &["results"]);
        let mut request = device.request("2026-11-03T08:04:46-07:00", &[]);
        request["cursor"] = json!("AAAA");
        let problem = device.client.post("/v1/sync", &request).problem(400, "cursor_invalid");
        self.show("a problem", &problem);
    }

    /// The new unit goes where its people do not see it, and they come to see that, too.
    fn forget(&mut self, device: &mut Device) {
        let path = format!("/v1/units/{NEW_UNIT}");
        let etag = self.desk().get(&path).expect(200).etag();
        self.desk().patch(&path, &etag, &json!({"home_site_id": ELSEWHERE})).expect(200);
        let (_, answer) = device.send("2026-11-03T08:04:50-07:00", &[]);
        self.part("a unit out of sight", &answer, &["changes"]);
        Self::same(device, &answer);
        let parts = device.client.get(&format!("/v1/fingerprints?site_id={SITE}")).expect(200).json();
        self.show("parts", &parts);
    }

    /// Its people come to see another site, while another handset of theirs fills.
    fn widen(&mut self, device: &mut Device) {
        let mut other = self.new_handset(OTHER_HANDSET, "Workshop");
        let (_, first) = other.send("2026-11-03T08:04:51-07:00", &[]);
        assert_eq!(first["more"], true);
        let grant = json!({"role": "coordinator", "sites": [ELSEWHERE], "from": "2020-01-01T00:00:00Z"});
        self.world.grant(self.organization, self.field, grant);
        let (_, answer) = other.send("2026-11-03T08:04:52-07:00", &[]);
        self.part("a changed scope", &answer, &["changes", "cursor", "more", "pull"]);
        let (_, first) = other.send("2026-11-03T08:04:53-07:00", &[]);
        assert_eq!(first["pull"], json!({"status": "ok"}));

        let (_, answer) = device.send("2026-11-03T08:04:54-07:00", &[]);
        self.part("a site gained", &answer, &["changes", "more", "pull"]);
        self.copied(other);
    }

    /// The store of a handset was copied.
    fn copied(&mut self, mut device: Device) {
        let mut copy = device.clone();
        for (device, n) in [(&mut device, 21), (&mut copy, 22)] {
            let reading = self.reading(UNIT, "2026-11-03T07:55:00-07:00", 231.8);
            let reading = device.edit(&edit_id(n), "2026-11-03T08:04:55-07:00", reading);
            let (_, answer) = device.send("2026-11-03T08:04:55-07:00", &[reading]);
            if n == 22 {
                self.part("a copied handset", &answer, &["results", "forked"]);
                self.part("an echo of another's edit", &answer, &["changes"]);
            }
        }
        assert!(copy.stranger && !device.stranger, "an echo of what the other copy wrote");
    }

    fn new_handset(&self, id: &str, name: &str) -> Device {
        let code = self.desk().post("/v1/handsets/codes", &json!({})).expect(201).json();
        let request = json!({"id": id, "code": code["code"], "name": name});
        let client = self.in_the_field();
        Device::enrolled(&client, &client.post("/v1/handsets", &request).expect(201).json())
    }

    /// The service is restored from a backup that knows neither the last edit nor a handset that came since.
    fn restore(&mut self, device: &mut Device) {
        self.world.service.kill();
        let backup = self.world.database.backup();
        self.day(1, device);
        let mut late = self.new_handset(LATE_HANDSET, "Van 3");
        let reading = self.reading(UNIT, "2026-11-03T07:58:00-07:00", 231.85);
        let reading = device.edit(&edit_id(13), "2026-11-03T08:02:00-07:00", reading);
        device.send("2026-11-03T08:02:00-07:00", &[reading]);
        self.world.service.kill();
        self.world.database.restore(&backup);
        self.day(2, device);

        let (_, answer) = device.send("2026-11-04T08:02:00-07:00", &[]);
        self.part("a reset", &answer, &["changes", "more", "pull"]);
        assert_eq!(answer.get("cursor"), None);
        let all = device.written();
        let (_, answer) = device.send("2026-11-04T08:02:05-07:00", &all);
        let results = answer["results"].as_array().unwrap();
        let last = json!({"results": ["…", results[results.len() - 2], results[results.len() - 1]]});
        self.show("offered again", &last);

        late.client = self.in_the_field();
        let request = late.request("2026-11-04T08:02:10-07:00", &[]);
        let problem = late.client.post("/v1/sync", &request).problem(404, "handset_unknown");
        self.show("an unknown handset", &problem);
        let code = self.desk().post("/v1/handsets/codes", &json!({})).expect(201).json();
        let previous = json!({"id": LATE_HANDSET, "number": late.number});
        let request = json!({"code": code["code"], "name": "Van 3", "previous": previous});
        self.show("enrolled as before", &request);
        let again = late.client.post("/v1/handsets", &request).expect(201).json();
        assert_eq!(again["number"], json!(late.number));
        late.send("2026-11-04T08:02:12-07:00", &[]);
    }

    fn revoke(&mut self, device: &mut Device) {
        self.desk().post(&format!("/v1/handsets/{HANDSET}/revoke"), &json!({})).expect(200);
        let reading = self.reading(UNIT, "2026-11-04T07:58:00-07:00", 232.0);
        let reading = device.edit(&edit_id(14), "2026-11-04T08:02:20-07:00", reading);
        let (_, answer) = device.send("2026-11-04T08:02:20-07:00", &[reading]);
        self.part("a revoked handset", &answer, &["results", "changes", "more", "pull"]);
    }
}

/// Nobody looks inside a cursor, so its beginning is enough to know it by.
fn shorten(value: &mut Value) {
    if let Some(cursor) = value.get_mut("cursor")
        && let Some(text) = cursor.as_str().filter(|text| text.len() > CURSOR_SHOWN)
    {
        *cursor = json!(format!("{}…", &text[..CURSOR_SHOWN]));
    }
}
