//! The rules about tests, as data with their sources.

use interval::Fraction;
use model::{Hours, unit::Ignition};
use serde::Serialize;
use utoipa::ToSchema;

use super::{run::Set, spacing::SpacingRule};

/// What a test is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum TestKind {
    /// Each month.
    Monthly,
    /// Each year, where months fell short of their load.
    Annual,
    /// Each three years.
    Triennial,
}

/// At least that share of the nameplate for at least so long.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stage {
    /// The least share.
    pub least: Fraction,
    /// The least time.
    pub lasts: Hours,
}

/// What a run must show to count.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TestRule {
    /// Its name.
    pub rule: &'static str,
    /// What a run that meets it counts for.
    pub counts_for: &'static [TestKind],
    /// Engines it is for; none: any.
    pub ignition: Option<Ignition>,
    /// Stages of rising load, one after the other without a break.
    pub stages: Vec<Stage>,
    /// A class shorter than all stages together shortens the first, so that they come to the class.
    pub class_shortens: bool,
    /// Whether the exhaust temperature that the maker asks for does instead of the load.
    pub exhaust_instead: bool,
    /// Whether it does, of the time, that temperature and oil pressure have settled.
    pub settled_instead: bool,
    /// Whether a run does not count if the engine was run before the transfer.
    pub cold_start: bool,
    /// Where the figures come from.
    pub source: &'static str,
}

/// When a test of a kind is due again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Due {
    /// Of which kind.
    pub kind: TestKind,
    /// By which rule.
    pub rule: SpacingRule,
    /// It is coming due so many days before the last day; none: as soon as its window opens.
    pub lead_days: Option<i32>,
}

/// When an annual test is owed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum AnnualTrigger {
    /// When a monthly test of an engine lit by compression fell below its load at any time (spark: never).
    MonthFellShort,
    /// Never.
    Never,
}

/// The least share for which an exercise is worth its fuel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Within {
    /// Below this share of the nameplate unburned fuel settles in the exhaust of a diesel.
    pub wet_stacking_below: Fraction,
    /// Where that comes from.
    pub source: &'static str,
}

/// All rules about tests.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TestPolicy {
    /// Its name.
    pub policy: &'static str,
    /// Its edition.
    pub edition: &'static str,
    /// What counts.
    pub rules: Vec<TestRule>,
    /// When it is due again.
    pub due: Vec<Due>,
    /// When an annual test is owed.
    pub annual: AnnualTrigger,
    /// Light load.
    pub light_load: Within,
}

/// A year's test is coming due so many days ahead, to find a load bank (value of this project).
const LEAD_OF_YEAR: Option<i32> = Some(30);
/// The same of a test each three years (value of this project).
const LEAD_OF_THREE_YEARS: Option<i32> = Some(90);

const QUOTED: &str = "NFPA 110 (2010 and later), figures only, by pages that quote it";

const fn minutes(minutes: i64) -> Hours {
    Hours::from_seconds(minutes * 60)
}

fn stage(hundredths: i64, lasts: Hours) -> Stage {
    Stage { least: Fraction::of(hundredths, 100), lasts }
}

impl TestRule {
    fn named(rule: &'static str, counts_for: &'static [TestKind], stages: Vec<Stage>) -> Self {
        Self {
            rule,
            counts_for,
            ignition: Some(Ignition::Compression),
            stages,
            class_shortens: false,
            exhaust_instead: false,
            settled_instead: false,
            cold_start: false,
            source: QUOTED,
        }
    }

    /// 30 minutes at 30 % of the nameplate at least, or at the exhaust temperature that the maker asks for.
    #[must_use]
    pub fn monthly_diesel() -> Self {
        let stages = vec![stage(30, minutes(30))];
        let rule = Self::named("monthly_30_percent_30_minutes", &[TestKind::Monthly], stages);
        Self { exhaust_instead: true, cold_start: true, ..rule }
    }

    /// 30 minutes under load, or until temperature and oil pressure have settled.
    #[must_use]
    pub fn monthly_spark() -> Self {
        Self {
            ignition: Some(Ignition::Spark),
            settled_instead: true,
            cold_start: true,
            source: "NFPA 110, figures only; that it may end when temperature and oil pressure have settled is a value from memory",
            ..Self::named("monthly_spark_30_minutes", &[TestKind::Monthly], vec![stage(0, minutes(30))])
        }
    }

    /// 30 minutes at 30 %, of any engine.
    #[must_use]
    pub fn monthly_any() -> Self {
        Self {
            ignition: None,
            source: "common practice, after NFPA 110",
            ..Self::named("monthly_any_30_percent", &[TestKind::Monthly], vec![stage(30, minutes(30))])
        }
    }

