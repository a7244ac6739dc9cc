//! Content codings of bodies (RFC 9110 section 8.4.1): what came compressed is unpacked, up to what is taken and no further.

use std::io::{self, ErrorKind, Read, Write};

use actix_web::{HttpRequest, http::header};
use flate2::{Decompress, FlushDecompress, Status, bufread::MultiGzDecoder};

use crate::problem::{ApiError, ApiResult};

/// The codings that are taken, as `Accept-Encoding` names them.
pub(crate) const CODINGS: &str = "gzip, deflate, zstd";

/// The binary logarithm of the largest window that zstd may ask for: 8 MiB (RFC 9659).
const ZSTD_WINDOW: u32 = 23;

/// Bytes that are unpacked at a time.
const CHUNK: usize = 16 << 10;

/// How a body was compressed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Coding {
    Gzip,
    /// In the frame of zlib, as the standard has it.
    Deflate,
    Zstd,
}

/// Why a body was not unpacked.
#[derive(Debug)]
pub(super) enum Unpackable {
    /// It is more than is taken.
    TooLarge,
    /// It is not whole, or not of its coding.
    Broken,
}

impl Coding {
    /// The one coding of the request's body; none if it comes as it is.
    pub(super) fn of(request: &HttpRequest) -> ApiResult<Option<Self>> {
        let mut sent = request.headers().get_all(header::CONTENT_ENCODING);
        let Some(first) = sent.next() else { return Ok(None) };
        // One inside another would have to be unpacked as a whole before the inner one can be bounded.
        let name = first.to_str().ok().filter(|_| sent.next().is_none()).unwrap_or_default();
        match name.trim().to_ascii_lowercase().as_str() {
            "identity" => Ok(None),
            "gzip" | "x-gzip" => Ok(Some(Self::Gzip)),
            "deflate" => Ok(Some(Self::Deflate)),
            "zstd" => Ok(Some(Self::Zstd)),
            _ => Err(ApiError::coding(CODINGS)),
        }
    }

    /// Unpacks a body that comes to `most` bytes at most. The first pass only counts, so that one that comes to more never
    /// takes the memory.
    pub(super) fn unpack(self, packed: &[u8], most: usize) -> Result<Vec<u8>, Unpackable> {
        let mut counted = Bounded { left: most, into: io::sink() };
        self.pass(packed, &mut counted)?;
        let mut unpacked = Bounded { left: most, into: Vec::with_capacity(most - counted.left) };
        self.pass(packed, &mut unpacked)?;
        Ok(unpacked.into)
    }

    fn pass(self, packed: &[u8], into: &mut impl Write) -> Result<(), Unpackable> {
        let passed = match self {
            Self::Gzip => copy(&mut MultiGzDecoder::new(packed), into),
            Self::Deflate => inflate(packed, into),
            Self::Zstd => zstd::Decoder::with_buffer(packed).and_then(|mut decoder| {
                decoder.window_log_max(ZSTD_WINDOW)?;
                copy(&mut decoder, into)
            }),
        };
        passed.map_err(|error| match error.kind() {
            ErrorKind::StorageFull => Unpackable::TooLarge,
            _ => Unpackable::Broken,
        })
    }
}

/// Takes so many bytes, and then is full.
struct Bounded<W> {
    left: usize,
    into: W,
}

impl<W: Write> Write for Bounded<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.left = self.left.checked_sub(bytes.len()).ok_or(ErrorKind::StorageFull)?;
        self.into.write_all(bytes)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn copy(from: &mut impl Read, into: &mut impl Write) -> io::Result<()> {
    io::copy(from, into).map(|_| ())
}

