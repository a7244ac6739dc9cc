//! Judging by hand: while others write, twice at once, by another version, broken off.

use std::{
    sync::{
        Arc, Mutex,
        atomic::{AtomicUsize, Ordering},
        mpsc,
    },
    thread,
    time::{Duration, Instant as Ticks},
};

use blackbox::{
    Backend, Database, Direct,
    direct::{self, create, event, set},
    nightly::NightShift,
    on_both,
    service::NOW,
    world::{fresh, new_id},
};
use model::{Instant, Kilowatts, OrganizationId, SiteId, UnitId, edit::Target};
use serde_json::{Value, json};
use store::{
    readiness::{For, Judge, Judged, ReadinessQuery, SiteSeen, UnitSeen},
    view::DueFilter,
};

on_both!(
    what_changes_while_a_unit_is_judged_is_judged_again,
    two_judges_at_once_come_to_one_answer,
    another_version_judges_everything_anew,
    what_cannot_be_judged_waits,
    a_killed_night_shift_leaves_nothing_out,
);

fn now() -> Instant {
    Instant::parse(NOW).unwrap()
}

/// What to do when a unit is judged, before it is.
type Meanwhile = Box<dyn Fn(&UnitSeen) + Send + Sync>;

/// Judges by label alone: what is called `bad` is not ready. Tells what it saw.
struct Labels {
    version: &'static str,
    judged: AtomicUsize,
    meanwhile: Meanwhile,
}

impl std::fmt::Debug for Labels {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.version)
    }
}

impl Labels {
    fn new(version: &'static str) -> Arc<Self> {
        Self::with(version, Box::new(|_| {}))
    }

    fn with(version: &'static str, meanwhile: Meanwhile) -> Arc<Self> {
        Arc::new(Self { version, judged: AtomicUsize::new(0), meanwhile })
    }
}

impl Judge for Labels {
    fn unit(&self, seen: &UnitSeen) -> serde_json::Result<Judged> {
        self.judged.fetch_add(1, Ordering::SeqCst);
        (self.meanwhile)(seen);
        let label = seen.story.fields.label.as_ref().map(ToString::to_string).unwrap_or_default();
        if label == "broken" {
            let _: () = serde_json::from_str("[")?;
        }
        let needs = seen.story.site_fields.needs_kw.map(Kilowatts::hundredths);
        Ok(Judged {
            verdict: if label == "bad" { "not_ready" } else { "ready" },
            until: None,
            capacity: Some(Kilowatts::from_hundredths(100)),
            told: json!([label, needs, seen.story.happened.len()]).to_string(),
        })
    }

    fn site(&self, seen: &SiteSeen) -> serde_json::Result<Judged> {
        let bad = seen.units.iter().filter(|unit| unit.verdict == "not_ready").count();
        let verdict = if bad > 0 { "not_ready" } else { "ready" };
        Ok(Judged { verdict, until: None, capacity: None, told: json!([seen.units.len(), bad]).to_string() })
    }

    fn version(&self) -> &str {
        self.version
    }
}

/// An organization with a site and units there, past the service.
struct Place {
    database: Database,
    id: OrganizationId,
    site: SiteId,
    units: Vec<UnitId>,
}

impl Place {
    fn new(backend: Backend, labels: &[&str]) -> (Self, Direct) {
        let database = Database::new(backend);
        store::migrate(&database.address()).unwrap();
        let direct = Direct::open(&database, 4);
        let (id, site) = (fresh(), fresh());
        assert!(direct.ask(|store| async move { store.create_organization(id).await }).unwrap());
        let units: Vec<UnitId> = labels.iter().map(|_| fresh()).collect();
        let mut edits = vec![create(Target::Site(site), &json!({"name": "Shelter", "zone": "UTC"}))];
        for (unit, label) in units.iter().zip(labels) {
            let fields = json!({"label": label, "home_site_id": site, "fuel": "petrol"});
            edits.push(create(Target::Unit(*unit), &fields));
        }
        direct.apply(direct::command(id, edits));
        (Self { database, id, site, units }, direct)
    }

