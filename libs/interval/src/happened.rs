//! What happened to a unit, for whoever asks about more than what is due.

use model::{EventId, Instant, LocalDate, SiteId, Zone, event::Details, time::When};

use crate::{input::Input, places::Stays, standing};

/// Something that happened to a unit, as corrections left it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Happened {
    /// The event.
    pub id: EventId,
    /// When; where only the day is known, its first instant at the site.
    pub at: Instant,
    /// The day at the site.
    pub on: LocalDate,
    /// Whether only the day is known.
    pub day_only: bool,
    /// Where the unit stood then; of a placement, where it stands from then on.
    pub site: SiteId,
    /// What.
    pub details: Details,
}

/// A unit's stay at a site.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stayed {
    /// Since when; the first instant there is where nobody placed it.
    pub from: Instant,
    /// Where.
    pub site: SiteId,
    /// The zone there.
    pub zone: Zone,
}

/// All that happened to a unit by `until` and that no correction took out, the first first.
#[must_use]
pub fn happened(input: &Input<'_>, until: Instant) -> Vec<Happened> {
    let said = standing::said(input);
    let stays = Stays::of(input, said.iter().copied());
    let mut all: Vec<Happened> = said
        .into_iter()
        .map(|said| {
            let at = stays.instant(said.when);
            let stay = stays.at(at);
            Happened {
                id: said.id,
                at,
                on: said.when.date(&stay.zone),
                day_only: matches!(said.when, When::On(_)),
                site: stay.site,
                details: said.details.clone(),
            }
        })
        .filter(|event| event.at <= until)
        .collect();
    all.sort_unstable_by_key(|event| (event.at, event.id));
    all
}

/// Where a unit stood by `until`, the first stay first.
#[must_use]
pub fn stayed(input: &Input<'_>, until: Instant) -> Vec<Stayed> {
    let said = standing::said(input);
    let stays = Stays::of(input, said.iter().copied());
    let (home, moves) = stays.parts();
    let all = std::iter::once(home).chain(moves.iter().filter(|stay| stay.from <= until));
    all.map(|stay| Stayed { from: stay.from, site: stay.site, zone: stay.zone.clone() }).collect()
}
