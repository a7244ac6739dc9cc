//! One cycle: devices push, something breaks, all is sent again, and what is left is judged.

use std::{
    fmt,
    process::Command,
    sync::atomic::{AtomicBool, AtomicU64, Ordering},
    thread,
    time::{Duration, Instant},
};

use blackbox::{
    Backend, Client, Cut, Relay, Town, World,
    service::{is_clean, root},
    world::id_of,
};
use fastrand::Rng;

use crate::{
    Device, Made, NoAnswer, Route,
    fill::{Copy, Reader},
    judge::Left,
};

/// Devices that push at a time.
const DEVICES: usize = 3;

/// How long the service may take to answer again after a fault.
const PATIENCE: Duration = Duration::from_secs(30);

/// Pushes of each device while its connections are cut.
const CUT_STEPS: usize = 5;

/// Bits of the length of a few pushes and their answers: a cut beyond the end of a connection is none.
const PUSH_BITS: u32 = 14;

/// The same of a small page of changes.
const ALONG_BITS: u32 = 17;

/// The same of a page of a first fill, which has half a megabyte at most.
const FILL_BITS: u32 = 21;

/// Changes of a page for an integrator.
const AT_A_TIME: usize = 10;

/// What breaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Fault {
    /// The service is killed with -9, and started again.
    Kill,
    /// PostgreSQL is ended at once, and started again.
    Restart,
    /// Connections are cut at any byte, in either direction.
    Cut,
}

/// A service with its database and whatever earlier cycles have left there.
pub struct Ground {
    world: World,
    town: Town,
    /// The folder of the cluster's data, where PostgreSQL may be ended.
    cluster: Option<String>,
    cycles: u32,
    made: Vec<Made>,
    units: Vec<String>,
    /// What somebody has who reads along.
    copy: Copy,
}

/// What happened in some cycles.
#[derive(Clone, Copy, Default)]
pub struct Tally {
    /// Edits made.
    pub made: usize,
    /// Pushes without an answer.
    pub unanswered: u32,
    /// Edits that were recorded though their answer was lost.
    pub recovered: u32,
}

impl Ground {
    /// A fresh one.
    pub fn new(backend: Backend, cluster: Option<String>) -> Self {
        let world = World::new(backend);
        let town = world.town();
        Self { world, town, cluster, cycles: 0, made: Vec::new(), units: Vec::new(), copy: Copy::default() }
    }

    /// Breaks something under load; gives what happened, or everything that is wrong afterwards.
    pub fn cycle(&mut self, fault: Fault, seed: u64) -> Result<Tally, Vec<String>> {
        let mut rng = Rng::with_seed(seed);
        let mut devices: Vec<Device> = (0..DEVICES)
            .map(|n| {
                let name = format!("c{}-d{n}", self.cycles);
                let (unit, route) = (self.town.unit(&name), self.route(n, &name));
                Device::new(name, unit, route, rng.fork())
            })
            .collect();
        match fault {
            Fault::Kill => self.kill(&mut devices, &mut rng),
            Fault::Restart => self.restart(&mut devices, &mut rng),
            Fault::Cut => self.cut(&mut devices, &mut rng),
        }
        self.cycles += 1;
        let mut wrong = self.settle(&mut devices);
        let (made, units): (Vec<&Made>, Vec<&str>) = (
            devices.iter().flat_map(|device| &device.made).collect(),
            devices.iter().map(|device| device.unit.as_str()).collect(),
        );
        wrong.extend(self.left(&units).wrong(&made));
        let tally = Tally {
            made: made.len(),
            unanswered: devices.iter().map(|device| device.unanswered).sum(),
            recovered: devices.iter().map(|device| device.recovered).sum(),
        };
        for device in devices {
            self.made.extend(device.made);
            self.units.push(device.unit);
        }
        if wrong.is_empty() { Ok(tally) } else { Err(wrong) }
    }

    /// Everything that is wrong with what all cycles have left; panics if a fold differs from its rebuild.
    pub fn verdict(&mut self) -> Vec<String> {
        is_clean(&self.world.database);
        let units: Vec<&str> = self.units.iter().map(String::as_str).collect();
        let mut wrong = self.left(&units).wrong(&self.made.iter().collect::<Vec<_>>());
        wrong.extend(self.copies());
        wrong
    }

    /// A copy that has been read along, and a handset's first fill, both through connections that are cut, against what is
    /// read through whole ones.
    fn copies(&mut self) -> Vec<String> {
        let (relay, token) = self.cutting(FILL_BITS, &mut Rng::with_seed(self.cycles.into()));
        let cut = Client::unkept(relay.url(), Some(&token));
        let along = Reader::Integrator(AT_A_TIME);
        along.go_on(&cut, &mut self.copy);
        let Route::Sync(handset, _) = self.route(1, "copy") else { return Vec::new() };
        let first = Reader::Handset(&handset);
        let whole = (along.fill(&self.client()), first.fill(&self.client()));
        [self.copy.differs(&whole.0), first.fill(&cut).differs(&whole.1)].into_iter().flatten().collect()
    }

    /// The way of the `n`th device: one of them has no handset.
    fn route(&self, n: usize, name: &str) -> Route {
        if n == 0 {
            return Route::Batch;
        }
        let handset = self.town.handset(self.town.coordinator(), name);
        Route::Sync(id_of(&handset), handset["number"].as_u64().unwrap().try_into().unwrap())
    }

