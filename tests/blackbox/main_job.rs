//! The main job: ask what is due, record a service, see the due state change and the answer explained.

use blackbox::{Backend, World, on_both};
use serde_json::json;

on_both!(a_service_moves_what_is_due);

fn a_service_moves_what_is_due(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit("FS-1");
    let before = town.coordinator().get(&format!("/v1/units/{unit}/due")).expect(200).json();
    assert_eq!(before["items"], json!([]), "nothing is asked of a unit that follows no schedule");
}
