//! Loads by the clock on the wall, also where clocks change.

use model::{Instant, quantity::Kilowatts};

use super::{Band, LoadError, Share, Window, share};

const DAY: i64 = 86_400;

/// The shares over the outage: as the wall clock shows it, so an hour that comes twice has its load twice.
pub(super) fn laid_over(
    bands: &[Band],
    rated: Option<Kilowatts>,
    window: &Window<'_>,
) -> Result<Vec<(i64, Share)>, LoadError> {
    let day = day_of(bands, rated)?;
    let second = |at: Instant| at.micros().div_euclid(1_000_000);
    let start = second(window.start);
    let offsets = window.zone.offsets(window.start, window.start.plus_seconds(window.seconds));
    let ends = offsets.iter().skip(1).map(|(at, _)| second(*at) - start).chain([window.seconds]);
    let mut laid = Vec::new();
    for ((since, ahead), until) in offsets.iter().zip(ends) {
        let from = second(*since) - start;
        laid.extend(on_one_offset(&day, (second(*since) + ahead).rem_euclid(DAY), from, until));
    }
    laid.dedup_by_key(|(_, share)| *share);
    Ok(laid)
}

/// The bands in the order of the day, by seconds since midnight.
fn day_of(bands: &[Band], rated: Option<Kilowatts>) -> Result<Vec<(i64, Share)>, LoadError> {
    let mut order: Vec<usize> = (0..bands.len()).collect();
    order.sort_by_key(|place| bands.get(*place).map(|band| band.from));
    let mut ends = order.last().and_then(|place| bands.get(*place)).map(|band| band.until);
    let mut day = Vec::with_capacity(bands.len());
    for place in order {
        let Some(band) = bands.get(place) else { continue };
        let pointer = format!("/load/bands/{place}");
        if ends != Some(band.from) || (band.until == band.from && bands.len() > 1) {
            return Err(LoadError::BandsDoNotMeet { pointer });
        }
        ends = Some(band.until);
        day.push((i64::from(band.from.minutes()) * 60, share(band.load, rated, &pointer)?));
    }
    if day.is_empty() { Err(LoadError::Empty { pointer: "/load/bands" }) } else { Ok(day) }
}

/// The shares from one offset of the outage to another, between which clocks do not change.
fn on_one_offset(day: &[(i64, Share)], clock: i64, from: i64, until: i64) -> Vec<(i64, Share)> {
    let now = day.iter().rfind(|(begins, _)| *begins <= clock).or(day.last());
    let mut laid: Vec<_> = now.map(|(_, share)| (from, *share)).into_iter().collect();
    let mut midnight = from - clock;
    while midnight < until {
        let begins = day.iter().map(|(begins, share)| (midnight + begins, *share));
        laid.extend(begins.filter(|(at, _)| *at > from && *at < until));
        midnight += DAY;
    }
    laid
}
