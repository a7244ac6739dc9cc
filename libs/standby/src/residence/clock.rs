//! One clock: the placements that continue each other, and how they stand against the limit.

use model::LocalDate;

use super::{
    Asked, Boundary, Clock, ClockState, Passed, PassedBy, Placement, Reading, ResidencePolicy, Review,
    days::{Days, number},
    season::{Counts, counts},
    spell::{Spell, stored, until_today},
};

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
    let seasons = full_seasons(spell, asked, policy, |counts| matches!(counts, Counts::Yes));
    let season = seasons.first().map(|(closes, _)| (*closes, PassedBy::FullSeason));
    let months = (decides.passes_on, PassedBy::Months);
    let (passes_on, passes_by) = season.map_or(months, |season| season.min(months));
    let passed = (asked.today >= passes_on && stays_to(spell, passes_on)).then_some(Passed {
        stationary_since: spell.since,
        on: passes_on,
        by: passes_by,
    });
    let state =
        if passed.is_some() { ClockState::Stationary } else { state(spell, passes_on, asked, policy) };
    let runs = matches!(state, ClockState::Running | ClockState::WillStay);
    Clock {
        location: spell.placements.first().map(|placement| placement.location.clone()).unwrap_or_default(),
        function: spell.function.to_owned(),
        units: units(spell),
        since: spell.since,
        until: spell.until,
        state,
        days: upto.days_since(spell.since) - storage_days,
        gap_days: spell.gap_days,
        storage_days,
        passes_on,
        passes_by,
        days_left: runs.then(|| passes_on.days_since(asked.today)),
        boundary: policy.boundary,
        at_least,
        more_than,
        passed,
        if_continued_since: spell.if_continued_since,
        own_stay: spell.own_stay.clone(),
        review: review(spell, storage_days, at_least.passed != more_than.passed, asked, policy),
    }
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

/// How a clock stands that has not passed.
fn state(spell: &Spell, passes_on: LocalDate, asked: &Asked, policy: &ResidencePolicy) -> ClockState {
    let Some(until) = spell.until else { return ClockState::Running };
    let away = asked.today.days_since(until)
        - stored(spell, asked, policy).between(number(until), number(asked.today));
    if until > asked.today {
        if stays_to(spell, passes_on) { ClockState::WillStay } else { ClockState::Running }
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