/// Unpacks a zlib stream. The library's reader takes one that breaks off for one that ends.
fn inflate(packed: &[u8], into: &mut impl Write) -> io::Result<()> {
    let mut stream = Decompress::new(true);
    let mut chunk = vec![0; CHUNK];
    let mut rest = packed;
    loop {
        let before = (stream.total_in(), stream.total_out());
        let status = stream.decompress(rest, &mut chunk, FlushDecompress::None)?;
        let moved = |now: u64, before: u64| usize::try_from(now - before).unwrap_or(usize::MAX);
        let (read, wrote) = (moved(stream.total_in(), before.0), moved(stream.total_out(), before.1));
        into.write_all(chunk.get(..wrote).unwrap_or_default())?;
        rest = rest.get(read..).unwrap_or_default();
        match status {
            Status::StreamEnd if rest.is_empty() => return Ok(()),
            Status::StreamEnd => return Err(ErrorKind::InvalidData.into()),
            _ if read == 0 && wrote == 0 => return Err(ErrorKind::UnexpectedEof.into()),
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use flate2::{
        Compression,
        write::{GzEncoder, ZlibEncoder},
    };
    use proptest::prelude::*;

    use super::*;

    const ALL: [Coding; 3] = [Coding::Gzip, Coding::Deflate, Coding::Zstd];

    fn pack(coding: Coding, bytes: &[u8]) -> Vec<u8> {
        match coding {
            Coding::Gzip => {
                let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
                encoder.write_all(bytes).unwrap();
                encoder.finish().unwrap()
            }
            Coding::Deflate => {
                let mut encoder = ZlibEncoder::new(Vec::new(), Compression::default());
                encoder.write_all(bytes).unwrap();
                encoder.finish().unwrap()
            }
            Coding::Zstd => zstd::encode_all(bytes, 3).unwrap(),
        }
    }

    proptest! {
        #[test]
        fn what_was_packed_comes_back(bytes in proptest::collection::vec(any::<u8>(), 0..70_000)) {
            for coding in ALL {
                prop_assert_eq!(&coding.unpack(&pack(coding, &bytes), bytes.len()).unwrap(), &bytes);
            }
        }

        #[test]
        fn nothing_makes_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..2_000), at in 0_usize..2_000, to: u8) {
            for coding in ALL {
                let _ = coding.unpack(&bytes, 1 << 16);
                let mut packed = pack(coding, &bytes);
                if let Some(byte) = packed.get_mut(at) {
                    *byte = to;
                }
                let _ = coding.unpack(&packed, 1 << 16);
            }
        }
    }

    #[test]
    fn a_part_is_broken_wherever_it_ends() {
        let bytes: Vec<u8> = (0..4_000_u32).flat_map(|n| (n * n).to_le_bytes()).collect();
        for coding in ALL {
            let packed = pack(coding, &bytes);
            for end in 0..packed.len() {
                let unpacked = coding.unpack(&packed[..end], bytes.len());
                // Nothing at all is no frame of zstd, which is no fault: there is no JSON in it either.
                let nothing = coding == Coding::Zstd && end == 0;
                assert!(matches!(unpacked, Err(Unpackable::Broken)) || nothing, "{coding:?} up to {end}");
            }
        }
    }

    #[test]
    fn what_follows_the_end_is_no_part_of_it() {
        for coding in ALL {
            let packed = [pack(coding, b"{}").as_slice(), b"tail"].concat();
            let unpacked = coding.unpack(&packed, 100);
            assert!(matches!(unpacked, Err(Unpackable::Broken)), "{coding:?}: {unpacked:?}");
        }
    }

    #[test]
    fn one_byte_too_many_is_too_large() {
        for coding in ALL {
            let packed = pack(coding, &[b' '; 1_000_000]);
            assert_eq!(coding.unpack(&packed, 1_000_000).unwrap().len(), 1_000_000, "{coding:?}");
            let unpacked = coding.unpack(&packed, 999_999);
            assert!(matches!(unpacked, Err(Unpackable::TooLarge)), "{coding:?}");
        }
    }

    #[test]
    fn a_window_beyond_that_of_the_standard_is_refused() {
        let mut encoder = zstd::Encoder::new(Vec::new(), 1).unwrap();
        encoder.window_log(ZSTD_WINDOW + 1).unwrap();
        encoder.write_all(b"{}").unwrap();
        assert!(matches!(Coding::Zstd.unpack(&encoder.finish().unwrap(), 100), Err(Unpackable::Broken)));
    }
}
