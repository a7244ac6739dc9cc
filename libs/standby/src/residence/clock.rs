//! One clock: the placements that continue each other, and how they stand against the limit.

use model::LocalDate;

use super::{
    Asked, Boundary, Clock, ClockState, Passed, PassedBy, Placement, Reading, ResidencePolicy, Review,
    days::{Days, number},
    season::{Counts, counts},
};

/// Placements that continue each other.
pub(super) struct Spell<'a> {
    placements: Vec<&'a Placement>,
    since: LocalDate,
    /// Open where the last is meant to stay.
    until: Option<LocalDate>,
    gap_days: i32,
    review: Vec<Review>,
    /// The beginning of the spell before it, where a gap ended that.
    if_continued_since: Option<LocalDate>,
}

/// The spells of one job, its placements being in order.
pub(super) fn spells<'a>(
    placements: &[&'a Placement],
    asked: &Asked,
    policy: &ResidencePolicy,
) -> Vec<Spell<'a>> {
    let mut spells: Vec<Spell> = Vec::new();
    for placement in placements {
        let new = |review, if_continued_since| Spell {
            placements: vec![*placement],
            since: placement.from,
            until: placement.until,
            gap_days: 0,
            review,
            if_continued_since,
        };
        let Some(spell) = spells.last_mut() else {
            spells.push(new(Vec::new(), None));
            continue;
        };
        let left = spell.until.filter(|left| *left < placement.from);
        let gap = left.map(|left| gap(left, placement.from, spell, asked, policy));
        match gap {
            Some(gap @ Review::Gap { continued: false, .. }) => {
                let before = spell.since;
                spells.push(new(vec![gap], Some(before)));
                continue;
            }
            Some(gap) => {
                spell.gap_days += left.map_or(0, |left| placement.from.days_since(left));
                spell.review.push(gap);
            }
            None => {}
        }
        spell.placements.push(placement);
        spell.until = spell.until.zip(placement.until).map(|(one, other)| one.max(other));
    }
    spells
}

/// A time without a unit; where storage is left out, days of it in storage do not end the clock.
fn gap(from: LocalDate, until: LocalDate, spell: &Spell, asked: &Asked, policy: &ResidencePolicy) -> Review {
    let stored = stored(spell, asked, policy).between(number(from), number(until));
    let days = until.days_since(from);
    let most = policy.gap_days_max;
    let continued = most.is_none_or(|most| days - stored <= i32::from(most));
    Review::Gap { from, until, days, most, continued }
}

/// The clock of a spell.
pub(super) fn clock(spell: &Spell, asked: &Asked, policy: &ResidencePolicy) -> Clock {
    let excluded = excluded(spell, asked, policy);
    let reading = |boundary| {
        let passes_on = passes_on(spell, &excluded, boundary, policy);
        Reading { passes_on, passed: asked.today >= passes_on && stays_to(spell, passes_on) }
    };
    let (at_least, more_than) = (reading(Boundary::AtLeast), reading(Boundary::MoreThan));
    let decides = if policy.boundary == Boundary::AtLeast { at_least } else { more_than };
    let upto = spell.until.map_or(asked.today, |until| until.min(asked.today));
    let storage_days = excluded.between(number(spell.since), number(upto));
    let passed = passed(spell, decides, asked, policy);
    let state = state(spell, decides, passed, asked, policy);
    let runs = matches!(state, ClockState::Running | ClockState::WillStay);
    Clock {
        location: first(spell, |placement| &placement.location),
        function: first(spell, |placement| &placement.function),
        units: units(spell),
        since: spell.since,
        until: spell.until,
        state,
        days: upto.days_since(spell.since) - storage_days,
        gap_days: spell.gap_days,
        storage_days,
        passes_on: decides.passes_on,
        days_left: runs.then(|| decides.passes_on.days_since(asked.today)),
        boundary: policy.boundary,
        at_least,
        more_than,
        passed,
        if_continued_since: spell.if_continued_since,
        review: review(spell, storage_days, at_least.passed != more_than.passed, asked, policy),
    }
}

fn first(spell: &Spell, name: impl Fn(&Placement) -> &String) -> String {
    spell.placements.first().map(|placement| name(placement).clone()).unwrap_or_default()
}

fn units(spell: &Spell) -> Vec<String> {
    let mut units: Vec<String> = Vec::new();
    for placement in &spell.placements {
        if !units.contains(&placement.unit) {
            units.push(placement.unit.clone());
        }
    }
    units
}

/// Days on which a unit of the spell was in storage, up to today; none where the policy counts them.
fn stored(spell: &Spell, asked: &Asked, policy: &ResidencePolicy) -> Days {
    if !policy.storage_excluded {
        return Days::default();
    }
    let of_spell = |unit: &String| spell.placements.iter().any(|placement| placement.unit == *unit);
    let stored = asked.storage.iter().filter(|storage| of_spell(&storage.unit));
    Days::of(stored.map(|storage| until_today(storage.from, storage.until, asked.today)).collect())
}

