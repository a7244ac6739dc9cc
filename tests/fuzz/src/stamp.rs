//! The stamp of an edit.

use merge::{HybridClock, effective, told_at};
use model::{Instant, stamp::Stamp};

/// Parses the bytes as the text of a stamp, and takes them as two stamps and an instant.
///
/// # Panics
///
/// If a stamp has two texts, if texts are ordered otherwise than stamps, or if a stamp counts for what it may not.
pub fn stamp(data: &[u8]) {
    if let Ok(text) = str::from_utf8(data)
        && let Ok(stamp) = Stamp::parse(text)
    {
        assert_eq!(stamp.to_string(), text, "a second text of one stamp");
    }
    let Some((one, rest)) = taken(data) else { return };
    let text = one.to_string();
    assert_eq!(Stamp::parse(&text).as_ref(), Ok(&one), "{text}");
    let Some((other, rest)) = taken(rest) else { return };
    assert_eq!(one.cmp(&other), text.cmp(&other.to_string()), "{text} {other}");
    let Some((micros, _)) = rest.split_first_chunk() else { return };
    counts(one, Instant::from_micros(i64::from_be_bytes(*micros)));
}

/// A stamp counts at most for what it says, no farther ahead than it may, and a clock that heard of it goes beyond.
fn counts(raw: Stamp, now: Instant) {
    let counting = effective(raw, now);
    assert!(counting <= raw && counting.handset == raw.handset, "{raw} counts as {counting}");
    let most = now.plus_seconds(merge::AHEAD_AT_MOST_SECONDS);
    assert!(told_at(counting) <= most, "{counting} at {now:?}");
    assert_eq!(effective(counting, now), counting, "cut twice");
    let mut clock = HybridClock::of(1);
    clock.hear(counting);
    assert!(clock.tick(now).is_ok_and(|next| next.clock > counting.clock), "{counting} at {now:?}");
}

fn taken(data: &[u8]) -> Option<(Stamp, &[u8])> {
    let (clock, data) = data.split_first_chunk()?;
    let (handset, data) = data.split_first_chunk()?;
    Some((Stamp { clock: u64::from_be_bytes(*clock), handset: u32::from_be_bytes(*handset) }, data))
}
