//! The one spelling of a JSON value (RFC 8785, JSON Canonicalization Scheme).

use std::fmt;

use serde_json::{Map, Number, Value};

/// The deepest nesting of arrays and objects that is spelled; what our parser lets in stays well below.
pub const MAX_DEPTH: usize = 200;

/// A JSON text spelled as RFC 8785 does: equal values have equal bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Canonical(String);

/// Why a value has no canonical spelling.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
pub enum CanonicalError {
    /// A number lies outside what an IEEE 754 double can hold.
    #[error("the number {0} is too large for a double")]
    Number(String),
    /// Arrays and objects are nested deeper than [`MAX_DEPTH`].
    #[error("the value is nested more than {MAX_DEPTH} levels deep")]
    TooDeep,
}

/// Spells `value` canonically: members sorted by UTF-16 code units, numbers as ECMAScript writes doubles, no
/// blanks.
///
/// Digits beyond the precision of a double do not survive; what must be exact and does not fit a double
/// belongs in a string.
pub fn canonical(value: &Value) -> Result<Canonical, CanonicalError> {
    let mut out = String::new();
    write(value, 0, &mut out)?;
    Ok(Canonical(out))
}

/// Spells an object with these members canonically; each has a name of its own.
pub fn canonical_object<'v>(
    members: impl IntoIterator<Item = (&'v str, &'v Value)>,
) -> Result<Canonical, CanonicalError> {
    let mut out = String::new();
    write_members(members.into_iter().collect(), 1, &mut out)?;
    Ok(Canonical(out))
}

impl Canonical {
    /// A text that [`canonical`] spelled before, as it was kept.
    pub const fn spelled_before(text: String) -> Self {
        Self(text)
    }

    /// An object with further members, spelled canonically, which it does not have yet; all names are of letters and the like.
    ///
    /// ```
    /// let event = proof::canonical(&serde_json::json!({"kind": "run", "unit_id": 7}))?;
    /// let told = event.with(&[("author", "1"), ("recorded_at", "2")]);
    /// assert_eq!(told.as_str(), r#"{"author":1,"kind":"run","recorded_at":2,"unit_id":7}"#);
    /// # Ok::<(), proof::CanonicalError>(())
    /// ```
    #[must_use]
    pub fn with(&self, more: &[(&str, &str)]) -> Self {
        let mut more = more.to_vec();
        more.sort_unstable_by_key(|(name, _)| *name);
        let length = more.iter().map(|(name, value)| name.len() + value.len() + 4).sum::<usize>();
        let mut out = String::with_capacity(self.0.len() + length);
        out.push('{');
        let mut rest = self.0.strip_prefix('{').and_then(|text| text.strip_suffix('}')).unwrap_or_default();
        for (name, value) in more {
            let (before, after) = rest.split_at_checked(place_of(name, rest)).unwrap_or((rest, ""));
            out.push_str(before);
            // What is before it ends with a comma, unless it is all there is.
            if after.is_empty() && out.len() > 1 && !out.ends_with(',') {
                out.push(',');
            }
            for part in ["\"", name, "\":", value] {
                out.push_str(part);
            }
            if !after.is_empty() {
                out.push(',');
            }
            rest = after;
        }
        out.push_str(rest);
        out.push('}');
        Self(out)
    }

    /// The text.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The text, owned.
    pub fn into_string(self) -> String {
        self.0
    }
}

impl AsRef<[u8]> for Canonical {
    fn as_ref(&self) -> &[u8] {
        self.0.as_bytes()
    }
}

