//! All that is known of a unit, for answers about more than what is due.

use interval::{Happened, HungTag, Stayed};
use model::{SiteId, UnitId, Zone, site::SiteFields, unit::UnitFields};

use super::UnitDue;

/// A unit with all that happened to it.
#[derive(Clone, Debug)]
pub struct UnitStory {
    /// The unit.
    pub id: UnitId,
    /// Its fields, private text sealed; where it is one machine with others, those of the one that the machine goes by.
    pub fields: UnitFields,
    /// What is due on it.
    pub due: UnitDue,
    /// What happened to it by the moment asked about, as corrections left it, in order of time.
    pub happened: Vec<Happened>,
    /// Where it stood, in order of time.
    pub stayed: Vec<Stayed>,
    /// The tags that hang on it.
    pub tags: Vec<HungTag>,
    /// Where it stands.
    pub site: SiteId,
    /// The fields of that site, private text sealed.
    pub site_fields: SiteFields,
    /// The zone of that site.
    pub zone: Zone,
}

/// A site with the units that stand there.
#[derive(Clone, Debug)]
pub struct SiteStory {
    /// The site.
    pub id: SiteId,
    /// Its fields, private text sealed.
    pub fields: SiteFields,
    /// The units, by id.
    pub units: Vec<UnitStory>,
}
