//! Everything that can happen, drawn from one seed.

mod writing;

use std::collections::{BTreeMap, BTreeSet};

use fastrand::Rng;
use merge::Base;
use model::{EditId, Instant, edit::RecordKind};
use serde_json::{Map, json};
use uuid::Uuid;

use crate::{
    fault::Fault,
    handset::{Handset, Place},
    hub::{Hub, tables::Tables},
    wire::{Action, Edit, Number, Person, Request, Response, Site},
};

/// 1 August 2025.
const BEGIN: i64 = 1_754_006_400;
const HOUR: i64 = 3600;
const PERSONS: u32 = 3;

/// An edit as it was written, with what its author truly knew.
#[derive(Clone, Debug)]
pub struct Written {
    pub edit: Edit,
    /// All that was to be seen of its fields.
    pub seen: Base,
    /// What the same copy of the same handset had written before.
    pub own: BTreeSet<EditId>,
}

#[derive(Clone, Debug)]
enum Message {
    ToService(Request),
    ToHandset(Response),
}

/// Handsets, the service, and what is under way between them.
pub struct World {
    pub rng: Rng,
    pub now: Instant,
    pub hub: Hub,
    pub handsets: Vec<Handset>,
    network: Vec<Message>,
    away: BTreeSet<usize>,
    backup: Option<Tables>,
    pub written: BTreeMap<EditId, Written>,
    pub sites: Vec<Site>,
    ids: u128,
    numbers: Number,
    /// What was done, for whoever wants to know how it came to that.
    pub told: Option<Vec<String>>,
}

impl World {
    pub fn of(seed: u64, fault: Option<Fault>) -> Self {
        let mut rng = Rng::with_seed(seed);
        let now = Instant::FIRST.plus_seconds(BEGIN);
        let hub = Hub::new(rng.usize(2..8), fault, now);
        let mut world = Self {
            rng,
            now,
            hub,
            handsets: Vec::new(),
            network: Vec::new(),
            away: BTreeSet::new(),
            backup: None,
            written: BTreeMap::new(),
            sites: Vec::new(),
            ids: 0,
            numbers: 0,
            told: None,
        };
        world.settle_in();
        world
    }

    fn settle_in(&mut self) {
        for _ in 0..self.rng.usize(2..=4) {
            let site = self.uuid();
            self.sites.push(site);
            let fields = Map::from_iter([("label".to_owned(), json!("site"))]);
            self.desk(Action::Create { of: (RecordKind::Site, site), fields }, Base::default());
        }
        for person in 1..=PERSONS {
            let sites = self.some_sites();
            self.hub.grant(person, sites, self.now);
        }
        for copy in 0..self.rng.usize(2..=4) {
            let number = self.number();
            let person = self.person();
            let mut handset = Handset::new(copy, number, person);
            handset.lean = self.rng.bool();
            handset.skew = self.skew();
            self.handsets.push(handset);
        }
        for _ in 0..self.rng.usize(1..3) {
            let action = self.new_unit();
            self.desk(action, Base::default());
        }
    }

    /// Lets one thing happen.
    pub fn step(&mut self) -> Result<(), String> {
        self.now = self.now.plus_seconds(self.rng.i64(0..3));
        match self.rng.u32(0..1000) {
            0..20 => self.two_write_at_once(),
            20..250 => self.somebody_writes(),
            250..420 => self.somebody_sends(),
            420..640 => self.deliver()?,
            640..800 => self.commit(),
            800..850 => self.pass_time(),
            850..870 => self.hub.restart(),
            870..885 => self.reboot(),
            885..900 => self.part(),
            900..920 => self.change_grant(),
            920..950 => self.desk_writes(),
            950..958 => self.revoke(),
            958..968 => self.decide(),
            968..976 => self.copy_handset(),
            976..986 => self.backup = Some(self.hub.tables.clone()),
            986..992 => self.restore(),
            992..996 => self.hand_over(),
            _ => self.hub.sweep(self.now),
        }
        Ok(())
    }

