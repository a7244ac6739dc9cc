//! A van with a handset in it, whose clock, people and wire the test holds in its hands.

use std::{
    collections::VecDeque,
    path::PathBuf,
    time::{Duration, Instant as Ticks},
};

use blackbox::{Client, Town, World, service::NOW};
use device::{Include, Records};
use handset::{
    Device, Ended, Handset, Http, Kind, NewPhoto, Outside, State, Synced, Wish,
    outside::{Asked, CodeFor, Method, NoAnswer, People, Reply, Surroundings, Wire},
};
use model::{EditId, Instant, PersonId, UnitId};
use serde_json::{Map, Value, json};
use tempfile::TempDir;
use uuid::Uuid;

/// The van.
pub(crate) struct Van {
    pub(crate) folder: TempDir,
    handset: Option<Handset>,
    boot_mark: String,
    pub(crate) around: Around,
    pub(crate) people: Signed,
    pub(crate) wire: Watched,
}

/// The device's clock: it began with that of the service.
pub(crate) struct Around {
    begins: Instant,
    since: Ticks,
    /// By how many seconds it is fast.
    pub(crate) fast: i64,
    /// Whether it waits where it is asked to; otherwise a sync ends there.
    patient: bool,
}

impl Around {
    fn beginning(now: &str) -> Self {
        Self { begins: Instant::parse(now).unwrap(), since: Ticks::now(), fast: 0, patient: true }
    }
}

/// Somebody who is signed in, and the codes that they were given.
#[derive(Default)]
pub(crate) struct Signed {
    pub(crate) token: String,
    pub(crate) next_token: Option<String>,
    pub(crate) codes: VecDeque<String>,
    pub(crate) asked_for: Vec<CodeFor>,
}

/// HTTP, with what was asked.
#[derive(Default)]
pub(crate) struct Watched {
    http: Http,
    /// The paths, in order.
    pub(crate) asked: Vec<String>,
    /// How many bytes of photos were sent, those that were lost included.
    pub(crate) photo_bytes: u64,
    /// The last answer to a sync.
    pub(crate) said: Value,
    /// Whether fingerprints were told in this sync.
    pub(crate) told_sums: bool,
    /// How many answers get lost from now on.
    pub(crate) lost: usize,
    /// Whether there is no signal.
    pub(crate) off: bool,
    /// How many answers come before no more do; that of the next request gets lost.
    left: Option<usize>,
}

impl Surroundings for Around {
    fn now(&mut self) -> Instant {
        let passed = i64::try_from(self.since.elapsed().as_micros()).unwrap();
        Instant::from_micros(self.begins.micros() + passed).plus_seconds(self.fast)
    }

    fn fresh_id(&mut self) -> Uuid {
        Uuid::now_v7()
    }

    fn chance(&mut self) -> f64 {
        0.0
    }

    fn wait(&mut self, _: Duration) -> bool {
        self.patient
    }
}

impl People for Signed {
    fn token(&mut self, _: PersonId) -> Option<String> {
        Some(self.token.clone())
    }

    fn new_token(&mut self, _: PersonId) -> Option<String> {
        self.token = self.next_token.take()?;
        Some(self.token.clone())
    }

    fn code(&mut self, why: CodeFor) -> Option<String> {
        self.asked_for.push(why);
        self.codes.pop_front()
    }
}

impl Wire for Watched {
    fn ask(&mut self, asked: &Asked<'_>) -> Result<Reply, NoAnswer> {
        let (_, path) = asked.url.split_once("/v1/").unwrap();
        self.asked.push(path.to_owned());
        if self.off {
            return Err(NoAnswer("no signal".to_owned()));
        }
        if matches!(asked.method, Method::PutPart { .. }) {
            self.photo_bytes += u64::try_from(asked.body.len()).unwrap();
        }
        let reply = self.http.ask(asked)?;
        if self.lost > 0 {
            self.lost -= 1;
            return Err(NoAnswer("lost".to_owned()));
        }
        if let Some(left) = &mut self.left {
            *left = left.checked_sub(1).ok_or_else(|| NoAnswer("nobody waits for it".to_owned()))?;
        }
        if path == "sync" {
            self.said = serde_json::from_slice(&reply.body).unwrap();
            self.told_sums |= self.said["fingerprints"].is_array();
        }
        Ok(reply)
    }
}

impl Van {
    /// A new one, enrolled by whoever has a role.
    pub(crate) fn new(world: &World, town: &Town, role: &str) -> Self {
        Self::of(world, town, town.people[role])
    }

    /// A new one, enrolled by somebody.
    pub(crate) fn of(world: &World, town: &Town, person: PersonId) -> Self {
        let (token, code) = (world.token(town.id, person), town.handset_code());
        Self::enrolled(world.service.url(), person, &token, &code, NOW)
    }

