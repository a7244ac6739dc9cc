//! What a unit burned, by its runs and by what its meter shows beside them.

use interval::ReadingUsed;
use model::{Hours, Instant, unit::MeterTick};

use super::{Record, RunTold, Uncounted};
use crate::{
    amount::{BurnRate, Volume},
    burn::Burn,
    exercise::Load,
    load::Share,
};

/// Fuel that was burned from an instant to another, evenly.
#[derive(Clone, Copy, Debug)]
pub(super) struct Burned {
    pub(super) from: Instant,
    pub(super) until: Instant,
    pub(super) volume: Volume,
    /// Whether so much is a guess on the safe side.
    pub(super) guessed: bool,
}

/// Something that ran, of which it is not known what it burned.
#[derive(Clone, Debug)]
pub(super) struct Doubt {
    /// Until when it ran at the latest; absent where that is not known.
    pub(super) until: Option<Instant>,
    pub(super) of: Uncounted,
}

/// All that was burned, and what is doubtful about that.
#[derive(Debug, Default)]
pub(super) struct Burns {
    pub(super) all: Vec<Burned>,
    pub(super) doubts: Vec<Doubt>,
}

impl Burned {
    /// Its parts up to each of these instants, which lie within it in order, and to its end.
    pub(super) fn cut_at(
        self,
        cuts: impl Iterator<Item = Instant>,
    ) -> impl Iterator<Item = (Instant, Volume)> {
        let mut before = Volume::ZERO;
        let parts = cuts.chain([self.until]).map(move |at| {
            let so_far = part(self.volume, (self.from, at), (self.from, self.until));
            let volume = so_far - before;
            before = so_far;
            (at, volume)
        });
        parts.filter(|(_, volume)| *volume > Volume::ZERO)
    }
}

/// The part of a volume for a part of its time; all of it where it took none.
fn part(volume: Volume, of: (Instant, Instant), whole: (Instant, Instant)) -> Volume {
    let micros = |(from, until): (Instant, Instant)| i128::from((until.micros() - from.micros()).max(0));
    let share = i128::from(volume.microlitres()) * micros(of);
    let part = share.checked_div(micros(whole)).and_then(|part| i64::try_from(part).ok());
    part.map_or(volume, Volume::from_microlitres)
}

const fn tells_fuel(run: &RunTold) -> bool {
    run.measured.fuel_used_litres.is_some()
}

