use serde::Serialize;
use utoipa::ToSchema;

use super::Analysis;
use crate::{
    code::Code,
    entry,
    entry::HoursEntry,
    quantity::{Hours, Litres},
    read::{Flaw, Object, boolean, word},
    schedule::Part,
};

/// Jobs were done on a unit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Service {
    /// What was done.
    #[schema(min_items = 1, max_items = 50)]
    pub jobs: Vec<JobDone>,
    /// What the hour meter showed; without it the hours are worked out from the readings around.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    #[schema(value_type = Option<HoursEntry>)]
    pub meter_hours: Option<Hours>,
    /// Engine oil that was added, in litres; what a change of oil takes is told as its part.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000, example = 0.2)]
    pub oil_added_litres: Option<Litres>,
}

/// One job that was done.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct JobDone {
    /// Which, by the organization-wide code.
    #[schema(value_type = String, example = "oil_change", pattern = "^[a-z][a-z0-9_]{0,63}$")]
    pub job: Code,
    /// What was used up.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false, max_items = 50)]
    pub parts: Vec<Part>,
    /// How it came out; absent means `done`. An oil analysis decides its own, by its figures.
    #[serde(skip_serializing_if = "JobResult::is_default")]
    #[schema(required = false)]
    pub result: JobResult,
    /// Whether a part was used that neither the maker nor anybody entitled has approved; absent means not.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    #[schema(required = false)]
    pub substitute: bool,
    /// The laboratory's figures, where the job is the sampling of oil.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub analysis: Option<Analysis>,
}

/// How a job came out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum JobResult {
    /// It was done.
    #[default]
    Done,
    /// It was a check, and what was checked is fit.
    Passed,
    /// It was a check, and what was checked is not fit.
    Failed,
    /// It was left out.
    Skipped,
}

const RESULTS: &[(&str, JobResult)] = &[
    ("done", JobResult::Done),
    ("passed", JobResult::Passed),
    ("failed", JobResult::Failed),
    ("skipped", JobResult::Skipped),
];

impl JobResult {
    fn is_default(&self) -> bool {
        *self == Self::Done
    }
}

impl Service {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let jobs = o.objects("jobs", 50, JobDone::read);
        let meter_hours = o.optional("meter_hours", Hours::read);
        let oil_added_litres = o.optional("oil_added_litres", Litres::read);
        if !o.has("jobs") || jobs.as_ref().is_some_and(Vec::is_empty) {
            return o.fail("jobs", Flaw::new("required", "A service names at least one job."));
        }
        Some(Self { jobs: jobs?, meter_hours, oil_added_litres })
    }
}

impl JobDone {
    /// The job done, and nothing more said of it.
    pub fn plain(job: Code) -> Self {
        Self { job, parts: Vec::new(), result: JobResult::Done, substitute: false, analysis: None }
    }

    fn read(o: &mut Object<'_>) -> Option<Self> {
        let job = o.required("job", Code::read);
        let parts = o.objects("parts", 50, Part::read).unwrap_or_default();
        let result = o.optional("result", word(RESULTS)).unwrap_or_default();
        let substitute = o.optional("substitute", boolean).unwrap_or(false);
        let analysis = o.object("analysis", Analysis::read);
        if o.has("analysis") && result != JobResult::Done {
            return o.fail(
                "result",
                Flaw::new("misplaced", "The figures of an analysis decide its result; leave it out."),
            );
        }
        Some(Self { job: job?, parts, result, substitute, analysis })
    }
}