    fn client(&self) -> Client {
        self.world.client(self.town.id, self.town.people["coordinator"])
    }

    fn left(&self, units: &[&str]) -> Left {
        Left::of(&self.world.database, &self.town, &self.client(), units)
    }

    /// The service dies at any moment after some answers.
    fn kill(&mut self, devices: &mut [Device], rng: &mut Rng) {
        let answers = AtomicU64::new(0);
        let (after, later) = (rng.u64(1..12), Duration::from_micros(rng.u64(0..20_000)));
        thread::scope(|scope| {
            for device in devices {
                let (push, answers) = (device.route.by(self.client()), &answers);
                scope.spawn(move || {
                    while device.step(&*push).is_ok() {
                        answers.fetch_add(1, Ordering::SeqCst);
                    }
                });
            }
            wait_for(&answers, after);
            thread::sleep(later);
            self.world.service.kill();
        });
        // Its clock goes on: a day has room for all cycles that a ground sees.
        let minutes = self.cycles + 1;
        self.world.restart_at(&format!("2026-06-15T{:02}:{:02}:00Z", 12 + minutes / 60, minutes % 60));
        self.world.reach(&mut self.town);
    }

    /// PostgreSQL goes at any moment after some answers, and comes back; the service stays.
    fn restart(&self, devices: &mut [Device], rng: &mut Rng) {
        let (answers, back) = (AtomicU64::new(0), AtomicBool::new(false));
        let (after, later) = (rng.u64(1..12), Duration::from_micros(rng.u64(0..20_000)));
        thread::scope(|scope| {
            for device in devices {
                let (push, answers, back) = (device.route.by(self.client()), &answers, &back);
                scope.spawn(move || {
                    while !back.load(Ordering::SeqCst) {
                        match device.step(&*push) {
                            Ok(()) => drop(answers.fetch_add(1, Ordering::SeqCst)),
                            // A device comes again a little later, lest it drain the machine while nobody answers.
                            Err(_) => thread::sleep(Duration::from_millis(50)),
                        }
                    }
                });
            }
            wait_for(&answers, after);
            thread::sleep(later);
            let cluster = self.cluster.as_ref().expect("a cluster of our own to end");
            let said = Command::new("bash")
                .args([
                    "-c",
                    ". tests/lib/postgres.sh; postgres_data=$1; restart_postgres",
                    "faults",
                    cluster,
                ])
                .current_dir(root())
                .output()
                .unwrap();
            back.store(true, Ordering::SeqCst);
            assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
        });
    }

    /// Each connection is cut somewhere, also that of somebody who reads along.
    fn cut(&mut self, devices: &mut [Device], rng: &mut Rng) {
        let (relay, token) = self.cutting(PUSH_BITS, rng);
        let (along, _) = self.cutting(ALONG_BITS, rng);
        let (reading, copy) = (Client::unkept(along.url(), Some(&token)), &mut self.copy);
        thread::scope(|scope| {
            scope.spawn(move || Reader::Integrator(AT_A_TIME).go_on(&reading, copy));
            for device in devices {
                let push = device.route.by(Client::new(relay.url(), Some(&token)));
                scope.spawn(move || {
                    for _ in 0..CUT_STEPS {
                        let _ = device.step(&*push);
                    }
                });
            }
        });
    }

    /// A relay that cuts connections at any byte up to so many bits, early as often as late.
    fn cutting(&self, bits: u32, rng: &mut Rng) -> (Relay, String) {
        let mut cuts = rng.fork();
        let mut bytes = move || {
            let below = 1 << cuts.u32(0..=bits);
            cuts.u64(0..below)
        };
        let relay =
            Relay::cutting(&[self.world.service.url()], move || Cut { sent: bytes(), answered: bytes() });
        (relay, self.world.token(self.town.id, self.town.people["coordinator"]))
    }

    /// The network and the service are whole again: what waits is sent, and then all of it once more.
    fn settle(&self, devices: &mut [Device]) -> Vec<String> {
        for device in devices.iter_mut() {
            let push = device.route.by(self.client());
            insist(|| device.send(&*push));
            insist(|| device.send_all_again(&*push));
        }
        devices.iter_mut().flat_map(|device| std::mem::take(&mut device.wrong)).collect()
    }
}

/// Tries until there is an answer.
fn insist(mut attempt: impl FnMut() -> Result<(), NoAnswer>) {
    let began = Instant::now();
    while let Err(none) = attempt() {
        assert!(began.elapsed() < PATIENCE, "no answer since {PATIENCE:?}: {none:?}");
        thread::sleep(Duration::from_millis(20));
    }
}

fn wait_for(answers: &AtomicU64, most: u64) {
    let began = Instant::now();
    while answers.load(Ordering::SeqCst) < most {
        assert!(began.elapsed() < PATIENCE, "{} of {most} answers", answers.load(Ordering::SeqCst));
        thread::sleep(Duration::from_micros(200));
    }
}

impl Tally {
    /// Both together.
    pub fn and(self, other: Self) -> Self {
        Self {
            made: self.made + other.made,
            unanswered: self.unanswered + other.unanswered,
            recovered: self.recovered + other.recovered,
        }
    }
}

impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { made, unanswered, recovered } = self;
        write!(
            f,
            "{made} edits; {unanswered} pushes without an answer, of which {recovered} edits were recorded"
        )
    }
}
