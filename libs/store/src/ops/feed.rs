//! Reading the feed: the first fill, the lines after a row, and a change of the sites that somebody may see.
//!
//! The same as the simulated service of `tests/sync` does. A page is one read transaction, so that what it says of a unit, of
//! its sites and of the last row is of one moment.

mod fill;
mod lines;
mod rescope;
mod units;

use std::collections::BTreeSet;

use diesel::{dsl::max, prelude::*};
use model::{EventId, SiteId};

use super::super::Conn;
use super::{
    fingerprints,
    schema::change_log,
    told::{self, Told},
};
use crate::{
    error::Result,
    key::Key,
    view::{Change, Cursor, Mark, Mode, Pull, Pulled, Sites, Stage, Standing, Within},
};

/// Of so many sites at most fingerprints are told with a pull.
const FINGERPRINTS_MOST: usize = 64;

/// About so many bytes a change has, as long as nothing better is known.
const BYTES_OF_A_CHANGE: usize = 400;

/// So many steps a page takes at most, so that its transaction ends soon even where there is nothing to tell.
const STEPS_MOST: u32 = 100;

/// So many changes are read at once at most.
const READ_AT_ONCE: usize = 2000;

/// A page of the feed.
pub(crate) fn pull(conn: &mut Conn, pull: &Pull) -> Result<Pulled> {
    let organization = Key::from(pull.organization);
    let (head, fits) = head(conn, organization, pull.cursor.as_ref().map(|cursor| cursor.mark))?;
    let has = Sites::of(pull.sites.as_ref());
    let fresh = Cursor {
        sites: has.clone(),
        next: None,
        also: None,
        mode: Mode::Fill { at: Stage::Sites(None), head: head.seq },
        mark: head,
    };
    let cursor = pull.cursor.clone().unwrap_or_else(|| fresh.clone());
    let standing = match (fits, pull.revoked) {
        (false, _) => Standing::Restored,
        (true, true) => Standing::Revoked,
        (true, false) if overtaken(&cursor, &has) => Standing::ScopeChanged,
        (true, false) => Standing::Good,
    };
    let mut pulled = Pulled { standing, changes: Vec::new(), cursor: None, more: false, fingerprints: None };
    let next = match standing {
        Standing::Restored => return Ok(pulled),
        // Not none: it has to know of the rows that its own push has made.
        Standing::ScopeChanged => fresh,
        Standing::Good if pull.page => {
            let mut page = Reader::new(conn, pull, cursor, head.seq);
            let mut steps = STEPS_MOST;
            while steps > 0 && page.room() > 0 && page.step()? {
                steps -= 1;
            }
            pulled.changes = page.changes;
            page.cursor
        }
        Standing::Good | Standing::Revoked => cursor,
    };
    if standing == Standing::Good && pull.page {
        let done = next.mode == Mode::Lines { after: head.seq, within: None } && next.sites == has;
        pulled.more = !done;
        if done && pull.handset.is_some() {
            let sites = pull.sites.as_ref();
            pulled.fingerprints = fingerprints::of_sites(conn, organization, sites, FINGERPRINTS_MOST)?;
        }
    }
    pulled.cursor = Some(Cursor { mark: head, ..next });
    Ok(pulled)
}

/// Whether the sites changed again while they were being told, or so many that nobody knows which they were.
fn overtaken(cursor: &Cursor, has: &Sites) -> bool {
    let telling = cursor.also.is_some() || matches!(cursor.mode, Mode::Fill { .. });
    // Who saw nothing was not told what belongs to no site either.
    let unnamed = matches!(cursor.sites, Sites::Many(_)) || is_nothing(&cursor.sites);
    cursor.next.as_ref().is_some_and(|next| next != has) || cursor.sites != *has && (telling || unnamed)
}

fn is_nothing(sites: &Sites) -> bool {
    matches!(sites, Sites::Only(sites) if sites.is_empty())
}

/// The last row of the log, and whether it still has the row of a mark.
fn head(conn: &mut Conn, organization: Key, mark: Option<Mark>) -> Result<(Mark, bool)> {
    let begin = Mark { seq: 0, leaf: None };
    let mark = mark.unwrap_or(begin);
    let log = diesel::alias!(change_log as log);
    let last = log
        .filter(log.field(change_log::organization).eq(organization))
        .select(max(log.field(change_log::seq)))
        .single_value();
    let rows: Vec<(i64, Vec<u8>)> = change_log::table
        .filter(change_log::organization.eq(organization))
        .filter(change_log::seq.nullable().eq(last).or(change_log::seq.nullable().eq(mark.seq)))
        .select((change_log::seq, change_log::leaf_hash))
        .load(conn)?;
    let rows: Vec<Mark> =
        rows.iter().map(|(seq, leaf)| Mark { seq: *seq, leaf: proof::Hash::from_slice(leaf) }).collect();
    let last = rows.iter().copied().max_by_key(|row| row.seq);
    Ok((last.unwrap_or(begin), mark.seq == 0 || rows.contains(&mark)))
}

/// Whether the log still has the row of a mark.
pub(crate) fn fits(conn: &mut Conn, organization: Key, mark: Mark) -> Result<bool> {
    if mark.seq == 0 {
        return Ok(true);
    }
    let row = change_log::table.find((organization, mark.seq));
    let leaf: Option<Vec<u8>> = row.select(change_log::leaf_hash).first(conn).optional()?;
    Ok(leaf.is_some_and(|leaf| proof::Hash::from_slice(&leaf) == mark.leaf))
}

