//! What is different from the digest before, and why.

use std::collections::BTreeSet;

use interval::DueState;
use model::UnitId;
use report::digest::{ChangedLine, Changes, ItemRef, Why};
use store::digests::{Entered, Ground};

use super::{
    audience::Audience,
    facts::Gathered,
    lines,
    snapshot::{Item, Snapshot, Then},
};

/// Units of which some item is not what it was.
pub(crate) fn units<'g>(ground: &'g Ground, before: &'g Snapshot) -> impl Iterator<Item = UnitId> + use<'g> {
    let now = Snapshot::of(ground);
    let mut changed = BTreeSet::new();
    for (item, then) in before.items() {
        if now.items().get(item).is_none_or(|is| is.state != then.state) {
            changed.insert(item.0);
        }
    }
    for item in now.items().keys().filter(|item| !before.items().contains_key(*item)) {
        changed.insert(item.0);
    }
    changed.into_iter()
}

/// What an audience is told of that.
pub(crate) fn since(gathered: &Gathered, audience: &Audience) -> Changes {
    let mut changes = Changes::default();
    let Some(before) = &gathered.before else { return changes };
    for entered in gathered.ground.entered.values() {
        if entered.sites.is_some_and(|(home, standing)| audience.sees([home, standing])) {
            changes.entries += entered.events;
            changes.late_entries += entered.late;
        }
    }
    let now = Snapshot::of(&gathered.ground);
    let items: BTreeSet<&Item> = before.items().keys().chain(now.items().keys()).collect();
    for item in items {
        let (then, is) = (before.items().get(item), now.items().get(item));
        // What was, or is, out of their sight is not there for them.
        let seen = |place: &&Then| audience.sees([place.standing, place.home]);
        let (then, is) = (then.filter(seen), is.filter(seen));
        let was_overdue = then.is_some_and(|then| then.state == DueState::Overdue);
        let is_overdue = is.is_some_and(|is| is.state == DueState::Overdue);
        changes.cleared_overdue += u32::from(was_overdue && !is_overdue);
        changes.new_overdue += u32::from(is_overdue && !was_overdue);
        if then.map(|then| then.state) != is.map(|is| is.state)
            && let Some(line) = changed(gathered, audience, item, then, is)
        {
            changes.lines.push(line);
        }
    }
    changes
}

fn changed(
    gathered: &Gathered,
    audience: &Audience,
    item: &Item,
    then: Option<&Then>,
    is: Option<&Then>,
) -> Option<ChangedLine> {
    let (unit, schedule, task) = item;
    let place = is.or(then)?;
    let site = audience.place(place.standing, place.home);
    let item_ref = ItemRef {
        site: gathered.names.site(site)?,
        unit: gathered.names.unit(*unit)?,
        task: gathered.names.task_of(*schedule, task)?,
    };
    // What asks for nothing is not kept from one digest to the next: the unit's fold says what it is.
    let at = gathered.ground.as_of;
    let folded = gathered.units.get(unit).filter(|folded| audience.sees(folded.sites(at)));
    let folded = folded.and_then(|folded| folded.item(*schedule, task)).map(|item| item.state);
    let after = is.map(|is| is.state).or(folded);
    let entered = gathered.ground.entered.get(unit).copied().unwrap_or_default();
    let why = why(then, is, after, entered);
    Some(ChangedLine {
        item: item_ref,
        before: then.map(|then| lines::state(then.state)),
        after: after.map(lines::state),
        why,
    })
}

/// Why an item's state is another one, by what was recorded meanwhile.
fn why(then: Option<&Then>, is: Option<&Then>, after: Option<DueState>, entered: Entered) -> Why {
    let was = then.map(|then| then.state);
    let moved = then.zip(is).is_some_and(|(then, is)| then.standing != is.standing);
    let cleared = matches!(was, Some(DueState::Overdue | DueState::Due | DueState::Unknown))
        && matches!(after, Some(DueState::Ok | DueState::ComingDue));
    match (was, after) {
        _ if moved => Why::Moved,
        (Some(_), None) => Why::UnitGone,
        (_, Some(DueState::Deferred)) => Why::Deferred,
        (_, Some(DueState::Suspended)) => Why::Storage,
        _ if entered.events == 0 && was == Some(DueState::Deferred) => Why::DeferralEnded,
        _ if entered.events == 0 => Why::TimePassed,
        _ if entered.corrections > 0 => Why::Corrected,
        _ if entered.late > 0 => Why::LateEntry,
        _ if cleared => Why::WorkRecorded,
        _ => Why::HoursRecorded,
    }
}
