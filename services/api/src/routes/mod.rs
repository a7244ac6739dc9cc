//! Routes: one file for each resource, one table of all of them.

mod acknowledgements;
mod batch;
mod blobs;
mod bundle;
mod changes;
mod contested;
mod data_quality;
mod docs;
mod due;
mod due_changes;
mod due_query;
mod due_summary;
mod exports;
mod fingerprints;
mod fit;
mod handset_edits;
mod handsets;
mod health;
mod held;
mod hours_pack;
mod import_file;
mod imports;
mod incidents;
mod limits;
mod mail_lists;
mod moment;
mod policy_packs;
mod problems;
mod promises;
mod readiness_lists;
mod records;
mod schedules;
mod service_events;
mod sites;
mod standby;
mod sync;
mod unit_due;
mod unit_hours;
mod units;
mod unsubscribe;
mod while_here;

use actix_web::{HttpRequest, Resource, web};
use utoipa::OpenApi;

pub(crate) use self::promises::PromiseWarning;
use self::standby::{
    battery, endurance, fuel, fuel_storage, hours_ledger, load_check, readiness, residence, run_through,
    survival, tests,
};
use crate::problem::ApiError;

/// Makes the router and the OpenAPI paths from one table, so that neither can have what the other lacks.
macro_rules! routes {
    // Whoever answers GET answers HEAD, with the same headers and no body (RFC 9110 section 9.3.2).
    (@route $resource:ident, get, $handler:path) => {
        $resource.route(web::get().to($handler)).route(web::head().to($handler))
    };
    (@route $resource:ident, $method:ident, $handler:path) => {
        $resource.route(web::$method().to($handler))
    };
    ($($path:literal { $($method:ident $module:ident :: $handler:ident,)+ })*) => {
        /// The documented operations.
        #[derive(OpenApi)]
        #[openapi(paths($($($module::$handler),+),*))]
        pub(crate) struct Paths;

        /// Every path with its methods.
        #[cfg(test)]
        pub(crate) const TABLE: &[(&str, &[&str])] = &[$(($path, &[$(stringify!($method)),+])),*];

        /// Registers every route.
        pub(crate) fn configure(app: &mut web::ServiceConfig) {
            $(
                let mut routed = resource($path, &[$(stringify!($method)),+]);
                $(routed = routes!(@route routed, $method, $module::$handler);)+
                app.service(routed);
            )*
            app.default_service(web::to(nothing_here));
        }
    };
}

