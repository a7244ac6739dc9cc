//! Which side of a photo is up: the one thing in EXIF without which the picture would be shown otherwise.

/// What stands before EXIF in its segment.
pub(crate) const EXIF: &[u8] = b"Exif\0\0";

/// The tag (TIFF 6.0, Orientation).
const TAG: u16 = 0x0112;
/// The first side at the top, as everybody takes it to be where nothing is said.
const UPRIGHT: u8 = 1;

/// A segment's content that says which side is up and nothing else, made of what a camera wrote; none if that says
/// nothing, or what is taken to be so anyway.
pub(crate) fn alone(content: &[u8]) -> Option<Vec<u8>> {
    let alone = tiff_alone(content.strip_prefix(EXIF)?)?;
    Some([EXIF, &alone].concat())
}

/// The same of what stands in a PNG, which has no name before it.
pub(crate) fn tiff_alone(tiff: &[u8]) -> Option<Vec<u8>> {
    let orientation = read(tiff).filter(|side| *side != UPRIGHT)?;
    let mut alone = Vec::new();
    // The head, one entry (of a short, once), and no further directory.
    alone.extend_from_slice(b"MM\0\x2A\0\0\0\x08");
    alone.extend_from_slice(b"\0\x01\x01\x12\0\x03\0\0\0\x01\0");
    alone.extend_from_slice(&[orientation, 0, 0, 0, 0, 0, 0]);
    Some(alone)
}

/// The orientation in the first directory of a TIFF head.
fn read(tiff: &[u8]) -> Option<u8> {
    let big = match tiff.get(..2)? {
        b"MM" => true,
        b"II" => false,
        _ => return None,
    };
    let short = |at: usize| {
        let bytes = [*tiff.get(at)?, *tiff.get(at.checked_add(1)?)?];
        Some(if big { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) })
    };
    let place = |at: usize| {
        let (one, other) = (short(at)?, short(at.checked_add(2)?)?);
        let (high, low) = if big { (one, other) } else { (other, one) };
        usize::try_from((u32::from(high) << 16) | u32::from(low)).ok()
    };
    if short(2)? != 42 {
        return None;
    }
    let directory = place(4)?;
    let entries = usize::from(short(directory)?);
    let each = (0..entries).filter_map(|n| directory.checked_add(2 + 12 * n));
    let found = each.into_iter().find(|at| short(*at) == Some(TAG))?;
    let (kind, value) = (short(found + 2)?, short(found + 8)?);
    u8::try_from(value).ok().filter(|side| kind == 3 && (1..=8).contains(side))
}
