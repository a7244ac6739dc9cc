//! PNG (ISO/IEC 15948, the W3C's third edition): a list of chunks, of which those stay that show the picture.

use flate2::Crc;

use crate::{LeftOut, Refused, Stripped, orientation, size};

/// How a PNG begins.
pub(crate) const SIGNATURE: &[u8] = &[0x89, b'P', b'N', b'G', 0x0D, 0x0A, 0x1A, 0x0A];

/// Chunks beside the critical ones without which the picture would look different.
const SHOWN: &[&[u8; 4]] = &[
    b"tRNS", b"cHRM", b"gAMA", b"iCCP", b"sBIT", b"sRGB", b"cICP", b"mDCV", b"cLLI", b"bKGD", b"hIST",
    b"pHYs",
];

/// A chunk: its type, what is in it, and the whole of it as it stands.
struct Chunk<'b> {
    kind: &'b [u8; 4],
    data: &'b [u8],
    whole: &'b [u8],
}

pub(crate) fn stripped(bytes: &[u8]) -> Result<Stripped, Refused> {
    let mut rest = bytes.strip_prefix(SIGNATURE).ok_or(Refused::Broken("it does not begin as a PNG"))?;
    let mut kept = Stripped { bytes: SIGNATURE.to_vec(), left_out: Vec::new() };
    let (mut first, mut pixels, mut turned) = (true, false, false);
    loop {
        let chunk = next(&mut rest)?;
        if first != (chunk.kind == b"IHDR") {
            return Err(Refused::Broken("it does not begin with its one header"));
        }
        if first {
            header(chunk.data)?;
        }
        first = false;
        match chunk.kind {
            b"IHDR" | b"PLTE" | b"IDAT" | b"IEND" => kept.bytes.extend_from_slice(chunk.whole),
            kind if SHOWN.contains(&kind) => kept.bytes.extend_from_slice(chunk.whole),
            kind if kind[0].is_ascii_uppercase() => {
                return Err(Refused::Broken("it has a part that nobody knows"));
            }
            b"eXIf" => turned |= exif(&mut kept, chunk.data, turned),
            kind => kept.leave_out(left_out(kind)),
        }
        pixels |= chunk.kind == b"IDAT";
        if chunk.kind == b"IEND" {
            break;
        }
    }
    if !pixels {
        return Err(Refused::Broken("it has no pixels"));
    }
    if !rest.is_empty() {
        kept.leave_out(LeftOut::AfterEnd);
    }
    Ok(kept)
}

/// Keeps which side is up, and nothing else; says whether it did.
fn exif(kept: &mut Stripped, data: &[u8], turned: bool) -> bool {
    let alone = orientation::tiff_alone(data).filter(|_| !turned);
    if alone.as_deref() != Some(data) {
        kept.leave_out(LeftOut::Exif);
    }
    let Some(alone) = alone else { return false };
    let length = u32::try_from(alone.len()).unwrap_or_default();
    kept.bytes.extend_from_slice(&length.to_be_bytes());
    kept.bytes.extend_from_slice(b"eXIf");
    kept.bytes.extend_from_slice(&alone);
    kept.bytes.extend_from_slice(&sum(b"eXIf", &alone).to_be_bytes());
    true
}

fn sum(kind: &[u8; 4], data: &[u8]) -> u32 {
    let mut crc = Crc::new();
    crc.update(kind);
    crc.update(data);
    crc.sum()
}

fn header(data: &[u8]) -> Result<(), Refused> {
    let [w0, w1, w2, w3, h0, h1, h2, h3, _, _, _, _, _] = data else {
        return Err(Refused::Broken("its header has another length"));
    };
    size(u32::from_be_bytes([*w0, *w1, *w2, *w3]), u32::from_be_bytes([*h0, *h1, *h2, *h3]))
}

/// Takes the next chunk off what is left.
fn next<'b>(rest: &mut &'b [u8]) -> Result<Chunk<'b>, Refused> {
    const CUT: Refused = Refused::Broken("it breaks off");
    let all = *rest;
    let (length, after) = all.split_first_chunk::<4>().ok_or(CUT)?;
    let length = usize::try_from(u32::from_be_bytes(*length)).map_err(|_| CUT)?;
    let (kind, after) = after.split_first_chunk::<4>().ok_or(CUT)?;
    let (data, after) = after.split_at_checked(length).ok_or(CUT)?;
    let (told, after) = after.split_first_chunk::<4>().ok_or(CUT)?;
    if !kind.iter().all(u8::is_ascii_alphabetic) {
        return Err(Refused::Broken("it has a part without a name"));
    }
    if sum(kind, data) != u32::from_be_bytes(*told) {
        return Err(Refused::Broken("a sum does not fit what it is of"));
    }
    let whole = all.get(..all.len() - after.len()).unwrap_or_default();
    *rest = after;
    Ok(Chunk { kind, data, whole })
}

fn left_out(kind: &[u8; 4]) -> LeftOut {
    match kind {
        b"tEXt" | b"zTXt" | b"iTXt" => LeftOut::Text,
        b"tIME" => LeftOut::Time,
        _ => LeftOut::Other,
    }
}
