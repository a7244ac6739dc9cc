//! A cursor that comes back.

use access::Seal;

const PURPOSE: &[&[u8]] = &[b"an organization", b"/v1/changes"];

/// Opens the bytes as a cursor, and closes them as the content of one.
///
/// # Panics
///
/// If a cursor opens that was not made here, or one that was does not.
pub fn cursor(data: &[u8]) {
    let seal = Seal::new(b"a secret that the bytes do not know");
    if let Ok(text) = str::from_utf8(data) {
        assert_eq!(seal.open(PURPOSE, text), None, "a forged cursor");
    }
    let made = seal.close(PURPOSE, data);
    assert_eq!(seal.open(PURPOSE, &made).as_deref(), Some(data), "not what was put in");
    assert_eq!(seal.open(&[b"an organization", b"/v1/units"], &made), None, "another list");
    if let Some(changed) = changed(&made, data) {
        assert_eq!(seal.open(PURPOSE, &changed), None, "{changed} for {made}");
    }
}

/// The text with one character set to another, both as the bytes say.
fn changed(text: &str, data: &[u8]) -> Option<String> {
    let [at, to, ..] = data else { return None };
    let at = usize::from(*at) % text.len();
    let to = char::from(*to % 128);
    let (before, after) = text.split_at_checked(at)?;
    (!after.starts_with(to)).then(|| format!("{before}{to}{}", after.get(1..).unwrap_or_default()))
}
