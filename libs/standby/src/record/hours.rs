//! Hours by class and year, as the ledger asks them.

use std::ops::RangeInclusive;

use interval::ReadingUsed;
use model::{Hours, Instant, LocalDate, event::RunReason};

use super::{Record, RunTold};
use crate::ledger::{MeterYear, Run, RunClass};

impl Record<'_> {
    /// The runs with their classes, by what they were for; without those of which nobody wrote down when they ended.
    #[must_use]
    pub fn classed_runs(&self, runs: &[RunTold]) -> Vec<Run> {
        runs.iter().filter_map(|run| classed(run, self.at)).collect()
    }

    /// How far the meter moved in each calendar year at the site, from its first reading to its last; between two readings at the
    /// new year evenly. What it may have moved since its last reading is not told.
    #[must_use]
    pub fn meter_years(&self) -> Vec<MeterYear> {
        let mut readings = self.state.readings_until(self.at);
        let (Some(first), Some(last)) = (readings.next(), readings.next_back()) else { return Vec::new() };
        let year = |reading: &ReadingUsed| self.zone.date(reading.read_at).year();
        let years: RangeInclusive<i16> = year(&first)..=year(&last);
        let shown = |at: Instant| self.shown(at, &first, &last);
        let moved = |year: i16| {
            let (from, until) = (shown(self.begin_of(year)?)?, shown(self.begin_of(year + 1)?)?);
            MeterYear::new(year, until - from).ok()
        };
        years.filter_map(moved).collect()
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
    Run::new(run.id.to_string(), run.from, run.until(at)?, class, None, reason).ok()
}
