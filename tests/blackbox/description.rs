//! The description is true: its examples are played against a running service, every kind of problem that it shows for
//! an operation is provoked there, and the page that shows it loads nothing from elsewhere.
//!
//! That every answer of every test fits its schema is checked by the harness (`tests/src/contract.rs`).

mod docs;
mod play;
mod problems;
mod schedules;

use std::path::PathBuf;

use blackbox::{
    contract::{Operation, operations},
    service,
};
use serde_json::Value;

/// The file with an operation's examples.
fn file_of(operation: &str) -> PathBuf {
    service::root().join(format!("services/api/src/examples/{operation}.json"))
}

fn examples(operation: &str) -> Value {
    let file = file_of(operation);
    let text = std::fs::read_to_string(&file).unwrap_or_else(|error| panic!("{}: {error}", file.display()));
    serde_json::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", file.display()))
}

/// The address of an operation, with the values of its examples in path and query.
fn address(operation: &Operation, examples: &Value) -> String {
    let mut path = operation.path.clone();
    let mut query = Vec::new();
    for parameter in operation.value["parameters"].as_array().into_iter().flatten() {
        let name = parameter["name"].as_str().unwrap();
        let text = match &examples["parameters"][name] {
            Value::Null => continue,
            Value::String(text) => text.clone(),
            Value::Array(words) => words.iter().map(|w| w.as_str().unwrap()).collect::<Vec<_>>().join(","),
            other => other.to_string(),
        };
        match parameter["in"].as_str().unwrap() {
            "path" => path = path.replace(&format!("{{{name}}}"), &text),
            "query" => query.push(format!("{name}={}", text.replace('+', "%2B"))),
            _ => {}
        }
    }
    if query.is_empty() { path } else { format!("{path}?{}", query.join("&")) }
}

/// The operations in an order in which their examples work: what others need is made first, and read last.
fn in_order() -> Vec<Operation> {
    const FIRST: [&str; 10] = [
        "create_site",
        "create_schedule",
        "create_edition",
        "create_unit",
        "record_service_event",
        "enrol_handset",
        "create_mail_list",
        "create_recipient",
        "create_incident",
        "create_promise",
    ];
    const LATER: [&str; 2] = ["apply_import", "cancel_import"];
    let mut all = operations();
    all.sort_by_key(|operation| {
        let place = FIRST.iter().position(|id| *id == operation.id).unwrap_or(FIRST.len());
        // What is done with a file that was sent comes after it.
        let method = if LATER.contains(&operation.id.as_str()) { "put" } else { operation.method.as_str() };
        let method = ["post", "put", "patch", "get"].iter().position(|known| *known == method);
        (method, LATER.contains(&operation.id.as_str()), place, operation.id.clone())
    });
    all
}
