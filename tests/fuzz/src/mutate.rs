//! Changes to JSON that leave it JSON: bytes changed blindly seldom get past the parser.

use fastrand::Rng;
use model::json;
use serde_json::{Map, Value, json};

/// What readers of numbers and texts are known to trip over.
const ODD: [&str; 14] = [
    "null",
    "true",
    "\"\"",
    "[]",
    "{}",
    "0",
    "-0",
    "1e400",
    "0.005",
    "4294967296",
    "9007199254740993",
    "18446744073709551616",
    "\"1970-01-01T00:00:00Z\"",
    "\"VVVVVVVVVVVVVVVVVVVG\"",
];

/// Changes the first `size` of the bytes, as JSON or else by `blindly`, and says how many there are then.
pub fn mutate(
    data: &mut [u8],
    size: usize,
    most: usize,
    seed: u32,
    blindly: fn(&mut [u8], usize, usize) -> usize,
) -> usize {
    let text = data.get(..size).filter(|_| !seed.is_multiple_of(4));
    match text.and_then(|text| mutated(text, most, seed.into())) {
        Some(text) => {
            data.iter_mut().zip(&text).for_each(|(byte, new)| *byte = *new);
            text.len()
        }
        None => blindly(data, size, most),
    }
}

/// The text with one or two of its values changed; nothing if it is no JSON, or becomes longer than `most`.
fn mutated(text: &[u8], most: usize, seed: u64) -> Option<Vec<u8>> {
    let mut rng = Rng::with_seed(seed);
    let mut value = json::parse(text).ok()?;
    for _ in 0..rng.usize(1..=2) {
        let other = nth(&mut value, rng.usize(..)).clone();
        change(nth(&mut value, rng.usize(..)), other, &mut rng);
    }
    let text = value.to_string().into_bytes();
    (text.len() <= most).then_some(text)
}

/// Any of the values in this one, itself included, counted round and round.
fn nth(value: &mut Value, n: usize) -> &mut Value {
    let mut n = n % count(value);
    let mut at = value;
    while n > 0 {
        n -= 1;
        let within: Vec<&mut Value> = match at {
            Value::Array(items) => items.iter_mut().collect(),
            Value::Object(members) => members.values_mut().collect(),
            _ => Vec::new(),
        };
        let mut found = None;
        for child in within {
            let size = count(child);
            if n < size {
                found = Some(child);
                break;
            }
            n -= size;
        }
        let Some(child) = found else { panic!("counted wrongly") };
        at = child;
    }
    at
}

fn count(value: &Value) -> usize {
    let within: usize = match value {
        Value::Array(items) => items.iter().map(count).sum(),
        Value::Object(members) => members.values().map(count).sum(),
        _ => 0,
    };
    within + 1
}

/// Makes something else of a value, by chance `other`, which stands elsewhere in the text.
fn change(value: &mut Value, other: Value, rng: &mut Rng) {
    if rng.u8(..) < 32 {
        *value = other;
        return;
    }
    if rng.u8(..) < 32 {
        let odd = ODD.get(rng.usize(..ODD.len())).and_then(|odd| json::parse(odd.as_bytes()).ok());
        *value = odd.unwrap_or_default();
        return;
    }
    match value {
        Value::Array(items) if items.is_empty() || rng.bool() => {
            items.insert(rng.usize(..=items.len()), other)
        }
        Value::Array(items) => drop(items.swap_remove(rng.usize(..items.len()))),
        Value::Object(members) => change_member(members, other, rng),
        Value::Number(number) => *value = of_digits(number.to_string(), rng),
        Value::String(text) => *value = Value::from(changed(text, rng)),
        Value::Bool(yes) => *yes = !*yes,
        Value::Null => *value = json!(rng.u8(..)),
    }
}

fn change_member(members: &mut Map<String, Value>, other: Value, rng: &mut Rng) {
    let Some(name) = rng.choice(members.keys().cloned().collect::<Vec<_>>()) else { return };
    let taken = members.remove(&name);
    match rng.u8(..3) {
        0 => drop(members.insert(changed(&name, rng), taken.unwrap_or_default())),
        1 => drop(members.insert(name, other)),
        _ => {}
    }
}

/// A number one of whose digits is another, or which has one more or less.
fn of_digits(mut digits: String, rng: &mut Rng) -> Value {
    let at = rng.usize(..=digits.len());
    match rng.u8(..3) {
        0 if at < digits.len() => drop(digits.remove(at)),
        1 if at < digits.len() => digits.replace_range(at..=at, &rng.digit(10).to_string()),
        _ => digits.insert(at, rng.digit(10)),
    }
    json::parse(digits.as_bytes()).unwrap_or_default()
}

/// A text with one character more, less or other.
fn changed(text: &str, rng: &mut Rng) -> String {
    let mut letters: Vec<char> = text.chars().collect();
    let at = rng.usize(..=letters.len());
    let letter = if rng.u8(..) < 200 { rng.alphanumeric() } else { rng.char(..) };
    match letters.get_mut(at) {
        Some(_) if rng.bool() => drop(letters.remove(at)),
        Some(old) if rng.bool() => *old = letter,
        _ => letters.insert(at, letter),
    }
    letters.into_iter().collect()
}
