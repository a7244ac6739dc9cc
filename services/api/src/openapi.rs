//! The OpenAPI description: generated from the handlers, with the schemas of what travels.
//!
//! This file holds the shapes that the macros cannot read off our types; `finish` makes of all of it what is served.

mod answers;
mod examples;
mod finish;
mod flatten;
#[cfg(test)]
mod lint;
mod requests;
mod schedule;
mod schemas;
mod subjects;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use model::{
    Instant,
    blob::Attachment,
    event::{Details, UnitModel},
    mail::{MailListFields, RecipientFields},
    outage::{IncidentFields, PromiseFields},
    schedule::{Edition as EditionFields, ScheduleFields},
    site::SiteFields,
    time::{Precision, TimeSource},
    unit::UnitFields,
};
use serde::Serialize;
use utoipa::{
    IntoParams, IntoResponses, OpenApi, ToSchema,
    openapi::{
        ContentBuilder, Ref, RefOr, Response, ResponseBuilder,
        security::{HttpAuthScheme, HttpBuilder, SecurityScheme},
    },
};

pub(crate) use self::{finish::text, schedule::schedule_schema};
pub(crate) use crate::problem::Problem;
use crate::{
    problem::Kind,
    routes::{Paths, PromiseWarning},
    what_if::DueChange,
};

/// How every operation fails: with a problem.
pub(crate) struct Problems;

impl IntoResponses for Problems {
    fn responses() -> BTreeMap<String, RefOr<Response>> {
        let problem = Ref::from_schema_name("Problem");
        let answer = |description: &str| {
            let content = ContentBuilder::new().schema(Some(problem.clone())).build();
            ResponseBuilder::new()
                .description(description)
                .content("application/problem+json", content)
                .build()
        };
        BTreeMap::from([
            ("4XX".to_owned(), RefOr::T(answer("What was asked cannot be done; the problem says why."))),
            (
                "5XX".to_owned(),
                RefOr::T(answer("It could not be done now; the problem says whether to try again.")),
            ),
        ])
    }
}

/// Which page of a list.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand")]
pub(crate) struct PageParams {
    /// Items of a page; absent means 100, and 500 at most are given.
    #[param(minimum = 1)]
    limit: Option<u32>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// An id in another system.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand")]
pub(crate) struct ExternalParams {
    /// The code of another system; with `external_id`, only what has that id there.
    #[param(pattern = "^[a-z][a-z0-9_]{0,63}$")]
    external_system: Option<String>,
    /// The id there; with `external_system`.
    #[param(min_length = 1, max_length = 200)]
    external_id: Option<String>,
}

/// A condition on reading.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[allow(dead_code, reason = "describes what is read by hand")]
pub(crate) struct IfNoneMatch {
    /// An ETag you have; 304 if it is still right.
    #[param(rename = "If-None-Match")]
    if_none_match: Option<String>,
}

/// Whether to write at all.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand")]
pub(crate) struct DryRun {
    /// `true`: judge everything as ever, answer 200 with what would be answered (or the same problem), and write
    /// nothing. Such an answer has no ETag and no Location; its header `Keepstart-Dry-Run` says `applied`, or
    /// `already_applied` where the request is a repeat, or on a batch `results`, which have it for each event.
    dry_run: Option<bool>,
}

/// What makes a repeat of a creation safe.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[allow(dead_code, reason = "describes what is read by hand")]
pub(crate) struct IdempotencyKey {
    /// A UUID; becomes the id where the body has none.
    #[param(rename = "Idempotency-Key", format = "uuid")]
    idempotency_key: Option<String>,
}

/// From what a change was made, and what makes its repeat safe.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[allow(dead_code, reason = "describes what is read by hand")]
pub(crate) struct ChangeHeaders {
    /// The ETag you read, in its quotes. `*` is refused: it would overwrite what you have not seen.
    #[param(rename = "If-Match", pattern = "^\"[^\"]+\"$")]
    if_match: String,
    /// A UUID that makes a repeat of this change recognisable.
    #[param(rename = "Idempotency-Key", format = "uuid")]
    idempotency_key: Option<String>,
}

/// What a kind of problem means.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ProblemKind {
    /// Its code.
    #[schema(example = "precondition_failed")]
    pub code: &'static str,
    /// What it is.
    #[schema(example = "The record changed since you read it")]
    pub title: &'static str,
    /// The HTTP status it comes with.
    #[schema(example = 412)]
    pub status: u16,
    /// Whether the same request may succeed later.
    pub retryable: bool,
    /// What a client does about it.
    #[schema(example = "Read it again, look at what changed, and send the change with the new ETag.")]
    pub what_to_do: &'static str,
}

impl ProblemKind {
    /// What the table says about a kind.
    pub(crate) fn of(kind: Kind) -> Self {
        Self {
            code: kind.code(),
            title: kind.title(),
            status: kind.status(),
            retryable: kind.retryable(),
            what_to_do: kind.then(),
        }
    }
}