    /// The network heals, clocks stay as they are, and everybody syncs until nothing changes any more.
    pub fn heal(&mut self) -> Result<(), String> {
        self.network.clear();
        self.hub.restart();
        let (mut before, mut rounds) = (None, Vec::<u64>::new());
        for _ in 0..300 {
            for at in 0..self.handsets.len() {
                self.now = self.now.plus_seconds(1);
                self.re_enrol(at);
                let pages = self.rng.usize(1..60);
                let request = self.handsets[at].request(self.now, pages, true);
                self.hub.receive(request);
                let Some(response) = self.hub.commit(0, self.now, None) else { continue };
                self.tell(|_| format!("copy {at} reads {response:?}"));
                self.read(response)?;
            }
            let state = self.state();
            if before.as_ref() != Some(&state) {
                (before, rounds) =
                    (Some(state), self.handsets.iter().map(|handset| handset.rounds).collect());
            }
            // All that is parked has been offered since, and once more where the first time had begun before.
            let quiet = |(handset, rounds): (&Handset, &u64)| {
                handset.rounds >= rounds + 2 && handset.queued() == 0 && !handset.forked && !handset.unknown
            };
            if self.handsets.iter().zip(&rounds).all(quiet) {
                return Ok(());
            }
        }
        Err("it did not become quiet".to_owned())
    }

    fn state(&self) -> impl PartialEq + use<> {
        let cursors: Vec<_> = self.handsets.iter().map(|handset| handset.cursor.clone()).collect();
        let places: Vec<_> =
            self.handsets.iter().map(|h| h.edits.values().map(|(_, p)| *p).collect::<Vec<_>>()).collect();
        (self.hub.tables.log.len(), cursors, places)
    }

    fn read(&mut self, response: Response) -> Result<(), String> {
        let ahead = merge::told_at(response.clock).seconds_since(self.now);
        if ahead > merge::AHEAD_AT_MOST_SECONDS {
            return Err(format!("the service's clock is {ahead} s ahead"));
        }
        let copy = response.copy;
        self.handsets[copy].read(response).map_err(|error| format!("handset {copy}: {error}"))
    }

    fn tell(&mut self, what: impl FnOnce(&Self) -> String) {
        if self.told.is_some() {
            let line = format!("{} {}", self.now, what(self));
            self.told.iter_mut().for_each(|told| told.push(line.clone()));
        }
    }

    fn uuid(&mut self) -> Uuid {
        self.ids += 1;
        // Ids do not rise with time, so that nothing passes by mistaking one for the other.
        Uuid::from_u128(
            0x019a_0b5e_7c00_7000_8000_0000_0000_0000 | u128::from(self.rng.u16(..)) << 32 | self.ids,
        )
    }

    fn number(&mut self) -> Number {
        self.numbers += 1;
        self.hub.enrol(self.numbers);
        self.numbers
    }

    fn person(&mut self) -> Person {
        self.rng.u32(1..=PERSONS)
    }

    fn some_sites(&mut self) -> BTreeSet<Site> {
        let sites = self.sites.clone();
        let mut some: BTreeSet<_> = sites.iter().copied().filter(|_| self.rng.bool()).collect();
        some.extend(self.rng.choice(&sites));
        some
    }

    /// How far a clock is off: mostly a little, at times hours or years.
    fn skew(&mut self) -> i64 {
        match self.rng.u32(0..10) {
            0..6 => self.rng.i64(-20..20),
            6..8 => self.rng.i64(-9 * HOUR..9 * HOUR),
            8 => 2 * 365 * 24 * HOUR,
            _ => -3 * 365 * 24 * HOUR,
        }
    }

    fn pick(&mut self) -> usize {
        self.rng.usize(0..self.handsets.len())
    }

    fn somebody_sends(&mut self) {
        let at = self.pick();
        if self.away.contains(&at) || self.handsets[at].waits() && self.rng.bool() {
            return;
        }
        self.re_enrol(at);
        let at_most = self.rng.usize(1..8);
        let pull = self.rng.u32(0..4) > 0;
        let request = self.handsets[at].request(self.now, at_most, pull);
        self.tell(|_| format!("copy {at} sends {} edits, cursor {:?}", request.edits.len(), request.cursor));
        self.network.push(Message::ToService(request));
    }

