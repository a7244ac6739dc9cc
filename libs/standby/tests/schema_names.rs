//! Names under which answers are described: a general name would be that of another part of the API, too.

use std::borrow::Cow;

use standby::{burn, endurance, incident, mission, outage, promise};
use utoipa::ToSchema;

#[test]
fn names_say_what_they_are_of() {
    let names: [(Cow<'static, str>, &str); 36] = [
        (outage::Answer::name(), "RunThroughAnswer"),
        (outage::Stop::name(), "OutageStop"),
        (outage::Work::name(), "StopWork"),
        (outage::Stage::name(), "ToStage"),
        (outage::Cans::name(), "CansToStage"),
        (outage::Part::name(), "PartToStage"),
        (outage::After::name(), "DueAfterOutage"),
        (outage::TraceEntry::name(), "RunThroughTraceEntry"),
        (outage::UnitAnswer::name(), "OutageUnitAnswer"),
        (outage::SitePlan::name(), "OutageSitePlan"),
        (outage::SiteStage::name(), "OutageSiteStage"),
        (outage::FleetStage::name(), "OutageFleetStage"),
        (outage::SharedLasts::name(), "SiteTankLasts"),
        (outage::OnSiteLasts::name(), "OnSiteLasts"),
        (outage::live::Checks::name(), "OilChecks"),
        (outage::live::LiveTask::name(), "LiveTask"),
        (incident::Pack::name(), "IncidentSum"),
        (incident::UnitSum::name(), "IncidentUnitSum"),
        (incident::ReasonSum::name(), "IncidentReasonSum"),
        (incident::RunMissing::name(), "IncidentRunMissing"),
        (incident::MissingField::name(), "IncidentMissingField"),
        (incident::RunsOverlap::name(), "IncidentRunsOverlap"),
        (endurance::Triage::name(), "EnduranceTriage"),
        (endurance::NotKnown::name(), "EnduranceNotKnown"),
        (endurance::NotLimited::name(), "EnduranceNotLimited"),
        (endurance::Refused::name(), "EnduranceRefused"),
        (mission::Survival::name(), "OutageSurvival"),
        (burn::Beyond::name(), "BeyondCurve"),
        (promise::Counts::name(), "PromiseCounts"),
        (promise::WhyNot::name(), "PromiseWhyNot"),
        (promise::Promised::name(), "PromiseJudged"),
        (promise::Promises::name(), "PromisesJudged"),
        (promise::Fits::name(), "SpareFits"),
        (promise::Aspect::name(), "SpareFitAspect"),
        (promise::Misfit::name(), "SpareMisfit"),
        (promise::Fit::name(), "SpareFit"),
    ];
    for (found, expected) in names {
        assert_eq!(found, expected);
    }
}