routes! {
    // Asked for most often; paths are held against a request in turn.
    "/v1/sync" { post sync::sync, }
    "/v1/sites" { get sites::list, post sites::create, }
    "/v1/sites/{site_id}" { get sites::read, patch sites::change, }
    "/v1/sites/{site_id}/while-here" { get while_here::list, }
    "/v1/units" { get units::list, post units::create, }
    "/v1/units/{unit_id}" { get units::read, patch units::change, }
    "/v1/units/{unit_id}/due" { get unit_due::read, }
    "/v1/units/{unit_id}/engine-class" { get policy_packs::engine_class, }
    "/v1/units/{unit_id}/fit" { get fit::read, }
    "/v1/policy-packs" { get policy_packs::list, }
    "/v1/units/{unit_id}/hours" { get unit_hours::read, }
    "/v1/units/{unit_id}/readiness" { get readiness::unit, }
    "/v1/units/{unit_id}/fuel" { get fuel::read, }
    "/v1/units/{unit_id}/battery" { get battery::read, }
    "/v1/units/{unit_id}/tests" { get tests::read, }
    "/v1/units/{unit_id}/hours-ledger" { get hours_ledger::read, }
    "/v1/units/{unit_id}/load-check" { post load_check::check, }
    "/v1/units/{unit_id}/run-through" { get run_through::unit, }
    "/v1/sites/{site_id}/readiness" { get readiness::site, }
    "/v1/sites/{site_id}/run-through" { get run_through::site, }
    "/v1/sites/{site_id}/residence" { get residence::read, }
    "/v1/sites/{site_id}/survival" { get survival::read, }
    "/v1/run-through" { get run_through::fleet, }
    "/v1/endurance" { get endurance::list, }
    "/v1/fuel-storage" { post fuel_storage::check, }
    "/v1/schedules" { get schedules::list, post schedules::create, }
    "/v1/schedules/{schedule_id}" { get schedules::read, patch schedules::change, }
    "/v1/schedules/{schedule_id}/editions" { get schedules::list_editions, post schedules::create_edition, }
    "/v1/schedules/{schedule_id}/editions/{edition_id}" { get schedules::read_edition, }
    "/v1/service-events" { get service_events::list, post service_events::create, }
    "/v1/service-events/batch" { post batch::create, }
    "/v1/service-events/{event_id}" { get service_events::read, }
    "/v1/service-events/{event_id}/bundle" { get bundle::read, }
    "/v1/due" { get due::list, }
    "/v1/due/changes" { get due_changes::list, }
    "/v1/due/acknowledgements" { get acknowledgements::list, post acknowledgements::acknowledge, }
    "/v1/due/by-site" { get due_summary::by_site, }
    "/v1/readiness" { get readiness_lists::units, }
    "/v1/readiness/sites" { get readiness_lists::sites, }
    "/v1/data-quality" { get data_quality::list, }
    "/v1/handsets" { get handsets::list, post handsets::enrol, }
    "/v1/handsets/codes" { post handsets::make_code, }
    "/v1/handsets/{handset_id}" { get handsets::read, }
    "/v1/handsets/{handset_id}/edits" { get handset_edits::list, }
    "/v1/handsets/{handset_id}/revoke" { post handsets::revoke, }
    "/v1/exports/sites.csv" { get exports::sites, }
    "/v1/exports/units.csv" { get exports::units, }
    "/v1/exports/service-events.csv" { get exports::service_events, }
    "/v1/exports/due.csv" { get exports::due, }
    "/v1/imports" { get imports::list, post imports::create, }
    "/v1/imports/{import_id}" { get imports::read, }
    "/v1/imports/{import_id}/file" { put import_file::send, }
    "/v1/imports/{import_id}/rows" { get imports::rows, }
    "/v1/imports/{import_id}/cancel" { post imports::cancel, }
    "/v1/imports/{import_id}/apply" { post imports::apply, }
    "/v1/blobs/{sha256}" { get blobs::read, put blobs::send, }
    "/v1/limits" { get limits::read, }
    "/v1/changes" { get changes::list, }
    "/v1/changes/stream" { get changes::follow, }
    "/v1/fingerprints" { get fingerprints::list, }
    "/v1/fingerprints/records" { get fingerprints::records, }
    "/v1/held" { get held::list, }
    "/v1/held/{edit_id}/release" { post held::release, }
    "/v1/held/{edit_id}/refuse" { post held::refuse, }
    "/v1/contested" { get contested::list, }
    "/v1/mail-lists" { get mail_lists::list, post mail_lists::create, }
    "/v1/mail-lists/{mail_list_id}" { get mail_lists::read, patch mail_lists::change, }
    "/v1/recipients" { get mail_lists::list_recipients, post mail_lists::create_recipient, }
    "/v1/recipients/{recipient_id}" { get mail_lists::read_recipient, patch mail_lists::change_recipient, }
    "/v1/incidents" { get incidents::list, post incidents::create, }
    "/v1/incidents/{incident_id}" { get incidents::read, patch incidents::change, }
    "/v1/incidents/{incident_id}/hours-pack" { get hours_pack::read, }
    "/v1/incidents/{incident_id}/hours-pack.csv" { get hours_pack::table, }
    "/v1/promises" { get promises::list, post promises::create, }
    "/v1/promises/check" { get promises::check, }
    "/v1/promises/{promise_id}" { get promises::read, patch promises::change, }
    "/v1/unsubscribe/{token}" { get unsubscribe::page, post unsubscribe::leave, }
    "/livez" { get health::livez, }
    "/readyz" { get health::readyz, }
    "/openapi.json" { get health::openapi, }
    "/docs" { get docs::page, }
    "/docs/{file}" { get docs::file, }
    "/problems/{code}" { get problems::read, }
}

/// A resource that answers other methods with 405 and says which it has.
fn resource(path: &str, methods: &'static [&'static str]) -> Resource {
    let head = methods.contains(&"get").then_some("HEAD".to_owned());
    let allow: Vec<String> = methods.iter().map(|method| method.to_uppercase()).chain(head).collect();
    let allow = allow.join(", ");
    web::resource(path).default_service(web::to(move |_: HttpRequest| {
        let error = ApiError::method_not_allowed(allow.clone());
        async move { Err::<actix_web::HttpResponse, ApiError>(error) }
    }))
}

async fn nothing_here() -> Result<actix_web::HttpResponse, ApiError> {
    Err(ApiError::new(crate::problem::Kind::NotFound))
}
