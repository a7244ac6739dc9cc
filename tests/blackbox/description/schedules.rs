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
    let fits = [
        json!({"limits": {"by": "2026-09-30"}, "once": true}),
        json!({"anchor": "planned_within", "within_percent": 10}),
        json!({"limits": {"hours": "231:30", "months": 6, "to_month_end": true}, "earliest": {"hours": 20}}),
        json!({"limits": {"fixed_dates": ["01-31", "02-28"]}, "needs": ["petrol"]}),
        json!({"limits": {"on_failed": {"job": "oil_analysis", "business_days": 2}}}),
    ];
    for more in fits {
        let mut right = task.clone();
        right.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        assert!(schema.is_valid(&file(&right)), "{right}");
    }
    let cases = [
        ("colour", json!("red")),
        ("limits", json!({"hours": 100, "miles": 3})),
        ("limits", json!({"hours": "a hundred"})),
        ("limits", json!({"hours": "1,5"})),
        ("limits", json!({"months": 0})),
        ("limits", json!({"fixed_dates": []})),
        ("limits", json!({})),
        ("limits", json!({"hours": 0})),
        ("limits", json!({"months": 3, "days": 90})),
        ("limits", json!({"days": 90, "fixed_dates": ["04-15"]})),
        ("limits", json!({"fixed_dates": ["02-29"]})),
        ("limits", json!({"fixed_dates": ["04-31"]})),
        ("limits", json!({"days": 90, "to_month_end": true})),
        ("limits", json!({"by": "2026-09-30"})),
        ("first", json!({"on_failed": {"job": "oil_analysis"}})),
        ("title", json!("")),
        ("satisfies", json!(["Oil change"])),
        ("earliest", json!({})),
        ("severe", json!({"mode": "strict"})),
        ("severe", json!({"months": 1, "days": 20})),
        ("anchor", json!("planned_within")),
        ("within_percent", json!(10)),
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
