//! The approximate table of diesel fuel use that dealers and agencies publish in many copies, by rating and load.

use model::quantity::Kilowatts;

use super::BurnCurve;
use crate::{amount::BurnRate, load::Share};

/// Microlitres in a US gallon of 231 cubic inches.
const MICROLITRES_PER_GALLON: i128 = 3_785_412;

/// Rating in kW, and hundredths of a US gallon per hour at half, three quarters and full load.
const SMALL: &[(i64, [i64; 3])] =
    &[(8, [39, 54, 69]), (10, [53, 65, 88]), (15, [69, 94, 122]), (20, [90, 130, 160])];

/// Rating in kW, and tenths of a US gallon per hour at a quarter, half, three quarters and full load.
///
/// The row of 75 kW has no figure for full load, and that of 20 kW none for a quarter: there copies disagree.
const ROWS: &[(i64, [i64; 4])] = &[
    (30, [13, 18, 24, 29]),
    (40, [16, 23, 32, 40]),
    (60, [18, 29, 38, 48]),
    (100, [26, 41, 58, 74]),
    (125, [31, 50, 71, 91]),
    (135, [33, 54, 76, 98]),
    (150, [36, 59, 84, 109]),
    (175, [41, 68, 97, 127]),
    (200, [47, 77, 110, 144]),
    (230, [53, 88, 125, 166]),
    (250, [57, 95, 136, 180]),
    (300, [68, 113, 161, 215]),
    (350, [79, 131, 187, 251]),
    (400, [89, 149, 213, 286]),
    (500, [110, 185, 264, 357]),
];

/// The row of 75 kW, without full load.
const ROW_75: (i64, [i64; 3]) = (75, [24, 34, 46]);
/// The row of 20 kW, without a quarter of the load.
const ROW_20: (i64, [i64; 3]) = (20, [9, 13, 16]);

/// The curve of a diesel set of some rating, drawn straight between the rows beside it; none below 8 or above 500 kW.
///
/// Grade C: about right for no set in particular.
#[must_use]
pub fn generic_diesel(rated: Kilowatts) -> Option<BurnCurve> {
    let hundredths = rated.hundredths();
    let points: Vec<(Share, BurnRate)> = if hundredths < 2000 {
        let loads = [50, 75, 100];
        (0..3)
            .filter_map(|place| {
                Some((percent(&loads, place)?, by_rating(&column(SMALL, place, 1), hundredths)?))
            })
            .collect()
    } else {
        let loads = [25, 50, 75, 100];
        (0..4)
            .filter_map(|place| Some((percent(&loads, place)?, by_rating(&large(place), hundredths)?)))
            .collect()
    };
    BurnCurve::new(points).ok()
}

fn percent(loads: &[i64], place: usize) -> Option<Share> {
    loads.get(place).copied().map(Share::from_percent)
}

/// Rating and hundredths of a gallon per hour of one load.
fn column<const N: usize>(rows: &[(i64, [i64; N])], place: usize, scale: i64) -> Vec<(i64, i64)> {
    rows.iter().filter_map(|(rated, rates)| Some((*rated, rates.get(place)? * scale))).collect()
}

fn large(place: usize) -> Vec<(i64, i64)> {
    let mut rates = column(ROWS, place, 10);
    rates.extend(ROW_75.1.get(place).map(|rate| (ROW_75.0, rate * 10)));
    let above_quarter = place.checked_sub(1).and_then(|place| ROW_20.1.get(place));
    rates.extend(above_quarter.map(|rate| (ROW_20.0, rate * 10)));
    rates.sort_unstable();
    rates
}

/// The rate at a rating in hundredths of a kW, straight between the rows beside it.
fn by_rating(rates: &[(i64, i64)], rated: i64) -> Option<BurnRate> {
    let next = rates.partition_point(|(row, _)| row * 100 < rated);
    let above = *rates.get(next)?;
    let below = if above.0 * 100 == rated { above } else { *rates.get(next.checked_sub(1)?)? };
    let width = i128::from((above.0 - below.0) * 100).max(1);
    let along = i128::from(rated - below.0 * 100);
    let hundredths_times_width = i128::from(below.1) * width + i128::from(above.1 - below.1) * along;
    let microlitres = hundredths_times_width * MICROLITRES_PER_GALLON / (100 * width);
    i64::try_from(microlitres).ok().map(BurnRate::from_microlitres_per_hour)
}