fn until_today(from: LocalDate, until: Option<LocalDate>, today: LocalDate) -> (i32, i32) {
    (number(from), number(until.map_or(today, |until| until.min(today))))
}

/// Days that do not count: a unit of the spell was in storage, and no other one stood there.
fn excluded(spell: &Spell, asked: &Asked, policy: &ResidencePolicy) -> Days {
    let stored_of = |unit: &str| {
        let storage = asked.storage.iter().filter(|storage| storage.unit == unit);
        Days::of(storage.map(|storage| until_today(storage.from, storage.until, asked.today)).collect())
    };
    let stands = |placement: &&Placement| {
        let placed = Days::of(vec![until_today(placement.from, placement.until, asked.today)]);
        placed.without(&stored_of(&placement.unit)).ranges()
    };
    stored(spell, asked, policy).without(&Days::of(spell.placements.iter().flat_map(stands).collect()))
}

/// The day on which the days that count come to the limit.
fn passes_on(spell: &Spell, excluded: &Days, boundary: Boundary, policy: &ResidencePolicy) -> LocalDate {
    let more = i32::from(boundary == Boundary::MoreThan);
    let nominal = spell.since.plus_months(policy.months.into()).plus_days(more);
    let mut passes_on = nominal;
    // Each round takes in the storage of the days that the round before added; what is taken in never shrinks.
    loop {
        let later = nominal.plus_days(excluded.between(number(spell.since), number(passes_on)));
        if later <= passes_on {
            return passes_on;
        }
        passes_on = later;
    }
}

fn stays_to(spell: &Spell, day: LocalDate) -> bool {
    spell.until.is_none_or(|until| until >= day)
}

/// Seasons at the place that the spell covers from the day they open until the day they close.
fn full_seasons(
    spell: &Spell,
    asked: &Asked,
    policy: &ResidencePolicy,
    wanted: fn(&Counts) -> bool,
) -> Vec<(LocalDate, LocalDate)> {
    let here = |location: &String| spell.placements.iter().any(|placement| placement.location == *location);
    let mut seasons: Vec<_> = asked
        .seasonal
        .iter()
        .filter(|season| here(&season.location) && wanted(&counts(season, policy)))
        .filter(|season| spell.since <= season.opens && stays_to(spell, season.closes))
        .map(|season| (season.closes, season.opens))
        .collect();
    seasons.sort_unstable();
    seasons
}

fn seasons_that_count(spell: &Spell, asked: &Asked, policy: &ResidencePolicy) -> Vec<(LocalDate, LocalDate)> {
    full_seasons(spell, asked, policy, |counts| matches!(counts, Counts::Yes))
}

/// What came first of those that have come.
fn passed(spell: &Spell, decides: Reading, asked: &Asked, policy: &ResidencePolicy) -> Option<Passed> {
    let season = seasons_that_count(spell, asked, policy).first().map(|(closes, _)| *closes);
    let season = season.filter(|closes| *closes <= asked.today).map(|on| (on, PassedBy::FullSeason));
    let months = decides.passed.then_some((decides.passes_on, PassedBy::Months));
    let (on, by) = season.into_iter().chain(months).min()?;
    Some(Passed { stationary_since: spell.since, on, by })
}

fn state(
    spell: &Spell,
    decides: Reading,
    passed: Option<Passed>,
    asked: &Asked,
    policy: &ResidencePolicy,
) -> ClockState {
    if passed.is_some() {
        return ClockState::Stationary;
    }
    let Some(until) = spell.until else { return ClockState::Running };
    let away = asked.today.days_since(until)
        - stored(spell, asked, policy).between(number(until), number(asked.today));
    if until > asked.today {
        let stays =
            stays_to(spell, decides.passes_on) || !seasons_that_count(spell, asked, policy).is_empty();
        if stays { ClockState::WillStay } else { ClockState::Running }
    } else if policy.gap_days_max.is_none_or(|most| away <= i32::from(most)) {
        ClockState::Away
    } else {
        ClockState::Ended
    }
}

fn review(
    spell: &Spell,
    storage_days: i32,
    readings_differ: bool,
    asked: &Asked,
    policy: &ResidencePolicy,
) -> Vec<Review> {
    let unsure = full_seasons(spell, asked, policy, |counts| matches!(counts, Counts::NotKnown));
    let mut review = spell.review.clone();
    review.extend(readings_differ.then_some(Review::ExactlyAtLimit));
    review.extend((storage_days > 0).then_some(Review::StorageLeftOut { days: storage_days }));
    review.extend(unsure.into_iter().map(|(_, opens)| Review::SeasonalPlaceNotKnown { opens }));
    review
}
