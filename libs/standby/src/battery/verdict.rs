//! Whether a battery is fit by its checks: what was measured counts before a word that it passed, and a word that it failed before
//! all.

use interval::Fraction;
use model::event::BatteryResult;
use serde::Serialize;
use utoipa::ToSchema;

use super::{BatteryTrace, Charge, ChargeState, LoadOutcome, Nominal, policy::BatteryPolicy};
use crate::asked::Asked;

/// What one check of a battery found.
#[derive(Clone, Copy, Debug)]
pub struct CheckFound<'a> {
    /// What who checked it said, all in all.
    pub said: Option<BatteryResult>,
    /// How full it was.
    pub charge: Option<&'a Charge>,
    /// The nominal voltage, where it is known.
    pub nominal: Option<Nominal>,
    /// How it did under load.
    pub load: Option<LoadOutcome>,
    /// Whether it lay below its limit under load, also where something is missing for the test to count.
    pub below_limit: bool,
    /// Whether a new one was fitted.
    pub replaced: bool,
}

/// By what a battery is fit or not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
#[schema(as = BatteryPassedBy)]
pub enum PassedBy {
    /// A load test: one that counts, or one below its limit that was said to be passed.
    LoadTest,
    /// It rested and had less than the policy asks for.
    ChargeTooLow {
        /// Its charge.
        #[schema(value_type = f64, example = 0.25)]
        charge: Fraction,
        /// The least charge to pass.
        #[schema(value_type = f64, example = 0.5)]
        least_charge: Fraction,
        /// Where that comes from.
        #[schema(value_type = String)]
        source: &'static str,
    },
    /// It rested and had far less than a flat battery has: a cell is bad (value from memory).
    FarBelowFlat,
    /// What who checked it said.
    Said,
    /// A new one was fitted, and nothing was found since.
    Replaced,
}

/// Whether a battery is fit, and by what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// Whether it is fit; none where no check says so.
    pub passed: Option<bool>,
    /// By what.
    pub by: Option<PassedBy>,
    /// What to do, or to correct where what was measured contradicts what was said.
    pub missing: Vec<Asked>,
}

/// Whether a battery is fit by its checks, the first first. The last that says so counts; a charge that was too low is over as
/// soon as it had more, or passed.
#[must_use]
pub fn judge_checks(checks: &[CheckFound<'_>], policy: &BatteryPolicy) -> Verdict {
    let mut charged = false;
    for check in checks.iter().rev() {
        let flat = too_flat(check, policy).filter(|_| !charged);
        charged |= rested(check) && flat.is_none();
        // A word does not outweigh a figure that speaks against it.
        let word_against = check.below_limit && check.said == Some(BatteryResult::Passed);
        let by_load = check.load == Some(LoadOutcome::Fail) || word_against;
        let failed = by_load.then_some(PassedBy::LoadTest).or(flat);
        if let Some(by) = failed {
            return Verdict { passed: Some(false), by: Some(by), missing: asked(check, by) };
        }
        if far_below_flat(check) && check.said == Some(BatteryResult::Passed) {
            // Of two in series it may be that only one was measured: neither the figure nor the word counts.
            return Verdict { passed: None, by: None, missing: vec![Asked::at("/volts", MEASURE_BOTH)] };
        }
        let passed_load = (check.load == Some(LoadOutcome::Pass)).then_some((true, PassedBy::LoadTest));
        let said = check.said.map(|said| (said == BatteryResult::Passed, PassedBy::Said));
        let new = check.replaced.then_some((true, PassedBy::Replaced));
        // Who says that it failed may have seen more than a test that it passed.
        let failed_by_word = said.filter(|(passed, _)| !passed);
        if let Some((passed, by)) = failed_by_word.or(passed_load).or(said).or(new) {
            return Verdict { passed: Some(passed), by: Some(by), missing: Vec::new() };
        }
    }
    Verdict { passed: None, by: None, missing: Vec::new() }
}

fn rested(check: &CheckFound<'_>) -> bool {
    check.charge.is_some_and(|charge| charge.state == ChargeState::Told)
}

/// Why a battery that rested is too flat, if it is.
fn too_flat(check: &CheckFound<'_>, policy: &BatteryPolicy) -> Option<PassedBy> {
    let charge = check.charge?;
    if check.nominal == Some(Nominal::V12) && far_below_flat(check) {
        return Some(PassedBy::FarBelowFlat);
    }
    let told = charge.charge.filter(|_| charge.state == ChargeState::Told)?;
    let (least_charge, source) = (policy.least_to_pass, policy.least_to_pass_source);
    (told < least_charge).then_some(PassedBy::ChargeTooLow { charge: told, least_charge, source })
}

/// What to do where it is not known whether both batteries were measured together.
const MEASURE_BOTH: &str =
    "The voltage of both batteries in series: together they have far less than flat ones.";

/// Whether it rested and has far less than a flat one.
fn far_below_flat(check: &CheckFound<'_>) -> bool {
    let has =
        |what: fn(&BatteryTrace) -> bool| check.charge.is_some_and(|charge| charge.trace.iter().any(what));
    has(|one| *one == BatteryTrace::FarBelowFlat) && !has(|one| matches!(one, BatteryTrace::NotRested { .. }))
}

fn asked(check: &CheckFound<'_>, by: PassedBy) -> Vec<Asked> {
    let contradicts = check.said == Some(BatteryResult::Passed);
    let (enter, correct) = match by {
        PassedBy::ChargeTooLow { .. } => (
            Some(Asked::at("/volts", "Charge it, let it rest, and test it again.")),
            "The check says that it passed, but its charge is too low: correct whichever is wrong.",
        ),
        PassedBy::FarBelowFlat => (
            None,
            "The check says that it passed, but it has far less than a flat one: correct whichever is wrong.",
        ),
        PassedBy::LoadTest | PassedBy::Said | PassedBy::Replaced => (
            None,
            "The check says that it passed, but its load test lies below the limit: correct whichever is wrong.",
        ),
    };
    enter.into_iter().chain(contradicts.then(|| Asked::at("/result", correct))).collect()
}
