//! Which runs count as a test under load, when the next is due, and what exercise runs nobody wrote down.
//!
//! A run is a row of stretches, each with its load; warm-up and cool-down without load are stretches too. Every rule is data
//! and is named in what is told by it. NFPA figures are numbers only, from pages that quote them; the edition in force at a
//! place and the authority there decide.
//!
//! ```
//! use interval::Fraction;
//! use model::{Hours, Instant, Kilowatts};
//! use standby::exercise::{Load, Run, RunVerdict, Set, Shortfall, TestRule, judge};
//!
//! let minutes = |minutes: i64| Hours::from_seconds(minutes * 60);
//! let half = Load::Share(Fraction::of(1, 2));
//! let run = Run::constant(Instant::FIRST, minutes(40), half, minutes(12)).unwrap();
//! let set = Set { nameplate: Some(Kilowatts::from_hundredths(1200)), ignition: None, class: None };
//! // Warm-up and cool-down do not count.
//! let short = Shortfall::TooShort { loaded_hours: minutes(28), needed_hours: minutes(30) };
//! assert_eq!(judge(&run, &set, &TestRule::monthly_any()).verdict, RunVerdict::Fails { reasons: vec![short] });
//! ```

mod annual;
mod automatic;
mod judge;
mod record;
mod rules;
mod run;
mod spacing;
mod stages;
mod trace;

pub use self::{
    automatic::{AutomaticExercise, Cadence, MeterGap, MeterReading, automatic_exercise},
    judge::{Judged, QualifiedBy, RunVerdict, Shortfall, judge},
    record::{AnnualOwed, DueTest, Effectiveness, JudgedRun, TestRecord, test_record},
    rules::{AnnualTrigger, Due, Stage, TestKind, TestPolicy, TestRule, Within},
    run::{Joined, Load, Run, RunError, Set, Stretch},
    spacing::{Gap, GapVerdict, Spacing, SpacingRule, spacing},
    trace::ExerciseTrace,
};