    fn all(&self) -> DueFilter {
        DueFilter::all(self.id)
    }

    fn reading(&self, unit: UnitId, hours: u32) -> Value {
        json!({"id": new_id(), "kind": "reading", "unit_id": unit, "occurred_at": "2026-06-01T12:00:00Z",
            "meter_hours": hours})
    }

    /// Judges until nothing waits.
    fn judge(&self, direct: &Direct, judge: &Arc<Labels>) {
        let judge: Arc<dyn Judge> = judge.clone();
        loop {
            let waiting = direct.ask(|store| {
                let (of, judge) = (self.all(), judge.clone());
                async move { store.unjudged(of, &*judge, now(), 100).await.unwrap() }
            });
            if waiting.units.is_empty() && waiting.sites.is_empty() {
                return;
            }
            direct.ask(|store| {
                let (of, judge) = (self.all(), judge.clone());
                async move { store.judge_waiting(of, &judge, now(), 100).await.unwrap() }
            });
        }
    }

    /// What is kept of each unit and of the site, and how many of both wait.
    fn kept(&self, direct: &Direct, version: &str) -> (Vec<String>, String, (usize, usize)) {
        let query = ReadinessQuery {
            of: self.all(),
            verdicts: Vec::new(),
            now: now(),
            judged_with: version.to_owned(),
            after: None,
            limit: 500,
        };
        direct.ask(|store| async move {
            let (units, waiting) = store.readiness(query.clone()).await.unwrap();
            let (sites, sites_waiting) = store.site_readiness(query).await.unwrap();
            let told = |unit: &UnitId| {
                let row = units.items.iter().find(|row| row.unit == *unit);
                row.map_or_else(|| "nothing".to_owned(), |row| row.told.clone())
            };
            let site = sites.items.first().map_or_else(|| "nothing".to_owned(), |row| row.told.clone());
            (self.units.iter().map(told).collect(), site, (waiting, sites_waiting))
        })
    }
}

fn what_changes_while_a_unit_is_judged_is_judged_again(backend: Backend) {
    let (place, direct) = Place::new(backend, &["good"]);
    let place = Arc::new(place);
    let (unit, site, id) = (place.units[0], place.site, place.id);
    place.judge(&direct, &Labels::new("a"));
    // What is written begins while the unit is judged; whichever comes first, what was judged by less is judged again.
    let edits = [
        event(&place.reading(unit, 5)),
        set(Target::Unit(unit), &json!({"label": "bad"})),
        set(Target::Site(site), &json!({"needs_kw": 7})),
    ];
    let [first, second, third] = ["[\"good\",null,1]", "[\"bad\",null,1]", "[\"bad\",700,1]"];
    for (n, (edit, told)) in edits.into_iter().zip([first, second, third]).enumerate() {
        let (begun, begins) = mpsc::channel();
        let (begun, other) = (Mutex::new(Some(begun)), Direct::open(&place.database, 2));
        let writing = thread::spawn(move || {
            begins.recv().unwrap();
            other.apply(direct::command(id, vec![edit]));
        });
        let version = ["b", "c", "d"][n];
        let judge = Labels::with(
            version,
            Box::new(move |_| {
                if let Some(begun) = begun.lock().unwrap().take() {
                    begun.send(()).unwrap();
                    // Long enough for the write to have come as far as it can.
                    thread::sleep(Duration::from_millis(300));
                }
            }),
        );
        let by: Arc<dyn Judge> = judge.clone();
        let done = direct.ask(|store| async move { store.judge_unit(id, unit, by, now(), For::Chore).await });
        assert!(done.unwrap());
        writing.join().unwrap();
        let (_, _, (waiting, sites)) = place.kept(&direct, version);
        assert_eq!((waiting, sites), (1, 1), "{version}");
        place.judge(&direct, &judge);
        let (units, ..) = place.kept(&direct, version);
        assert_eq!(units, [told], "{version}");
    }
}

