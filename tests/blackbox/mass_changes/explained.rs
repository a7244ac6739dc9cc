//! Why a list changed, asked while more units are stale than are folded for an answer.

use std::collections::BTreeSet;

use blackbox::{Backend, World, none_failed, on_both};
use model::{SiteId, UnitId};
use store::view::{ChangesQuery, DueFilter, FOLDED_MOST, Folding, Known};

use super::fleet::{Fleet, adoption, now};

on_both!(no_stale_unit_of_a_list_is_left_out,);

/// No service runs, so they stay stale.
fn no_stale_unit_of_a_list_is_left_out(backend: Backend) {
    let mut world = World::new(backend);
    let town = world.town();
    world.service.kill();
    let fleet = Fleet::new(&world, &town);
    fleet.units("P7", FOLDED_MOST + 1, 0);
    let there = fleet.units("P7", 10, 1);
    let since = now().plus_seconds(3600);
    let adoption = adoption(&town, "P7", &town.edition, "2026-03-01T10:00:00Z");
    fleet.record_at(since.plus_seconds(60), &adoption);
    let site = SiteId::parse(&town.sites[1]).unwrap();
    let last = &there[9..];
    let all = DueFilter::all(town.id);
    let mut failures = Vec::new();
    for (name, filter, units) in [
        ("a site", DueFilter { site: Some(site), ..all.clone() }, Some(&there[..])),
        (
            "the sites that may be seen",
            DueFilter { sites: Some([site].into()), ..all.clone() },
            Some(&there[..]),
        ),
        ("a unit", DueFilter { unit: Some(UnitId::parse(&last[0]).unwrap()), ..all.clone() }, Some(last)),
        ("everything", all, None),
    ] {
        let query = ChangesQuery {
            filter,
            since,
            as_of: since.plus_seconds(120),
            known: Known::All,
            after: None,
            limit: 500,
        };
        let told = match fleet.wait_for(fleet.store.due_changes(query)).unwrap() {
            Folding::TooMany => None,
            Folding::Done(then) => Some(
                then.answer
                    .changes
                    .items
                    .iter()
                    .map(|told| told.change.unit.to_string())
                    .collect::<BTreeSet<_>>(),
            ),
        };
        if told != units.map(|units| units.iter().cloned().collect()) {
            failures.push(format!("{name}: {:?} units told of", told.map(|units| units.len())));
        }
    }
    none_failed(&failures);
}
