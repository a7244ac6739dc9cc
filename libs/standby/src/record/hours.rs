//! Hours by class and year, as the ledger asks them.

use std::ops::RangeInclusive;

use interval::{Happened, ReadingUsed};
use model::{Hours, Instant, LocalDate, event::RunReason};

use super::{Record, RunTold};
use crate::ledger::{Between, MeterYear, Run, RunClass};

impl Record<'_> {
    /// The runs with their classes, by what they were for; without those of which nobody wrote down when they ended.
    #[must_use]
    pub fn classed_runs(&self, runs: &[RunTold]) -> Vec<Run> {
        runs.iter().filter_map(|run| classed(run, self.at)).collect()
    }

    /// How far the meter moved in each calendar year at the site, from its first reading to its last; between two readings at the
    /// new year evenly. What it may have moved since its last reading is not told; of each year the time that its readings span is.
    #[must_use]
    pub fn meter_years(&self) -> Vec<MeterYear> {
        let mut readings = self.state.readings_until(self.at);
        let (Some(first), Some(last)) = (readings.next(), readings.next_back()) else { return Vec::new() };
        let year = |reading: &ReadingUsed| self.zone.date(reading.read_at).year();
        let years: RangeInclusive<i16> = year(&first)..=year(&last);
        let shown = |at: Instant| self.shown(at, &first, &last);
        let (first_taken, last_taken) = (self.taken(&first), self.taken(&last));
        let moved = |year: i16| {
            let (begin, end) = (self.begin_of(year)?, self.begin_of(year + 1)?);
            let within =
                |(from, until): (Instant, Instant)| (from.clamp(begin, end), until.clamp(begin, end));
            let readings = Between { from: within(first_taken), until: within(last_taken) };
            let moved = MeterYear::new(year, shown(end)? - shown(begin)?).ok()?.between(readings);
            (readings.from.0 < readings.until.1).then_some(moved)
        };
        years.filter_map(moved).collect()
    }

    /// The first instant and the last at which a reading may have been taken: of one known by its day only, those of the day.
    fn taken(&self, reading: &ReadingUsed) -> (Instant, Instant) {
        let is_it = |event: &&Happened| event.id == reading.event_id;
        let at = reading.read_at;
        match self.happened.iter().find(is_it) {
            Some(event) if event.day_only => (at, self.zone.midnight(event.on.plus_days(1)).max(at)),
            _ => (at, at),
        }
    }

    /// Engine hours by the meter at an instant; before its first reading and after its last what those showed.
    fn shown(&self, at: Instant, first: &ReadingUsed, last: &ReadingUsed) -> Option<Hours> {
        if at <= first.read_at {
            Some(first.engine_hours)
        } else if at >= last.read_at {
            Some(last.engine_hours)
        } else {
            self.state.hours_at(at).range.map(|range| range.nominal)
        }
    }

    fn begin_of(&self, year: i16) -> Option<Instant> {
        let day = LocalDate::parse(&format!("{year:04}-01-01")).ok()?;
        Some(self.zone.midnight(day))
    }
}

fn classed(run: &RunTold, at: Instant) -> Option<Run> {
    let class = match run.reason {
        Some(RunReason::Emergency) => RunClass::Emergency,
        Some(RunReason::Test | RunReason::Maintenance) => RunClass::MaintenanceTest,
        Some(RunReason::Other) => RunClass::NonEmergency,
        None => RunClass::Unclassified,
    };
    let reason = run.reason.map(|_| "entered with the run".to_owned());
    let told = Run::new(run.id.to_string(), run.from, run.until(at)?, class, None, reason).ok()?;
    // With an end it lasted from the first instant of its day at the most, so that what others share with it is in that.
    Some(if run.day_only && run.length_told { told.known_by_day() } else { told })
}