/// That something is well.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Health {
    /// Always `ok`; otherwise a problem is sent.
    #[schema(example = "ok")]
    pub status: &'static str,
    /// How the work that nobody asks for is; of `/readyz`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub nightly: Option<NightlyHealth>,
}

impl Health {
    /// Nothing but that.
    pub(crate) const OK: Self = Self { status: "ok", nightly: None };
}

/// How the work that nobody asks for is.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct NightlyHealth {
    /// `ok`; `failing`; `silent` where nobody has looked at what is to be done for five minutes; `absent` where nobody ever has:
    /// then no mail goes out, and lists of what is due fall behind.
    #[schema(example = "ok")]
    pub status: &'static str,
    /// When it was last looked at what is to be done.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    pub seen_at: Option<Instant>,
    /// How many pieces of it failed within a day, or are late and went wrong before.
    #[schema(example = 0)]
    pub failing: u64,
}

macro_rules! shapes {
    ($($new:ident $sent:ident $listed:ident $fields:ty, $what:literal;)*) => {$(
        #[doc = concat!("A new ", $what, ".")]
        #[derive(ToSchema)]
        #[schema(description = concat!("A new ", $what, "."))]
        #[allow(dead_code, reason = "describes what is read by hand, member by member")]
        pub(crate) struct $new {
            /// An id of your own, a UUID; absent means that the service makes one.
            #[schema(value_type = Option<String>, format = "uuid")]
            id: Option<String>,
            #[serde(flatten)]
            fields: $fields,
        }

        #[doc = concat!("A ", $what, ": its id and its fields.")]
        #[derive(ToSchema)]
        #[schema(description = concat!("A ", $what, ": its id and its fields."))]
        #[allow(dead_code, reason = "describes what is written from registers")]
        pub(crate) struct $sent {
            /// Its id.
            #[schema(value_type = String, format = "uuid")]
            id: String,
            #[serde(flatten)]
            fields: $fields,
        }

        #[doc = concat!("A page of ", $what, "s.")]
        #[derive(ToSchema)]
        #[schema(description = concat!("A page of ", $what, "s."))]
        #[allow(dead_code, reason = "describes what is written from registers")]
        pub(crate) struct $listed {
            /// The items.
            items: Vec<$sent>,
            /// The cursor of the next page; absent on the last.
            next: Option<String>,
        }
    )*};
}

shapes! {
    SiteNew Site Sites SiteFields, "site";
    UnitNew Unit Units UnitFields, "unit";
    ScheduleNew Schedule Schedules ScheduleFields, "schedule";
    MailListNew MailList MailLists MailListFields, "mail list";
    RecipientNew Recipient Recipients RecipientFields, "recipient";
    IncidentNew Incident Incidents IncidentFields, "incident";
    PromiseNew Promise Promises PromiseFields, "promise";
}

