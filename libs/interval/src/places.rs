//! Where the unit stood when, and so which zone its days are counted in.

use model::{Instant, LocalDate, SiteId, Zone, event::Details, time::When};

use crate::{input::Input, standing::Said};

/// A site that the unit stands at from an instant until the next stay.
#[derive(Clone, Debug)]
pub(crate) struct Stay {
    pub(crate) from: Instant,
    pub(crate) site: SiteId,
    pub(crate) zone: Zone,
}

/// All stays, the one before the first placement apart so that there always is one.
#[derive(Clone, Debug)]
pub(crate) struct Stays {
    home: Stay,
    moves: Vec<Stay>,
}

impl Stays {
    /// The stays that `events` tell of.
    ///
    /// A placement of which only the day is known is put after those with an instant: which zone its day is
    /// counted in depends on where the unit stood.
    pub(crate) fn of<'e>(input: &Input<'_>, events: impl Iterator<Item = Said<'e>> + Clone) -> Self {
        let home = stay(input, Instant::FIRST, input.facts.home_site);
        let placed = |exact: bool| {
            events
                .clone()
                .filter_map(|said| Some((said, site(said.details)?)))
                .filter(move |(said, _)| matches!(said.when, When::At { .. }) == exact)
        };
        let mut stays = Self { home, moves: Vec::new() };
        let mut found: Vec<_> = placed(true).map(|(e, s)| (stays.instant(e.when), e.id, s)).collect();
        found.sort_unstable();
        stays.moves = found.iter().map(|(from, _, site)| stay(input, *from, *site)).collect();

        let exact = found.len();
        found.extend(placed(false).map(|(e, s)| (stays.instant(e.when), e.id, s)));
        if found.len() > exact {
            found.sort_unstable();
            stays.moves = found.iter().map(|(from, _, site)| stay(input, *from, *site)).collect();
        }
        stays
    }

    /// The stays of a unit that moved to these sites, in order of time.
    pub(crate) fn moved(input: &Input<'_>, moves: impl Iterator<Item = (Instant, SiteId)>) -> Self {
        Self {
            home: stay(input, Instant::FIRST, input.facts.home_site),
            moves: moves.map(|(from, site)| stay(input, from, site)).collect(),
        }
    }

    /// The stay before the first move, and the moves in order of time.
    pub(crate) fn parts(&self) -> (&Stay, &[Stay]) {
        (&self.home, &self.moves)
    }

    /// Where the unit stands at `at`.
    pub(crate) fn at(&self, at: Instant) -> &Stay {
        self.moves.iter().rev().find(|stay| stay.from <= at).unwrap_or(&self.home)
    }

    /// Where the unit stands from `start` until `end`, each stay with its part of that time.
    pub(crate) fn during(&self, start: Instant, end: Instant) -> Vec<(&Stay, Instant, Instant)> {
        let mut parts = vec![(self.at(start), start, end)];
        for stay in self.moves.iter().filter(|stay| start < stay.from && stay.from < end) {
            if let Some((_, from, until)) = parts.last_mut() {
                *until = stay.from;
                // Of two moves at one instant the later counts.
                if *from == stay.from {
                    parts.pop();
                }
            }
            parts.push((stay, stay.from, end));
        }
        parts
    }

    /// The instant that stands for a stated time: of a day its first, where the unit stood.
    pub(crate) fn instant(&self, when: &When) -> Instant {
        match when {
            When::At { instant, .. } => *instant,
            When::On(date) => self.zone_of_day(*date).midnight(*date),
        }
    }

    /// Leaves out the stays that begin after `until`.
    pub(crate) fn forget_after(&mut self, until: Instant) {
        self.moves.retain(|stay| stay.from <= until);
    }

    fn zone_of_day(&self, date: LocalDate) -> &Zone {
        &self.at(self.home.zone.midnight(date)).zone
    }
}

/// The site that an event puts the unit at.
pub(crate) fn site(details: &Details) -> Option<SiteId> {
    match details {
        Details::Commissioning(commissioning) => Some(commissioning.site_id),
        Details::Placement(placement) => Some(placement.site_id),
        _ => None,
    }
}

fn stay(input: &Input<'_>, from: Instant, site: SiteId) -> Stay {
    Stay { from, site, zone: zone(input, site) }
}

fn zone(input: &Input<'_>, site: SiteId) -> Zone {
    let zones = input.zones;
    zones.get(&site).or_else(|| zones.get(&input.facts.home_site)).cloned().unwrap_or_else(Zone::utc)
}
