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
        let length = more.iter().map(|(name, value)| name.len() + value.len() + 4).sum::<usize>();
        let mut added: Vec<(String, &str)> = Vec::with_capacity(more.len());
        for (name, value) in more {
            let mut spelled = String::new();
            write_string(name, &mut spelled);
            added.push((spelled, value));
        }
        added.sort_by(|(a, _), (b, _)| a.encode_utf16().cmp(b.encode_utf16()));
        let mut added = added.into_iter().peekable();
        let mut out = String::with_capacity(self.0.len() + length);
        out.push('{');
        let mut put = |name: &str, value: &str| {
            if out.len() > 1 {
                out.push(',');
            }
            out.push_str(name);
            out.push(':');
            out.push_str(value);
        };
        for (name, value) in members(&self.0) {
            while let Some((new, its)) = added.next_if(|(new, _)| new.encode_utf16().lt(name.encode_utf16()))
            {
                put(&new, its);
            }
            put(name, value);
        }
        added.for_each(|(new, its)| put(&new, its));
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

/// The members of an object that is spelled canonically, each name with its quotes.
fn members(text: &str) -> impl Iterator<Item = (&str, &str)> {
    let mut rest = text.strip_prefix('{').and_then(|text| text.strip_suffix('}')).unwrap_or_default();
    std::iter::from_fn(move || {
        let (name, tail) = rest.split_at_checked(end_of(rest, b':'))?;
        let tail = tail.get(1..)?;
        let (value, tail) = tail.split_at_checked(end_of(tail, b','))?;
        rest = tail.get(1..).unwrap_or_default();
        Some((name, value))
    })
}

/// Where the byte stands first that is in no string, list or object; else where the text ends.
fn end_of(text: &str, wanted: u8) -> usize {
    let (mut depth, mut quoted, mut escaped) = (0_usize, false, false);
    for (at, byte) in text.bytes().enumerate() {
        match byte {
            _ if escaped => escaped = false,
            b'\\' if quoted => escaped = true,
            b'"' => quoted = !quoted,
            _ if quoted => {}
            _ if depth == 0 && byte == wanted => return at,
            b'{' | b'[' => depth += 1,
            b'}' | b']' => depth = depth.saturating_sub(1),
            _ => {}
        }
    }
    text.len()
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
    let mut sorted: Vec<(&String, &Value)> = members.iter().collect();
    // Byte order, in which they are kept, is not enough: characters beyond U+FFFF sort by their surrogates, before U+E000.
    if !members.keys().all(|name| name.is_ascii()) {
        sorted.sort_unstable_by(|(a, _), (b, _)| a.encode_utf16().cmp(b.encode_utf16()));
    }
    out.push('{');
    for (at, (name, value)) in sorted.into_iter().enumerate() {
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
