//! Ids that follow from what a row says, so that the same row always means the same record.

use model::{ImportId, OrganizationId, edit::RecordKind};
use serde_json::{Map, Value, json};
use uuid::{Builder, Uuid};

/// The id of a new record that another system knows by an id of its own: UUIDv8 (RFC 9562 section 5.8) of the first 16 bytes
/// of SHA-256 over a JSON array. Of two imports at once that bring it, one makes it and the other finds it.
pub(super) fn of_external(organization: OrganizationId, kind: RecordKind, system: &str, id: &str) -> Uuid {
    hashed(&json!([organization, kind.as_str(), system, id]))
}

/// The same of a record that its file gives no id: it follows from what the row says.
pub(super) fn of_content(organization: OrganizationId, kind: RecordKind, body: &Map<String, Value>) -> Uuid {
    hashed(&json!([organization, kind.as_str(), body]))
}

/// The id of the edit by which a row of a job changes a record.
pub(super) fn of_change(job: ImportId, line: u64) -> Uuid {
    hashed(&json!([job, line]))
}

fn hashed(told: &Value) -> Uuid {
    let digest = proof::sha256(told.to_string().as_bytes());
    let first: [u8; 16] = std::array::from_fn(|at| digest.as_bytes().get(at).copied().unwrap_or_default());
    Builder::from_custom_bytes(first).into_uuid()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn id<K: model::id::Kind>(n: u8) -> model::Id<K> {
        model::Id::from_uuid(Uuid::from_bytes([n; 16]))
    }

    /// Files that come again in later years must find what they made: these ids are never other ones. They are by another
    /// program, `python3 -c 'import hashlib; print(hashlib.sha256(b"…").hexdigest()[:32])'`, version and variant set by hand.
    #[test]
    fn ids_stay_what_they_are() {
        let town = id(1);
        let told = [
            of_external(town, RecordKind::Unit, "gis", "GN-0042"),
            of_external(town, RecordKind::Site, "gis", "GN-0042"),
            of_external(town, RecordKind::Unit, "gis", "Zählwerk \"7\""),
            of_content(town, RecordKind::Site, &Map::from_iter([("name".to_owned(), json!("A"))])),
            of_change(id(2), 7),
        ];
        assert_eq!(told.map(|id| id.to_string()), EXPECTED);
        assert!(told.iter().all(|id| id.get_version_num() == 8));
    }

    const EXPECTED: [&str; 5] = [
        "5604f9f0-1146-88d2-8e0e-a1b6669c7c34",
        "3c0fcd27-7bd1-8a26-b8ab-ab1a32f61344",
        "6088a9f2-3b6b-8bb2-b5c6-4b32e224cf40",
        "c20d9859-6a05-8546-b824-53f95083f47f",
        "cb6447ff-abc6-89bc-9c6f-849ea65d71fc",
    ];
}