fn two_judges_at_once_come_to_one_answer(backend: Backend) {
    let labels: Vec<&str> = (0..24).map(|n| if n % 8 == 0 { "bad" } else { "good" }).collect();
    let (place, direct) = Place::new(backend, &labels);
    let judges: Vec<Arc<Labels>> = (0..2).map(|_| Labels::new("a")).collect();
    thread::scope(|scope| {
        for judge in &judges {
            let place = &place;
            scope.spawn(move || place.judge(&Direct::open(&place.database, 2), judge));
        }
    });
    let (units, site, waiting) = place.kept(&direct, "a");
    assert_eq!(waiting, (0, 0));
    assert_eq!(site, "[24,3]");
    assert_eq!(units.iter().filter(|told| told.as_str() == "[\"bad\",null,0]").count(), 3);
    let judged: usize = judges.iter().map(|judge| judge.judged.load(Ordering::SeqCst)).sum();
    assert_eq!(judged, 24, "who comes second finds it done");
}

fn another_version_judges_everything_anew(backend: Backend) {
    let (place, direct) = Place::new(backend, &["good", "bad"]);
    place.judge(&direct, &Labels::new("b"));
    assert_eq!(place.kept(&direct, "b").2, (0, 0));
    for version in ["a", "c"] {
        assert_eq!(place.kept(&direct, version).2, (2, 1), "{version}");
        let judge = Labels::new(version);
        place.judge(&direct, &judge);
        assert_eq!(judge.judged.load(Ordering::SeqCst), 2);
        assert_eq!(place.kept(&direct, version).2, (0, 0), "{version}");
    }
}

fn what_cannot_be_judged_waits(backend: Backend) {
    let (place, direct) = Place::new(backend, &["good", "good"]);
    place.judge(&direct, &Labels::new("a"));
    let [unit, other] = [place.units[0], place.units[1]];
    let renamed =
        |unit, label| direct::command(place.id, vec![set(Target::Unit(unit), &json!({"label": label}))]);
    direct.apply(renamed(unit, "broken"));
    direct.apply(renamed(other, "bad"));
    let by: Arc<dyn Judge> = Labels::new("a");
    for (unit, is_done) in [(unit, false), (other, true)] {
        let (id, by) = (place.id, by.clone());
        let done = direct.ask(|store| async move { store.judge_unit(id, unit, by, now(), For::Chore).await });
        assert_eq!(done.is_ok(), is_done, "{done:?}");
    }
    let (units, site, waiting) = place.kept(&direct, "a");
    assert_eq!(units, ["[\"good\",null,0]", "[\"bad\",null,0]"], "what was known stays, and waits");
    assert_eq!((site.as_str(), waiting), ("[2,0]", (1, 1)));
    direct.apply(renamed(unit, "bad"));
    place.judge(&direct, &Labels::new("a"));
    let (units, site, waiting) = place.kept(&direct, "a");
    assert_eq!((units[0].as_str(), site.as_str(), waiting), ("[\"bad\",null,0]", "[2,2]", (0, 0)));
}

fn a_killed_night_shift_leaves_nothing_out(backend: Backend) {
    let labels = vec!["good"; 150];
    let (place, _) = Place::new(backend, &labels);
    let judged = || place.database.number("SELECT count(*) AS n FROM unit_readiness");
    let until = |done: &dyn Fn() -> bool| {
        let began = Ticks::now();
        while !done() {
            assert!(began.elapsed() < Duration::from_secs(240), "{} are judged", judged());
            thread::sleep(Duration::from_millis(5));
        }
    };
    let mut shift = NightShift::start(&place.database, NOW);
    until(&|| judged() > 0);
    shift.kill();
    // The next one has the chore when the lease of the first is over.
    let _shift = NightShift::start(&place.database, "2026-06-15T13:00:00Z");
    until(&|| judged() == 150);
    let waits = "SELECT (SELECT count(*) FROM unit_state WHERE judge_at = 0) + \
        (SELECT count(*) FROM site_readiness WHERE judge_at = 0 OR verdict IS NULL OR units_version < site_version) AS n";
    until(&|| place.database.number(waits) == 0);
}
