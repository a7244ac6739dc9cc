//! The life of one batch: the parts of it, what each uses up, and the first day past its limit.

use interval::Fraction;
use model::LocalDate;

use super::{
    Batch, TankFuel,
    limits::{AgePolicy, AgeRule, Credit},
};
use crate::convert::Days;

/// A part of a batch's life under one rule.
pub(super) struct Part<'p> {
    pub(super) from: LocalDate,
    until: Option<LocalDate>,
    pub(super) days: i64,
    pub(super) rule: &'p AgeRule,
}

/// What is known of how long a batch keeps.
pub(super) enum Life<'p> {
    /// It does not age.
    Endless,
    /// Nobody knows when it was bought.
    NotDated,
    /// The policy has no rule for it.
    NoRule,
    /// It has these parts.
    Parts(Vec<Part<'p>>),
}

/// The share of a life that is used up, exactly.
#[derive(Clone, Copy)]
struct Used {
    part: i128,
    whole: i128,
}

impl Used {
    const NOTHING: Self = Self { part: 0, whole: 1 };

    fn and(self, days: i64, of: i64) -> Self {
        let (days, of) = (i128::from(days.max(0)), i128::from(of));
        Self { part: self.part * of + days * self.whole, whole: self.whole * of }
    }

    /// How many days of a life of `of` days are left, times [`Used::whole`].
    fn left(self, of: i64) -> i128 {
        (self.whole - self.part) * i128::from(of)
    }
}

impl<'p> Life<'p> {
    pub(super) fn of(batch: &Batch, fuel: TankFuel, policy: &'p AgePolicy) -> Self {
        if fuel == TankFuel::Propane {
            return Self::Endless;
        }
        let Some(bought) = batch.bought_on else { return Self::NotDated };
        let opened = batch.opened_on.unwrap_or(bought);
        let treated = batch.treated_on.filter(|_| credited(batch, fuel, policy));
        let mut starts = vec![bought, opened.max(bought)];
        starts.extend(treated.map(|treated| treated.max(bought)));
        starts.sort_unstable();
        starts.dedup();
        let until = starts.iter().skip(1).copied().map(Some).chain([None]);
        let parts = starts.iter().copied().zip(until).map(|(from, until)| {
            let rule = find(batch, fuel, policy, opened <= from, treated.is_some_and(|on| on <= from))?;
            Some(Part { from, until, days: rule.keeps.days_from(from), rule })
        });
        parts.collect::<Option<_>>().map_or(Self::NoRule, Self::Parts)
    }

    /// The first day past the limit.
    pub(super) fn past_from(&self) -> Option<LocalDate> {
        let Self::Parts(parts) = self else { return None };
        let mut used = Used::NOTHING;
        for part in parts {
            let left = used.left(part.days).max(0);
            let within = if part.rule.keeps.last_day_counts() {
                left / used.whole + 1
            } else {
                (left + used.whole - 1) / used.whole
            };
            let lasts = part.until.map(|until| until.days_since(part.from));
            if lasts.is_none_or(|lasts| within <= i128::from(lasts)) {
                return Some(part.from.plus_days(i32::try_from(within).unwrap_or(i32::MAX)));
            }
            used = used.and(i64::from(lasts.unwrap_or(0)), part.days);
        }
        None
    }

    /// The share of its life used up at the start of a day.
    pub(super) fn used(&self, at: LocalDate) -> Option<Fraction> {
        let Self::Parts(parts) = self else { return None };
        let used = parts.iter().filter(|part| part.from < at).fold(Used::NOTHING, |used, part| {
            let until = part.until.map_or(at, |until| until.min(at));
            used.and(i64::from(until.days_since(part.from)), part.days)
        });
        let number = |of: i128| i64::try_from(of).unwrap_or(i64::MAX);
        Some(Fraction::of(number(used.part), number(used.whole)))
    }

    /// After how many days it is used up, counted from the first.
    pub(super) fn lasts(&self) -> Option<Days> {
        let Self::Parts(parts) = self else { return None };
        let (mut used, mut days) = (Used::NOTHING, 0_i64);
        for part in parts {
            let left = used.left(part.days).max(0) * 100;
            let lasts = part.until.map(|until| i64::from(until.days_since(part.from)));
            if lasts.is_none_or(|lasts| left <= i128::from(lasts) * 100 * used.whole) {
                let left = (left + used.whole / 2) / used.whole;
                return Some(Days::from_hundredths(days * 100 + i64::try_from(left).unwrap_or(i64::MAX)));
            }
            used = used.and(lasts.unwrap_or(0), part.days);
            days += lasts.unwrap_or(0);
        }
        None
    }
}

/// Whether treatment gives a batch anything.
pub(super) fn credited(batch: &Batch, fuel: TankFuel, policy: &AgePolicy) -> bool {
    policy.credit == Credit::Proportional && find(batch, fuel, policy, true, true).is_some()
}

fn find<'p>(
    batch: &Batch,
    fuel: TankFuel,
    policy: &'p AgePolicy,
    opened: bool,
    treated: bool,
) -> Option<&'p AgeRule> {
    policy.rules.iter().find(|rule| {
        rule.fuel == fuel
            && rule.treated == treated
            && rule.opened.is_none_or(|state| state == opened)
            && (rule.ethanol.is_empty() || rule.ethanol.contains(&batch.ethanol))
            && rule.at_least.is_none_or(|least| batch.stored_at.is_some_and(|at| at >= least))
            && rule.at_most.is_none_or(|most| batch.stored_at.is_some_and(|at| at <= most))
    })
}