    /// 50 % for 30 minutes, then 75 % for 60, without a break; 75 % for 90 minutes does as well.
    #[must_use]
    pub fn annual_diesel() -> Self {
        let stages = vec![stage(50, minutes(30)), stage(75, minutes(60))];
        Self::named("annual_50_then_75_percent", &[TestKind::Annual], stages)
    }

    /// 30 % for 4 hours, or as long as the class asks for if that is less.
    #[must_use]
    pub fn triennial() -> Self {
        let stages = vec![stage(30, minutes(240))];
        let rule = Self::named("triennial_30_percent_4_hours", &[TestKind::Triennial], stages);
        Self { class_shortens: true, ..rule }
    }

    /// Under any load for 4 hours, or as long as the class asks for if that is less: 30 % is asked of diesels only.
    #[must_use]
    pub fn triennial_spark() -> Self {
        let stages = vec![stage(0, minutes(240))];
        let rule = Self::named("triennial_spark_4_hours", &[TestKind::Triennial], stages);
        Self { ignition: Some(Ignition::Spark), class_shortens: true, ..rule }
    }

    /// 30 % for 3 hours, then 75 % for one: counts for the year and for the three years.
    #[must_use]
    pub fn combined() -> Self {
        let stages = vec![stage(30, minutes(180)), stage(75, minutes(60))];
        Self::named("triennial_and_annual_combined", &[TestKind::Annual, TestKind::Triennial], stages)
    }
}

impl TestPolicy {
    /// By NFPA 110, a test in each calendar month.
    #[must_use]
    pub fn calendar_month() -> Self {
        Self {
            policy: "tests_by_calendar_month",
            edition: "1",
            rules: vec![
                TestRule::monthly_diesel(),
                TestRule::monthly_spark(),
                TestRule::annual_diesel(),
                TestRule::triennial(),
                TestRule::triennial_spark(),
                TestRule::combined(),
            ],
            due: [
                (TestKind::Monthly, SpacingRule::calendar_month(), None),
                (TestKind::Annual, SpacingRule::months(12), LEAD_OF_YEAR),
                (TestKind::Triennial, SpacingRule::months(36), LEAD_OF_THREE_YEARS),
            ]
            .map(|(kind, rule, lead_days)| Due { kind, rule, lead_days })
            .to_vec(),
            annual: AnnualTrigger::MonthFellShort,
            light_load: Within {
                wet_stacking_below: Fraction::of(30, 100),
                source: "common practice: a diesel below 30 % of its rating may wet-stack; NFPA 110 asks for 30 % each month",
            },
        }
    }

    /// The same rules, with 20 to 40 days from one test to the next, as accreditors of hospitals count, a year ± 30 days.
    #[must_use]
    pub fn twenty_to_forty_days() -> Self {
        let plain = Self::calendar_month();
        let due = [
            (TestKind::Monthly, SpacingRule::twenty_to_forty_days(), None),
            (TestKind::Annual, SpacingRule::year_within_30_days(), LEAD_OF_YEAR),
            (TestKind::Triennial, SpacingRule::months(36), LEAD_OF_THREE_YEARS),
        ];
        Self {
            policy: "tests_by_20_to_40_days",
            due: due.map(|(kind, rule, lead_days)| Due { kind, rule, lead_days }).to_vec(),
            ..plain
        }
    }

    /// A municipality's own: 30 minutes at 30 % in each calendar month, of any engine.
    #[must_use]
    pub fn any_engine() -> Self {
        Self {
            policy: "tests_of_any_engine",
            rules: vec![TestRule::monthly_any()],
            due: vec![Due { kind: TestKind::Monthly, rule: SpacingRule::calendar_month(), lead_days: None }],
            annual: AnnualTrigger::Never,
            ..Self::calendar_month()
        }
    }

    /// Whether any rule about a kind of test is for engines lit like this one; any may be where that is not known.
    #[must_use]
    pub fn fits(&self, kind: TestKind, set: &Set) -> bool {
        let mut of_kind = self.rules.iter().filter(|rule| rule.counts_for.contains(&kind));
        of_kind.any(|rule| rule.ignition.is_none_or(|ignition| set.ignition.is_none_or(|is| is == ignition)))
    }

    /// How tests of a kind must follow each other.
    #[must_use]
    pub fn spacing_of(&self, kind: TestKind) -> Option<SpacingRule> {
        self.due.iter().find(|due| due.kind == kind).map(|due| due.rule)
    }
}
