//! Examples: read from `src/examples`, one file for each operation and one for all problems, put into the description.
//!
//! They are of Tarn Valley. The black-box tests send every request among them to a running service, in an order that
//! works, and compare what comes back.

use std::collections::BTreeMap;

use serde::Deserialize;
use serde_json::{Map, Value, json};

use super::ProblemKind;
use crate::problem::{ApiError, ApiResult, Kind};

macro_rules! operations {
    ($($operation:ident)*) => {
        /// The file of each operation.
        const OPERATIONS: &[(&str, &str)] = &[
            $((stringify!($operation), include_str!(concat!("../examples/", stringify!($operation), ".json")))),*
        ];
    };
}

operations! {
    acknowledge
    apply_import
    cancel_import
    change_incident
    change_mail_list
    change_promise
    change_recipient
    change_schedule
    change_site
    change_unit
    check_fuel_storage
    check_load
    check_promises
    create_edition
    create_import
    create_incident
    create_mail_list
    create_promise
    create_recipient
    create_schedule
    create_site
    create_unit
    enrol_handset
    export_due
    export_hours_pack
    export_service_events
    export_sites
    export_units
    follow_changes
    list_acknowledgements
    list_changes
    list_contested
    list_data_quality
    list_due
    list_due_changes
    list_editions
    list_fingerprint_records
    list_fingerprints
    list_handset_edits
    list_handsets
    list_held
    list_import_rows
    list_imports
    list_incidents
    list_mail_lists
    list_policy_packs
    list_promises
    list_readiness
    list_recipients
    list_schedules
    list_service_events
    list_site_readiness
    list_sites
    list_units
    list_while_here
    livez
    make_handset_code
    read_blob
    read_bundle
    read_docs
    read_docs_file
    read_edition
    read_engine_class
    read_handset
    read_hours_ledger
    read_hours_pack
    read_import
    read_incident
    read_limits
    read_mail_list
    read_openapi
    read_problem
    read_promise
    read_recipient
    read_residence
    read_schedule
    read_service_event
    read_site
    read_site_readiness
    read_survival
    read_unit
    read_unit_battery
    read_unit_due
    read_unit_fit
    read_unit_fuel
    read_unit_hours
    read_unit_readiness
    read_unit_tests
    readyz
    record_service_event
    record_service_events
    refuse_held
    release_held
    revoke_handset
    run_fleet_through
    run_site_through
    run_unit_through
    send_blob
    send_import_file
    show_unsubscribe
    summarize_due_by_site
    sync
    triage_endurance
    unsubscribe
}

/// An example of every kind of problem.
const PROBLEMS: &str = include_str!("../examples/problems.json");

/// What a file says about its operation.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Operation {
    /// Values of parameters by name.
    #[serde(default)]
    parameters: BTreeMap<String, Value>,
    /// Bodies to send.
    #[serde(default)]
    request: Vec<Example>,
    /// Bodies of answers by status.
    #[serde(default)]
    responses: BTreeMap<String, Vec<Example>>,
    /// The kinds of problem that the operation gives; null takes the example of all operations.
    problems: BTreeMap<String, Option<Case>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Example {
    /// A short name in snake_case, unique among its neighbours.
    name: String,
    /// What it shows, in a few words.
    summary: String,
    value: Value,
}

/// What a problem says beside what its kind says.
#[derive(Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct Case {
    detail: Option<Value>,
    errors: Option<Value>,
    current_etag: Option<Value>,
}

