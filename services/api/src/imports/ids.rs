//! Ids that follow from what a row says, so that the same row always means the same record.

use model::{ImportId, OrganizationId, edit::RecordKind};
use serde_json::{Map, Value, json};
use uuid::{Builder, Uuid};

/// The id of a new record that another system knows by an id of its own: UUIDv8 (RFC 9562 section 5.8). Of two imports at once
/// that bring it, one makes it and the other finds it.
///
/// The first 2 bytes are those of SHA-256 over a JSON array of organization, kind and system; 4 bytes are the number that the
/// decimal digits of the id spell, modulo 2^32; the rest is as of SHA-256 over the array with the id. Office lists count their
/// things, so what stands together in a file lies together on the disk: with hashes alone each row is a page of its own.
pub(super) fn of_external(organization: OrganizationId, kind: RecordKind, system: &str, id: &str) -> Uuid {
    let [first, second, ..] = sixteen(&json!([organization, kind.as_str(), system]));
    let digits = id.chars().filter_map(|c| c.to_digit(10));
    let number = digits.fold(0_u32, |number, digit| number.wrapping_mul(10).wrapping_add(digit));
    let [a, b, c, d] = number.to_be_bytes();
    let [_, _, _, _, _, _, rest @ ..] = sixteen(&json!([organization, kind.as_str(), system, id]));
    let [e, f, g, h, i, j, k, l, m, n] = rest;
    Builder::from_custom_bytes([first, second, a, b, c, d, e, f, g, h, i, j, k, l, m, n]).into_uuid()
}

/// The id of a record that its file gives no id: the first 16 bytes of SHA-256 over what the row says.
pub(super) fn of_content(organization: OrganizationId, kind: RecordKind, body: &Map<String, Value>) -> Uuid {
    hashed(&json!([organization, kind.as_str(), body]))
}

/// The id of the edit by which a row of a job changes a record.
pub(super) fn of_change(job: ImportId, line: u64) -> Uuid {
    hashed(&json!([job, line]))
}

fn hashed(told: &Value) -> Uuid {
    Builder::from_custom_bytes(sixteen(told)).into_uuid()
}

/// The first bytes of SHA-256 over JSON.
fn sixteen(told: &Value) -> [u8; 16] {
    let digest = proof::sha256(told.to_string().as_bytes());
    std::array::from_fn(|at| digest.as_bytes().get(at).copied().unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn id<K: model::id::Kind>(n: u8) -> model::Id<K> {
        model::Id::from_uuid(Uuid::from_bytes([n; 16]))
    }

    /// Files that come again in later years must find what they made: these ids are never other ones. They were worked out by
    /// another program, with `hashlib` and `uuid` of Python.
    #[test]
    fn ids_stay_what_they_are() {
        let town = id(1);
        let told = [
            of_external(town, RecordKind::Unit, "gis", "GN-0042"),
            of_external(town, RecordKind::Site, "gis", "GN-0042"),
            of_external(town, RecordKind::Unit, "gis", "Zählwerk \"7\""),
            of_external(town, RecordKind::Unit, "gis", "north"),
            of_external(town, RecordKind::Unit, "gis", "9999999999"),
            of_content(town, RecordKind::Site, &Map::from_iter([("name".to_owned(), json!("A"))])),
            of_change(id(2), 7),
        ];
        assert_eq!(told.map(|id| id.to_string()), EXPECTED);
        assert!(told.iter().all(|id| id.get_version_num() == 8));
    }

    const EXPECTED: [&str; 7] = [
        "2a2d0000-002a-88d2-8e0e-a1b6669c7c34",
        "29460000-002a-8a26-b8ab-ab1a32f61344",
        "2a2d0000-0007-8bb2-b5c6-4b32e224cf40",
        "2a2d0000-0000-85c7-816d-330e397b3b69",
        "2a2d540b-e3ff-8ea3-a6d9-f7ae330c16b1",
        "c20d9859-6a05-8546-b824-53f95083f47f",
        "cb6447ff-abc6-89bc-9c6f-849ea65d71fc",
    ];
}