    /// A new one at a service, its clock beginning at `now`.
    pub(crate) fn enrolled(service: &str, person: PersonId, token: &str, code: &str, now: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let people = Signed { token: token.to_owned(), codes: [code.to_owned()].into(), ..Signed::default() };
        let around = Around::beginning(now);
        let mut van = Self {
            folder,
            handset: None,
            boot_mark: String::new(),
            around,
            people,
            wire: Watched::default(),
        };
        van.open("first start");
        let device = Device::new(service, "Van 2", person, "first start");
        let Self { handset, around, people, wire, .. } = &mut van;
        let enrolled = handset.as_mut().unwrap().enrol(device, Outside { around, people, wire }).unwrap();
        assert_eq!(enrolled.ended, Ended::Done);
        van
    }

    /// What the device's clock shows.
    pub(crate) fn now(&mut self) -> String {
        self.around.now().to_string()
    }

    /// What a good watch shows, so many seconds later.
    pub(crate) fn true_time(&mut self, later: i64) -> String {
        let fast = self.around.fast;
        self.around.now().plus_seconds(later - fast).to_string()
    }

    /// What of all that it has written is not recorded, with where it stands.
    pub(crate) fn unrecorded(&mut self) -> Vec<String> {
        let queue = self.handset().queue().unwrap();
        let open = queue.iter().filter(|edit| !edit.state.is_recorded());
        open.map(|edit| format!("{:?} {}", edit.state, edit.result.as_deref().unwrap_or_default())).collect()
    }

    fn file(&self) -> PathBuf {
        self.folder.path().join("handset.db")
    }

    pub(crate) fn open(&mut self, boot_mark: &str) {
        boot_mark.clone_into(&mut self.boot_mark);
        self.reopen();
    }

    fn reopen(&mut self) {
        self.handset = None;
        self.handset = Some(Handset::open(&self.file(), &self.boot_mark).unwrap());
    }

    /// Something is done to its file while it is closed.
    pub(crate) fn closed(&mut self, f: impl FnOnce(&str)) {
        self.handset = None;
        f(self.file().to_str().unwrap());
        self.open("first start");
    }

    pub(crate) fn handset(&mut self) -> &mut Handset {
        self.handset.as_mut().unwrap()
    }

    /// The service was started again: it has another address, and tokens of its time are good.
    pub(crate) fn reach(&mut self, world: &World, town: &Town, person: PersonId, now: &str) {
        self.people.token = world.token(town.id, person);
        self.around = Around { fast: self.around.fast, ..Around::beginning(now) };
        self.handset().move_to(world.service.url()).unwrap();
    }

    /// The program is killed: another run of it finds what stood on the disk at that moment.
    pub(crate) fn killed(&mut self) {
        let folder = tempfile::tempdir().unwrap();
        for file in std::fs::read_dir(self.folder.path()).unwrap() {
            let file = file.unwrap();
            // What the file's own processes tell each other is gone with them.
            if !file.file_name().to_str().unwrap().ends_with("-shm") {
                std::fs::copy(file.path(), folder.path().join(file.file_name())).unwrap();
            }
        }
        self.handset = None;
        self.folder = folder;
        self.reopen();
    }

    /// Syncs, killed after its first request, after the first answer that it took, after the second, until it comes to its end.
    pub(crate) fn syncs_between_kills(&mut self) -> Synced {
        for answers in 0.. {
            self.wire.left = Some(answers);
            self.around.patient = false;
            let codes = self.people.codes.clone();
            let synced = self.sync();
            self.wire.left = None;
            self.around.patient = true;
            self.killed();
            if synced.ended != Ended::Stopped {
                return synced;
            }
            // Whoever was given a code types it again.
            self.people.codes = codes;
        }
        unreachable!("there are only so many requests")
    }

    /// A copy of its file in another van.
    pub(crate) fn copied(&mut self) -> Self {
        self.handset = None;
        let folder = tempfile::tempdir().unwrap();
        std::fs::copy(self.file(), folder.path().join("handset.db")).unwrap();
        self.open("first start");
        let people = Signed { token: self.people.token.clone(), ..Signed::default() };
        let Around { begins, since, fast, patient } = self.around;
        let around = Around { begins, since, fast, patient };
        let mut copy = Self {
            folder,
            handset: None,
            boot_mark: String::new(),
            around,
            people,
            wire: Watched::default(),
        };
        copy.open("first start");
        copy
    }

    pub(crate) fn sync(&mut self) -> Synced {
        let Self { handset, around, people, wire, .. } = self;
        wire.asked.clear();
        wire.told_sums = false;
        handset.as_mut().unwrap().sync(Outside { around, people, wire }).unwrap()
    }

