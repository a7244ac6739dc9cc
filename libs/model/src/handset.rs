//! Handsets: field devices that work offline.

use serde::Serialize;
use serde_json::Value;

use crate::{
    id::PersonId,
    mark::Marked,
    read::{Flaw, Object, integer},
    text::Label,
};

/// The fields of a handset.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct HandsetFields {
    /// What its people call it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<Label>,
    /// Its part of every stamp; 0 is the service's own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub number: Option<HandsetNumber>,
    /// Who enrolled it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub enrolled_by: Option<PersonId>,
    /// There once somebody has revoked it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub revoked: Option<Marked>,
}

impl HandsetFields {
    /// Reads the fields that are there.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        Some(Self {
            name: o.required("name", Label::read),
            number: o.required("number", HandsetNumber::read),
            enrolled_by: o.required("enrolled_by", PersonId::read),
            revoked: o.optional("revoked", Marked::read),
        })
    }
}

/// The number of a handset within its organization, from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(transparent)]
pub struct HandsetNumber(u32);

impl HandsetNumber {
    /// Names a number; `None` for 0, which is the service's own.
    pub fn new(number: u32) -> Option<Self> {
        (number > 0).then_some(Self(number))
    }

    /// The bare number, as a stamp carries it.
    pub fn get(self) -> u32 {
        self.0
    }

    /// Reads a number from JSON.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        let number = integer(1, i64::from(u32::MAX))(value)?;
        u32::try_from(number).map(Self).map_err(|_| Flaw::wrong_type("an integer"))
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::read::{Mode, whole};

    #[test]
    fn reads_what_the_service_writes_and_nothing_else() {
        let person = "019a0b5e-7c00-7000-8000-000000000001";
        let good =
            json!({"name": "Van 2", "number": 4_294_967_295_u32, "enrolled_by": person, "revoked": true});
        let read = whole(&good, Mode::New, HandsetFields::read).unwrap();
        assert_eq!(serde_json::to_value(read).unwrap(), good);

        let cases = [
            ("number 0", json!({"name": "Van 2", "number": 0, "enrolled_by": person}), "/number"),
            (
                "number of 33 bits",
                json!({"name": "Van 2", "number": 4_294_967_296_u64, "enrolled_by": person}),
                "/number",
            ),
            ("no name", json!({"number": 1, "enrolled_by": person}), "/name"),
            ("nobody", json!({"name": "Van 2", "number": 1}), "/enrolled_by"),
            (
                "not revoked",
                json!({"name": "Van 2", "number": 1, "enrolled_by": person, "revoked": false}),
                "/revoked",
            ),
        ];
        for (case, body, pointer) in cases {
            let errors = whole(&body, Mode::New, HandsetFields::read).unwrap_err();
            assert_eq!(errors[0].pointer.as_deref(), Some(pointer), "{case}");
        }
    }
}
