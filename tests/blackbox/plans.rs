//! Lists and writes use their indexes: whatever they ask of the database is explained, and its plan compared with a table.

mod explain;
mod filler;
mod ground;
mod guards;
mod lists;
mod plan;

use std::collections::BTreeSet;

use blackbox::{Backend, none_failed, on_both};

use self::{explain::Explainer, ground::Ground, guards::GUARDS, plan::Plan};

on_both!(every_list_reads_by_its_index, a_missing_index_is_noticed);

fn every_list_reads_by_its_index(backend: Backend) {
    let ground = Ground::new(backend);
    let asked = lists::asked(&ground);
    filler::fill(&ground.database);
    let (mut failures, used) = compared(&ground, &asked);
    let guards = GUARDS.iter().enumerate();
    failures.extend(
        guards
            .filter(|(n, _)| !used.contains(n))
            .map(|(_, guard)| format!("nothing is asked any more that {guard:?} guards")),
    );
    none_failed(&failures);
}

fn a_missing_index_is_noticed(backend: Backend) {
    let ground = Ground::new(backend);
    let asked = lists::asked(&ground);
    filler::fill(&ground.database);
    for index in ["due_item_state", "service_event_id", "record_belongs_to"] {
        ground.database.sql(&format!("DROP INDEX {index}"));
    }
    let (failures, _) = compared(&ground, &asked);
    for list in ["due in a state", "due", "events", "grants"] {
        assert!(
            failures.iter().any(|failure| failure.starts_with(&format!("{list}: "))),
            "{list}: {failures:?}"
        );
    }
}

/// What differs from the table, and which of its lines were of use.
fn compared(ground: &Ground, asked: &[lists::Asked]) -> (Vec<String>, BTreeSet<usize>) {
    let mut explainer = Explainer::new(&ground.database);
    let (mut failures, mut used) = (Vec::new(), BTreeSet::new());
    for (list, statements) in asked {
        for (text, values) in statements {
            let plan = Plan::read(explainer.plan(text, &ground.large(values)));
            let from = plan::table_of(text);
            let guard = GUARDS.iter().position(|guard| guard.guards(list, &from));
            let wrong = match guard {
                None => vec![format!("no guard for a query of {from}")],
                Some(n) => {
                    used.insert(n);
                    GUARDS[n].wrong(&plan)
                }
            };
            if !wrong.is_empty() {
                failures.push(format!(
                    "{list}: {}\n  {text}\n    {}",
                    wrong.join("; "),
                    plan.lines.join("\n    ")
                ));
            }
        }
    }
    (failures, used)
}
