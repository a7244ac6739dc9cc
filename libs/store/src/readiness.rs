//! Whether units and sites are ready, kept like due items: what has changed waits to be judged anew, by a judge from outside.
//!
//! Whatever folds a unit or sets its fields makes it wait, in the same statement; so does its verdict's `until`, and an edit of
//! the site where it stands. A site waits when it is edited, and when the verdict on a unit there has changed.

use std::sync::Arc;

use model::{Instant, Kilowatts, OrganizationId, SiteId, UnitId, site::SiteFields};

use crate::{
    Result, Store,
    key::Key,
    through,
    view::{DueFilter, UnitStory},
};

/// Judges whether units and sites are ready. It knows no clock: the same is judged the same.
pub trait Judge: std::fmt::Debug + Send + Sync {
    /// Judges a unit by all that is known of it.
    ///
    /// # Errors
    /// Where what is told of it cannot be written as JSON.
    fn unit(&self, seen: &UnitSeen) -> serde_json::Result<Judged>;

    /// Judges a site by the verdicts on its units.
    ///
    /// # Errors
    /// Where what is told of it cannot be written as JSON.
    fn site(&self, seen: &SiteSeen) -> serde_json::Result<Judged>;

    /// What it judges with, rules and policy: whatever was judged with something else waits to be judged anew.
    fn version(&self) -> &str;
}

/// Four words, of which a verdict is one: `ready`, `ready_with_limits`, `unknown`, `not_ready`.
pub const VERDICTS: [&str; 4] = ["ready", "ready_with_limits", "unknown", "not_ready"];

/// A verdict.
#[derive(Clone, Debug)]
pub struct Judged {
    /// One of [`VERDICTS`].
    pub verdict: &'static str,
    /// The next instant at which it may change by time alone.
    pub until: Option<Instant>,
    /// What a unit can carry.
    pub capacity: Option<Kilowatts>,
    /// What is told of it, as JSON that is kept byte for byte.
    pub told: String,
}

/// All that is known of a unit that is not retired.
#[derive(Clone, Debug)]
pub struct UnitSeen {
    /// The unit with all that happened to it.
    pub story: UnitStory,
    /// The first instant to come at which something that is recorded happens or takes effect.
    pub ahead: Option<Instant>,
    /// When it is judged.
    pub now: Instant,
}

/// All that is known of a site that is not retired.
#[derive(Clone, Debug)]
pub struct SiteSeen {
    /// The site.
    pub id: SiteId,
    /// Its fields, private text sealed.
    pub fields: SiteFields,
    /// The units that stand there, by id.
    pub units: Vec<UnitJudged>,
    /// When it is judged.
    pub now: Instant,
}

/// The verdict on a unit, as far as a site asks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnitJudged {
    /// The unit.
    pub unit: UnitId,
    /// One of [`VERDICTS`].
    pub verdict: String,
    /// What it can carry.
    pub capacity: Option<Kilowatts>,
    /// When its verdict may change by time alone.
    pub until: Option<Instant>,
}

/// Which page of verdicts is asked for.
#[derive(Clone, Debug)]
pub struct ReadinessQuery {
    /// On which units, or at which sites.
    pub of: DueFilter,
    /// Only these of [`VERDICTS`]; empty means all.
    pub verdicts: Vec<&'static str>,
    /// Up to which instant a verdict has to hold; what does not waits.
    pub now: Instant,
    /// What is judged with now.
    pub judged_with: String,
    /// The last unit or site of the page before.
    pub after: Option<uuid::Uuid>,
    /// At most so many.
    pub limit: usize,
}

/// The verdict on a unit as it is kept.
#[derive(Clone, Debug)]
pub struct UnitRow {
    /// The unit.
    pub unit: UnitId,
    /// Its home site.
    pub home_site: SiteId,
    /// Where it stands.
    pub standing_site: SiteId,
    /// The verdict.
    pub verdict: String,
    /// When it was judged.
    pub judged_at: Instant,
    /// When it may change by time alone.
    pub until: Option<Instant>,
    /// Whether it waits to be judged anew.
    pub waits: bool,
    /// What was told of it.
    pub told: String,
}

/// The verdict on a site as it is kept.
#[derive(Clone, Debug)]
pub struct SiteRow {
    /// The site.
    pub site: SiteId,
    /// The verdict.
    pub verdict: String,
    /// When it was judged.
    pub judged_at: Instant,
    /// When it may change by time alone.
    pub until: Option<Instant>,
    /// Whether it, or a unit that stands there, waits to be judged anew.
    pub waits: bool,
    /// What was told of it.
    pub told: String,
}

