//! Small changes to a JSON value, and the chance that draws them.

use serde_json::{Value, json};

/// A sequence of numbers from a seed: xorshift64*, enough to wander about with.
pub(crate) struct Chance(u64);

impl Chance {
    pub(crate) fn new(seed: u64) -> Self {
        // Neighbouring seeds begin far apart.
        Self(seed.wrapping_add(1).wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 16
    }

    /// A number below `most`.
    pub(crate) fn below(&mut self, most: usize) -> usize {
        usize::try_from(self.next() % u64::try_from(most.max(1)).unwrap()).unwrap()
    }

    /// One of some things.
    pub(crate) fn of<'t, T>(&mut self, things: &'t [T]) -> &'t T {
        &things[self.below(things.len())]
    }
}

/// What a value may become, whatever it was.
const STRANGE: &[&str] = &[
    "0",
    "0.01",
    "1",
    "24",
    "999999.99",
    "1000000",
    "36500",
    "1200",
    "-1",
    "\"231:30\"",
    "\"1970-01-01\"",
    "\"2199-12-31\"",
    "\"2024-02-29\"",
    "\"1970-01-01T00:00:00Z\"",
    "\"2199-12-31T23:59:59Z\"",
    "\"2025-03-30T02:30:00+01:00\"",
    "\"1970-01-01T00:00:00Z\"",
    "true",
    "false",
    "null",
    "[]",
    "{}",
    "\"\"",
    "\"oil\"",
    "[\"01-31\", \"12-31\"]",
    "\"grid\"",
    "\"planned\"",
    "\"strict\"",
    "\"failed\"",
    "\"passed\"",
];

/// Changes one thing somewhere in a history.
pub(crate) fn mutated(history: &mut Value, chance: &mut Chance) {
    let all = places(history, String::new());
    let place = chance.of(&all).clone();
    match chance.below(5) {
        0 => drop(taken(history, &place)),
        1 => {
            // The same member of another place, so that what fits by type is tried more than what does not.
            let name = place.rsplit('/').next().unwrap_or_default().to_owned();
            let alike: Vec<&String> =
                all.iter().filter(|other| other.rsplit('/').next() == Some(&name)).collect();
            let value = history.pointer(chance.of::<&String>(&alike)).cloned().unwrap_or(Value::Null);
            put(history, &place, value);
        }
        2 => {
            let value = history.pointer(&place).and_then(Value::as_f64).unwrap_or(1.0);
            put(history, &place, json!(value * *chance.of(&[0.1, 0.5, 2.0, 10.0, 100.0])));
        }
        _ => put(history, &place, serde_json::from_str(chance.of::<&str>(STRANGE)).unwrap()),
    }
}

fn put(history: &mut Value, place: &str, value: Value) {
    if let Some(there) = history.pointer_mut(place) {
        *there = value;
    }
}

fn taken(history: &mut Value, place: &str) -> Option<Value> {
    let (owner, name) = place.rsplit_once('/')?;
    match history.pointer_mut(owner)? {
        Value::Object(members) => members.remove(name),
        Value::Array(items) => {
            let at = name.parse().ok().filter(|at| *at < items.len())?;
            Some(items.remove(at))
        }
        _ => None,
    }
}

/// Pointers to everything inside a value.
fn places(value: &Value, at: String) -> Vec<String> {
    let inner: Vec<String> = match value {
        Value::Object(members) => {
            members.iter().flat_map(|(name, value)| places(value, format!("{at}/{name}"))).collect()
        }
        Value::Array(items) => {
            items.iter().enumerate().flat_map(|(n, value)| places(value, format!("{at}/{n}"))).collect()
        }
        _ => Vec::new(),
    };
    let own = (at.matches('/').count() > 1).then_some(at);
    own.into_iter().chain(inner).collect()
}
