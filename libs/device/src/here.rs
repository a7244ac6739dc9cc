//! All that can be done on a visit to a site.

use std::collections::BTreeSet;

use interval::EngineHours;
use model::{
    Instant, SiteId, UnitId,
    schedule::{Caution, Part, Setting},
};
use serde::Serialize;

use crate::{
    due::items,
    item::{DeviceItem, Include, SetAsideReading, each_once, is_open, set_aside, summed},
    records::Records,
    remark::{Bears, Remarks},
    subject::Subject,
};

/// All that can be done on a visit to a site, and what it takes.
#[derive(Clone, Debug, Serialize)]
pub struct WhileHere {
    /// The site.
    pub site_id: SiteId,
    /// What people call the site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site_name: Option<String>,
    /// The instant of the answer.
    pub as_of: Instant,
    /// The units that stand here with something to do or something not known, by id.
    pub units: Vec<UnitHere>,
    /// How many units stand here with nothing to do.
    pub clear: usize,
    /// Units of which it is not known where they stand, since something that may say so could not be read, by id.
    pub place_unknown: Vec<UnitId>,
    /// What to bring for all of it, summed.
    pub parts: Vec<Part>,
    /// What to set, each once.
    pub settings: Vec<Setting>,
    /// What can hurt somebody, each once, with its source.
    pub cautions: Vec<Caution>,
    /// What the answer does not rest on.
    #[serde(flatten)]
    pub remarks: Remarks,
}

/// A unit that stands at the site, with its items whose window is open.
#[derive(Clone, Debug, Serialize)]
pub struct UnitHere {
    /// The unit.
    pub unit_id: UnitId,
    /// What people call the unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit_label: Option<String>,
    /// The unit's home site; another than this one where it is on loan.
    pub home_site_id: SiteId,
    /// Hours of the engine since new.
    pub engine_hours: EngineHours,
    /// Readings that are not used, with what was probably meant: the meter is worth another look.
    pub set_aside: Vec<SetAsideReading>,
    /// The items, by schedule and task.
    pub items: Vec<DeviceItem>,
    /// What the answer about this unit does not rest on.
    #[serde(flatten)]
    pub remarks: Remarks,
}

impl Records {
    /// What can be done while somebody is at a site: every item whose window is open, on every unit that stands there.
    #[must_use]
    pub fn while_here(&self, site: SiteId, at: Instant) -> WhileHere {
        let (standing, place_unknown) = self.standing(site, at);
        let here = standing.len();
        let units: Vec<UnitHere> =
            standing.iter().filter_map(|subject| self.unit_here(subject, at)).collect();
        let items = || units.iter().flat_map(|unit| &unit.items).map(|item| &item.due);
        let mut remarks = Remarks::of(self.remarks().cloned().collect(), Bears::Due);
        let unread = place_unknown.iter().flat_map(|unit| self.about_unit(*unit)).collect();
        remarks.add(Remarks::of(unread, Bears::Due));
        WhileHere {
            site_id: site,
            site_name: self.site_name(site),
            as_of: at,
            clear: here - units.len(),
            place_unknown,
            parts: summed(items().flat_map(|item| &item.parts)),
            settings: each_once(items().flat_map(|item| &item.settings)),
            cautions: each_once(items().flat_map(|item| &item.cautions)),
            units,
            remarks,
        }
    }

    /// What people call a site.
    #[must_use]
    pub fn site_name(&self, site: SiteId) -> Option<String> {
        self.sites.get(&site)?.fields.name.as_ref().map(ToString::to_string)
    }

    /// Where a unit stands; nothing where it is not here.
    #[must_use]
    pub fn standing_site(&self, unit: UnitId, at: Instant) -> Option<SiteId> {
        Subject::of(self, unit).map(|subject| subject.site_at(at))
    }

    /// The units that are one machine with a unit, itself among them, by what corrections say; nothing is folded for that. Of a
    /// unit that cannot be read, all that corrections name together with it.
    #[must_use]
    pub fn machine(&self, unit: UnitId) -> BTreeSet<UnitId> {
        let group = self.group(unit);
        let is_alone = group.len() < 2;
        let subject = if is_alone { None } else { Subject::of(self, unit) };
        subject.map_or(group, |subject| subject.units)
    }

    /// The machines that stand at a site and are not retired, and units of which nobody knows; by id.
    pub(crate) fn standing(&self, site: SiteId, at: Instant) -> (Vec<Subject<'_>>, Vec<UnitId>) {
        let (mut standing, mut not_known) = (Vec::new(), Vec::new());
        let known = self.units.iter().filter_map(|(id, unit)| Some((*id, unit.fields.as_ref()?)));
        for (id, _) in known.filter(|(_, fields)| fields.retired.is_none()) {
            match Subject::of(self, id) {
                Some(subject) if subject.machine != id => {}
                Some(subject) if subject.site_at(at) == site => standing.push(subject),
                Some(subject) if subject.may_stand_elsewhere() => not_known.push(id),
                Some(_) => {}
                None => not_known.push(id),
            }
        }
        (standing, not_known)
    }

    /// A unit with its items whose window is open; nothing if there are none and all is known.
    fn unit_here(&self, subject: &Subject<'_>, at: Instant) -> Option<UnitHere> {
        let state = subject.fold();
        let remarks = subject.remarks(Bears::Due);
        let mut items = items(subject, &state, at, Include::default(), &remarks);
        items.retain(|item| is_open(item.due.item.state));
        (!items.is_empty() || !remarks.are_harmless()).then(|| UnitHere {
            unit_id: subject.machine,
            unit_label: subject.fields.label.as_ref().map(ToString::to_string),
            home_site_id: subject.home,
            engine_hours: state.hours_at(at),
            set_aside: set_aside(&state),
            items,
            remarks,
        })
    }
}
