use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    code::Code,
    quantity::Hours,
    read::{Flaw, Object},
    schedule::Part,
};

/// Jobs were done on a unit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Service {
    /// What was done.
    #[schema(min_items = 1, max_items = 50)]
    pub jobs: Vec<JobDone>,
    /// What the hour meter showed; without it the hours are worked out from the readings around.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000, example = 231.0)]
    pub meter_hours: Option<Hours>,
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
}

impl Service {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let jobs = o.objects("jobs", 50, JobDone::read);
        let meter_hours = o.optional("meter_hours", Hours::read);
        if !o.has("jobs") || jobs.as_ref().is_some_and(Vec::is_empty) {
            return o.fail("jobs", Flaw::new("required", "A service names at least one job."));
        }
        Some(Self { jobs: jobs?, meter_hours })
    }
}

impl JobDone {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let job = o.required("job", Code::read);
        let parts = o.objects("parts", 50, Part::read).unwrap_or_default();
        Some(Self { job: job?, parts })
    }
}
