//! Stamps: hybrid logical clocks (Kulkarni et al. 2014) with the number of the device that made them.

use std::fmt;

use data_encoding::BASE32HEX_NOPAD;
use serde::{Serialize, Serializer};
use serde_json::Value;

use crate::{read::Flaw, time::Instant};

/// A moment of one device: 48 bits of milliseconds, 16 bits of counter, 32 bits of handset number.
///
/// Ordered as numbers; the text form, 20 characters of base32hex, is ordered the same way. Handset 0 is the
/// service itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Stamp {
    /// Milliseconds since 1970 in the upper 48 bits, a counter in the lower 16.
    pub clock: u64,
    /// The device that made it; 0 is the service.
    pub handset: u32,
}

impl Stamp {
    /// The stamp of the service at `now`, above `highest` if that is given.
    #[must_use]
    pub fn service(now: Instant, highest: Option<Self>) -> Self {
        let physical = (now.micros().unsigned_abs() / 1000) << 16;
        let above = highest.map_or(0, |stamp| stamp.clock.saturating_add(1));
        Self { clock: physical.max(above), handset: 0 }
    }

    /// Reads a stamp from a JSON string.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        value.as_str().ok_or_else(|| Flaw::wrong_type("a string")).and_then(Self::parse)
    }

    /// Parses the 20 characters.
    pub fn parse(text: &str) -> Result<Self, Flaw> {
        let flaw = || Flaw::new("invalid_stamp", "A stamp has 20 characters of base32hex.");
        let bytes: [u8; 12] = BASE32HEX_NOPAD
            .decode(text.as_bytes())
            .ok()
            .and_then(|bytes| <[u8; 12]>::try_from(bytes).ok())
            .ok_or_else(flaw)?;
        let [c0, c1, c2, c3, c4, c5, c6, c7, h0, h1, h2, h3] = bytes;
        Ok(Self {
            clock: u64::from_be_bytes([c0, c1, c2, c3, c4, c5, c6, c7]),
            handset: u32::from_be_bytes([h0, h1, h2, h3]),
        })
    }
}

impl fmt::Display for Stamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut bytes = [0; 12];
        let (clock, handset) = bytes.split_at_mut(8);
        clock.copy_from_slice(&self.clock.to_be_bytes());
        handset.copy_from_slice(&self.handset.to_be_bytes());
        f.write_str(&BASE32HEX_NOPAD.encode(&bytes))
    }
}

impl Serialize for Stamp {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_keeps_order_and_value() {
        let stamps = [(0, 0), (0, 7), (1, 0), (0xFFFF, 1), (1 << 20, 0), (u64::MAX, u32::MAX)];
        let stamps = stamps.map(|(clock, handset)| Stamp { clock, handset });
        assert!(stamps.is_sorted() && stamps.map(|s| s.to_string()).is_sorted());
        for stamp in stamps {
            let text = stamp.to_string();
            assert_eq!((text.len(), Stamp::parse(&text)), (20, Ok(stamp)));
        }
    }

    #[test]
    fn the_service_never_falls_behind_what_it_has_seen() {
        let now = Instant::from_micros(1_000_000);
        let ahead = Stamp { clock: u64::MAX >> 1, handset: 9 };
        assert!(Stamp::service(now, Some(ahead)) > ahead);
        assert_eq!(Stamp::service(now, None).clock, 1000 << 16);
    }
}
