//! Comparing what the page shows with what happens. What is another in every run is compared by where it comes again: a
//! cursor that the page shows in an answer and in the next request has to be one and the same in the run, too.

use std::collections::BTreeMap;

use serde_json::Value;

/// Of these only the type is compared: they tell the time.
const OF_TIME: &[&str] =
    &["at", "clock", "expires_at", "instance", "now", "offset_seconds", "recorded_at", "revoked_at"];

/// These are other words in every run, for the same things.
const NAMES: &[&str] =
    &["author", "code", "cursor", "edit", "enrolled_by", "etag", "fingerprint", "raw", "stamp"];

/// A number in the page that is no small count is drawn at random.
const DRAWN: f64 = 1_000_000.0;

/// The page's words for things, with those of the run.
#[derive(Default)]
pub(super) struct Compared(BTreeMap<String, String>);

impl Compared {
    /// Where an example and what came differ; nothing where they do not.
    pub(super) fn differ(&mut self, place: &str, example: &Value, found: &Value) -> Vec<String> {
        let name = place.rsplit('/').find(|step| step.parse::<usize>().is_err()).unwrap_or_default();
        match (example, found) {
            (Value::Object(example), Value::Object(found)) => {
                let mut all: Vec<&String> = example.keys().chain(found.keys()).collect();
                all.sort();
                all.dedup();
                let member = |name: &String| match (example.get(name), found.get(name)) {
                    (Some(example), Some(found)) => self.differ(&format!("{place}/{name}"), example, found),
                    (None, Some(found)) => vec![format!("{place}/{name}: {found} is not shown")],
                    _ => vec![format!("{place}/{name} does not come")],
                };
                all.into_iter().flat_map(member).collect()
            }
            (Value::Array(example), Value::Array(found)) if example.len() == found.len() => {
                let pairs = example.iter().zip(found).enumerate();
                pairs.flat_map(|(at, (e, f))| self.differ(&format!("{place}/{at}"), e, f)).collect()
            }
            (Value::String(_), Value::String(_)) | (Value::Number(_), Value::Number(_))
                if OF_TIME.contains(&name) =>
            {
                Vec::new()
            }
            (Value::String(example), Value::String(found)) if NAMES.contains(&name) => {
                self.same_thing(place, example, found)
            }
            (Value::Number(example), Value::Number(found))
                if name == "number" && example.as_f64().is_some_and(|number| number > DRAWN) =>
            {
                self.same_thing(place, &example.to_string(), &found.to_string())
            }
            _ if example == found => Vec::new(),
            _ => vec![format!("{place}: {example} is {found}")],
        }
    }

    fn same_thing(&mut self, place: &str, example: &str, found: &str) -> Vec<String> {
        let known = self.0.entry(example.to_owned()).or_insert_with(|| found.to_owned());
        if known == found {
            Vec::new()
        } else {
            vec![format!("{place}: {example} was {known} before, and is {found}")]
        }
    }
}
