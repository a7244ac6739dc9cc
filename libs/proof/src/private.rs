//! Private text out of bodies and back: the log keeps a salted commitment, a side table the text.

use std::{collections::BTreeMap, fmt};

use model::{
    private::{ERASED, PrivateText, SEALED, Salt},
    read::Flaw,
};
use serde_json::{Value, json};

use crate::hash::{Hash, of_parts};

/// A private text taken out of a body: what the side table keeps. `Debug` shows nothing of the text.
#[derive(Clone, PartialEq, Eq)]
pub struct Sealed {
    /// JSON Pointer (RFC 6901) to where it stood in the body.
    pub pointer: String,
    /// The salt, the author's if one was sent.
    pub salt: Salt,
    /// The text.
    pub text: Box<str>,
}

/// Why a body could not be sealed.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
pub enum SealError {
    /// Something stands where private text belongs and is none.
    #[error("what stands at {pointer} is no private text")]
    NotPrivate {
        /// JSON Pointer to it.
        pointer: String,
        /// What is wrong with it.
        source: Flaw,
    },
    /// Nobody gave a salt for a text.
    #[error("there is no salt for the private text at {pointer}")]
    NoSalt {
        /// JSON Pointer to the text.
        pointer: String,
    },
}

/// SHA-256 over salt, pointer and text: binds a text to its place and tells nothing of it without the salt.
pub fn commitment(salt: &Salt, pointer: &str, text: &str) -> Hash {
    of_parts(&[salt, pointer.as_bytes(), text.as_bytes()])
}

/// Replaces the private texts at `pointers` by their commitments and returns the texts.
///
/// `salt_for` is asked, with the pointer, where the author sent no salt. Places that are absent, null or
/// already sealed are left alone. Anything else that is no private text, and a text without a salt, is an error and
/// leaves the body as it was, so that nothing private can pass unsealed.
pub fn seal(
    body: &mut Value,
    pointers: &[&str],
    mut salt_for: impl FnMut(&str) -> Option<Salt>,
) -> Result<Vec<Sealed>, SealError> {
    let mut clear = BTreeMap::new();
    for pointer in pointers {
        let place = body.pointer(pointer);
        let Some(value) = place.filter(|value| !value.is_null() && sealed(value).is_none()) else {
            continue;
        };
        let read = PrivateText::read(value);
        let read = read.map_err(|source| SealError::NotPrivate { pointer: (*pointer).into(), source })?;
        if let PrivateText::Clear { text, salt } = read
            && !clear.contains_key(pointer)
        {
            let salt = salt.or_else(|| salt_for(pointer));
            let salt = salt.ok_or_else(|| SealError::NoSalt { pointer: (*pointer).into() })?;
            clear.insert(*pointer, (text, salt));
        }
    }
    let mut aside = Vec::new();
    for (pointer, (text, salt)) in clear {
        if let Some(place) = body.pointer_mut(pointer) {
            *place = json!({SEALED: commitment(&salt, pointer, &text)});
        }
        aside.push(Sealed { pointer: pointer.into(), salt, text });
    }
    Ok(aside)
}

/// Puts the private texts back in the places of their commitments, or `{"erased": true}` where `lookup` has
/// none. Places that hold no commitment are left alone.
///
/// `lookup` is asked with the pointer and the commitment: in a record, texts at one pointer may stem from
/// several edits, and the commitment tells which is meant.
pub fn unseal(body: &mut Value, pointers: &[&str], mut lookup: impl FnMut(&str, &Hash) -> Option<String>) {
    for pointer in pointers {
        let Some(place) = body.pointer_mut(pointer) else { continue };
        if let Some(commitment) = sealed(place) {
            *place = lookup(pointer, &commitment).map_or_else(|| json!({ERASED: true}), Value::from);
        }
    }
}

fn sealed(value: &Value) -> Option<Hash> {
    let members = value.as_object().filter(|members| members.len() == 1)?;
    members.get(SEALED)?.as_str().and_then(|text| Hash::parse(text).ok())
}

