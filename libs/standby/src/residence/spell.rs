//! Placements that continue each other.

use model::LocalDate;

use super::{
    Asked, OwnStay, Placement, ResidencePolicy, Review, Storage,
    days::{Days, number},
};

/// Placements that continue each other.
pub(super) struct Spell<'a> {
    pub(super) function: &'a str,
    pub(super) placements: Vec<&'a Placement>,
    pub(super) since: LocalDate,
    /// Open where the last is meant to stay.
    pub(super) until: Option<LocalDate>,
    pub(super) gap_days: i32,
    pub(super) review: Vec<Review>,
    /// The beginning of the spell before it, where a gap ended that.
    pub(super) if_continued_since: Option<LocalDate>,
    /// The unit that was here before for another job.
    pub(super) own_stay: Option<OwnStay>,
}

/// The spells of one job, its placements being in order; `here` are those of all jobs at the place.
pub(super) fn spells<'a>(
    placements: &[&'a Placement],
    here: &[&'a Placement],
    asked: &Asked,
    policy: &ResidencePolicy,
) -> Vec<Spell<'a>> {
    let mut spells: Vec<Spell> = Vec::new();
    for placement in placements {
        let Some(spell) = spells.last_mut() else {
            spells.push(Spell::of(placement, Vec::new(), None));
            continue;
        };
        if let Some(left) = spell.until.filter(|left| *left < placement.from)
            && !spell.stayed_for_another_job(left, placement, here, asked, policy)
        {
            let gap = gap(left, placement.from, spell, asked, policy);
            if matches!(gap, Review::Gap { continued: false, .. }) {
                let before = spell.since;
                spells.push(Spell::of(placement, vec![gap], Some(before)));
                continue;
            }
            spell.gaps([gap]);
        }
        spell.placements.push(placement);
        spell.until = spell.until.zip(placement.until).map(|(one, other)| one.max(other));
    }
    spells
}

impl<'a> Spell<'a> {
    fn of(placement: &'a Placement, review: Vec<Review>, if_continued_since: Option<LocalDate>) -> Self {
        Self {
            function: &placement.function,
            placements: vec![placement],
            since: placement.from,
            until: placement.until,
            gap_days: 0,
            review,
            if_continued_since,
            own_stay: None,
        }
    }

    fn gaps(&mut self, gaps: impl IntoIterator<Item = Review>) {
        for gap in gaps {
            if let Review::Gap { days, .. } = gap {
                self.gap_days += days;
            }
            self.review.push(gap);
        }
    }

    /// Whether the unit that comes back to the job was here all the time, and takes in how.
    fn stayed_for_another_job(
        &mut self,
        left: LocalDate,
        back: &&'a Placement,
        here: &[&'a Placement],
        asked: &Asked,
        policy: &ResidencePolicy,
    ) -> bool {
        let own = own_stay(back, here, asked, policy);
        let own =
            own.filter(|own| own.placements.iter().any(|placement| self.placements.contains(placement)));
        let Some(own) = own else { return false };
        self.gaps(own.gaps_between(left, back.from));
        let between = |placement: &&Placement| placement.from >= left && placement.from < back.from;
        self.placements.extend(own.placements.into_iter().filter(between));
        true
    }

    fn gaps_between(&self, from: LocalDate, until: LocalDate) -> Vec<Review> {
        let between = |gap: &&Review| matches!(gap, Review::Gap { from: left, until: back, continued: true, .. } if *left >= from && *back <= until);
        self.review.iter().filter(between).copied().collect()
    }
}

/// How long the unit of a placement has been here without an end, whatever its jobs.
fn own_stay<'a>(
    placement: &&'a Placement,
    here: &[&'a Placement],
    asked: &Asked,
    policy: &ResidencePolicy,
) -> Option<Spell<'a>> {
    let of_unit: Vec<&Placement> =
        here.iter().copied().filter(|other| other.unit == placement.unit).collect();
    spells(&of_unit, &[], asked, policy).into_iter().find(|own| own.placements.contains(placement))
}

/// A time without a unit; where storage is left out, days of it in storage do not end the clock.
fn gap(from: LocalDate, until: LocalDate, spell: &Spell, asked: &Asked, policy: &ResidencePolicy) -> Review {
    let stored = stored(spell, asked, policy).between(number(from), number(until));
    let days = until.days_since(from);
    let most = policy.gap_days_max;
    let continued = most.is_none_or(|most| days - stored <= i32::from(most));
    Review::Gap { from, until, days, most, continued }
}

/// Days on which a unit was in storage since it first came to the spell, up to today; none where the policy counts them.
pub(super) fn stored(spell: &Spell, asked: &Asked, policy: &ResidencePolicy) -> Days {
    if !policy.storage_excluded {
        return Days::default();
    }
    let came = |unit: &String| {
        let of_unit = spell.placements.iter().filter(|placement| placement.unit == *unit);
        of_unit.map(|placement| number(placement.from)).min()
    };
    let since_it_came = |storage: &Storage| {
        let (from, until) = until_today(storage.from, storage.until, asked.today);
        came(&storage.unit).map(|came| (from.max(came), until))
    };
    Days::of(asked.storage.iter().filter_map(since_it_came).collect())
}

pub(super) fn until_today(from: LocalDate, until: Option<LocalDate>, today: LocalDate) -> (i32, i32) {
    (number(from), number(until.map_or(today, |until| until.min(today))))
}

/// The spell from where the own stay of one of its units began, if it was here before for another job. An engine that remains
/// at a place is judged by its own time there, whatever it does (40 CFR 1068.30, nonroad (2)(iii)).
pub(super) fn with_own_stays<'a>(
    mut spell: Spell<'a>,
    here: &[&'a Placement],
    asked: &Asked,
    policy: &ResidencePolicy,
) -> Spell<'a> {
    let own = |placement| own_stay(placement, here, asked, policy);
    let earliest = spell.placements.iter().filter_map(own).min_by_key(|own| own.since);
    let Some(own) = earliest.filter(|own| own.since < spell.since) else { return spell };
    let Some(first) = own.placements.first() else { return spell };
    let (unit, function) = (first.unit.clone(), first.function.clone());
    spell.own_stay = Some(OwnStay { unit, function, since: own.since });
    spell.gaps(own.gaps_between(own.since, spell.since));
    let earlier = own.placements.iter().copied().filter(|placement| placement.from < spell.since);
    spell.placements = earlier.chain(spell.placements.iter().copied()).collect();
    spell.if_continued_since = spell.if_continued_since.filter(|day| *day < own.since);
    spell.since = own.since;
    spell
}
