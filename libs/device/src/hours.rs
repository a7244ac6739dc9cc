//! How many hours an engine has, and what is to be put right in the record of a unit.

use interval::{Bundle, HoursReport, QualityEntry, SetAside, UnitState};
use model::{EventId, Hours, Instant, SiteId, UnitId};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    records::Records,
    remark::{Bears, Remarks},
    subject::Subject,
};

/// How many other units are asked at most whether a reading belongs to them.
const OTHERS_MOST: usize = 200;

/// Hours of an engine, and what they rest on.
#[derive(Clone, Debug, Serialize)]
pub struct UnitHours {
    /// The unit.
    pub unit_id: UnitId,
    /// The instant of the answer.
    pub as_of: Instant,
    /// Where the unit stands.
    pub standing_site_id: SiteId,
    /// Hours of the engine since new, across all meters, and what they rest on.
    #[serde(flatten)]
    pub report: HoursReport,
    /// The same to the second; nothing where no hours are known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub engine_seconds: Option<EngineSeconds>,
    /// Readings that are not used.
    pub set_aside: Vec<ReadingAside>,
    /// What the answer does not rest on.
    #[serde(flatten)]
    pub remarks: Remarks,
}

/// Seconds of an engine since new.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct EngineSeconds {
    /// The least they can be.
    pub lower: i64,
    /// The likeliest value.
    pub nominal: i64,
    /// The most to reckon with.
    pub upper: i64,
}

/// A reading that the engine hours do not rest on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ReadingAside {
    /// The event that carries it.
    #[schema(value_type = String, format = "uuid")]
    pub event_id: EventId,
    /// When it was read.
    #[schema(value_type = String, format = DateTime)]
    pub read_at: Instant,
    /// What was read.
    #[schema(value_type = f64, example = 1203.4)]
    pub meter_hours: Hours,
    /// What was probably meant.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 423.2)]
    pub suggested_meter_hours: Option<Hours>,
    /// The unit whose meter showed about that, where nothing else was probably meant: was it entered for the wrong one?
    #[serde(skip_serializing_if = "Option::is_none")]
    pub belongs_to: Option<OtherUnit>,
}

/// Another unit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct OtherUnit {
    /// The unit.
    #[schema(value_type = String, format = "uuid")]
    pub unit_id: UnitId,
    /// What people call the unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit_label: Option<String>,
}

/// What is to be put right in the record of a unit.
#[derive(Clone, Debug, Serialize)]
pub struct UnitQuality {
    /// The unit.
    pub unit_id: UnitId,
    /// The instant of the answer.
    pub as_of: Instant,
    /// All that is wrong then or missing, in order of time.
    pub entries: Vec<QualityEntry>,
    /// What the answer does not rest on.
    #[serde(flatten)]
    pub remarks: Remarks,
}

impl Records {
    /// How many hours the engine of a unit has; nothing where the unit is not here or its own record could not be read.
    #[must_use]
    pub fn hours(&self, unit: UnitId, at: Instant) -> Option<UnitHours> {
        let subject = Subject::of(self, unit)?;
        let state = subject.fold();
        let range = state.hours_at(at).range;
        let aside = state.set_aside();
        let others = if aside.iter().any(|reading| reading.suggested.is_none()) {
            self.others(&subject, state.site_at(at), at)
        } else {
            Vec::new()
        };
        Some(UnitHours {
            unit_id: unit,
            as_of: at,
            standing_site_id: state.site_at(at),
            report: state.hours_report(at),
            engine_seconds: range.map(|range| EngineSeconds {
                lower: range.lower.seconds(),
                nominal: range.nominal.seconds(),
                upper: range.upper.seconds(),
            }),
            set_aside: aside.iter().map(|reading| self.aside(reading, &others)).collect(),
            remarks: subject.remarks(Bears::Due),
        })
    }

    /// What is to be put right in the record of a unit; nothing where the unit is not here or its own record could not be read.
    #[must_use]
    pub fn quality(&self, unit: UnitId, at: Instant) -> Option<UnitQuality> {
        let subject = Subject::of(self, unit)?;
        let entries = subject.fold().quality().into_iter().filter(|entry| entry.holds(at)).collect();
        Some(UnitQuality { unit_id: unit, as_of: at, entries, remarks: subject.remarks(Bears::Due) })
    }

    /// How much of what a service was for it did; nothing where it is no service of the unit.
    #[must_use]
    pub fn bundle(&self, unit: UnitId, service: EventId) -> Option<Bundle> {
        interval::bundle(&Subject::of(self, unit)?.input(), service)
    }

    fn aside(&self, reading: &SetAside, others: &[(UnitId, UnitState)]) -> ReadingAside {
        ReadingAside {
            event_id: reading.event_id,
            read_at: reading.read_at,
            meter_hours: reading.meter_hours,
            suggested_meter_hours: reading.suggested,
            belongs_to: self.belongs_to(reading, others),
        }
    }

    /// The unit that a reading belongs to rather.
    pub(crate) fn belongs_to(&self, reading: &SetAside, others: &[(UnitId, UnitState)]) -> Option<OtherUnit> {
        let unit_id = interval::belongs_to(reading, others.iter().map(|(unit, state)| (*unit, state)))?;
        Some(OtherUnit { unit_id, unit_label: self.label(unit_id) })
    }

    /// The other machines here that are not retired, those that stand at a site first.
    pub(crate) fn others(&self, than: &Subject<'_>, site: SiteId, at: Instant) -> Vec<(UnitId, UnitState)> {
        let mut others: Vec<(bool, Subject<'_>)> = self
            .units
            .keys()
            .filter_map(|unit| Subject::of(self, *unit).filter(|other| other.machine == *unit))
            .filter(|other| other.machine != than.machine && other.fields.retired.is_none())
            .map(|other| (other.site_at(at) != site, other))
            .collect();
        others.sort_by_key(|(elsewhere, _)| *elsewhere);
        others.iter().take(OTHERS_MOST).map(|(_, other)| (other.machine, other.fold())).collect()
    }
}
