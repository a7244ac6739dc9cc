//! Photos go after the records: those that wait are sent, each from where the service has it, and others' that are wished for are
//! fetched. Whatever becomes of them, the records have flowed.

use blob::begins_as;
use model::{BlobHash, Instant, PersonId};
use proof::sha256;
use serde::Deserialize;
use serde_json::json;

use super::{Came, Ended, Run, Step};
use crate::{
    disk::{
        Conn, Device, device,
        photos::{self, PIECE, PhotoState, StoredPhoto},
        records,
    },
    error::Result,
    outside::{Method, Reply},
    photos::{is_named, is_settled},
    replica::KEPT_FOR_DAYS,
    wire::Problem,
};

/// No photo is larger, also where a service says so.
const BYTES_MOST: u64 = 64 << 20;

/// What became of photos in a sync.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PhotosSynced {
    /// How many are at the service now that were not before, or not for certain.
    pub sent: usize,
    /// How many the service did not take.
    pub refused: usize,
    /// How many of others came.
    pub fetched: usize,
    /// How many have still to be sent or fetched.
    pub waiting: usize,
    /// Why the rest was left for later.
    pub ended: Option<Ended>,
}

/// How far the service has a photo.
enum Begun {
    /// All of it.
    There,
    /// So many bytes.
    So(u64),
    /// It may not be asked.
    No(Problem),
}

/// What the service says to a part.
#[derive(Deserialize)]
struct Received {
    received: u64,
}

/// Whether others' photos are fetched as well, or own ones sent alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Which {
    All,
    Own,
}

/// Sends and fetches photos until nothing is left that can go now; `now` is by the service's clock.
pub(super) fn go(run: &mut Run<'_, '_>, which: Which, now: Instant) -> Result<()> {
    let before = now.plus_seconds(-KEPT_FOR_DAYS * 24 * 3600);
    run.disk.change(|conn| photos::let_go(conn, before))?;
    run.synced.photos.ended = all(run, which, now)?.err();
    count(run)
}

/// Counts those that have still to go; what nothing names that counts has nowhere to go.
pub(super) fn count(run: &mut Run<'_, '_>) -> Result<()> {
    let open = |photo: &&StoredPhoto| match photo.state {
        PhotoState::Waiting => photo.settled_at.is_none(),
        state => state == PhotoState::Wished,
    };
    run.synced.photos.waiting = run.disk.look(photos::all)?.iter().filter(open).count();
    Ok(())
}

/// Asks, with the file left to other programs: a piece may take long, and people go on writing.
fn ask(run: &mut Run<'_, '_>, device: &Device, method: Method, path: &str, body: &[u8]) -> Step<Came> {
    run.disk.leave();
    let came = run.ask(device, method, path, body);
    run.disk.come_back()?;
    came
}

/// Stops between two pieces if somebody wants the handset.
fn between(run: &mut Run<'_, '_>) -> Step<()> {
    Ok(if run.outside.around.wanted() { Err(Ended::Stopped) } else { Ok(()) })
}

fn all(run: &mut Run<'_, '_>, which: Which, now: Instant) -> Step<()> {
    let device = run.disk.look(device::load)?;
    let mut later = None;
    let photos = run.disk.look(photos::all)?;
    let asked = |photo: &&StoredPhoto| which == Which::All || photo.state != PhotoState::Wished;
    for photo in photos.iter().filter(asked) {
        match one(run, &device, photo, now)? {
            Ok(()) => {}
            // The service answers, and only not for this one. The next is not tried as often, unless it goes.
            Err(Ended::Later) if !run.silent => later = Some(Ended::Later),
            Err(ended) => return Ok(Err(ended)),
        }
    }
    Ok(later.map_or(Ok(()), Err))
}

fn one(run: &mut Run<'_, '_>, device: &Device, photo: &StoredPhoto, now: Instant) -> Step<()> {
    match photo.state {
        PhotoState::Waiting => {}
        // It counts as kept for good only if it is there after what names it.
        PhotoState::Sent if photo.settled_at.is_none() => {
            let uses = run.disk.look(|conn| photos::uses(conn, &photo.sha256))?;
            if !is_settled(&uses) {
                return Ok(Ok(()));
            }
        }
        PhotoState::Wished => return fetch(run, device, photo, now),
        _ => return Ok(Ok(())),
    }
    match run.disk.look(|conn| turn(conn, photo, device.person))? {
        Turn::Now => {
            let photo = StoredPhoto { settled_at: None, ..photo.clone() };
            send(run, device, &photo, now)
        }
        // It goes after a while, as if it had been sent.
        Turn::Never => {
            let settled_at = photo.settled_at.or(Some(now));
            not_now(run, &StoredPhoto { settled_at, ..photo.clone() }, "Its entry was not recorded.")
        }
        Turn::OfItsAuthor => not_now(run, photo, "It goes when whoever took it is signed in."),
    }
}