    /// A sync after which nothing is left, and which found no difference to what the service says of each site.
    #[track_caller]
    pub(crate) fn agrees(&mut self) -> Synced {
        let synced = self.sync();
        assert_eq!(synced.ended, Ended::Done, "{:?}", self.wire.asked);
        assert!(self.wire.told_sums, "{}", self.wire.said);
        let narrowing = self.wire.asked.iter().filter(|path| path.starts_with("fingerprints"));
        assert_eq!(narrowing.collect::<Vec<_>>(), Vec::<&String>::new());
        synced
    }

    pub(crate) fn write(&mut self, wish: Wish) -> String {
        let Self { handset, around, .. } = self;
        handset.as_mut().unwrap().write(around, wish).unwrap().to_string()
    }

    pub(crate) fn write_with_photos(&mut self, event: Map<String, Value>, photos: Vec<NewPhoto>) -> EditId {
        let Self { handset, around, .. } = self;
        handset.as_mut().unwrap().write_with_photos(around, event, photos).unwrap()
    }

    /// A reading of a unit, an hour ago.
    pub(crate) fn reading(&mut self, unit: &str, hours: f64) -> String {
        let at = self.around.now().plus_seconds(-3600).to_string();
        self.write(event(unit, json!({"kind": "reading", "occurred_at": at, "meter_hours": hours})))
    }

    /// Sets fields of a unit, by somebody who sees it as it is.
    pub(crate) fn set(&mut self, unit: &str, fields: Value) -> String {
        let (id, fields) = (Uuid::try_parse(unit).unwrap(), map(fields));
        let view = self.handset().view(Kind::Unit, id).unwrap().unwrap();
        self.write(Wish::Set { kind: Kind::Unit, id, base: view.base(&fields), fields })
    }

    /// A field of a unit as its user sees it.
    pub(crate) fn field(&mut self, unit: &str, field: &str) -> Value {
        let view = self.handset().view(Kind::Unit, Uuid::try_parse(unit).unwrap()).unwrap().unwrap();
        view.fields().get(field).cloned().unwrap_or_default()
    }

    /// The values of a contested field.
    pub(crate) fn contested(&mut self, unit: &str, field: &str) -> Vec<Value> {
        let view = self.handset().view(Kind::Unit, Uuid::try_parse(unit).unwrap()).unwrap().unwrap();
        let found = view.contested().find(|(name, _)| *name == field);
        found
            .map(|(_, rivals)| rivals.iter().map(|rival| rival.told["value"].clone()).collect())
            .unwrap_or_default()
    }

    /// Where its edits stand, in order.
    pub(crate) fn states(&mut self) -> Vec<State> {
        self.handset().queue().unwrap().iter().map(|edit| edit.state).collect()
    }

    /// What it was told, as questions about what is due are asked of it.
    pub(crate) fn records(&mut self) -> Records {
        let mut records = Records::new();
        for (kind, id, text) in self.told() {
            records.told(&kind, &id.to_string(), &serde_json::from_str(&text).unwrap());
        }
        records
    }

    /// All that it was told, by kind and id.
    pub(crate) fn told(&mut self) -> Vec<(String, Uuid, String)> {
        let kinds = ["edition", "schedule", "service_event", "site", "unit"];
        let all = kinds.map(|kind| self.handset().told(kind).unwrap());
        all.into_iter().flatten().map(|record| (record.kind, record.id, record.text)).collect()
    }
}

/// Where the service's answer about what is due on a unit and the device's differ, to the last member of the trace.
pub(crate) fn due_differs(records: &Records, client: &Client, unit: &str, query: &str) -> Vec<String> {
    let path = format!("/v1/units/{unit}/due?include=trace,projection{query}");
    let service = client.get(&path).expect(200).json();
    let at = Instant::parse(service["as_of"].as_str().unwrap()).unwrap();
    let include = Include { trace: true, projection: true };
    let device = serde_json::to_value(records.due(UnitId::parse(unit).unwrap(), at, include)).unwrap();
    let members =
        ["standing_site_id", "engine_hours", "set_aside", "compliance", "policy", "editions", "items"];
    let differ = members.into_iter().filter(|member| service[*member] != device[*member]);
    differ.map(|member| format!("{member}: service {}, device {}", service[member], device[member])).collect()
}

/// An event of a unit.
pub(crate) fn event(unit: &str, mut event: Value) -> Wish {
    event["unit_id"] = json!(unit);
    Wish::Event(map(event))
}

pub(crate) fn map(value: Value) -> Map<String, Value> {
    value.as_object().unwrap().clone()
}
