//! What was written under a number that belongs to another handset by now, written anew: with numbers and stamps of the new
//! one, and the ids that it had.

use std::collections::BTreeSet;

use merge::{Base, Version};
use model::{EditId, stamp::Stamp};

use crate::{
    disk::{Conn, Enrolment, State, StoredEdit, device, edits},
    error::{Error, Result},
    wire::{EditText, Told},
};

/// Whether a result says that the number an edit was written under belongs to another handset.
pub(crate) fn is_of_another(result: &str) -> bool {
    let told: Option<Told> = serde_json::from_str(result).ok();
    told.and_then(|told| told.reason).is_some_and(|reason| reason == "stamp_of_another_handset")
}

/// The enrolment that holds, if an edit under it was refused for its number. So it goes where the answer to an enrolment got
/// lost, a copy of the file was enrolled under the same id, and the service was restored in between.
pub(crate) fn given_away(conn: &mut Conn) -> Result<Option<i64>> {
    let Some(last) = device::enrolments(conn)?.last().map(|last| last.place) else { return Ok(None) };
    let edits = edits::all(conn)?;
    let refused = |edit: &StoredEdit| edit.at.0 == last && edit.result.as_deref().is_some_and(is_of_another);
    Ok(edits.iter().any(refused).then_some(last))
}

/// Moves all edits of the enrolment `from` behind what was written under `to`.
pub(crate) fn renumber(conn: &mut Conn, from: i64, mut to: Enrolment) -> Result<()> {
    let old: Vec<StoredEdit> = edits::all(conn)?.into_iter().filter(|edit| edit.at.0 == from).collect();
    let own: BTreeSet<EditId> = old.iter().map(|edit| edit.id).collect();
    for edit in old {
        let mut text = EditText::read(&edit.text)?;
        to.last_number += 1;
        text.number = to.last_number.cast_unsigned();
        text.previous = to.last_edit.replace(edit.id);
        text.stamp = Stamp { handset: to.number, ..text.stamp };
        text.base = text.base.map(|base| by_both_names(&base, &own, to.number));
        let text = serde_json::to_string(&text).map_err(|e| Error::Unwritable(e.to_string()))?;
        edits::remove(conn, edit.id)?;
        let at = (to.place, to.last_number);
        let result = edit.result.filter(|result| !is_of_another(result));
        edits::add(conn, &StoredEdit { at, text, state: State::Queued, result, ..edit })?;
    }
    device::save_enrolment(conn, &to)
}

/// A base that names own values by their new names, too: the service has them by the old ones as far as it was not restored to
/// before them, and nobody here knows how far that is.
fn by_both_names(base: &Base, own: &BTreeSet<EditId>, number: u32) -> Base {
    let both = |versions: &BTreeSet<Version>| {
        let mine = versions.iter().filter(|version| own.contains(&version.edit));
        let new =
            |version: &Version| Version { raw: Stamp { handset: number, ..version.raw }, edit: version.edit };
        versions.iter().copied().chain(mine.map(new)).collect()
    };
    base.iter().map(|(field, versions)| (field.to_owned(), both(versions))).collect()
}