impl fmt::Display for Canonical {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// Where the first of some members begins whose name comes after another; else where they end.
fn place_of(name: &str, members: &str) -> usize {
    let mut at = 0;
    while let Some(rest) = members.get(at..).filter(|rest| !rest.is_empty()) {
        // Byte order is that of UTF-16, too, where one of two names is of letters and the like.
        if rest.get(1..end_of_string(rest)).is_some_and(|other| name < other) {
            return at;
        }
        at += end_of_member(rest) + 1;
    }
    members.len()
}

/// Where the comma stands after the first member; else where the text ends.
fn end_of_member(text: &str) -> usize {
    let (mut depth, mut bytes) = (0_usize, text.bytes().enumerate());
    while let Some((at, byte)) = bytes.next() {
        match byte {
            b'"' => drop(skip_string(&mut bytes)),
            b',' if depth == 0 => return at,
            b'{' | b'[' => depth += 1,
            b'}' | b']' => depth = depth.saturating_sub(1),
            _ => {}
        }
    }
    text.len()
}

/// Where the string ends with which a text begins.
fn end_of_string(text: &str) -> usize {
    let mut bytes = text.bytes().enumerate().skip(1);
    skip_string(&mut bytes).unwrap_or(text.len())
}

/// Goes past the rest of a string; gives where its closing quote stands.
fn skip_string(bytes: &mut impl Iterator<Item = (usize, u8)>) -> Option<usize> {
    while let Some((at, byte)) = bytes.next() {
        match byte {
            b'"' => return Some(at),
            b'\\' => drop(bytes.next()),
            _ => {}
        }
    }
    None
}

fn write(value: &Value, depth: usize, out: &mut String) -> Result<(), CanonicalError> {
    match value {
        Value::Null => out.push_str("null"),
        Value::Bool(true) => out.push_str("true"),
        Value::Bool(false) => out.push_str("false"),
        Value::Number(number) => write_number(number, out)?,
        Value::String(text) => write_string(text, out),
        Value::Array(items) => write_array(items, deeper(depth)?, out)?,
        Value::Object(members) => write_object(members, deeper(depth)?, out)?,
    }
    Ok(())
}

fn deeper(depth: usize) -> Result<usize, CanonicalError> {
    if depth < MAX_DEPTH { Ok(depth + 1) } else { Err(CanonicalError::TooDeep) }
}

fn write_array(items: &[Value], depth: usize, out: &mut String) -> Result<(), CanonicalError> {
    out.push('[');
    for (at, item) in items.iter().enumerate() {
        if at > 0 {
            out.push(',');
        }
        write(item, depth, out)?;
    }
    out.push(']');
    Ok(())
}

fn write_object(members: &Map<String, Value>, depth: usize, out: &mut String) -> Result<(), CanonicalError> {
    write_members(members.iter().map(|(name, value)| (name.as_str(), value)).collect(), depth, out)
}

fn write_members(
    mut members: Vec<(&str, &Value)>,
    depth: usize,
    out: &mut String,
) -> Result<(), CanonicalError> {
    if members.iter().all(|(name, _)| name.is_ascii()) {
        members.sort_unstable_by_key(|(name, _)| *name);
    } else {
        // Byte order is not enough: characters beyond U+FFFF sort by their surrogates, before U+E000.
        members.sort_unstable_by(|(a, _), (b, _)| a.encode_utf16().cmp(b.encode_utf16()));
    }
    out.push('{');
    for (at, (name, value)) in members.into_iter().enumerate() {
        if at > 0 {
            out.push(',');
        }
        write_string(name, out);
        out.push(':');
        write(value, depth, out)?;
    }
    out.push('}');
    Ok(())
}

fn write_number(number: &Number, out: &mut String) -> Result<(), CanonicalError> {
    let double = number
        .as_f64()
        .filter(|double| double.is_finite())
        .ok_or_else(|| CanonicalError::Number(number.to_string()))?;
    out.push_str(ryu_js::Buffer::new().format_finite(double));
    Ok(())
}

fn write_string(text: &str, out: &mut String) {
    out.push('"');
    let mut rest = text;
    while let Some(at) = rest.find(|c| matches!(c, '"' | '\\' | '\0'..='\u{1F}')) {
        let (plain, tail) = rest.split_at(at);
        out.push_str(plain);
        let mut chars = tail.chars();
        chars.next().inspect(|c| write_escape(*c, out));
        rest = chars.as_str();
    }
    out.push_str(rest);
    out.push('"');
}

fn write_escape(c: char, out: &mut String) {
    let short = match c {
        '"' => r#"\""#,
        '\\' => r"\\",
        '\u{8}' => r"\b",
        '\t' => r"\t",
        '\n' => r"\n",
        '\u{C}' => r"\f",
        '\r' => r"\r",
        _ => return out.push_str(&format!("\\u{:04x}", u32::from(c))),
    };
    out.push_str(short);
}

#[cfg(test)]
mod tests;
