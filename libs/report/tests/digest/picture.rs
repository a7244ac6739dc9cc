//! The picture of the last weeks, by its pixels.

use std::io::Cursor;

use model::LocalDate;
use report::digest::*;

use crate::{fixture::nothing, read::rendered};

const WIDTH: usize = 576;

/// The picture of a digest with those counts.
fn draw(counts: [Option<u32>; WEEKS]) -> Option<Vec<u8>> {
    let weeks = counts.map(|overdue| Week { monday: LocalDate::FIRST, overdue });
    rendered(&Facts { weeks, ..nothing() }).picture.map(|picture| picture.png)
}

/// The pixels by their place in the palette, and the palette with its transparency.
fn decoded(packed: &[u8]) -> (Vec<u8>, Vec<u8>, Vec<u8>) {
    let mut reader = png::Decoder::new(Cursor::new(packed)).read_info().unwrap();
    let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut pixels).unwrap();
    assert_eq!((info.width, info.height), (576, 192));
    let info = reader.info();
    (pixels, info.palette.clone().unwrap().into_owned(), info.trns.clone().unwrap().into_owned())
}

/// How high the bar of a week is, in pixels.
fn height(pixels: &[u8], week: usize) -> usize {
    let width = WIDTH;
    let middle = 8 + (width - 16) * (2 * week + 1) / (2 * WEEKS);
    pixels.chunks(width).filter(|row| row[middle] == 1).count()
}

#[test]
fn bars_are_as_high_as_their_numbers() {
    let counts = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 20].map(Some);
    let packed = draw(counts).unwrap();
    let (pixels, palette, transparency) = decoded(&packed);
    let heights: Vec<usize> = (0..WEEKS).map(|week| height(&pixels, week)).collect();
    let full = heights[11];
    assert!(full > 150, "{heights:?}");
    for (count, height) in counts.iter().flatten().zip(&heights).skip(1) {
        let expected = full * (usize::try_from(*count).unwrap()) / 20;
        assert!(height.abs_diff(expected) <= 2, "{count}: {height}, not {expected}");
    }
    assert!(heights[0] <= 1, "{heights:?}");
    assert_eq!(palette, [255, 255, 255, 0xc2, 0x57, 0x1a, 0x78, 0x7f, 0x87]);
    // The ground lets through what it lies on, light or dark.
    assert_eq!((transparency, pixels[0]), (vec![0, 255, 255], 0));
    assert!(packed.len() < 4_000, "{} bytes", packed.len());
    assert_eq!(draw(counts), Some(packed));
}

#[test]
fn what_nobody_counted_has_no_bar() {
    assert_eq!(draw([None; WEEKS]), None);
    let mut counts = [Some(u32::MAX); WEEKS];
    counts[4] = None;
    let (pixels, ..) = decoded(&draw(counts).unwrap());
    assert_eq!((height(&pixels, 4), height(&pixels, 5) > 150), (0, true));
    // Nothing overdue is a picture with its base line alone.
    let (pixels, ..) = decoded(&draw([Some(0); WEEKS]).unwrap());
    assert!(pixels.contains(&2) && height(&pixels, 3) <= 1);
}
