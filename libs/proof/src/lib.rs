//! What makes the change log provable: one spelling for every JSON value, hashes over it, and private text
//! that can be erased without breaking a hash.
//!
//! - [`canonical`] spells a value as RFC 8785 does, so that whoever holds the same value gets the same bytes.
//! - [`content_hash`] tells a repeat of an edit from another edit under the same id.
//! - [`leaf_hash`] covers a whole row of the log, as RFC 6962 hashes a leaf of its tree.
//! - [`seal`] takes private text out of a body and leaves a salted commitment; [`unseal`] puts it back for
//!   those who may read it, or says that it was erased.
//! - [`Fingerprint`] is one number over a set of records, by which a handset sees whether it holds what the service
//!   does; [`narrowed`] finds what differs.
//!
//! ```
//! use model::edit::RecordKind;
//! use serde_json::json;
//!
//! let id = uuid::uuid!("019a0b5e-7c00-7000-8000-000000000002");
//! let mut body = json!({"rated_kw": 6.0, "label": "Pump 1", "note": "key is with the neighbour"});
//!
//! let aside = proof::seal(&mut body, &["/note"], |_| Some([7; 16]))?;
//! let spelled = proof::canonical(&body)?;
//! assert!(spelled.as_str().starts_with(r#"{"label":"Pump 1","note":{"private":""#));
//! assert!(spelled.as_str().ends_with(r#""},"rated_kw":6}"#));
//! let hash = proof::content_hash(RecordKind::Unit, id, &spelled);
//! assert_eq!(hash.to_string().len(), 64);
//!
//! // Joined again for a reader, and after an erasure: the hash above needs neither.
//! let mut read = body.clone();
//! proof::unseal(&mut read, &["/note"], |pointer, _| {
//!     aside.iter().find(|text| text.pointer == pointer).map(|text| text.text.to_string())
//! });
//! assert_eq!(read["note"], "key is with the neighbour");
//! proof::unseal(&mut body, &["/note"], |_, _| None);
//! assert_eq!(body["note"], json!({"erased": true}));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod canonical;
mod fingerprint;
mod hash;
mod private;

pub use canonical::{Canonical, CanonicalError, MAX_DEPTH, canonical, canonical_object};
pub use fingerprint::{Fingerprint, Part, Prefix, narrowed};
pub use hash::{Hash, content_hash, leaf_hash, leaf_of_bytes, sha256};
pub use private::{SealError, Sealed, commitment, seal, unseal};
