//! Units and sites with all that happened to them, as every question asks for them.

use access::{Action, Object};
use actix_web::HttpRequest;
use model::{Instant, SiteId, UnitId, Zone, event::TagWord, read::Flaw};
use process::readiness::record;
use serde::Serialize;
use serde_json::Value;
use standby::record::Record;
use store::view::{DueFilter, SiteStory, UnitStory};
use utoipa::ToSchema;

use super::super::{
    moment::{Asked, KnownThen, folded},
    units,
};
use crate::{
    extract::{Caller, Params, path_id},
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// What an answer about a unit begins with.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitHead {
    /// The unit.
    #[schema(value_type = String, format = "uuid")]
    unit_id: UnitId,
    /// What people call it.
    #[serde(skip_serializing_if = "Option::is_none")]
    unit_label: Option<String>,
    /// The instant of the answer.
    #[schema(value_type = String, format = DateTime)]
    as_of: Instant,
    /// What of the log it rests on.
    #[serde(flatten)]
    known: KnownThen,
    /// Where the unit stands.
    #[schema(value_type = String, format = "uuid")]
    standing_site_id: SiteId,
}

/// What an answer about a site begins with.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SiteHead {
    /// The site.
    #[schema(value_type = String, format = "uuid")]
    site_id: SiteId,
    /// What people call it.
    #[serde(skip_serializing_if = "Option::is_none")]
    site_name: Option<String>,
    /// The instant of the answer.
    #[schema(value_type = String, format = DateTime)]
    as_of: Instant,
    /// What of the log it rests on.
    #[serde(flatten)]
    known: KnownThen,
}

/// A unit with all that happened to it by an instant.
pub(super) struct ToldUnit {
    pub(super) head: UnitHead,
    pub(super) story: UnitStory,
    pub(super) at: Instant,
}

/// A site with the units that stand there.
pub(super) struct ToldSite {
    pub(super) head: SiteHead,
    pub(super) story: SiteStory,
    pub(super) at: Instant,
    pub(super) zone: Zone,
}

impl ToldUnit {
    /// What is recorded of it.
    pub(super) fn record(&self) -> Record<'_> {
        record(&self.story, self.at)
    }

    /// The zone of the site where it stands.
    pub(super) const fn zone(&self) -> &Zone {
        &self.story.zone
    }
}

impl ToldSite {
    /// What is recorded of one of its units.
    pub(super) fn record<'a>(&self, unit: &'a UnitStory) -> Record<'a> {
        record(unit, self.at)
    }
}

/// Whether a tag says that it must not run.
pub(super) fn tagged_out(unit: &UnitStory) -> bool {
    unit.tags.iter().any(|tag| matches!(tag.tag, TagWord::OutOfService | TagWord::LockedOut))
}

/// The unit that a request names, at the moment that it names.
pub(super) async fn asked_unit(state: &State, caller: &Caller, request: &HttpRequest) -> ApiResult<ToldUnit> {
    let id: UnitId = path_id(request, "unit_id")?;
    let mut params = Params::of(request)?;
    let asked = Asked::of(&mut params, caller.now());
    params.close()?;
    unit(state, caller, id, &asked).await
}

/// A unit that the caller may see.
pub(super) async fn unit(state: &State, caller: &Caller, id: UnitId, asked: &Asked) -> ApiResult<ToldUnit> {
    caller.require(Action::ReadDue, &units::object(state, caller, id).await?)?;
    let then = state.store.unit_story(caller.organization(), id, asked.moment()).await?;
    let then = then.ok_or_else(|| ApiError::new(Kind::NotFound))?;
    let (story, at) = (then.answer, asked.at());
    let head = UnitHead {
        unit_id: id,
        unit_label: story.due.label.clone(),
        as_of: at,
        known: KnownThen::unless_now(asked, then.known_seq),
        standing_site_id: story.site,
    };
    Ok(ToldUnit { head, story, at })
}

/// A site that the caller may see, with those of its units that they may see.
pub(super) async fn site(state: &State, caller: &Caller, id: SiteId, asked: &Asked) -> ApiResult<ToldSite> {
    told_site(state, caller, id, asked, true).await
}

/// The same with all units that ever stood there.
pub(super) async fn site_ever(
    state: &State,
    caller: &Caller,
    id: SiteId,
    asked: &Asked,
) -> ApiResult<ToldSite> {
    told_site(state, caller, id, asked, false).await
}

async fn told_site(
    state: &State,
    caller: &Caller,
    id: SiteId,
    asked: &Asked,
    standing: bool,
) -> ApiResult<ToldSite> {
    caller.require(Action::ReadDue, &Object::at(caller.organization(), [id]))?;
    let filter = DueFilter { sites: caller.visible_sites(), ..DueFilter::all(caller.organization()) };
    let found = state.store.site_story(filter, id, asked.moment(), standing).await?;
    let then = folded(found.ok_or_else(|| ApiError::new(Kind::NotFound))?)?;
    let (story, at) = (then.answer, asked.at());
    let head = SiteHead {
        site_id: id,
        site_name: story.fields.name.as_ref().map(ToString::to_string),
        as_of: at,
        known: KnownThen::unless_now(asked, then.known_seq),
    };
    Ok(ToldSite { head, zone: zone_of(&story.fields)?, story, at })
}

/// The zone of a site, which every site has.
fn zone_of(fields: &model::site::SiteFields) -> ApiResult<Zone> {
    fields.zone.clone().ok_or_else(|| ApiError::internal("a site without a zone"))
}

/// Reads a parameter that is a number as JSON writes it.
pub(super) fn number<T>(read: impl Fn(&Value) -> Result<T, Flaw>) -> impl Fn(&str) -> Result<T, Flaw> {
    move |text| {
        let number = serde_json::from_str(text).ok().filter(Value::is_number);
        read(&number.ok_or_else(|| Flaw::wrong_type("a number"))?)
    }
}

/// Reads a parameter that is `true` or `false`.
pub(super) fn flag(text: &str) -> Result<bool, Flaw> {
    match text {
        "true" => Ok(true),
        "false" => Ok(false),
        _ => Err(Flaw::new("unknown_word", "This is true or false.")),
    }
}