/// Sites by which is asked whether somebody sees something; none for all of them.
#[derive(Clone)]
struct Seen(Option<BTreeSet<Key>>);

impl Seen {
    fn of(sites: Option<&BTreeSet<SiteId>>) -> Self {
        Self(sites.map(|sites| sites.iter().map(|site| Key::from(*site)).collect()))
    }

    /// Those that a cursor names.
    fn named(sites: &Sites, has: &Self) -> Self {
        match sites {
            Sites::All => Self(None),
            Sites::Only(sites) => Self::of(Some(sites)),
            // Where they are not those that the reader has, it begins afresh.
            Sites::Many(_) => has.clone(),
        }
    }

    fn with(self, other: Self) -> Self {
        Self(self.0.zip(other.0).map(|(mut own, other)| {
            own.extend(other);
            own
        }))
    }

    /// Those that are among others, too.
    fn kept(&self, others: &Self) -> Self {
        match (&self.0, &others.0) {
            (Some(sites), Some(others)) => Self(Some(sites.intersection(others).copied().collect())),
            (sites, others) => Self(sites.as_ref().or(others.as_ref()).cloned()),
        }
    }

    fn has(&self, site: Key) -> bool {
        self.0.as_ref().is_none_or(|sites| sites.contains(&site))
    }

    /// Those of some sites that are among these.
    fn among(&self, sites: &BTreeSet<Key>) -> BTreeSet<Key> {
        sites.iter().copied().filter(|site| self.has(*site)).collect()
    }

    fn is_nothing(&self) -> bool {
        self.0.as_ref().is_some_and(BTreeSet::is_empty)
    }

    fn list(&self) -> Option<Vec<Key>> {
        self.0.as_ref().map(|sites| sites.iter().copied().collect())
    }
}

/// A page in the making.
struct Reader<'a> {
    conn: &'a mut Conn,
    organization: Key,
    pull: &'a Pull,
    /// What the reader sees now.
    has: Seen,
    /// The last row of the log.
    head: i64,
    changes: Vec<Change>,
    bytes: usize,
    cursor: Cursor,
}

impl<'a> Reader<'a> {
    fn new(conn: &'a mut Conn, pull: &'a Pull, cursor: Cursor, head: i64) -> Self {
        let (organization, has) = (Key::from(pull.organization), Seen::of(pull.sites.as_ref()));
        Self { conn, organization, pull, has, head, changes: Vec::new(), bytes: 0, cursor }
    }

    /// About how many changes more have their place here.
    fn room(&self) -> usize {
        let bytes = self.pull.most.bytes.saturating_sub(self.bytes);
        let told = self.changes.len();
        let each = self.bytes.checked_div(told).unwrap_or(BYTES_OF_A_CHANGE).max(1);
        let by_bytes = if bytes == 0 { 0 } else { (bytes / each).max(1) };
        by_bytes.min(self.pull.most.changes.saturating_sub(told)).min(READ_AT_ONCE)
    }

    /// Goes one step on; says whether there was one.
    fn step(&mut self) -> Result<bool> {
        match self.cursor.mode.clone() {
            Mode::Fill { at, head } => {
                let next = self.fill(at)?;
                self.cursor.mode =
                    next.map_or(Mode::Lines { after: head, within: None }, |at| Mode::Fill { at, head });
            }
            Mode::Lines { after, within: Some(within) } => {
                let within = self.rest_of(within)?;
                self.cursor.mode = Mode::Lines { after, within };
            }
            Mode::Lines { after, within: None } => return self.lines(after),
            Mode::Rescope { at, head } => match self.rescope(at)? {
                Some(at) => self.cursor.mode = Mode::Rescope { at, head },
                None => self.rescoped(head),
            },
        }
        Ok(true)
    }

    /// The sites by which it is judged what the reader sees: while lines are read of sites that change, those that it keeps,
    /// since all that it sees through those it gains comes whole when units are compared.
    fn sees(&self) -> Seen {
        match (&self.cursor.next, &self.cursor.mode) {
            (Some(_), Mode::Lines { .. }) => Seen::named(&self.cursor.sites, &self.has).kept(&self.has),
            _ => self.has.clone(),
        }
    }

    fn tell(&mut self, change: Change) {
        self.bytes = self.bytes.saturating_add(match &change {
            Change::Record { record, .. } => record.as_str().len().saturating_add(FRAME),
            Change::Echo { edits, .. } => edits.len().saturating_mul(FRAME),
            Change::Forget { .. } => FRAME,
        });
        self.changes.push(change);
    }

    fn tell_all(&mut self, told: impl IntoIterator<Item = Told>) {
        told.into_iter().for_each(|told| self.tell(told.change()));
    }

    /// The next events of a unit that was told itself, as long as the reader sees it; gives the place if there are more.
    ///
    /// One that it does not see has left by a row whose lines follow.
    fn rest_of(&mut self, within: Within) -> Result<Option<Within>> {
        let unit = Key::from(within.unit);
        let placed = units::placed(self.conn, self.organization, &[unit].into())?;
        let sees = self.sees();
        if !placed.get(&unit).is_some_and(|placed| placed.is_seen(&sees)) {
            return Ok(None);
        }
        let limit = self.room().max(1);
        let after = within.after.map_or(Key::NIL, Key::from);
        let events = told::events_after(self.conn, self.organization, unit, after, limit)?;
        let last: Option<EventId> =
            events.last().filter(|_| events.len() == limit).map(|event| event.id.id());
        self.tell_all(events);
        Ok(last.map(|last| Within { after: Some(last), ..within }))
    }
}

/// About so many bytes what stands around a record.
const FRAME: usize = 130;