    /// A handset that is forked, or that nobody knows any more, sees to that when it can.
    fn re_enrol(&mut self, at: usize) {
        if self.handsets[at].unknown {
            for number in self.handsets[at].numbers.clone() {
                self.hub.enrol(number);
            }
        }
        if self.handsets[at].forked {
            let number = self.number();
            self.handsets[at].enrol_anew(number);
            self.tell(|_| format!("copy {at} is handset {number} from now on"));
        }
    }

    fn deliver(&mut self) -> Result<(), String> {
        if self.network.is_empty() {
            return Ok(());
        }
        let which = self.rng.usize(0..self.network.len());
        let again = self.rng.u32(0..8) == 0;
        let message = if again { self.network[which].clone() } else { self.network.swap_remove(which) };
        let copy = match &message {
            Message::ToService(request) => request.copy,
            Message::ToHandset(response) => response.copy,
        };
        if self.rng.u32(0..8) == 0 || self.away.contains(&copy) {
            return Ok(());
        }
        match message {
            Message::ToService(request) => self.hub.receive(request),
            Message::ToHandset(response) => {
                self.tell(|_| format!("copy {copy} reads {response:?}"));
                self.read(response)?;
            }
        }
        Ok(())
    }

    fn commit(&mut self) {
        if self.hub.open() == 0 {
            return;
        }
        let which = self.rng.usize(0..self.hub.open());
        let stops = (self.rng.u32(0..16) == 0).then(|| self.rng.usize(0..4));
        self.tell(|_| format!("the service commits, and stops after {stops:?}"));
        let response = self.hub.commit(which, self.now, stops);
        self.network.extend(response.map(Message::ToHandset));
    }

    fn pass_time(&mut self) {
        let seconds = match self.rng.u32(0..20) {
            0..14 => self.rng.i64(1..HOUR),
            14..19 => self.rng.i64(HOUR..30 * HOUR),
            _ => 31 * 24 * HOUR,
        };
        self.now = self.now.plus_seconds(seconds);
        if self.rng.u32(0..4) == 0 {
            let (at, skew) = (self.pick(), self.skew());
            self.handsets[at].skew = skew;
        }
    }

    fn reboot(&mut self) {
        let at = self.pick();
        self.handsets[at].reboot();
    }

    fn part(&mut self) {
        let at = self.pick();
        if !self.away.remove(&at) {
            self.away.insert(at);
        }
    }

    fn change_grant(&mut self) {
        let (person, sites) = (self.person(), self.some_sites());
        self.tell(|_| format!("person {person} may see {sites:?}"));
        self.hub.grant(person, sites, self.now);
    }

    fn revoke(&mut self) {
        let number = self.rng.u32(1..=self.numbers);
        self.tell(|_| format!("handset {number} is revoked"));
        self.hub.revoke(number, self.now);
    }

    fn decide(&mut self) {
        let held: Vec<EditId> = self.hub.tables.held.keys().copied().collect();
        let Some(id) = self.rng.choice(&held).copied() else { return };
        let release = self.rng.bool();
        self.tell(|_| format!("{id} is decided: {release}"));
        self.hub.decide(id, release, self.now);
    }

    fn copy_handset(&mut self) {
        if self.handsets.len() > 5 {
            return;
        }
        let at = self.pick();
        let mut copy = self.handsets[at].clone();
        copy.copy = self.handsets.len();
        self.tell(|_| format!("copy {} is made of {at}", copy.copy));
        self.handsets.push(copy);
    }

    fn restore(&mut self) {
        // It takes a moment, so that no row that is made after it has the time of one that it lost.
        self.now = Instant::from_micros(self.now.micros() + 1);
        if let Some(tables) = &self.backup {
            self.hub.tables = tables.clone();
            self.hub.restart();
            self.tell(|world| format!("the service is restored to {:?}", world.hub.tables.head()));
        }
    }

    fn hand_over(&mut self) {
        let (at, person) = (self.pick(), self.person());
        self.handsets[at].person = person;
    }

    /// The copies whose edits are all somewhere.
    pub fn places(&self) -> impl Iterator<Item = (&Edit, Place)> {
        self.handsets.iter().flat_map(|handset| handset.edits.values()).map(|(edit, place)| (edit, *place))
    }
}
