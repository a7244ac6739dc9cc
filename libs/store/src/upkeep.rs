//! What keeps the folds as they should be while nobody writes: the advance of time, and the check against the log.

use model::{Instant, OrganizationId, UnitId};

use crate::{
    Result, Store,
    chores::{ADVANCE, ChoreKind},
    key::Key,
    report::Report,
    through,
};

impl Store {
    /// Has the advance come at once: a write has left units stale. It comes by itself soon enough, so that nobody is told
    /// when this fails.
    pub(crate) async fn hurry_advance(&self, organization: OrganizationId, now: Instant) {
        let key = Key::from(organization);
        let hurried = async {
            through!(self, write for key, |conn, ops| {
                ops::chores::hurry(conn, key, ChoreKind::Advance, ADVANCE, now)
            })
        };
        if let Err(error) = hurried.await {
            tracing::warn!(%error, "the advance was not hurried");
        }
    }

    /// At most `limit` units whose stored state is of an earlier time than `now`, and as many that are stale: folded
    /// before a change that concerns many units, or with other rules than this binary's.
    pub async fn waiting(
        &self,
        organization: OrganizationId,
        now: Instant,
        limit: i64,
    ) -> Result<Vec<UnitId>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::advance::waiting(conn, key, now, limit))
    }

    /// Folds one unit anew if it is stale, and moves its stored state on to `now`.
    pub async fn advance(&self, organization: OrganizationId, unit: UnitId, now: Instant) -> Result<()> {
        let key = Key::from(organization);
        through!(self, chore for key, |conn, ops| ops::advance::advance(conn, key, unit, now))
    }

    /// Notes that no unit waits any more, and forgets what lists can no longer be pinned to at `now`.
    pub async fn finish(&self, organization: OrganizationId, now: Instant) -> Result<()> {
        let key = Key::from(organization);
        through!(self, chore for key, |conn, ops| ops::advance::finish(conn, key, now))
    }

    /// Recomputes every fold from the log and reports each difference.
    pub async fn check(&self, organization: OrganizationId) -> Result<Report> {
        let key = Key::from(organization);
        let replayed = through!(self, read for key, |conn, ops| {
            ops::rebuild::organization(conn, key).map(|replayed| (replayed.rows, replayed.differences))
        })?;
        let (rows, mut differences) = replayed;
        let units = through!(self, read for key, |conn, ops| ops::rebuild::units(conn, key))?;
        for unit in &units {
            let unit = *unit;
            differences
                .extend(through!(self, chore for key, |conn, ops| ops::rebuild::unit(conn, key, unit))?);
        }
        Ok(Report { organization, rows, units: units.len(), differences })
    }
}
