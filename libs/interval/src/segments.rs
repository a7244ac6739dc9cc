//! Where a rule is cut, so that in each part what it asks for is told by the same conditions.

use model::{
    Code, Instant,
    event::SettingOf,
    schedule::{StorageRule, Task},
};

use crate::{
    adoption::Rule,
    completion::Outcome,
    conditions::{Conditions, Decided},
    standing::Standing,
};

/// The same rules, each cut where something that holds for a time begins or ends to bear on one of its tasks.
pub(crate) fn cut(rules: Vec<Rule>, conditions: &Conditions<'_>, standing: &Standing<'_>) -> Vec<Rule> {
    let mut parts = Vec::with_capacity(rules.len());
    for rule in rules {
        let mut cuts = cuts(&rule, conditions, standing);
        cuts.retain(|cut| rule.from < *cut && *cut < rule.until);
        cuts.sort_unstable();
        cuts.dedup();
        let mut rest = rule;
        for cut in cuts {
            let part = Rule { until: cut, ..rest.clone() };
            rest.from = cut;
            parts.push(part);
        }
        parts.push(rest);
    }
    parts
}

fn cuts(rule: &Rule, conditions: &Conditions<'_>, standing: &Standing<'_>) -> Vec<Instant> {
    let mut cuts = Vec::new();
    let any = |does: fn(&Task) -> bool| rule.edition.tasks.iter().any(does);
    if !conditions.severe.is_empty() && any(|task| task.severe.is_some()) {
        cuts.extend(conditions.severe.iter().map(|span| span.from));
    }
    if !conditions.storage.is_empty() && any(|task| task.storage == StorageRule::Pauses) {
        cuts.extend(conditions.storage.iter().map(|stored| stored.span.until));
    }
    for setting in conditions.settings.iter().filter(|setting| bears_on(setting, rule)) {
        cuts.extend([setting.span.from, setting.span.until]);
    }
    if any(|task| task.limits.on_failed.is_some()) {
        cuts.extend(results(rule, standing));
    }
    cuts
}

fn bears_on(setting: &Decided<'_>, rule: &Rule) -> bool {
    match setting.what {
        SettingOf::LimitsOf(of) => of.schedule_id == rule.schedule,
        SettingOf::AppliesTo(of) => of.schedule_id == rule.schedule,
        SettingOf::Feature(of) => {
            let names = |task: &Task| task.needs.contains(&of.feature) || task.not_with.contains(&of.feature);
            rule.edition.tasks.iter().any(names)
        }
    }
}

/// When it was known of checks that they failed, and from the first that did on, how the others came out.
fn results(rule: &Rule, standing: &Standing<'_>) -> Vec<Instant> {
    let after = |job: &Code| {
        let mut after = rule.edition.tasks.iter().filter_map(|task| task.limits.on_failed.as_ref());
        after.any(|after| after.job == *job)
    };
    let mut known = Vec::new();
    for placed in standing.services() {
        for done in placed.jobs().iter().filter(|done| after(&done.job)) {
            let Some(outcome) = Outcome::of(done, standing.ignition) else { continue };
            if outcome == Outcome::Failed || !known.is_empty() {
                known.push(standing.known_from(placed, done));
            }
        }
    }
    known
}