/// A page of verdicts. It may be shorter than was asked for: of what has moved out of sight nobody is told.
#[derive(Clone, Debug)]
pub struct Listed<T> {
    /// The rows.
    pub items: Vec<T>,
    /// The last unit or site that was looked at.
    pub last: Option<uuid::Uuid>,
    /// Whether another page follows.
    pub more: bool,
}

/// What waits to be judged anew.
#[derive(Clone, Debug, Default)]
pub struct Waiting {
    /// Units.
    pub units: Vec<UnitId>,
    /// Sites; they are judged by what their units came to.
    pub sites: Vec<SiteId>,
}

/// Who waits for a judgement: on SQLite a chore stands behind requests.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum For {
    /// Somebody who asked.
    Request,
    /// Nobody.
    Chore,
}

impl Store {
    /// At most `limit` units and as many sites that `of` asks about and that wait to be judged at `now`.
    pub async fn unjudged(
        &self,
        of: DueFilter,
        judge: &dyn Judge,
        now: Instant,
        limit: i64,
    ) -> Result<Waiting> {
        let with = judge.version().to_owned();
        through!(self, read for Key::from(of.organization), |conn, ops| {
            ops::readiness::waiting(conn, &of, &with, now, limit)
        })
    }

    /// Judges a unit if it waits, and has its site judged if that may come out otherwise. Says whether it is done: a unit that
    /// moves meanwhile is left to be judged later.
    pub async fn judge_unit(
        &self,
        organization: OrganizationId,
        unit: UnitId,
        judge: Arc<dyn Judge>,
        now: Instant,
        waits: For,
    ) -> Result<bool> {
        let key = Key::from(organization);
        match waits {
            For::Request => through!(self, write for key, |conn, ops| {
                ops::readiness::judge_unit(conn, key, unit, &*judge, now)
            }),
            For::Chore => through!(self, chore for key, |conn, ops| {
                ops::readiness::judge_unit(conn, key, unit, &*judge, now)
            }),
        }
    }

    /// Judges a site if it waits.
    pub async fn judge_site(
        &self,
        organization: OrganizationId,
        site: SiteId,
        judge: Arc<dyn Judge>,
        now: Instant,
        waits: For,
    ) -> Result<()> {
        let key = Key::from(organization);
        match waits {
            For::Request => through!(self, write for key, |conn, ops| {
                ops::readiness::judge_site(conn, key, site, &*judge, now)
            }),
            For::Chore => through!(self, chore for key, |conn, ops| {
                ops::readiness::judge_site(conn, key, site, &*judge, now)
            }),
        }
    }

    /// Judges at most `limit` units that wait and that `of` asks about, and as many sites, since somebody waits for the answer.
    pub async fn judge_waiting(
        &self,
        of: DueFilter,
        judge: &Arc<dyn Judge>,
        now: Instant,
        limit: i64,
    ) -> Result<()> {
        let organization = of.organization;
        let first = self.unjudged(of.clone(), &**judge, now, limit).await?;
        for unit in first.units.iter().take(usize::try_from(limit).unwrap_or(usize::MAX)) {
            self.judge_unit(organization, *unit, Arc::clone(judge), now, For::Request).await?;
        }
        let sites =
            if first.units.is_empty() { first } else { self.unjudged(of, &**judge, now, limit).await? }.sites;
        for site in sites {
            self.judge_site(organization, site, Arc::clone(judge), now, For::Request).await?;
        }
        Ok(())
    }

    /// A page of verdicts on units by id, and how many units asked about wait: their rows may be out of date, or missing.
    pub async fn readiness(&self, query: ReadinessQuery) -> Result<(Listed<UnitRow>, usize)> {
        through!(self, read for Key::from(query.of.organization), |conn, ops| {
            Ok((ops::readiness::units(conn, &query)?, ops::readiness::pending_units(conn, &query)?.len()))
        })
    }

    /// The same of sites: one waits, too, while a unit that stands there does.
    pub async fn site_readiness(&self, query: ReadinessQuery) -> Result<(Listed<SiteRow>, usize)> {
        through!(self, read for Key::from(query.of.organization), |conn, ops| {
            let pending = ops::readiness::pending_sites(conn, &query)?;
            Ok((ops::readiness::sites(conn, &query, &pending)?, pending.len()))
        })
    }
}
