//! Files for tests, made part by part.

use flate2::{Compression, Crc, write::ZlibEncoder};
use std::io::Write;

/// A JPEG that is being made.
pub(crate) struct Jpeg(Vec<u8>);

impl Jpeg {
    pub(crate) fn new() -> Self {
        Self(vec![0xFF, 0xD8])
    }

    /// A segment.
    pub(crate) fn part(self, marker: u8, content: &[u8]) -> Self {
        let length = u16::try_from(content.len() + 2).unwrap();
        self.raw(&[0xFF, marker]).raw(&length.to_be_bytes()).raw(content)
    }

    /// Bytes as they are.
    pub(crate) fn raw(mut self, bytes: &[u8]) -> Self {
        self.0.extend_from_slice(bytes);
        self
    }

    /// The size.
    pub(crate) fn frame(self, width: u16, height: u16) -> Self {
        let ([h0, h1], [w0, w1]) = (height.to_be_bytes(), width.to_be_bytes());
        self.part(0xC0, &[8, h0, h1, w0, w1, 1, 1, 0x11, 0])
    }

    /// Pixels, with a byte 0xFF among them and a restart.
    pub(crate) fn scan(self) -> Self {
        self.part(0xDA, &[1, 1, 0, 0, 63, 0]).raw(&[0x12, 0xFF, 0, 0x34, 0xFF, 0xD0, 0x56])
    }

    pub(crate) fn end(self) -> Vec<u8> {
        self.raw(&[0xFF, 0xD9]).0
    }

    /// Without the last bytes.
    pub(crate) fn cut(self, bytes: usize) -> Vec<u8> {
        let mut all = self.0;
        all.truncate(all.len() - bytes);
        all
    }
}

/// A JPEG of this size.
pub(crate) fn sized(width: u16, height: u16) -> Vec<u8> {
    Jpeg::new().frame(width, height).scan().end()
}

/// EXIF as a camera writes it: which side is up, who made it, and where to find the place.
pub(crate) fn exif(orientation: u8) -> Vec<u8> {
    let mut content = b"Exif\0\0II\x2A\0\x08\0\0\0\x03\0".to_vec();
    content.extend_from_slice(b"\x0F\x01\x02\0\x04\0\0\0cam\0");
    content.extend_from_slice(&[0x12, 1, 3, 0, 1, 0, 0, 0, orientation, 0, 0, 0]);
    content.extend_from_slice(b"\x25\x88\x04\0\x01\0\0\0\x40\0\0\0\0\0\0\0");
    content
}

/// The form in which nothing is said but which side is up.
pub(crate) fn turned(orientation: u8) -> Vec<u8> {
    let mut content = b"Exif\0\0MM\0\x2A\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0".to_vec();
    content.extend_from_slice(&[orientation, 0, 0, 0, 0, 0, 0]);
    content
}

/// A PNG that is being made.
pub(crate) struct Png(Vec<u8>);

impl Png {
    /// With its header, in shades of grey.
    pub(crate) fn new(width: u32, height: u32) -> Self {
        let header = [&width.to_be_bytes()[..], &height.to_be_bytes(), &[8, 0, 0, 0, 0]].concat();
        Self(b"\x89PNG\r\n\x1A\n".to_vec()).part(b"IHDR", &header)
    }

    /// A chunk.
    pub(crate) fn part(mut self, kind: &[u8; 4], data: &[u8]) -> Self {
        let mut crc = Crc::new();
        crc.update(kind);
        crc.update(data);
        self.0.extend_from_slice(&u32::try_from(data.len()).unwrap().to_be_bytes());
        self.0.extend_from_slice(kind);
        self.0.extend_from_slice(data);
        self.0.extend_from_slice(&crc.sum().to_be_bytes());
        self
    }

    /// The pixels of 4 by 4, whatever the header says.
    pub(crate) fn pixels(self) -> Self {
        let mut packed = ZlibEncoder::new(Vec::new(), Compression::fast());
        packed
            .write_all(b"\0\x01\x02\x03\x04\0\x05\x06\x07\x08\0\x09\x0A\x0B\x0C\0\x0D\x0E\x0F\x10")
            .unwrap();
        self.part(b"IDAT", &packed.finish().unwrap())
    }

    pub(crate) fn end(self) -> Vec<u8> {
        self.part(b"IEND", b"").0
    }
}