impl Record<'_> {
    /// What was burned by the runs, and by the hours that the meter went on beside them since the tank was `known`.
    pub(super) fn burns(&self, runs: &[RunTold], known: Option<Instant>) -> Burns {
        let burn = Burn::of(&self.burn()).ok();
        let mut burns = Burns::default();
        let mut spoken_for = Instant::FIRST;
        let told: Vec<&RunTold> = runs.iter().filter(|run| tells_fuel(run) && !run.day_only).collect();
        for run in runs {
            if self.is_measured_elsewhere(run, &told) {
                continue;
            }
            let (until, from) = (run.until(self.at), run.from);
            // Two records of one run burned its fuel once.
            let new_from = if run.day_only { from } else { from.max(spoken_for) };
            if until.is_some_and(|until| until > from && new_from >= until) {
                continue;
            }
            let (volume, doubt) = self.burned(run, burn.as_ref());
            if let (Some(until), Some(whole)) = (until, volume) {
                let volume = part(whole, (new_from, until), (from, until));
                burns.all.push(Burned { from: new_from, until, volume, guessed: doubt.is_some() });
            }
            burns.doubts.extend(doubt.map(|of| Doubt { until: until.or(run.ended_by), of }));
            if !run.day_only {
                spoken_for = spoken_for.max(until.unwrap_or(from));
            }
        }
        if let Some((at, hours)) = known.and_then(|known| self.not_in_runs(runs, known)) {
            let volume = burn.map(|burn| burn.rate(Share::FULL).rate.over(hours.seconds()));
            let taken = volume.map(|volume| Burned { from: at, until: at, volume, guessed: true });
            let of = match taken {
                Some(_) => Uncounted::HoursTakenAsFull { hours },
                None => Uncounted::HoursNotTakenOff { hours },
            };
            burns.all.extend(taken);
            burns.doubts.push(Doubt { until: Some(at), of });
        }
        burns
    }

    /// Whether one of the records that tell what was burned is of the same run, and this one does not tell it.
    fn is_measured_elsewhere(&self, run: &RunTold, told: &[&RunTold]) -> bool {
        let is_within = |other: &&RunTold| {
            let ends = run.until(self.at).zip(other.until(self.at));
            other.from <= run.from && ends.is_some_and(|(until, other)| run.from < until && until <= other)
        };
        !tells_fuel(run) && !run.day_only && told.iter().any(is_within)
    }

    /// What a run burned, and what is doubtful about that.
    fn burned(&self, run: &RunTold, burn: Option<&Burn>) -> (Option<Volume>, Option<Uncounted>) {
        let event_id = run.id;
        if let Some(litres) = run.measured.fuel_used_litres {
            // Of a run that ended after the instant asked about, as much as by then.
            let whole = run.ended_by.filter(|until| *until > self.at);
            let so_far = whole.map(|until| part(litres.into(), (run.from, self.at), (run.from, until)));
            return (Some(so_far.unwrap_or_else(|| litres.into())), None);
        }
        let (Some(burn), Some(lasted)) = (burn, run.lasted(self.at)) else {
            return (None, Some(Uncounted::NotTakenOff { event_id }));
        };
        let (share, is_known) = self.share(run);
        let doubt = (!is_known).then_some(Uncounted::LoadTakenAsFull { event_id });
        (Some(burn.rate(share).rate.over(lasted.seconds())), doubt)
    }

    /// The share of its rating that it carried in a run, and whether that is known; full where it is not.
    fn share(&self, run: &RunTold) -> (Share, bool) {
        let known = match run.load() {
            Load::Off => Some(Share::NONE),
            Load::Share(share) => Some(Share::from_millionths(share.ten_thousandths() * 100)),
            Load::Kilowatts(kilowatts) => self.fields.rated_kw.and_then(|rated| Share::of(kilowatts, rated)),
            Load::NotKnown => None,
        };
        known.map_or((Share::FULL, false), |share| (share, true))
    }

    /// How fast a run that goes on burns fuel.
    pub(super) fn burning(&self, run: &RunTold, burn: &Burn) -> BurnRate {
        burn.rate(self.share(run).0).rate
    }

    /// How many hours the meter went on since the tank was `known` that no run explains, by which reading; none where they are no
    /// more than a step of the meter.
    fn not_in_runs(&self, runs: &[RunTold], known: Instant) -> Option<(Instant, Hours)> {
        let last = self.state.readings_until(self.at).next_back().filter(|last| last.read_at > known)?;
        let after = || self.state.readings_until(self.at).find(|reading| reading.read_at > known);
        let first: ReadingUsed = self.state.readings_until(known).next_back().or_else(after)?;
        let rise = last.engine_hours.seconds() - first.engine_hours.seconds();
        let unexplained = rise - self.ran_seconds(runs, first.read_at, last.read_at);
        // It cannot have run for longer than the clock went on since.
        let clock = last.read_at.seconds_since(known) - self.ran_seconds(runs, known, last.read_at);
        let hours = Hours::from_seconds(unexplained.min(clock));
        let tick = self.fields.meter_tick_hours.unwrap_or(MeterTick::TENTH).hours();
        (hours > tick).then_some((last.read_at, hours))
    }

    /// For how long it ran by its runs, two records of one run counted once.
    fn ran_seconds(&self, runs: &[RunTold], from: Instant, to: Instant) -> i64 {
        let (mut seconds, mut spoken_for) = (0, from);
        for run in runs {
            let Some(until) = run.until(self.at) else { continue };
            if run.day_only {
                let is_within = run.from >= from && run.from < to;
                seconds += if is_within { until.seconds_since(run.from) } else { 0 };
            } else {
                seconds += until.min(to).seconds_since(run.from.max(spoken_for)).max(0);
                spoken_for = spoken_for.max(until);
            }
        }
        seconds
    }
}
