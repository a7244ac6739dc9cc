//! Which edits go with the next request.

use crate::{
    disk::{Conn, Device, State, StoredEdit, edits},
    error::Result,
    replica::Sent,
    wire::Limits,
};

/// What a request needs beside its edits, at most.
const AROUND: usize = 4096;

/// The edits of a request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Batch {
    pub(crate) sent: Sent,
    pub(crate) texts: Vec<String>,
}

/// The next edits of the queue; where that is empty and it is their turn, those that wait at the service. All were written
/// under one number, and they are `most` at most.
pub(crate) fn next(conn: &mut Conn, device: &Device, most: usize, offer: bool) -> Result<Batch> {
    let most = most.min(device.limits.edits).max(1);
    let queue = edits::behind(conn, &[State::Queued], (0, 0), most)?;
    if !queue.is_empty() {
        return Ok(of(queue, &device.limits, false));
    }
    let waiting = if offer {
        edits::behind(conn, &[State::Parked, State::Held], device.offered, most)?
    } else {
        Vec::new()
    };
    Ok(of(waiting, &device.limits, true))
}

fn of(found: Vec<StoredEdit>, limits: &Limits, offered: bool) -> Batch {
    let place = found.first().map_or(0, |first| first.at.0);
    let room = limits.request_bytes.min(limits.decompressed_bytes).saturating_sub(AROUND);
    let (mut bytes, mut batch) =
        (0, Batch { sent: Sent { place, edits: Vec::new(), offered }, texts: Vec::new() });
    for edit in found.into_iter().take_while(|edit| edit.at.0 == place) {
        let size = edit.text.len() + 1;
        let is_first = batch.texts.is_empty();
        // One that is too large goes alone, so that its refusal costs nothing else.
        let is_large = edit.text.len() > limits.edit_bytes;
        if !is_first && (is_large || bytes + size > room) {
            break;
        }
        bytes += size;
        batch.sent.edits.push((edit.id, edit.at));
        batch.texts.push(edit.text);
        if is_large {
            break;
        }
    }
    batch
}

#[cfg(test)]
mod tests {
    use model::{EditId, Instant};

    use super::*;

    fn edit(place: i64, number: i64, bytes: usize) -> StoredEdit {
        let id = EditId::from_uuid(uuid::Uuid::from_u128(number.unsigned_abs().into()));
        StoredEdit {
            id,
            at: (place, number),
            kind: "unit".to_owned(),
            record: id.uuid(),
            text: "x".repeat(bytes),
            made_at: Instant::FIRST,
            state: State::Queued,
            version: None,
            result: None,
            answered_at: None,
            happened_at: None,
        }
    }

    /// Edits by their enrolment and size, and the numbers of those that go out together.
    type Case<'a> = (&'a [(i64, usize)], &'a [i64]);

    #[test]
    fn by_bytes_and_number() {
        let limits = Limits {
            edit_bytes: 100,
            request_bytes: AROUND + 203,
            decompressed_bytes: 1 << 20,
            ..Limits::default()
        };
        let cases: [Case<'_>; 6] = [
            (&[], &[]),
            (&[(1, 100), (1, 100), (1, 1)], &[1, 2]),
            (&[(1, 10), (2, 10)], &[1]),
            (&[(1, 101), (1, 1)], &[1]),
            (&[(1, 1), (1, 101), (1, 1)], &[1]),
            (&[(1, 1), (1, 99), (1, 100), (1, 1)], &[1, 2, 3]),
        ];
        for (edits, goes) in cases {
            let found = edits.iter().zip(1..).map(|((place, bytes), number)| edit(*place, number, *bytes));
            let batch = of(found.collect(), &limits, false);
            let numbers: Vec<i64> = batch.sent.edits.iter().map(|(_, at)| at.1).collect();
            assert_eq!(numbers, goes, "{edits:?}");
        }
    }
}
