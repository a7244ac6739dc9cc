//! Whether tests follow each other as a rule asks, and when the next is due.

use model::LocalDate;
use serde::Serialize;
use utoipa::ToSchema;

/// How tests must follow each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SpacingRule {
    /// Its name.
    pub rule: &'static str,
    /// Where it comes from.
    pub source: &'static str,
    asks: Asks,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Asks {
    /// One in each calendar month.
    CalendarMonth,
    /// So many days from one to the next, both counted in.
    Days { earliest: i32, latest: i32 },
    /// No later than so many months after the last.
    Months(i32),
}

impl SpacingRule {
    /// One in each calendar month.
    #[must_use]
    pub const fn calendar_month() -> Self {
        Self {
            rule: "calendar_month",
            source: "NFPA 110: monthly; read as in each calendar month",
            asks: Asks::CalendarMonth,
        }
    }

    /// 20 to 40 days from one to the next.
    #[must_use]
    pub const fn twenty_to_forty_days() -> Self {
        let asks = Asks::Days { earliest: 20, latest: 40 };
        Self { rule: "20_to_40_days", source: "an accreditor of hospitals: monthly is 20 to 40 days", asks }
    }

    /// A year, 30 days more or less.
    #[must_use]
    pub const fn year_within_30_days() -> Self {
        let asks = Asks::Days { earliest: 335, latest: 395 };
        Self { rule: "year_within_30_days", source: "an accreditor of hospitals: a year ± 30 days", asks }
    }

    /// No later than so many months after the last, on the same day of the month.
    #[must_use]
    pub const fn months(months: i32) -> Self {
        Self { rule: "months_after_last", source: "NFPA 110, figures only", asks: Asks::Months(months) }
    }

    /// The first and the last day for the next after a test.
    #[must_use]
    pub fn next_after(self, last: LocalDate) -> (LocalDate, LocalDate) {
        match self.asks {
            Asks::CalendarMonth => {
                let first = last.last_of_month().plus_days(1);
                (first, first.last_of_month())
            }
            Asks::Days { earliest, latest } => (last.plus_days(earliest), last.plus_days(latest)),
            Asks::Months(months) => (last.plus_days(1), last.plus_months(months)),
        }
    }

    fn judge(self, from: LocalDate, to: LocalDate) -> GapVerdict {
        let (earliest, latest) = self.next_after(from);
        // More than one test in a calendar month is no fault.
        let too_early = to < earliest && matches!(self.asks, Asks::Days { .. });
        if too_early {
            GapVerdict::TooEarly
        } else if to > latest {
            GapVerdict::TooLate
        } else {
            GapVerdict::Ok
        }
    }
}

/// Whether one test follows another as it must.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = TestGapVerdict)]
pub enum GapVerdict {
    /// It does.
    Ok,
    /// It comes before its window.
    TooEarly,
    /// It comes after its window.
    TooLate,
}

/// From one test to the next.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = TestGap)]
pub struct Gap {
    /// The day of the one.
    #[schema(value_type = String, format = Date)]
    pub from: LocalDate,
    /// The day of the next.
    #[schema(value_type = String, format = Date)]
    pub to: LocalDate,
    /// Days between them.
    #[schema(example = 56)]
    pub days: i32,
    /// Whether that is as it must be.
    pub verdict: GapVerdict,
    /// The first day of the window.
    #[schema(value_type = String, format = Date)]
    pub earliest: LocalDate,
    /// The last day of the window.
    #[schema(value_type = String, format = Date)]
    pub latest: LocalDate,
}

/// How tests follow each other by a rule.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = TestSpacing)]
pub struct Spacing {
    /// The rule.
    #[schema(value_type = String, example = "20_to_40_days")]
    pub rule: &'static str,
    /// Where it comes from.
    #[schema(value_type = String)]
    pub source: &'static str,
    /// Whether all gaps are as they must be; absent where there are not two tests.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kept: Option<bool>,
    /// Each gap, in order.
    pub gaps: Vec<Gap>,
    /// The first day for the next test; absent where there was none.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub next_from: Option<LocalDate>,
    /// The last day for the next test.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub next_by: Option<LocalDate>,
}

/// Judges the days of tests, in any order; several on one day are one.
#[must_use]
pub fn spacing(tests: &[LocalDate], rule: SpacingRule) -> Spacing {
    let mut days = tests.to_vec();
    days.sort_unstable();
    days.dedup();
    let gap = |from: LocalDate, to: LocalDate| {
        let (earliest, latest) = rule.next_after(from);
        Gap { from, to, days: to.days_since(from), verdict: rule.judge(from, to), earliest, latest }
    };
    let gaps: Vec<Gap> = days.iter().zip(days.iter().skip(1)).map(|(from, to)| gap(*from, *to)).collect();
    let next = days.last().map(|last| rule.next_after(*last));
    Spacing {
        rule: rule.rule,
        source: rule.source,
        kept: (!gaps.is_empty()).then(|| gaps.iter().all(|gap| gap.verdict == GapVerdict::Ok)),
        gaps,
        next_from: next.map(|(earliest, _)| earliest),
        next_by: next.map(|(_, latest)| latest),
    }
}
