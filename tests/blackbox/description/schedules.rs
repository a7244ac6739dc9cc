//! The schema of schedule files fits the files, and only what the service would take.

use blackbox::service::root;
use jsonschema::{Draft, Validator};
use serde_json::{Value, json};

fn read(path: &std::path::Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn schema() -> Validator {
    let schema = read(&root().join("openapi/schedule.schema.json"));
    jsonschema::options().with_draft(Draft::Draft202012).build(&schema).unwrap()
}

#[test]
fn every_schedule_file_fits() {
    let schema = schema();
    let mut files = 0;
    for entry in std::fs::read_dir(root().join("deploy/schedules")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|extension| extension == "json") {
            files += 1;
            let wrong: Vec<String> = schema
                .iter_errors(&read(&path))
                .map(|error| format!("{error} at {}", error.instance_path()))
                .collect();
            assert!(wrong.is_empty(), "{}: {wrong:?}", path.display());
        }
    }
    assert!(files >= 4, "{files} files");
}

#[test]
fn what_the_service_would_refuse_does_not_fit() {
    let task = json!({"task": "oil", "job": "oil", "title": "Oil", "limits": {"hours": 100}});
    let file = |task: &Value| {
        json!({"schedule": {"title": "T", "publisher": "P", "basis": "maker"},
            "edition": {"edition": "A", "effective_from": "2026-01-01", "source": "manual", "tasks": [task]}})
    };
    let schema = schema();
    assert!(schema.is_valid(&file(&task)));
    let cases = [
        ("colour", json!("red")),
        ("limits", json!({"hours": 100, "miles": 3})),
        ("limits", json!({"hours": "a hundred"})),
        ("limits", json!({"hours": "1,5"})),
        ("limits", json!({"months": 0})),
        ("limits", json!({"fixed_dates": []})),
        ("anchor", json!("sometimes")),
        ("component", json!("meter")),
        ("severe", json!({"hours": 50, "mode": "mild"})),
        ("substitute_factor", json!(1.5)),
        ("within_percent", json!(51)),
    ];
    for (member, value) in cases {
        let mut wrong = task.clone();
        wrong[member] = value;
        assert!(!schema.is_valid(&file(&wrong)), "{wrong}");
    }
}