/// Whose turn it is to send a photo.
enum Turn {
    Now,
    Never,
    OfItsAuthor,
}

/// Whoever took it sends it, or somebody who sees its unit: for others only what such people sent opens.
fn turn(conn: &mut Conn, photo: &StoredPhoto, person: PersonId) -> Result<Turn> {
    let uses = photos::uses(conn, &photo.sha256)?;
    if !is_named(&uses) {
        return Ok(Turn::Never);
    }
    if photo.author == Some(person) {
        return Ok(Turn::Now);
    }
    for one in uses {
        if records::find(conn, "unit", one.unit.uuid())?.is_some() {
            return Ok(Turn::Now);
        }
    }
    Ok(Turn::OfItsAuthor)
}

fn not_now(run: &mut Run<'_, '_>, photo: &StoredPhoto, why: &str) -> Step<()> {
    let problem = json!({"title": why}).to_string();
    run.disk.change(|conn| photos::update(conn, &StoredPhoto { problem: Some(problem), ..photo.clone() }))?;
    Ok(Ok(()))
}

/// Sends what the service lacks of a photo.
fn send(run: &mut Run<'_, '_>, device: &Device, photo: &StoredPhoto, now: Instant) -> Step<()> {
    let path = path(&photo.sha256);
    let total = photo.bytes.unwrap_or_default();
    let mut afresh = false;
    let mut from = match go!(begun(run, device, &path)) {
        Begun::There => return there(run, photo, now),
        Begun::So(from) => from,
        Begun::No(problem) => return left(run, photo, PhotoState::Waiting, &problem),
    };
    loop {
        let piece = run.disk.look(|conn| photos::piece(conn, &photo.sha256, from))?;
        let reply = match go!(ask(run, device, Method::PutPart { first: from, total }, &path, &piece)) {
            Came::Reply(reply) => reply,
            // Some of it may have come.
            Came::Again => match go!(begun(run, device, &path)) {
                Begun::There => return there(run, photo, now),
                Begun::So(so) => {
                    if so > from {
                        run.backoff.over();
                    }
                    from = so;
                    continue;
                }
                Begun::No(problem) => return left(run, photo, PhotoState::Waiting, &problem),
            },
        };
        match reply.status {
            200 | 201 => return there(run, photo, now),
            202 | 409 if received(&reply).is_some() => {
                let so = received(&reply).unwrap_or_default();
                if so > from && so < total {
                    run.backoff.over();
                } else {
                    go!(pause(run, &reply));
                }
                from = so.min(total.saturating_sub(1));
                go!(between(run));
            }
            408 => go!(pause(run, &reply)),
            // What was put together there is not what was sent: it is sent once more.
            422 if !afresh && is_wrong_hash(&problem(&reply)) => (afresh, from) = (true, 0),
            413 | 415 | 422 => {
                let refused = StoredPhoto { settled_at: Some(now), ..photo.clone() };
                return left(run, &refused, PhotoState::Refused, &problem(&reply));
            }
            _ => return left(run, photo, PhotoState::Waiting, &problem(&reply)),
        }
    }
}

/// Waits before the same is tried again.
fn pause(run: &mut Run<'_, '_>, reply: &Reply) -> Step<()> {
    run.wait(reply.retry_after)
}

fn path(name: &BlobHash) -> String {
    format!("/v1/blobs/{name}")
}

fn is_wrong_hash(problem: &Problem) -> bool {
    problem.errors.iter().any(|error| error.get("code").is_some_and(|code| code == "wrong_hash"))
}

fn problem(reply: &Reply) -> Problem {
    Problem::read(reply.status, &reply.body)
}

/// How many bytes have come, as the answer to a part tells.
fn received(reply: &Reply) -> Option<u64> {
    let told = serde_json::from_slice::<Received>(&reply.body).ok().map(|told| told.received);
    told.or(reply.upload_offset)
}