/// Puts every example into the description.
pub(super) fn insert(paths: &mut Value, components: &mut Value) -> ApiResult<()> {
    let common: BTreeMap<String, Case> = serde_json::from_str(PROBLEMS).map_err(ApiError::internal)?;
    if let Some(components) = components.as_object_mut() {
        let examples = common.iter().filter_map(|(code, case)| Some((component(code), problem(code, case)?)));
        components.insert("examples".to_owned(), Value::Object(examples.collect()));
    }
    let mut files: BTreeMap<&str, &str> = OPERATIONS.iter().copied().collect();
    let items = paths.as_object_mut().into_iter().flat_map(Map::values_mut);
    for operation in items.flat_map(|item| item.as_object_mut().into_iter().flat_map(Map::values_mut)) {
        let id = operation.get("operationId").and_then(Value::as_str).unwrap_or_default().to_owned();
        // The lint names operations that lack examples.
        let Some(text) = files.remove(id.as_str()) else { continue };
        let mut file: Operation = serde_json::from_str(text)
            .map_err(|error| ApiError::internal(format!("examples of {id}: {error}")))?;
        if id == "read_problem" {
            file.responses.insert("200".to_owned(), Kind::ALL.iter().map(|kind| described(*kind)).collect());
        }
        into_operation(operation, file);
    }
    match files.keys().next() {
        None => Ok(()),
        Some(id) => Err(ApiError::internal(format!("examples of {id}, but no such operation"))),
    }
}

fn into_operation(operation: &mut Value, file: Operation) {
    let parameters = operation.get_mut("parameters").and_then(Value::as_array_mut);
    for parameter in parameters.into_iter().flatten().filter_map(Value::as_object_mut) {
        let name = parameter.get("name").and_then(Value::as_str).unwrap_or_default();
        if let Some(value) = file.parameters.get(name).cloned() {
            parameter.insert("example".to_owned(), value);
        }
    }
    if let Some(body) = operation.get_mut("requestBody") {
        put(body, named(file.request));
    }
    for (status, examples) in file.responses {
        if let Some(answer) = operation.get_mut("responses").and_then(|all| all.get_mut(&status)) {
            put(answer, named(examples));
        }
    }
    for (class, from) in [("4XX", 400_u16), ("5XX", 500)] {
        let of_class =
            |code: &str| kind(code).is_some_and(|kind| (from..from + 100).contains(&kind.status()));
        let examples = file.problems.iter().filter(|(code, _)| of_class(code));
        let examples = examples.filter_map(|(code, case)| {
            let example = match case {
                None => json!({"$ref": format!("#/components/examples/{}", component(code))}),
                Some(case) => problem(code, case)?,
            };
            Some((code.clone(), example))
        });
        if let Some(answer) = operation.get_mut("responses").and_then(|all| all.get_mut(class)) {
            put(answer, examples.collect());
        }
    }
}

/// Puts examples beside the schema of a body.
fn put(body: &mut Value, examples: Map<String, Value>) {
    let content =
        body.get_mut("content").and_then(Value::as_object_mut).and_then(|all| all.values_mut().next());
    if let Some(content) = content.and_then(Value::as_object_mut).filter(|_| !examples.is_empty()) {
        content.insert("examples".to_owned(), Value::Object(examples));
    }
}

fn named(examples: Vec<Example>) -> Map<String, Value> {
    let pair = |example: Example| (example.name, json!({"summary": example.summary, "value": example.value}));
    examples.into_iter().map(pair).collect()
}

fn component(code: &str) -> String {
    format!("problem_{code}")
}

fn kind(code: &str) -> Option<Kind> {
    Kind::ALL.iter().copied().find(|kind| kind.code() == code)
}

/// A problem of a kind as it is sent.
fn problem(code: &str, case: &Case) -> Option<Value> {
    let kind = kind(code)?;
    let instance = "urn:keepstart:request:6f1c3a52-9f0e-4c1b-8d7a-2b5e90c4d813".to_owned();
    let mut value = serde_json::to_value(ApiError::new(kind).problem(Some(instance))).ok()?;
    let further = [("detail", &case.detail), ("errors", &case.errors), ("current_etag", &case.current_etag)];
    let further = further.into_iter().filter_map(|(name, said)| Some((name.to_owned(), said.clone()?)));
    value.as_object_mut()?.extend(further);
    Some(json!({"summary": kind.title(), "value": value}))
}

/// What `/problems/{code}` answers about a kind.
fn described(kind: Kind) -> Example {
    let value = serde_json::to_value(ProblemKind::of(kind)).unwrap_or_default();
    Example { name: kind.code().to_owned(), summary: kind.title().to_owned(), value }
}
