//! The picture of overdue items over the last weeks: bars without words, on no ground of its own.
//!
//! Its numbers stand in a table beside it, so that nothing is lost where pictures are not shown.

use plotters::prelude::{BitMapBackend, ChartBuilder, Color, IntoDrawingArea, RGBColor, Rectangle};

use super::{
    colours::{AXIS, BAR, Colour},
    facts::{WEEKS, Week},
    render::RenderError,
};

/// Twice the size at which it is shown, for screens that are fine enough.
const WIDTH: u32 = 576;
const HEIGHT: u32 = 192;

/// A week in the chart's own measure, with its gaps.
const STEP: i32 = 10;
const GAP: i32 = 2;

/// What is drawn on; no other colour is this one, and in the picture it is nothing.
const GROUND: Colour = (255, 255, 255);
const COLOURS: [Colour; 3] = [GROUND, BAR, AXIS];

/// A PNG; nothing where nobody counted.
pub(crate) fn draw(weeks: &[Week; WEEKS]) -> Result<Option<Vec<u8>>, RenderError> {
    if weeks.iter().all(|week| week.overdue.is_none()) {
        return Ok(None);
    }
    let pixels = usize::try_from(WIDTH * HEIGHT).unwrap_or_default();
    let mut drawn = vec![0; pixels * 3];
    bars(weeks, &mut drawn)?;
    pack(&drawn).map(Some)
}

fn bars(weeks: &[Week; WEEKS], drawn: &mut [u8]) -> Result<(), RenderError> {
    let failed = |error: &dyn std::fmt::Display| RenderError::Picture(error.to_string());
    let area = BitMapBackend::with_buffer(drawn, (WIDTH, HEIGHT)).into_drawing_area();
    area.fill(&rgb(GROUND)).map_err(|e| failed(&e))?;
    let most = weeks.iter().filter_map(|week| week.overdue).max().unwrap_or_default().max(1);
    // The base line is a little below nought.
    let (top, base) = (f64::from(most), -f64::from(most) / 30.0);
    let end = (0..WEEKS).fold(0, |end, _| end + STEP);
    let mut chart =
        ChartBuilder::on(&area).margin(8).build_cartesian_2d(0..end, base..top).map_err(|e| failed(&e))?;
    let counted = (0..).step_by(10).zip(weeks).filter_map(|(at, week)| Some((at, f64::from(week.overdue?))));
    let bar = |(at, count)| Rectangle::new([(at + GAP, 0.0), (at + STEP - GAP, count)], rgb(BAR).filled());
    chart.draw_series(counted.map(bar)).map_err(|e| failed(&e))?;
    let line = Rectangle::new([(0, base), (end, base / 2.0)], rgb(AXIS).filled());
    chart.draw_series([line]).map_err(|e| failed(&e))?;
    area.present().map_err(|e| failed(&e))
}

fn rgb((r, g, b): Colour) -> RGBColor {
    RGBColor(r, g, b)
}

/// Packs the pixels with a palette of three, the ground transparent.
fn pack(drawn: &[u8]) -> Result<Vec<u8>, RenderError> {
    let index = |pixel: &[u8]| match pixel {
        [r, g, b] => COLOURS.iter().position(|colour| *colour == (*r, *g, *b)).unwrap_or_default(),
        _ => 0,
    };
    let indexed: Vec<u8> =
        drawn.chunks_exact(3).map(|pixel| u8::try_from(index(pixel)).unwrap_or_default()).collect();
    let failed = |error: png::EncodingError| RenderError::Picture(error.to_string());
    let mut packed = Vec::new();
    let mut encoder = png::Encoder::new(&mut packed, WIDTH, HEIGHT);
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_palette(COLOURS.iter().flat_map(|(r, g, b)| [*r, *g, *b]).collect::<Vec<u8>>());
    encoder.set_trns(vec![0, 255, 255]);
    let mut writer = encoder.write_header().map_err(failed)?;
    writer.write_image_data(&indexed).map_err(failed)?;
    writer.finish().map_err(failed)?;
    Ok(packed)
}
