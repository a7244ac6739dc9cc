//! Exercise runs that a controller makes by itself and nobody writes down, as the hour meter shows them. They never count as
//! a test: nobody saw what they carried.

use interval::Grade;
use model::{Hours, Instant};
use serde::Serialize;
use utoipa::ToSchema;

const DAY_SECONDS: i64 = 86_400;

/// A reading of the hour meter, of one meter that was not changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MeterReading {
    /// When.
    pub at: Instant,
    /// What it showed.
    pub hours: Hours,
}

/// How a controller exercises a set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cadence {
    /// Each so many days.
    pub every_days: i64,
    /// For so long.
    pub lasts: Hours,
}

/// What the meter shows between two readings beyond the runs that were written down.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum MeterGap {
    /// Nothing beyond what the meter can show.
    Explained,
    /// As much as the automatic exercise so many times.
    AutomaticExerciseNotLogged {
        /// How many times.
        times: i64,
        /// How many times at the least, if the meter was off by a tick.
        least_times: i64,
        /// How many times at the most.
        most_times: i64,
        /// What is left over; less than nothing where the meter shows less.
        #[schema(value_type = f64)]
        residue_hours: Hours,
    },
    /// More than was written down, and not as the exercise is set.
    Unexplained {
        /// How much more.
        #[schema(value_type = f64)]
        hours: Hours,
        /// How often the exercise can have run at most.
        most_times: i64,
    },
    /// More was written down than the meter shows.
    LoggedMoreThanMeter {
        /// How much more.
        #[schema(value_type = f64)]
        hours: Hours,
    },
    /// The meter is too coarse to tell so much exercise from anything else.
    MeterTooCoarse {
        /// More than was written down.
        #[schema(value_type = f64)]
        hours: Hours,
    },
}

/// What the meter shows between two readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct AutomaticExercise {
    /// From that reading.
    #[schema(value_type = String, format = DateTime)]
    pub from: Instant,
    /// To that one.
    #[schema(value_type = String, format = DateTime)]
    pub to: Instant,
    /// By how much the meter rose.
    #[schema(value_type = f64)]
    pub meter_hours: Hours,
    /// How much was written down.
    #[schema(value_type = f64)]
    pub logged_hours: Hours,
    /// What is left over, and what it looks like.
    #[serde(flatten)]
    pub gap: MeterGap,
    /// Whether it counts as a test: never.
    pub counts_as_test: bool,
    /// How well it is known: what was not written down is estimated.
    pub grade: Grade,
}

/// Looks between each two readings, in order of time, for exercise that was not written down. Logged runs are their start
/// and length; a run belongs between the readings that its start lies between. `tick` is the last digit of the meter.
#[must_use]
pub fn automatic_exercise(
    readings: &[MeterReading],
    logged: &[(Instant, Hours)],
    cadence: Cadence,
    tick: Hours,
) -> Vec<AutomaticExercise> {
    let mut sorted = readings.to_vec();
    sorted.sort_by_key(|reading| (reading.at, reading.hours));
    let between = |earlier: &MeterReading, later: &MeterReading| {
        let inside = logged.iter().filter(|(start, _)| earlier.at < *start && *start <= later.at);
        let logged_hours = inside.fold(Hours::ZERO, |sum, (_, lasted)| sum + *lasted);
        let meter_hours = later.hours - earlier.hours;
        let gap = gap(meter_hours - logged_hours, later.at.seconds_since(earlier.at), cadence, tick);
        AutomaticExercise {
            from: earlier.at,
            to: later.at,
            meter_hours,
            logged_hours,
            gap,
            counts_as_test: false,
            grade: if gap == MeterGap::Explained { Grade::A } else { Grade::C },
        }
    };
    sorted.iter().zip(sorted.iter().skip(1)).map(|(earlier, later)| between(earlier, later)).collect()
}

/// Two readings that drop what is below the last digit are together wrong by less than one tick, however many exercises lie
/// between them. Where all multiples of the exercise together leave no room beside them, only that it is as often as the days
/// ask tells it from anything else, and only where it is more than that error may come to.
fn gap(left: Hours, seconds: i64, cadence: Cadence, tick: Hours) -> MeterGap {
    let (lasts, tick) = (cadence.lasts.seconds().max(1), tick.seconds().max(0));
    let every = cadence.every_days.max(1).saturating_mul(DAY_SECONDS);
    let usual = seconds / every..=seconds / every + i64::from(seconds % every > 0);
    let most_times = usual.start() + 1;
    let nearest = (left.seconds() + lasts / 2).div_euclid(lasts);
    let fits = |times: i64| (left.seconds() - times.saturating_mul(lasts)).abs() <= tick;
    let all_fit = tick * 2 >= lasts;
    // Of several that fit that which the days ask for.
    let times =
        usual.clone().filter(|times| all_fit && fits(*times)).min_by_key(|times| (times - nearest).abs());
    let is_usual = times.is_some();
    let times = times.unwrap_or(nearest);
    let residue_hours = left - Hours::from_seconds(times.saturating_mul(lasts));
    if left.seconds().abs() <= tick {
        MeterGap::Explained
    } else if left < Hours::ZERO {
        MeterGap::LoggedMoreThanMeter { hours: -left }
    } else if !(1..=most_times).contains(&times) {
        MeterGap::Unexplained { hours: left, most_times }
    } else if all_fit && (!is_usual || tick * 2 >= times.saturating_mul(lasts)) {
        MeterGap::MeterTooCoarse { hours: left }
    } else if fits(times) {
        let least_times = ((left.seconds() - tick + lasts - 1) / lasts).clamp(1, times);
        let most_times = ((left.seconds() + tick) / lasts).clamp(times, most_times);
        MeterGap::AutomaticExerciseNotLogged { times, least_times, most_times, residue_hours }
    } else {
        MeterGap::Unexplained { hours: left, most_times }
    }
}
