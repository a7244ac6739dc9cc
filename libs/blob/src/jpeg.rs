//! JPEG (ITU-T T.81): markers with segments, and scans, of which those stay that show the picture.

use crate::{LeftOut, Refused, Stripped, orientation, size};

const BEGIN: u8 = 0xD8;
const END: u8 = 0xD9;
const SCAN: u8 = 0xDA;
/// Segments by whose content it is told what they are.
const APP0: u8 = 0xE0;
const APP1: u8 = 0xE1;
const APP2: u8 = 0xE2;
const APP14: u8 = 0xEE;
const COMMENT: u8 = 0xFE;

/// So many bytes of the segment by Adobe mean something.
const ADOBE: usize = 12;

const CUT: Refused = Refused::Broken("it breaks off");

pub(crate) fn stripped(bytes: &[u8]) -> Result<Stripped, Refused> {
    let mut picture = Picture::default();
    picture.kept.bytes.extend_from_slice(&[0xFF, BEGIN]);
    let mut rest =
        bytes.strip_prefix(&[0xFF, BEGIN]).ok_or(Refused::Broken("it does not begin as a JPEG"))?;
    loop {
        let marker = picture.marker(&mut rest)?;
        if marker == END {
            break;
        }
        let content = content(&mut rest)?;
        picture.segment(marker, content)?;
        if marker == SCAN {
            picture.scan(&mut rest)?;
        }
    }
    if !picture.scanned {
        return Err(Refused::Broken("it has no pixels"));
    }
    picture.kept.bytes.extend_from_slice(&[0xFF, END]);
    if !rest.is_empty() {
        picture.kept.leave_out(LeftOut::AfterEnd);
    }
    Ok(picture.kept)
}

/// What was found of a picture so far.
#[derive(Default)]
struct Picture {
    kept: Stripped,
    framed: bool,
    scanned: bool,
    turned: bool,
}

impl Picture {
    /// The next marker; fillings before it mean nothing.
    fn marker(&mut self, rest: &mut &[u8]) -> Result<u8, Refused> {
        let mut after =
            rest.strip_prefix(&[0xFF]).ok_or(Refused::Broken("something stands between its parts"))?;
        while let Some(filled) = after.strip_prefix(&[0xFF]) {
            self.kept.leave_out(LeftOut::Filling);
            after = filled;
        }
        let (marker, after) = after.split_first().ok_or(CUT)?;
        *rest = after;
        Ok(*marker)
    }

    /// Keeps a segment, or what has to be kept of it.
    fn segment(&mut self, marker: u8, content: &[u8]) -> Result<(), Refused> {
        match marker {
            // Tables, their arithmetic kin, and the restart interval.
            0xC4 | 0xCC | 0xDB | 0xDD => self.keep(marker, content),
            0xC0..=0xC3 | 0xC5..=0xC7 | 0xC9..=0xCB | 0xCD..=0xCF => {
                self.frame(content)?;
                self.keep(marker, content);
            }
            SCAN if self.framed => {
                self.scanned = true;
                self.keep(marker, content);
            }
            SCAN => return Err(Refused::Broken("its pixels come before its size")),
            APP0..=0xEF => self.application(marker, content),
            COMMENT => self.kept.leave_out(LeftOut::Text),
            _ => return Err(Refused::Broken("it has a part that nobody knows")),
        }
        Ok(())
    }

    /// The size, which stands there once: a picture of several frames is none that a browser shows.
    fn frame(&mut self, content: &[u8]) -> Result<(), Refused> {
        let [_, h0, h1, w0, w1, ..] = content else { return Err(CUT) };
        if self.framed {
            return Err(Refused::Broken("it has two sizes"));
        }
        self.framed = true;
        size(u16::from_be_bytes([*w0, *w1]).into(), u16::from_be_bytes([*h0, *h1]).into())
    }

    /// What programs and cameras add: the few that change how the picture looks stay.
    fn application(&mut self, marker: u8, content: &[u8]) {
        match marker {
            APP0 if content.starts_with(b"JFIF\0") && content.len() >= 14 => self.jfif(content),
            APP0 if content.starts_with(b"JFXX\0") => self.kept.leave_out(LeftOut::Preview),
            APP1 if content.starts_with(orientation::EXIF) => self.exif(content),
            APP1 => self.kept.leave_out(LeftOut::Xmp),
            APP2 if content.starts_with(b"ICC_PROFILE\0") => self.keep(marker, content),
            APP14 if content.starts_with(b"Adobe") && content.len() >= ADOBE => self.adobe(content),
            _ => self.kept.leave_out(LeftOut::Other),
        }
    }

    /// The head without a preview.
    fn jfif(&mut self, content: &[u8]) {
        let mut head = content.get(..12).unwrap_or_default().to_vec();
        head.extend_from_slice(&[0, 0]);
        if head != content {
            self.kept.leave_out(LeftOut::Preview);
        }
        self.keep(APP0, &head);
    }

    /// Which colours they are, without what programs write behind it.
    fn adobe(&mut self, content: &[u8]) {
        let (colours, more) = content.split_at(ADOBE);
        if !more.is_empty() {
            self.kept.leave_out(LeftOut::Other);
        }
        self.keep(APP14, colours);
    }

    fn exif(&mut self, content: &[u8]) {
        let alone = orientation::alone(content).filter(|_| !self.turned);
        if alone.as_deref() != Some(content) {
            self.kept.leave_out(LeftOut::Exif);
        }
        if let Some(alone) = alone {
            self.turned = true;
            self.keep(APP1, &alone);
        }
    }

    fn keep(&mut self, marker: u8, content: &[u8]) {
        // It came with a length of two bytes, and none is made longer.
        let length = u16::try_from(content.len() + 2).unwrap_or(u16::MAX);
        self.kept.bytes.extend_from_slice(&[0xFF, marker]);
        self.kept.bytes.extend_from_slice(&length.to_be_bytes());
        self.kept.bytes.extend_from_slice(content);
    }

    /// Keeps the pixels up to the next marker: in them 0xFF is followed by 0, or by the number of a restart.
    fn scan(&mut self, rest: &mut &[u8]) -> Result<(), Refused> {
        let ends = |pair: &[u8]| matches!(pair, [0xFF, after] if !matches!(after, 0 | 0xD0..=0xD7));
        let at = rest.windows(2).position(ends).ok_or(CUT)?;
        let (pixels, after) = rest.split_at_checked(at).ok_or(CUT)?;
        self.kept.bytes.extend_from_slice(pixels);
        *rest = after;
        Ok(())
    }
}

/// Takes a segment's content off what is left.
fn content<'b>(rest: &mut &'b [u8]) -> Result<&'b [u8], Refused> {
    let (length, after) = rest.split_first_chunk::<2>().ok_or(CUT)?;
    let length = usize::from(u16::from_be_bytes(*length)).checked_sub(2).ok_or(CUT)?;
    let (content, after) = after.split_at_checked(length).ok_or(CUT)?;
    *rest = after;
    Ok(content)
}
