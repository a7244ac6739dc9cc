//! Ids that a record has in other systems.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::{code::Code, read::Object, text::Label};

/// The member that holds them. Each is a field of its own where records are merged, so that two people may each add one
/// without knowing of the other.
pub const EXTERNAL_IDS: &str = "external_ids";
/// The fields of records that are lists when records are merged.
pub const LISTS: &[&str] = &[EXTERNAL_IDS];
/// A record has so many at most.
pub const EXTERNAL_IDS_MOST: usize = 20;

/// The ids of a record in other systems, by the system's code; in a patch, one without an id is removed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(transparent)]
pub struct ExternalIds(BTreeMap<Code, Option<Label>>);

impl ExternalIds {
    /// Reads the member, if it is there; an empty one is as good as none.
    pub(crate) fn read(o: &mut Object<'_>) -> Option<Self> {
        o.keyed(EXTERNAL_IDS, EXTERNAL_IDS_MOST, Code::parse, Label::read)
            .filter(|ids| !ids.is_empty())
            .map(Self)
    }

    /// Each system with the id there.
    pub fn iter(&self) -> impl Iterator<Item = (&Code, &Label)> {
        self.0.iter().filter_map(|(system, id)| Some((system, id.as_ref()?)))
    }
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use crate::{
        read::{Mode, whole},
        site::SiteFields,
    };

    /// What the member comes to, or the places and codes of what is wrong.
    fn read(mode: Mode, ids: Value) -> Result<Value, Vec<(String, &'static str)>> {
        let sent = json!({"name": "Depot", "zone": "America/Denver", "external_ids": ids});
        whole(&sent, mode, SiteFields::read)
            .map(|fields| serde_json::to_value(fields).unwrap()["external_ids"].take())
            .map_err(|errors| errors.into_iter().map(|e| (e.pointer.unwrap(), e.code)).collect())
    }

    #[test]
    fn read_by_system() {
        let many: Value =
            (0..21).map(|n| (format!("s{n}"), json!("1"))).collect::<serde_json::Map<_, _>>().into();
        let cases = [
            (Mode::New, json!({"gis": "GN-0042"}), Ok(json!({"gis": "GN-0042"}))),
            (Mode::New, json!({"gis": null}), Ok(json!(null))),
            (Mode::New, json!({}), Ok(json!(null))),
            (Mode::New, json!(null), Ok(json!(null))),
            (Mode::Patch, json!({"gis": null, "erp": "7"}), Ok(json!({"gis": null, "erp": "7"}))),
            (Mode::Patch, json!(null), Err(vec![("/external_ids", "required")])),
            (Mode::New, json!(["gis"]), Err(vec![("/external_ids", "wrong_type")])),
            (Mode::New, many, Err(vec![("/external_ids", "too_many")])),
            (
                Mode::New,
                json!({"GIS": "1", "a/b": "2", "erp": 7, "gis": " 1"}),
                Err(vec![
                    ("/external_ids/GIS", "invalid_code"),
                    ("/external_ids/a~1b", "invalid_code"),
                    ("/external_ids/erp", "wrong_type"),
                    ("/external_ids/gis", "blank_ends"),
                ]),
            ),
        ];
        for (mode, sent, expected) in cases {
            let expected = expected.map_err(|errors: Vec<(&str, _)>| {
                errors.into_iter().map(|(pointer, code)| (pointer.to_owned(), code)).collect::<Vec<_>>()
            });
            assert_eq!(read(mode, sent.clone()), expected, "{mode:?} {sent}");
        }
    }
}
