//! Whether the annual test under load is owed.

use interval::{Fraction, Grade};
use model::{LocalDate, unit::Ignition};

use super::{
    judge::{QualifiedBy, RATED_KW},
    record::{AnnualOwed, JudgedRun},
    rules::{AnnualTrigger, TestKind, TestPolicy},
    run::{Load, Run, Set},
    stages::{dipped, told},
};
use crate::asked::Asked;

fn first_of_month(date: LocalDate) -> LocalDate {
    date.plus_months(-1).last_of_month().plus_days(1)
}

/// A month of which something was written down.
struct Month {
    first: LocalDate,
    kept: bool,
    /// Whether the loads of some run are told, as shares of the rating.
    told: bool,
    /// Whether those of some run would be if the rating was known.
    lacks_rating: bool,
    /// The last day on which a run fell short.
    short_on: Option<LocalDate>,
    grade: Grade,
}

/// A month fell short when something ran in it below its load and nothing ran as it must, all the time. Months before the first
/// run that was written down are not asked for; the month that is not over yet is neither.
pub(super) fn annual(
    runs: &[&Run],
    judged: &[JudgedRun],
    set: &Set,
    policy: &TestPolicy,
    at: LocalDate,
) -> AnnualOwed {
    let last_on = judged.iter().filter(|run| run.counts(TestKind::Annual).is_some()).map(|run| run.on).max();
    let answer = |owed, grade, missing| AnnualOwed {
        owed,
        months_short: Vec::new(),
        last_on,
        months_not_known: Vec::new(),
        trigger: policy.annual,
        grade,
        missing,
    };
    match (policy.annual, set.ignition) {
        (AnnualTrigger::Never, _) | (_, Some(Ignition::Spark)) => answer(Some(false), Grade::A, Vec::new()),
        (_, None) => {
            let enter = "How the engine is lit: only one lit by compression owes an annual test.";
            answer(None, Grade::D, vec![Asked::at("/ignition", enter)])
        }
        (AnnualTrigger::MonthFellShort, Some(Ignition::Compression)) => {
            let months = months(runs, judged, set, policy);
            let unsettled = |short_on: LocalDate| last_on.is_none_or(|last| short_on > last);
            let short = |month: &&Month| !month.kept && month.short_on.is_some();
            let owes: Vec<&Month> =
                months.iter().filter(short).filter(|month| month.short_on.is_some_and(unsettled)).collect();
            let not_known = not_known(&months, last_on, at);
            let (owed, grade, missing) = if !owes.is_empty() {
                // The best known of them is enough.
                let grade = owes.iter().map(|month| month.grade).min().unwrap_or(Grade::A);
                let enter = "Whether the exhaust reached the temperature that the maker asks for: it would do instead.";
                let ask = (grade > Grade::A).then(|| Asked::at("/exhaust_temperature_reached", enter));
                (Some(true), grade, ask.into_iter().collect())
            } else if not_known.is_empty() && !runs.is_empty() {
                (Some(false), Grade::A, Vec::new())
            } else {
                (None, Grade::D, asked(&months, &not_known))
            };
            let recent =
                |month: &&Month| month.short_on.is_some_and(|on| on > at.plus_months(-12) || unsettled(on));
            let months_short = months.iter().filter(short).filter(recent).map(|month| month.first).collect();
            AnnualOwed { months_short, months_not_known: not_known, ..answer(owed, grade, missing) }
        }
    }
}

/// The months since the first run, of the last 12 and after the last annual test, that neither kept their load nor fell short.
fn not_known(months: &[Month], last_on: Option<LocalDate>, at: LocalDate) -> Vec<LocalDate> {
    let Some(first) = months.first() else { return Vec::new() };
    let since = first_of_month(at.plus_months(-12).max(last_on.unwrap_or(first.first)));
    let this = first_of_month(at);
    let told = |first: LocalDate| months.iter().find(|month| month.first == first);
    (0..=12)
        .map(|later| since.max(first.first).plus_months(later))
        .filter(|month| match told(*month) {
            Some(told) => *month <= this && !told.kept && !told.told,
            None => *month < this,
        })
        .collect()
}

/// The rating, where it is all that is missing of a month; else the runs.
fn asked(months: &[Month], not_known: &[LocalDate]) -> Vec<Asked> {
    let lacks_rating =
        |first: &LocalDate| months.iter().any(|month| month.first == *first && month.lacks_rating);
    let enter = "The monthly tests of these months with their loads, or that there was none.";
    let rating = not_known.iter().any(lacks_rating).then(|| Asked::at(RATED_KW.0, RATED_KW.1));
    let runs =
        (not_known.is_empty() || !not_known.iter().all(lacks_rating)).then(|| Asked::at("/runs", enter));
    rating.into_iter().chain(runs).collect()
}

fn months(runs: &[&Run], judged: &[JudgedRun], set: &Set, policy: &TestPolicy) -> Vec<Month> {
    let monthly = policy.rules.iter().filter(|rule| rule.counts_for.contains(&TestKind::Monthly));
    let least = monthly.filter_map(|rule| rule.stages.first()).map(|stage| stage.least).max();
    let least = least.unwrap_or(Fraction::of(0, 1));
    let mut months: Vec<Month> = Vec::new();
    for (run, judged) in runs.iter().zip(judged) {
        let low = dipped(run.stretches(), least, set.nameplate);
        let kept = match judged.counts(TestKind::Monthly) {
            Some(QualifiedBy::Load) => !low,
            Some(QualifiedBy::ExhaustTemperature | QualifiedBy::Settled) => true,
            None => false,
        };
        let unknown = judged.not_known(TestKind::Monthly);
        let short = !kept && !unknown && (low || judged.load_too_low(TestKind::Monthly));
        let first = first_of_month(judged.on);
        if months.last().is_none_or(|last| last.first != first) {
            let (kept, told, lacks_rating) = (false, false, false);
            months.push(Month { first, kept, told, lacks_rating, short_on: None, grade: Grade::D });
        }
        let Some(month) = months.last_mut() else { continue };
        month.kept |= kept;
        let all_told = told(run.stretches(), least, set.nameplate);
        month.told |= all_told;
        let written = !run.stretches().iter().any(|stretch| stretch.load == Load::NotKnown);
        month.lacks_rating |= written && !all_told;
        if short {
            let dip = judged.counts(TestKind::Monthly).is_some();
            let told = run.exhaust_temperature_reached.is_some();
            let grade = if dip && !told { Grade::C } else { judged.grade(TestKind::Monthly) };
            month.short_on = Some(judged.on);
            month.grade = month.grade.min(grade);
        }
    }
    months
}
