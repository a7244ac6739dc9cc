//! Whether units and sites are ready: the judge of both services.

use model::{Code, Instant};
use serde::Serialize;
use standby::{
    readiness::{
        Readiness, ReadinessPolicy, ReasonCode, Severity, SiteUnit, Text, VERDICTS, Verdict, judge_record,
        site_readiness,
    },
    record::Record,
};
use store::{
    readiness::{Judge, Judged, SiteSeen, UnitJudged, UnitSeen},
    view::UnitStory,
};
use utoipa::ToSchema;

/// Which facts are made of what is recorded; another number has everything judged anew.
const FACTS: u32 = 3;

/// Judges by a policy, all units by the same one.
#[derive(Debug)]
pub struct PolicyJudge {
    policy: ReadinessPolicy,
    version: String,
}

/// A reason as lists tell it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ShortReason {
    /// How grave it is.
    pub severity: Severity,
    /// What was found.
    pub code: ReasonCode,
    /// The rule that found it.
    #[schema(value_type = String, example = "oil")]
    pub rule: Text,
    /// The job that it is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, example = "oil_change")]
    pub job: Option<Code>,
}

impl PolicyJudge {
    /// By limits that are common practice.
    #[must_use]
    pub fn standard() -> Self {
        Self::by(ReadinessPolicy::standard())
    }

    /// By the rules of a policy.
    #[must_use]
    pub fn by(policy: ReadinessPolicy) -> Self {
        let version = format!("facts {FACTS}, {} {}", policy.policy(), policy.edition());
        Self { policy, version }
    }

    /// The verdict on a unit with every reason and what it rests on.
    #[must_use]
    pub fn readiness(&self, record: &Record<'_>) -> Readiness {
        judge_record(&self.policy, record)
    }
}

/// What is recorded of a unit by an instant.
#[must_use]
pub fn record(story: &UnitStory, at: Instant) -> Record<'_> {
    Record {
        unit: story.id,
        fields: &story.fields,
        site: &story.site_fields,
        happened: &story.happened,
        tags: &story.tags,
        state: &story.due.state,
        zone: &story.zone,
        at,
    }
}

impl Judge for PolicyJudge {
    fn unit(&self, seen: &UnitSeen) -> serde_json::Result<Judged> {
        let record = record(&seen.story, seen.now);
        let readiness = self.readiness(&record);
        let reasons = readiness.reasons.into_iter().map(|reason| ShortReason {
            severity: reason.severity,
            code: reason.code,
            rule: reason.rule,
            job: reason.job,
        });
        Ok(Judged {
            verdict: readiness.verdict.as_str(),
            until: readiness.until,
            capacity: record.capacity(),
            told: serde_json::to_string(&reasons.collect::<Vec<_>>())?,
        })
    }

    fn site(&self, seen: &SiteSeen) -> serde_json::Result<Judged> {
        let units: Vec<SiteUnit> = seen.units.iter().map(site_unit).collect();
        let readiness = site_readiness(seen.id, seen.fields.needs_kw, &units);
        Ok(Judged {
            verdict: readiness.verdict.as_str(),
            until: readiness.until,
            capacity: None,
            told: serde_json::to_string(&readiness)?,
        })
    }

    fn version(&self) -> &str {
        &self.version
    }
}

/// A unit as its site counts it; a word that is not known counts as not known.
fn site_unit(unit: &UnitJudged) -> SiteUnit {
    let verdict = VERDICTS.iter().find(|(word, _)| *word == unit.verdict);
    SiteUnit {
        unit: unit.unit,
        verdict: verdict.map_or(Verdict::Unknown, |(_, verdict)| *verdict),
        capacity: unit.capacity,
        until: unit.until,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_store_knows_the_words_of_verdicts() {
        let words: Vec<&str> = VERDICTS.iter().map(|(word, _)| *word).collect();
        assert_eq!(words, store::readiness::VERDICTS);
        for (word, verdict) in VERDICTS {
            assert_eq!(verdict.as_str(), *word);
            assert_eq!(serde_json::to_value(verdict).unwrap(), *word);
        }
    }
}
