use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    entry,
    entry::HoursEntry,
    event::measured::{RunMeasured, Seen},
    id::EventId,
    quantity::Hours,
    read::{Flaw, Object, word},
    time::{Instant, Moment},
};

/// The engine ran, started or stopped.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Run {
    /// The whole run, or one end of it.
    #[serde(flatten)]
    #[schema(value_type = RunMembers)]
    pub phase: RunPhase,
    /// What for; not of a stop.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<RunReason>,
    /// What the meter showed at the start, or at the stop where only that is told.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    #[schema(value_type = Option<HoursEntry>)]
    pub meter_hours: Option<Hours>,
    /// What was seen of it.
    #[serde(flatten)]
    pub measured: RunMeasured,
}

/// How much of a run an event tells.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "phase", rename_all = "snake_case")]
pub enum RunPhase {
    /// All of it, with when it ended.
    #[serde(rename = "whole")]
    Until {
        /// When the engine stopped.
        stopped_at: Moment,
        /// What the meter showed then.
        #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
        stop_meter_hours: Option<Hours>,
    },
    /// All of it, with how long it took.
    #[serde(rename = "whole")]
    For {
        /// How long, by the clock.
        #[serde(serialize_with = "entry::write")]
        run_hours: Hours,
        /// How far that may be off, either way.
        #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
        give_or_take_hours: Option<Hours>,
    },
    /// The engine started; it runs until a stop.
    Start,
    /// It stopped.
    Stop {
        /// The event of its start.
        run_id: EventId,
    },
    /// It was to start, and did not.
    NoStart,
}

/// The members of [`RunPhase`] as they are described.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub struct RunMembers {
    /// The whole run (absent means that), its start, its stop, or that it did not start.
    phase: Option<RunPhaseWord>,
    /// When the engine stopped; of a whole run, this or `run_hours`. Where the event is told with `happened_at`, it counts as much
    /// later or earlier as that is than `occurred_at`.
    #[schema(value_type = Option<String>, format = DateTime, example = "2026-08-01T07:30:00-06:00")]
    stopped_at: Option<String>,
    /// How long it ran; of a whole run, this or `stopped_at`.
    run_hours: Option<HoursEntry>,
    /// How far `run_hours` may be off, either way.
    give_or_take_hours: Option<HoursEntry>,
    /// What the meter showed at `stopped_at`.
    stop_meter_hours: Option<HoursEntry>,
    /// The event of the start; of a stop.
    #[schema(value_type = Option<String>, format = "uuid")]
    run_id: Option<String>,
}

/// How much of a run an event tells, as a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RunPhaseWord {
    /// All of it.
    Whole,
    /// Its start.
    Start,
    /// Its stop.
    Stop,
    /// That it was to start, and did not.
    NoStart,
}

/// What a run was for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RunReason {
    /// The grid was out, or lives depended on it.
    Emergency,
    /// A test or exercise.
    Test,
    /// Work on the unit.
    Maintenance,
    /// Anything else.
    Other,
}

const PHASES: &[(&str, RunPhaseWord)] = &[
    ("whole", RunPhaseWord::Whole),
    ("start", RunPhaseWord::Start),
    ("stop", RunPhaseWord::Stop),
    ("no_start", RunPhaseWord::NoStart),
];
const REASONS: &[(&str, RunReason)] = &[
    ("emergency", RunReason::Emergency),
    ("test", RunReason::Test),
    ("maintenance", RunReason::Maintenance),
    ("other", RunReason::Other),
];

/// What is told of a run that ended.
const OF_AN_END: [&str; 5] = ["stopped_at", "run_hours", "give_or_take_hours", "stop_meter_hours", "run_id"];

/// Members that belong to some phases only.
struct Parts {
    stopped_at: Option<Moment>,
    run_hours: Option<Hours>,
    give_or_take_hours: Option<Hours>,
    stop_meter_hours: Option<Hours>,
    run_id: Option<EventId>,
}

impl Run {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let word = o.optional("phase", word(PHASES));
        let parts = Parts {
            stopped_at: o.optional("stopped_at", Moment::read),
            run_hours: o.optional("run_hours", Hours::read_positive),
            give_or_take_hours: o.optional("give_or_take_hours", Hours::read),
            stop_meter_hours: o.optional("stop_meter_hours", Hours::read),
            run_id: o.optional("run_id", EventId::read),
        };
        let reason = o.optional("reason", self::word(REASONS));
        let meter_hours = o.optional("meter_hours", Hours::read);
        let measured = RunMeasured::read(o);
        if word.is_none() && o.has("phase") {
            return None;
        }
        let phase = match word.unwrap_or(RunPhaseWord::Whole) {
            RunPhaseWord::Whole => {
                RunMeasured::check(o, Seen::Whole)?;
                parts.whole(o)?
            }
            RunPhaseWord::Start => {
                misplaced(o, &OF_AN_END)?;
                RunMeasured::check(o, Seen::Start)?;
                RunPhase::Start
            }
            RunPhaseWord::NoStart => {
                misplaced(o, &OF_AN_END)?;
                misplaced(o, &["meter_hours"])?;
                RunMeasured::check(o, Seen::Start)?;
                RunPhase::NoStart
            }
            RunPhaseWord::Stop => {
                RunMeasured::check(o, Seen::Stop)?;
                let only_of_others =
                    ["stopped_at", "run_hours", "give_or_take_hours", "stop_meter_hours", "reason"];
                misplaced(o, &only_of_others)?;
                if !o.has("run_id") {
                    return o.fail("run_id", Flaw::new("required", "Say which run stopped."));
                }
                RunPhase::Stop { run_id: parts.run_id? }
            }
        };
        Some(Self { phase, reason, meter_hours, measured })
    }

    /// Whether it ends before it begins, where its start is an instant.
    pub(super) fn ends_before(&self, start: Instant) -> bool {
        matches!(&self.phase, RunPhase::Until { stopped_at, .. } if stopped_at.instant <= start)
    }
}

impl Parts {
    fn whole(self, o: &mut Object<'_>) -> Option<RunPhase> {
        misplaced(o, &["run_id"])?;
        match (o.has("stopped_at"), o.has("run_hours")) {
            (true, true) => {
                o.fail("run_hours", Flaw::new("two_ends", "Give stopped_at or run_hours, not both."))
            }
            (false, false) => o.fail(
                "stopped_at",
                Flaw::new("required", "Say when the run ended, stopped_at, or how long it took, run_hours."),
            ),
            (true, false) => {
                misplaced(o, &["give_or_take_hours"])?;
                Some(RunPhase::Until {
                    stopped_at: self.stopped_at?,
                    stop_meter_hours: self.stop_meter_hours,
                })
            }
            (false, true) => {
                misplaced(o, &["stop_meter_hours"])?;
                Some(RunPhase::For {
                    run_hours: self.run_hours?,
                    give_or_take_hours: self.give_or_take_hours,
                })
            }
        }
    }
}

fn misplaced(o: &mut Object<'_>, names: &[&str]) -> Option<()> {
    match names.iter().find(|name| o.has(name)) {
        Some(name) => o.fail(name, Flaw::new("misplaced", "This does not belong to a run told in this way.")),
        None => Some(()),
    }
}
