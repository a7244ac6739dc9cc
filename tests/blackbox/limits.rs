//! What the service says it takes of a handset.

use blackbox::{Backend, Service, World, on_both, service::serve};
use serde_json::json;

on_both!(limits_are_told, rates_are_settings);

fn limits_are_told(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let told = json!({
        "edits": 1000, "request_bytes": 4_194_304, "decompressed_bytes": 16_777_216, "edit_bytes": 65_536,
        "page_bytes": 524_288, "requests_per_minute": 600, "edits_per_minute": 10_000, "edit_format": 2,
        "change_format": 1, "blob_bytes": 16_777_216, "blob_pixels": 64_000_000,
    });
    for (role, client) in &town.clients {
        assert_eq!(client.get("/v1/limits").expect(200).json(), told, "{role}");
    }
    town.coordinator().get("/v1/limits?site=1").problem(400, "invalid_parameter");
    world.service.anonymous().get("/v1/limits").problem(401, "unauthenticated");
}

fn rates_are_settings(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let mut command = serve(&world.database, blackbox::service::NOW);
    command.args(["--handset-requests-per-minute", "7", "--handset-edits-per-minute", "2000"]);
    let service = Service::serving(&mut command);
    let client = service.client(&world.token(town.id, town.people["technician"]));
    let told = client.get("/v1/limits").expect(200).json();
    assert_eq!(
        (&told["requests_per_minute"], &told["edits_per_minute"]),
        (&json!(7), &json!(2000)),
        "{told}"
    );
    // A push of the most edits must fit, or it could never be sent.
    let mut few = serve(&world.database, blackbox::service::NOW);
    let refused = few.args(["--handset-edits-per-minute", "999"]).output().unwrap();
    assert!(!refused.status.success());
}
