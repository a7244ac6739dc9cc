//! Texts that the service hands out to be brought back, such as cursors: nobody else can make or change one.

use aws_lc_rs::{constant_time::verify_slices_are_equal, hmac};
use data_encoding::BASE64URL_NOPAD;

/// Seals what is handed out and opens what comes back, with HMAC-SHA-256 (RFC 2104).
#[derive(Clone)]
pub struct Seal(hmac::Key);

/// Bytes of the tag in front of the content.
const TAG: usize = 16;

impl Seal {
    /// With a secret that all instances share.
    pub fn new(secret: &[u8]) -> Self {
        Self(hmac::Key::new(hmac::HMAC_SHA256, secret))
    }

    /// A text that holds `content` and is good for `purpose` alone, whose parts are told apart.
    pub fn close(&self, purpose: &[&[u8]], content: &[u8]) -> String {
        let mut bytes = self.tag(purpose, content);
        bytes.extend(content);
        BASE64URL_NOPAD.encode(&bytes)
    }

    /// The content of a text that was made here for this very purpose.
    pub fn open(&self, purpose: &[&[u8]], text: &str) -> Option<Vec<u8>> {
        let bytes = BASE64URL_NOPAD.decode(text.as_bytes()).ok()?;
        let (tag, content) = bytes.split_at_checked(TAG)?;
        verify_slices_are_equal(tag, &self.tag(purpose, content)).ok()?;
        Some(content.to_vec())
    }

    fn tag(&self, purpose: &[&[u8]], content: &[u8]) -> Vec<u8> {
        let mut context = hmac::Context::with_key(&self.0);
        for part in purpose.iter().chain([&content]) {
            context.update(&part.len().to_be_bytes());
            context.update(part);
        }
        context.sign().as_ref().iter().take(TAG).copied().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_made_for_something_else_or_changed_does_not_open() {
        let seal = Seal::new(b"secret");
        let text = seal.close(&[b"ab", b"c"], b"7");
        assert_eq!(seal.open(&[b"ab", b"c"], &text), Some(b"7".to_vec()));
        let purposes: [&[&[u8]]; 4] = [&[b"a", b"bc"], &[b"abc"], &[b"ab"], &[]];
        for purpose in purposes {
            assert_eq!(seal.open(purpose, &text), None, "{purpose:?}");
        }
        assert_eq!(Seal::new(b"other").open(&[b"ab", b"c"], &text), None);
        // Every single bit counts, those that base64 leaves over included.
        for at in 0..text.len() {
            for other in "AZaz09-_=é".chars().filter(|c| !text[at..].starts_with(*c)) {
                let changed = format!("{}{other}{}", &text[..at], &text[at + 1..]);
                assert_eq!(seal.open(&[b"ab", b"c"], &changed), None, "{changed}");
            }
        }
        for garbage in ["", "!", "AAAA", &"A".repeat(5000)] {
            assert_eq!(seal.open(&[b"ab", b"c"], garbage), None);
        }
    }
}