/// Asks how far the service has a photo.
fn begun(run: &mut Run<'_, '_>, device: &Device, path: &str) -> Step<Begun> {
    loop {
        if let Came::Reply(reply) = go!(ask(run, device, Method::Head, path, b"")) {
            return Ok(Ok(match reply.status {
                200 => Begun::There,
                404 => Begun::So(reply.upload_offset.unwrap_or_default()),
                _ => Begun::No(problem(&reply)),
            }));
        }
    }
}

/// Notes that the service has it; for good, if all that names it has had its last answer.
fn there(run: &mut Run<'_, '_>, photo: &StoredPhoto, now: Instant) -> Step<()> {
    run.backoff.over();
    run.disk.change(|conn| {
        let settled_at = is_settled(&photos::uses(conn, &photo.sha256)?).then_some(now);
        let sent = StoredPhoto { state: PhotoState::Sent, problem: None, settled_at, ..photo.clone() };
        photos::update(conn, &sent)
    })?;
    run.synced.photos.sent += 1;
    Ok(Ok(()))
}

/// Leaves a photo with what is in its way, and goes on with the next.
fn left(run: &mut Run<'_, '_>, photo: &StoredPhoto, state: PhotoState, why: &Problem) -> Step<()> {
    let problem = json!({"type": why.kind, "title": why.title, "status": why.status, "detail": why.detail});
    let problem = Some(problem.to_string());
    run.disk.change(|conn| photos::update(conn, &StoredPhoto { state, problem, ..photo.clone() }))?;
    if state == PhotoState::Refused {
        run.synced.photos.refused += 1;
    }
    Ok(Ok(()))
}

/// Fetches what lacks of a photo of others.
fn fetch(run: &mut Run<'_, '_>, device: &Device, photo: &StoredPhoto, now: Instant) -> Step<()> {
    let path = path(&photo.sha256);
    let mut from = run.disk.look(|conn| photos::length(conn, &photo.sha256))?;
    let mut total = photo.bytes;
    while total.is_none_or(|total| from < total) {
        let last = from.saturating_add(PIECE as u64 - 1);
        let Came::Reply(reply) = go!(ask(run, device, Method::GetPart { first: from, last }, &path, b""))
        else {
            continue;
        };
        if !matches!(reply.status, 200 | 206) {
            let problem = match reply.status {
                404 => Problem {
                    title: "Whoever took it has still to send it.".to_owned(),
                    ..Problem::default()
                },
                _ => problem(&reply),
            };
            return left(run, photo, PhotoState::Wished, &problem);
        }
        let whole = reply.status == 200;
        let told = if whole { Some(reply.body.len() as u64) } else { reply.total };
        let Some(all) = told.filter(|all| *all <= BYTES_MOST && !reply.body.is_empty()) else {
            return again_later(run, photo);
        };
        total = Some(all);
        from = run.disk.change(|conn| {
            if whole {
                photos::fill(conn, &photo.sha256, &reply.body)?;
            } else {
                photos::keep(conn, &photo.sha256, from, &reply.body)?;
            }
            photos::update(conn, &StoredPhoto { bytes: total, ..photo.clone() })?;
            photos::length(conn, &photo.sha256)
        })?;
        run.backoff.over();
        if total.is_none_or(|total| from < total) {
            go!(between(run));
        }
    }
    fetched(run, &StoredPhoto { bytes: total, ..photo.clone() }, now)
}

/// Holds what came against its name.
fn fetched(run: &mut Run<'_, '_>, photo: &StoredPhoto, now: Instant) -> Step<()> {
    let bytes = run.disk.look(|conn| photos::bytes(conn, &photo.sha256))?;
    if sha256(&bytes).as_bytes() != photo.sha256.as_bytes() {
        return again_later(run, photo);
    }
    let media_type = begins_as(&bytes);
    let here = StoredPhoto {
        state: PhotoState::Fetched,
        media_type,
        problem: None,
        settled_at: Some(now),
        ..photo.clone()
    };
    run.disk.change(|conn| photos::update(conn, &here))?;
    run.synced.photos.fetched += 1;
    Ok(Ok(()))
}

/// What came is not what was wished for: it is thrown away, and fetched anew with the next sync.
fn again_later(run: &mut Run<'_, '_>, photo: &StoredPhoto) -> Step<()> {
    let problem = json!({"title": "What came was damaged on its way; it is fetched anew."}).to_string();
    run.disk.change(|conn| {
        photos::empty(conn, &photo.sha256)?;
        photos::update(conn, &StoredPhoto { bytes: None, problem: Some(problem), ..photo.clone() })
    })?;
    Ok(Ok(()))
}
