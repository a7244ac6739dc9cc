//! Being enrolled: as a new handset, or as one that the service has forgotten.

use model::HandsetId;
use serde_json::json;

use super::{Ended, Run, Step};
use crate::{
    disk::{Conn, Enrolment, device},
    error::Result,
    outside::{CodeFor, Method, Reply},
    renumber,
    wire::{Enrolled, Problem},
};

impl Run<'_, '_> {
    /// Has the handset enrolled: as a new one, or `again` as the one that the service has forgotten.
    pub(super) fn enrol(&mut self, why: CodeFor, again: Option<&Enrolment>) -> Step<()> {
        let Some(code) = self.outside.people.code(why) else { return Ok(Err(Ended::NeedsCode(why))) };
        let mut reply = go!(self.enrol_by(&code, again));
        let (mut goes_on, mut renumbered) = (again.is_some(), self.disk.look(renumber::given_away)?);
        if reply.status == 409 {
            // The number has been given away meanwhile; or an id was, by a request whose code nobody has any more.
            self.disk.change(let_go_of_id)?;
            reply = go!(self.enrol_by(&code, None));
            goes_on = false;
            renumbered = renumbered.or(again.map(|again| again.place));
        }
        if !matches!(reply.status, 200 | 201) {
            self.disk.change(let_go_of_id)?;
            let problem = Problem::read(reply.status, &reply.body);
            let wrong = problem.code() == "code_not_valid";
            return Ok(Err(if wrong { Ended::NeedsCode(why) } else { Ended::Mistake(problem) }));
        }
        let enrolled: Enrolled = match serde_json::from_slice(&reply.body) {
            Ok(enrolled) => enrolled,
            Err(_) => return Ok(Err(Ended::Update)),
        };
        if !goes_on {
            self.disk.change(|conn| under_a_new_number(conn, enrolled, renumbered))?;
        }
        Ok(Ok(()))
    }

    /// One request to be enrolled, and its answer.
    fn enrol_by(&mut self, code: &str, again: Option<&Enrolment>) -> Step<Reply> {
        let fresh = HandsetId::from_uuid(self.outside.around.fresh_id());
        // Kept before it is sent: a repeat after an answer that got lost is recognised by it.
        let device = self.disk.change(|conn| {
            let mut device = device::load(conn)?;
            if again.is_none() && device.next_handset.is_none() {
                device.next_handset = Some(fresh);
                device::save(conn, &device)?;
            }
            Ok(device)
        })?;
        let body = match again {
            None => json!({"code": code, "name": device.name, "id": device.next_handset}),
            Some(again) => {
                let previous = json!({"id": again.handset, "number": again.number});
                json!({"code": code, "name": device.name, "previous": previous})
            }
        };
        self.answered(Method::Post, "/v1/handsets", body.to_string().as_bytes())
    }
}

/// It goes on under a new number. Its clock stays, and what was written before goes out under the number it was written under;
/// but what was written under a number that was given away is written anew.
fn under_a_new_number(conn: &mut Conn, enrolled: Enrolled, given_away: Option<i64>) -> Result<()> {
    let mut device = device::load(conn)?;
    let place = device::enrolments(conn)?.last().map_or(1, |last| last.place + 1);
    let Enrolled { id: handset, number } = enrolled;
    let new = Enrolment { place, handset, number, last_number: 0, last_edit: None };
    device::save_enrolment(conn, &new)?;
    if let Some(given_away) = given_away {
        renumber::renumber(conn, given_away, new)?;
    }
    device.next_handset = None;
    device.forked = false;
    device.revoked = false;
    device.more = true;
    device::save(conn, &device)
}

/// An id that was refused is not kept: a copy of the file would be enrolled under the same one.
fn let_go_of_id(conn: &mut Conn) -> Result<()> {
    let mut device = device::load(conn)?;
    device.next_handset = None;
    device::save(conn, &device)
}
