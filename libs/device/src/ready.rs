//! Whether a unit or a site is ready, and what is in the way.

use model::{Instant, Kilowatts, SiteId, UnitId};
use serde::Serialize;
use standby::{
    readiness::{Readiness, ReadinessPolicy, SiteReadiness, SiteUnit, Verdict, judge_record, site_readiness},
    record::Record,
};

use crate::{
    records::Records,
    remark::{Bears, Remarks},
    subject::Subject,
};

/// Whether a unit is ready, with every reason.
#[derive(Clone, Debug, Serialize)]
pub struct UnitReady {
    /// The unit.
    pub unit_id: UnitId,
    /// What people call it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit_label: Option<String>,
    /// The instant of the answer.
    pub as_of: Instant,
    /// Where the unit stands.
    pub standing_site_id: SiteId,
    /// What it can carry there, in kilowatts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capacity_kw: Option<Kilowatts>,
    /// The verdict and what it rests on; where not all was understood, unknown at best.
    pub readiness: Readiness,
    /// The verdict by what was understood.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict_otherwise: Option<Verdict>,
    /// What the answer does not rest on.
    #[serde(flatten)]
    pub remarks: Remarks,
}

/// Whether a site is ready, with its units.
#[derive(Clone, Debug, Serialize)]
pub struct SiteReady {
    /// The site.
    pub site_id: SiteId,
    /// What people call the site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site_name: Option<String>,
    /// The instant of the answer.
    pub as_of: Instant,
    /// The verdict and what it rests on; where more units may stand there, unknown rather than not ready.
    pub readiness: SiteReadiness,
    /// The verdict by the units that are known to stand there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict_otherwise: Option<Verdict>,
    /// The units that stand there, by id.
    pub units: Vec<UnitReady>,
    /// Units of which it is not known where they stand, by id.
    pub place_unknown: Vec<UnitId>,
}

impl Records {
    /// Whether a unit is ready, by limits that are common practice; nothing where the unit is not here or its own record could
    /// not be read.
    #[must_use]
    pub fn readiness(&self, unit: UnitId, at: Instant) -> Option<UnitReady> {
        Some(self.ready(unit, &Subject::of(self, unit)?, at))
    }

    /// Whether a site is ready.
    #[must_use]
    pub fn site_readiness(&self, site: SiteId, at: Instant) -> SiteReady {
        let (standing, place_unknown) = self.standing(site, at);
        let units: Vec<UnitReady> =
            standing.iter().map(|subject| self.ready(subject.machine, subject, at)).collect();
        let judged = units.iter().map(|unit| SiteUnit {
            unit: unit.unit_id,
            verdict: unit.readiness.verdict,
            capacity: unit.capacity_kw,
            until: unit.readiness.until,
        });
        let judged: Vec<SiteUnit> = judged.collect();
        let needs = self.sites.get(&site).and_then(|site| site.fields.needs_kw);
        let mut readiness = site_readiness(site, needs, &judged);
        let is_certain = place_unknown.is_empty() || readiness.verdict != Verdict::NotReady;
        let verdict_otherwise = (!is_certain).then_some(readiness.verdict);
        if !is_certain {
            readiness.verdict = Verdict::Unknown;
        }
        SiteReady {
            site_id: site,
            site_name: self.site_name(site),
            as_of: at,
            readiness,
            verdict_otherwise,
            units,
            place_unknown,
        }
    }

    fn ready(&self, unit: UnitId, subject: &Subject<'_>, at: Instant) -> UnitReady {
        let input = subject.input();
        let state = subject.fold();
        let site = state.site_at(at);
        let fields = self.sites.get(&site).map(|site| site.fields.clone()).unwrap_or_default();
        let record = Record {
            unit,
            fields: subject.fields,
            zone: &subject.zone(site),
            site: &fields,
            happened: &interval::happened(&input, at),
            tags: &interval::tags(&input, at),
            state: &state,
            at,
        };
        let mut readiness = judge_record(&ReadinessPolicy::standard(), &record);
        let mut remarks = subject.remarks(Bears::Standby);
        if !self.sites.contains_key(&site) {
            // Where it stands decides about its fuel and what it can carry.
            remarks.weigh("site", &site.to_string());
        }
        let is_certain = remarks.are_harmless() || readiness.verdict == Verdict::NotReady;
        let verdict_otherwise = (!is_certain).then_some(readiness.verdict);
        if !is_certain {
            readiness.verdict = Verdict::Unknown;
        }
        UnitReady {
            unit_id: unit,
            unit_label: self.label(unit),
            as_of: at,
            standing_site_id: site,
            capacity_kw: record.capacity(),
            readiness,
            verdict_otherwise,
            remarks,
        }
    }
}
