//! Lists: objects keyed by the id of each element, so that two people may each add one without knowing of the other.

use serde_json::{Map, Value};

/// Between the name of a list and the id of an element in the name of the element's field.
const WITHIN: char = '/';

/// The fields of an edit with each element of a list as a field of its own, which null removes. What is not an object
/// stays as it is, since only whoever reads the fields knows whether that may be.
///
/// ```
/// use merge::{flatten, nest};
/// use serde_json::json;
///
/// let sent = json!({"label": "Depot", "tanks": {"north": {"litres": 400}, "south": null}});
/// let flat = flatten(sent.as_object().unwrap().clone(), &["tanks"]);
/// assert_eq!(flat.keys().collect::<Vec<_>>(), ["label", "tanks/north", "tanks/south"]);
/// let values = flat.into_iter().filter(|(_, value)| !value.is_null()).collect();
/// assert_eq!(nest(values)["tanks"], json!({"north": {"litres": 400}}));
/// ```
#[must_use]
pub fn flatten(fields: Map<String, Value>, lists: &[&str]) -> Map<String, Value> {
    let mut flat = Map::new();
    for (field, value) in fields {
        match value {
            Value::Object(elements) if lists.contains(&field.as_str()) => {
                let named =
                    elements.into_iter().map(|(id, element)| (format!("{field}{WITHIN}{id}"), element));
                flat.extend(named);
            }
            value => drop(flat.insert(field, value)),
        }
    }
    flat
}

/// The values of a record with the elements of each list together again.
#[must_use]
pub fn nest(values: Map<String, Value>) -> Map<String, Value> {
    let mut nested = Map::new();
    for (field, value) in values {
        match field.split_once(WITHIN) {
            Some((list, id)) => {
                let list = nested.entry(list).or_insert_with(|| Value::Object(Map::new()));
                if let Value::Object(elements) = list {
                    elements.insert(id.to_owned(), value);
                }
            }
            None => drop(nested.insert(field, value)),
        }
    }
    nested
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn there_and_back() {
        let cases = [
            json!({}),
            json!({"label": "a", "tanks": {"a": 1, "b": {"c": {"d": 2}}}}),
            json!({"tanks": {"a/b": 1, "~": 2}}),
            json!({"other": {"a": 1}}),
        ];
        for case in cases {
            let flat = flatten(case.as_object().unwrap().clone(), &["tanks"]);
            assert!(flat.iter().all(|(field, value)| field != "tanks" || !value.is_object()), "{case}");
            assert_eq!(Value::from(nest(flat)), case);
        }
    }

    #[test]
    fn two_elements_added_apart_are_both_there() {
        use model::{EditId, stamp::Stamp};

        use crate::{Base, FieldEdit, Record, apply};

        let edit = |number: u64, fields: Value| FieldEdit {
            edit: EditId::parse(&format!("019a0b5e-7c00-7000-8000-{number:012}")).unwrap(),
            effective: Stamp { clock: number, handset: 1 },
            raw: Stamp { clock: number, handset: 1 },
            fields: flatten(fields.as_object().unwrap().clone(), &["tanks"]),
            base: Base::default(),
            chained: false,
        };
        let record = [json!({"tanks": {"north": 1}}), json!({"tanks": {"south": 2}})]
            .into_iter()
            .zip(1..)
            .fold(Record::default(), |record, (fields, number)| {
                apply(record, &edit(number, fields), |_| false).record
            });
        assert!(record.contested().is_empty());
        assert_eq!(Value::from(nest(record.values())), json!({"tanks": {"north": 1, "south": 2}}));
    }
}