impl fmt::Debug for Sealed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Sealed").field("pointer", &self.pointer).finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::sha256;

    const SALT: Salt = *b"0123456789abcdef";

    #[test]
    fn a_commitment_is_salt_pointer_text() {
        assert_eq!(commitment(&SALT, "/note", "left gate"), sha256("0123456789abcdef/noteleft gate"));
    }

    #[test]
    fn seals_what_is_in_the_clear() {
        let committed = |text| json!({"private": commitment(&SALT, "/note", text)});
        let author = json!({"text": "left gate", "salt": "30313233343536373839616263646566"});
        // Body's note, what it becomes, text set aside, whether our salt was needed.
        let cases = [
            (json!("left gate"), committed("left gate"), Some("left gate"), true),
            (author, committed("left gate"), Some("left gate"), false),
            (Value::Null, Value::Null, None, false),
            (committed("left gate"), committed("left gate"), None, false),
        ];
        for (note, sealed, text, ours) in cases {
            let mut body = json!({"note": note, "label": "Pump 1"});
            let mut asked = Vec::new();
            let aside = seal(&mut body, &["/note", "/reason", "/note"], |pointer| {
                asked.push(pointer.to_owned());
                Some(SALT)
            });
            let expected: Vec<_> = text
                .map(|text| Sealed { pointer: "/note".into(), salt: SALT, text: text.into() })
                .into_iter()
                .collect();
            assert_eq!(aside, Ok(expected), "{note}");
            assert_eq!(body, json!({"note": sealed, "label": "Pump 1"}), "{note}");
            assert_eq!(asked.len(), usize::from(ours), "{note}");
        }
    }

    #[test]
    fn never_lets_something_else_pass() {
        let half_sealed = json!({"private": "00"});
        for odd in
            [json!(7), json!(["x"]), json!({"text": "x"}), json!({"erased": true}), half_sealed, json!("")]
        {
            let before = json!({"reason": "kept", "note": odd});
            let mut body = before.clone();
            let error = seal(&mut body, &["/reason", "/note"], |_| Some(SALT)).unwrap_err();
            assert!(
                matches!(&error, SealError::NotPrivate { pointer, .. } if pointer == "/note"),
                "{before}: {error}"
            );
            assert_eq!(body, before);
        }
    }

    #[test]
    fn only_a_text_without_a_salt_needs_one() {
        let sent = json!({"text": "left gate", "salt": "30313233343536373839616263646566"});
        for (note, fails) in [(json!("left gate"), true), (sent, false), (Value::Null, false)] {
            let before = json!({"note": note});
            let mut body = before.clone();
            let sealed = seal(&mut body, &["/note", "/reason"], |_| None);
            if fails {
                assert_eq!(sealed, Err(SealError::NoSalt { pointer: "/note".into() }), "{note}");
                assert_eq!(body, before);
            } else {
                assert!(sealed.is_ok(), "{note}");
            }
        }
    }

    #[test]
    fn debug_shows_no_text() {
        let sealed = Sealed { pointer: "/note".into(), salt: SALT, text: "left gate".into() };
        assert_eq!(format!("{sealed:?}"), r#"Sealed { pointer: "/note", .. }"#);
    }

    #[test]
    fn unseals_only_commitments() {
        let mut body = json!({"note": "plain", "reason": null, "text": {"private": "00"}});
        let before = body.clone();
        unseal(&mut body, &["/note", "/reason", "/text", "/absent"], |_, _| Some("x".into()));
        assert_eq!(body, before);
    }

    proptest! {
        #[test]
        fn comes_back_as_it_was(text in "[ -~é😂]{0,20}[!-~]", salt in any::<Salt>()) {
            let before = json!({"event": {"note": text}});
            let mut body = before.clone();
            let aside = seal(&mut body, &["/event/note"], |_| Some(salt)).unwrap();
            prop_assert!(!body.to_string().contains(&before["event"].to_string()));
            unseal(&mut body, &["/event/note"], |pointer, hash| {
                let row = aside.iter().find(|row| row.pointer == pointer)?;
                (commitment(&row.salt, &row.pointer, &row.text) == *hash).then(|| row.text.to_string())
            });
            prop_assert_eq!(body, before);
        }
    }
}
