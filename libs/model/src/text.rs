//! Text that people typed: bounded, and free of what a screen or a file would misread.

use std::fmt;

use serde::{Serialize, Serializer};
use serde_json::Value;

use crate::read::Flaw;

/// One line of text of 1 to 200 characters: a name, a serial, a make.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Label(Box<str>);

/// The longest [`Label`], in characters.
pub const LABEL_CHARS: usize = 200;
/// The longest free text (notes, citations, cautions), in characters.
pub const PROSE_CHARS: usize = 4000;

impl Label {
    /// Parses a label; blank ends are refused rather than trimmed, so that what was sent is what is kept.
    pub fn parse(text: &str) -> Result<Self, Flaw> {
        bounded(text, LABEL_CHARS, |c| c.is_control())?;
        if text.trim() != text {
            return Err(Flaw::new("blank_ends", "The text begins or ends with a blank."));
        }
        Ok(Self(text.into()))
    }

    /// Reads a label from a JSON string.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        value.as_str().ok_or_else(|| Flaw::wrong_type("a string")).and_then(Self::parse)
    }

    /// The label as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Label {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl Serialize for Label {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(&self.0)
    }
}

/// Reads text of several lines, 1 to [`PROSE_CHARS`] characters; tabs and line ends are allowed.
pub fn prose(value: &Value) -> Result<Box<str>, Flaw> {
    let text = value.as_str().ok_or_else(|| Flaw::wrong_type("a string"))?;
    bounded(text, PROSE_CHARS, |c| c.is_control() && !matches!(c, '\n' | '\r' | '\t'))?;
    Ok(text.into())
}

fn bounded(text: &str, most: usize, refused: impl Fn(char) -> bool) -> Result<(), Flaw> {
    if text.trim().is_empty() {
        return Err(Flaw::new("empty_text", "The text is empty."));
    }
    if text.chars().count() > most {
        return Err(Flaw::new("text_too_long", format!("The text has more than {most} characters.")));
    }
    // Bidirectional overrides let a stored name rearrange the line that shows it.
    if text.chars().any(|c| refused(c) || matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')) {
        return Err(Flaw::new("control_character", "The text holds a control character."));
    }
    Ok(())
}
