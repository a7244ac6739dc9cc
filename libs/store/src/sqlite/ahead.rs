//! Writes that are planned before their turn, so that the one thread that writes has only to write.

use std::sync::Arc;

use super::{
    Conn, dialect,
    door::Pool,
    ops::write::{self, Planning},
    taken,
    writer::Urgency,
};
use crate::{
    body::Body,
    command::Command,
    error::{Result, StoreError},
    key::Key,
    locks::{self, Attempt, Locks},
};

impl Pool {
    /// Judges a command's edits by what is committed, with `extra` locked beside what they name, and writes what they come
    /// to. If others have taken one of its locks meanwhile, all of it is done once more in its turn.
    pub(crate) async fn write_command(
        &self,
        command: Arc<Command>,
        bodies: Arc<Vec<Arc<Body>>>,
        extra: Locks,
    ) -> Result<Attempt> {
        let organization = Key::from(command.organization);
        let turn = self.turn(organization).await?;
        let locks = Arc::new(write::locks(&command, &extra));
        let (to_plan, its_bodies, its_locks) =
            (Arc::clone(&command), Arc::clone(&bodies), Arc::clone(&locks));
        let planned = self.plan(move |conn| write::plan(conn, &to_plan, &its_bodies, &its_locks));
        let (since, planning) = planned.await?;
        let plan = match planning {
            Planning::Again(locks) => return Ok(Attempt::Again(locks)),
            Planning::Ready(plan) => plan,
        };
        let urgency = if command.slice.is_some() { Urgency::Chore } else { Urgency::Request };
        self.in_turn(urgency, turn, move |conn| {
            if taken::are_free(organization, &locks, since)
                && let Some(written) = as_planned(conn, organization, plan, &locks)
            {
                return written;
            }
            tracing::debug!("planned once more");
            dialect::write(conn, |conn| write::write(conn, &command, &bodies, &extra))
        })
        .await
    }
}

/// Writes what was planned; nothing if that cannot be written any more.
fn as_planned(
    conn: &mut Conn,
    organization: Key,
    plan: Box<write::Plan>,
    locks: &Locks,
) -> Option<Result<Attempt>> {
    let written = dialect::write(conn, |conn| {
        dialect::lock(conn, organization, &locks::records(locks))?;
        plan.write(conn)
    });
    // An edit has an id that another unit's edit was given meanwhile.
    let again = written.as_ref().is_err_and(StoreError::is_worth_another_try);
    (!again).then_some(written)
}
