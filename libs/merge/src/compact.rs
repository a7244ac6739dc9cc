//! A record as one JSON text: each edit named once, values by the number of their edit.
//!
//! ```json
//! {"edits":[{"edit":"019a…","raw":"0C…"},{"edit":"019b…","raw":"0D…","effective":"0C…"}],
//!  "fields":{"label":[[1,"Well pump"],[0,"Pump house"]],"rated_kw":[[0,6]]}}
//! ```

use std::collections::{BTreeMap, BTreeSet};

use model::{EditId, stamp::Stamp};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use serde_json::Value;

use crate::{
    edit::Base,
    record::Record,
    register::{Held, Register, Version},
};

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Compact<V> {
    /// From low to high.
    edits: Vec<Stamped>,
    fields: BTreeMap<String, Vec<(usize, V)>>,
    #[serde(default = "BTreeMap::new", skip_serializing_if = "BTreeMap::is_empty")]
    awaited: BTreeMap<String, BTreeSet<Version>>,
    #[serde(default = "BTreeMap::new", skip_serializing_if = "BTreeMap::is_empty")]
    passed: BTreeMap<String, BTreeMap<u32, u64>>,
    #[serde(default = "BTreeMap::new", skip_serializing_if = "BTreeMap::is_empty")]
    retirements: BTreeMap<EditId, Base>,
}

#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Stamped {
    edit: EditId,
    #[serde(deserialize_with = "stamp")]
    raw: Stamp,
    /// Where it is not the raw one.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "some_stamp")]
    effective: Option<Stamp>,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    chained: bool,
}

pub(crate) fn stamp<'de, D: Deserializer<'de>>(d: D) -> Result<Stamp, D::Error> {
    Stamp::parse(&String::deserialize(d)?).map_err(de::Error::custom)
}

fn some_stamp<'de, D: Deserializer<'de>>(d: D) -> Result<Option<Stamp>, D::Error> {
    stamp(d).map(Some)
}

impl Serialize for Record {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        let named = |held: &Held| (held.rank(), held.chained);
        let ranks: BTreeSet<_> = self.fields.values().flat_map(Register::all).map(named).collect();
        let number: BTreeMap<_, usize> = ranks.iter().enumerate().map(|(at, rank)| (*rank, at)).collect();
        let numbered = |held: &Held| number.get(&named(held)).copied().unwrap_or_default();
        let stamped = |((effective, raw, edit), chained): &((Stamp, Stamp, EditId), bool)| Stamped {
            edit: *edit,
            raw: *raw,
            effective: (effective != raw).then_some(*effective),
            chained: *chained,
        };
        let mut fields = BTreeMap::new();
        for (field, register) in self.registers() {
            let values: Vec<_> = register.all().map(|held| (numbered(held), &held.value)).collect();
            fields.insert(field.to_owned(), values);
        }
        let edits = ranks.iter().map(stamped).collect();
        Compact {
            edits,
            fields,
            awaited: self.awaited.clone(),
            passed: self.passed.clone(),
            retirements: self.retirements.clone(),
        }
        .serialize(s)
    }
}

impl<'de> Deserialize<'de> for Record {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let compact = Compact::<Value>::deserialize(d)?;
        let held = |(number, value): (usize, Value)| {
            let Stamped { edit, raw, effective, chained } =
                compact.edits.get(number).ok_or_else(|| de::Error::custom("no edit has this number"))?;
            let effective = effective.unwrap_or(*raw);
            Ok(Held { value, effective, raw: *raw, edit: *edit, chained: *chained })
        };
        let mut fields = BTreeMap::new();
        for (field, values) in compact.fields {
            let values = values.into_iter().map(held).collect::<Result<Vec<_>, D::Error>>()?;
            let register =
                Register::of(&field, values).ok_or_else(|| de::Error::custom("a field has no value"))?;
            fields.insert(field, register);
        }
        let Compact { awaited, passed, retirements, .. } = compact;
        Ok(Self { fields, awaited, passed, retirements })
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::{Base, FieldEdit, apply};

    fn edit(number: u64, fields: &Value, base: Base) -> FieldEdit {
        let stamp = |clock| Stamp { clock, handset: 0 };
        FieldEdit {
            edit: EditId::parse(&format!("019a0b5e-7c00-7000-8000-{number:012}")).unwrap(),
            effective: stamp(number.min(2)),
            raw: stamp(number),
            fields: fields.as_object().unwrap().clone(),
            base,
            chained: false,
        }
    }

    #[test]
    fn the_text() {
        let created = edit(1, &json!({"label": "Pump", "rated_kw": 6}), Base::default());
        let record = apply(Record::default(), &created, |_| false).record;
        let record = apply(record, &edit(3, &json!({"label": null}), Base::default()), |_| false).record;
        let expected = json!({
            "edits": [
                {"edit": "019a0b5e-7c00-7000-8000-000000000001", "raw": "00000000000020000000"},
                {"edit": "019a0b5e-7c00-7000-8000-000000000003", "raw": "00000000000060000000",
                 "effective": "00000000000040000000"},
            ],
            "fields": {"label": [[1, null], [0, "Pump"]], "rated_kw": [[0, 6]]},
        });
        assert_eq!(json!(record), expected);
        assert_eq!(serde_json::from_value::<Record>(expected).unwrap(), record);
    }

    #[test]
    fn what_is_no_record() {
        let edits =
            r#""edits":[{"edit":"019a0b5e-7c00-7000-8000-000000000001","raw":"00000000000020000000"}]"#;
        let cases = [
            (r#""fields":{"label":[[0,"Pump"]]}"#, true),
            (r#""fields":{"label":[[1,"Pump"]]}"#, false),
            (r#""fields":{"label":[]}"#, false),
            (r#""fields":{},"more":1"#, false),
            (r#""fields":{},"awaited":{"label":[{"raw":"0","edit":"x"}]}"#, false),
        ];
        for (rest, good) in cases {
            assert_eq!(
                serde_json::from_str::<Record>(&format!("{{{edits},{rest}}}")).is_ok(),
                good,
                "{rest}"
            );
        }
    }
}