/// Fields of a site to set, or to remove with null.
#[derive(ToSchema)]
#[schema(as = SitePatch)]
pub(crate) struct SitePatch(#[allow(dead_code, reason = "a schema")] SiteFields);

/// Fields of a unit to set, or to remove with null.
#[derive(ToSchema)]
#[schema(as = UnitPatch)]
pub(crate) struct UnitPatch(#[allow(dead_code, reason = "a schema")] UnitFields);

/// Fields of a schedule to set.
#[derive(ToSchema)]
#[schema(as = SchedulePatch)]
pub(crate) struct SchedulePatch(#[allow(dead_code, reason = "a schema")] ScheduleFields);

/// Fields of a mail list to set, or to remove with null.
#[derive(ToSchema)]
#[schema(as = MailListPatch)]
pub(crate) struct MailListPatch(#[allow(dead_code, reason = "a schema")] MailListFields);

/// Fields of a recipient to set, or to remove with null.
#[derive(ToSchema)]
#[schema(as = RecipientPatch)]
pub(crate) struct RecipientPatch(#[allow(dead_code, reason = "a schema")] RecipientFields);

/// Fields of an incident to set, or to remove with null.
#[derive(ToSchema)]
#[schema(as = IncidentPatch)]
pub(crate) struct IncidentPatch(#[allow(dead_code, reason = "a schema")] IncidentFields);

/// Fields of a promise to set, or to remove with null.
#[derive(ToSchema)]
#[schema(as = PromisePatch)]
pub(crate) struct PromisePatch(#[allow(dead_code, reason = "a schema")] PromiseFields);

/// A promise that was just recorded.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is written from registers")]
pub(crate) struct PromiseRecorded {
    #[serde(flatten)]
    promise: Promise,
    /// The promises of the same spare that contradict it; it is recorded all the same.
    warnings: Vec<PromiseWarning>,
}

/// A new edition of a schedule.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct EditionNew {
    /// An id of your own, a UUID; absent means that the service makes one.
    #[schema(value_type = Option<String>, format = "uuid")]
    id: Option<String>,
    #[serde(flatten)]
    edition: EditionFields,
}

/// An edition of a schedule.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is written from the log")]
pub(crate) struct Edition {
    /// Its id.
    #[schema(value_type = String, format = "uuid")]
    id: String,
    /// The schedule it is an edition of.
    #[schema(value_type = String, format = "uuid")]
    schedule_id: String,
    #[serde(flatten)]
    edition: EditionFields,
}

/// A page of editions.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is written from the log")]
pub(crate) struct Editions {
    /// The items.
    items: Vec<Edition>,
    /// The cursor of the next page; absent on the last.
    next: Option<String>,
}

/// What every kind of service event has.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct EventCommon {
    /// The unit it happened to.
    #[schema(value_type = String, format = "uuid")]
    unit_id: String,
    /// When it happened, with the offset from UTC; or `occurred_on`.
    #[schema(value_type = Option<String>, format = DateTime, example = "2026-08-01T06:00:00-06:00")]
    occurred_at: Option<String>,
    /// The day it happened, where only that is known.
    #[schema(value_type = Option<String>, format = Date)]
    occurred_on: Option<String>,
    /// How exactly the time is known; absent means `instant`. Not with `occurred_on`.
    occurred_precision: Option<Precision>,
    /// Where the time came from; absent means `typed`.
    occurred_source: Option<TimeSource>,
    /// For whom you enter it.
    #[schema(value_type = Option<String>, format = "uuid")]
    on_behalf_of: Option<String>,
    /// Anything else; private, erasable.
    #[schema(max_length = 4000)]
    note: Option<String>,
    /// Photos and papers of it; their bytes go to `/v1/blobs/{sha256}`, before the event or after it.
    #[schema(max_items = 20)]
    attachments: Option<Vec<Attachment>>,
    #[serde(flatten)]
    details: Details,
}

/// A new service event.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct EventNew {
    /// An id of your own, a UUID; absent means that the service makes one.
    #[schema(value_type = Option<String>, format = "uuid")]
    id: Option<String>,
    #[serde(flatten)]
    common: EventCommon,
}

/// A service event as it was recorded.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is written from the log")]
pub(crate) struct Event {
    /// Its id.
    #[schema(value_type = String, format = "uuid")]
    id: String,
    #[serde(flatten)]
    common: EventCommon,
    /// When it happened, where `occurred_at` is of a handset's clock that was put right: this is what counts. The end of a
    /// run, `stopped_at`, counts as much later or earlier, too.
    #[schema(value_type = Option<String>, format = DateTime)]
    happened_at: Option<String>,
    /// When the service recorded it.
    #[schema(value_type = String, format = DateTime)]
    recorded_at: String,
    /// Who entered it.
    #[schema(value_type = String, format = "uuid")]
    author: String,
}

/// A service event that was just recorded.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is written from the log")]
pub(crate) struct EventRecorded {
    #[serde(flatten)]
    event: Event,
    /// What is doubtful about it; it is recorded all the same.
    warnings: Vec<EventWarning>,
    /// In a dry run, the due items that would be others than they are.
    #[serde(skip_serializing_if = "Option::is_none")]
    would_change: Option<Vec<DueChange>>,
}

/// Something doubtful about an event.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is written from the log")]
pub(crate) struct EventWarning {
    /// Its code.
    #[schema(example = "reading_set_aside")]
    code: String,
    /// Where in the event.
    #[schema(example = "/meter_hours")]
    pointer: String,
    /// A sentence for people.
    detail: String,
    /// The reading that was probably meant.
    #[schema(example = 423.2)]
    suggested_meter_hours: Option<f64>,
}

/// A page of service events.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is written from the log")]
pub(crate) struct Events {
    /// The items.
    items: Vec<Event>,
    /// The cursor of the next page; absent on the last.
    next: Option<String>,
}

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Keepstart",
        version = "0.0.0",
        description = include_str!("openapi/introduction.md")
    ),
    components(schemas(Problem, SitePatch, UnitPatch, SchedulePatch, UnitModel)),
    security(("access_token" = [])),
    tags((name = "mail", description = "The digest of what is due, by mail."), (name = "sites", description = "Places where units stand."), (name = "units", description = "Single generators."),
        (name = "schedules", description = "Maintenance tables and their editions."),
        (name = "service events", description = "What happened to units."), (name = "due", description = "What is due, and why."),
        (name = "readiness", description = "Whether units and sites are ready, and what that rests on."), (name = "outages", description = "What an outage would take, who lasts how long, what was done in one, and spares promised for one."),
        (name = "handsets", description = "Field devices that work offline."),
        (name = "imports", description = "Files of sites, units and service events that are brought in."),
        (name = "attachments", description = "Photos and papers that events name."),
        (name = "sync", description = "Edits that handsets made offline, and what has changed for whoever keeps a copy."),
        (name = "service", description = "About the service itself."))
)]
struct Frame;

/// The description as the macros make it, before it is finished.
fn generated() -> utoipa::openapi::OpenApi {
    let mut whole = Frame::openapi();
    whole.merge(Paths::openapi());
    if let Some(components) = &mut whole.components {
        let scheme = HttpBuilder::new().scheme(HttpAuthScheme::Bearer).bearer_format("JWT").build();
        components.security_schemes.insert("access_token".to_owned(), RefOr::T(SecurityScheme::Http(scheme)));
    }
    whole
}
