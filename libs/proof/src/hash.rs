//! SHA-256 over contents and over rows.

use model::edit::RecordKind;
pub use model::hash::Sha256 as Hash;
use serde_json::Value;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::canonical::{Canonical, CanonicalError, canonical};

/// The SHA-256 of `bytes`.
pub fn sha256(bytes: impl AsRef<[u8]>) -> Hash {
    of_parts(&[bytes.as_ref()])
}

/// What an edit wants, in one hash: the kind and id of what it writes and the body with private text sealed.
///
/// Two edits under one id are the same edit if and only if these hashes are equal.
pub fn content_hash(kind: RecordKind, record: Uuid, body: &Canonical) -> Hash {
    // Spelled here rather than through `canonical`, so that a body is spelled once for its column and its hash.
    sha256(format!(
        r#"{{"body":{body},"kind":"{kind}","record":"{record}"}}"#,
        kind = kind.as_str(),
        record = record.hyphenated()
    ))
}

/// The leaf of a row of the log: [`leaf_of_bytes`] of its columns, spelled canonically as one object.
pub fn leaf_hash(columns: &Value) -> Result<Hash, CanonicalError> {
    canonical(columns).map(leaf_of_bytes)
}

/// The hash of a leaf of a Merkle tree: SHA-256 of 0x00 and the leaf (RFC 6962, section 2.1).
pub fn leaf_of_bytes(leaf: impl AsRef<[u8]>) -> Hash {
    of_parts(&[&[0], leaf.as_ref()])
}

pub(crate) fn of_parts(parts: &[&[u8]]) -> Hash {
    let mut digest = Sha256::new();
    for part in parts {
        digest.update(part);
    }
    Hash::from_bytes(digest.finalize().into())
}

#[cfg(test)]
mod tests {
    use data_encoding::HEXLOWER;
    use serde_json::json;

    use super::*;

    /// The leaves of the published test tree (RFC 6962 reference data, certificate-transparency) and one more
    /// of the same origin.
    #[test]
    fn published_leaves() {
        let leaves = [
            ("", "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d"),
            ("00", "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7"),
            ("10", "0298d122906dcfc10892cb53a73992fc5b9f493ea4c9badb27b791b4127a7fe7"),
            ("2021", "07506a85fd9dd2f120eb694f86011e5bb4662e5c415a62917033d4a9624487e7"),
            ("3031", "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"),
            ("40414243", "4271a26be0d8a84f0bd54c8c302e7cb3a3b5d1fa6780a40bcce2873477dab658"),
            ("5051525354555657", "b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f"),
            (
                "606162636465666768696a6b6c6d6e6f",
                "46f6ffadd3d06a09ff3c5860d2755c8b9819db7df44251788c7d8e3180de8eb1",
            ),
            ("4c313233343536", "395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56"),
        ];
        for (leaf, hash) in leaves {
            let bytes = HEXLOWER.decode(leaf.as_bytes()).unwrap();
            assert_eq!(leaf_of_bytes(&bytes).to_string(), hash, "{leaf}");
        }
    }

    #[test]
    fn a_row_is_a_leaf() {
        let found = leaf_hash(&json!({"seq": 7, "kind": "edit"})).unwrap();
        assert_eq!(found, leaf_of_bytes(br#"{"kind":"edit","seq":7}"#));
    }

    #[test]
    fn content_is_kind_record_and_body() {
        let record = uuid::uuid!("019a0b5e-7c00-7000-8000-000000000002");
        let body = json!({"label": "Pump \"1\"", "rated_kw": 6.50});
        let whole = json!({"kind": "unit", "record": record.to_string(), "body": body});
        let found = content_hash(RecordKind::Unit, record, &canonical(&body).unwrap());
        assert_eq!(found, sha256(canonical(&whole).unwrap()));
    }

    #[test]
    fn one_text_per_hash() {
        // SHA-256 of the empty text, the root of an empty tree (RFC 6962, section 2.1).
        let text = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";
        let hash = Hash::parse(text).unwrap();
        assert_eq!((hash, hash.to_string().as_str()), (sha256(""), text));
        assert_eq!(serde_json::from_value::<Hash>(json!(hash)).unwrap(), hash);
        assert_eq!(Hash::from_slice(hash.as_bytes()), Some(hash));
        assert_eq!(Hash::from_slice(&hash.as_bytes()[1..]), None);
        for bad in [&text[1..], &text.to_uppercase(), &format!("{text}00"), "", "é"] {
            assert!(Hash::parse(bad).is_err(), "{bad}");
        }
    }
}
