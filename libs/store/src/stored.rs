//! Bodies that the log or a fold of it holds as text, read back.

use model::{
    json,
    read::{FieldError, Mode, Object, whole},
};
use serde_json::Value;

use crate::error::{Result, StoreError};

/// Reads what a text says of a thing; `what` names it where that fails.
pub(crate) fn text<T>(
    what: &'static str,
    text: &str,
    read: impl FnOnce(&mut Object<'_>) -> Option<T>,
) -> Result<T> {
    let found = json::parse(text.as_bytes()).map_err(|e| StoreError::corrupt(what)(&e))?;
    value(what, &found, read)
}

/// As [`text`], of a value.
pub(crate) fn value<T>(
    what: &'static str,
    value: &Value,
    read: impl FnOnce(&mut Object<'_>) -> Option<T>,
) -> Result<T> {
    let one = |e: &FieldError| format!("{}: {}", e.pointer.as_deref().unwrap_or_default(), e.detail);
    whole(value, Mode::Stored, read)
        .map_err(|errors| StoreError::corrupt(what)(&errors.iter().map(one).collect::<Vec<_>>().join(" ")))
}
