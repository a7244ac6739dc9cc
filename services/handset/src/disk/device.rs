//! The device: who it is, its clock, its place in the feed.

use diesel::prelude::*;
use merge::{HybridClock, Offset};
use model::{EditId, HandsetId, Instant, PersonId, SiteId, stamp::Stamp, time::TimeSource};
use serde_json::{Map, Value};

use super::{
    Conn,
    key::Key,
    schema::{device, enrolment},
};
use crate::{
    error::{Error, Result},
    wire::Limits,
};

/// What a device knows of itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Device {
    /// Where the service is, such as `https://keepstart.example`.
    pub service: String,
    /// What its people call it.
    pub name: String,
    /// Who is signed in: the author of what is written.
    pub person: PersonId,
    /// The clock part of its last stamp.
    pub clock: u64,
    /// Which of its starts this is.
    pub boot: u64,
    /// By what this start is known from others.
    pub boot_mark: String,
    /// What has to be added to its clock, in microseconds, as measured within this start.
    pub offset_micros: Option<i64>,
    /// Its place in the feed.
    pub cursor: Option<String>,
    /// Whether the service had more when it last answered.
    pub more: bool,
    /// Whether it fills afresh: what has not come again by the end is dropped.
    pub filling: bool,
    /// The edit that waits at the service and was offered last: those behind it are next.
    pub offered: At,
    /// Whether there are two copies of it: it has to be enrolled anew.
    pub forked: bool,
    /// Whether it was revoked: it is told nothing, and has to be enrolled anew.
    pub revoked: bool,
    /// The id under which it is being enrolled.
    pub next_handset: Option<HandsetId>,
    /// What it may send, as last told.
    pub limits: Limits,
    /// The site where its user stands, as they said last.
    pub at_site: Option<SiteId>,
    /// When all was told last, by the clock of the device.
    pub synced_at: Option<Instant>,
}

/// An edit's place: which of the enrolments it was written under, and its number there.
pub type At = (i64, i64);

/// One of the numbers under which the device was enrolled.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Enrolment {
    /// Counts enrolments from 1; the last one holds.
    pub place: i64,
    /// The handset's id under it.
    pub handset: HandsetId,
    /// The number in its stamps.
    pub number: u32,
    /// The number of the last edit under it; nought before the first.
    pub last_number: i64,
    /// That edit.
    pub last_edit: Option<EditId>,
}

#[derive(Queryable, Selectable, Insertable, AsChangeset)]
#[diesel(table_name = device, treat_none_as_null = true, treat_none_as_default_value = false)]
struct DeviceRow {
    only_one: i64,
    service: String,
    name: String,
    person: Key,
    clock: i64,
    boot: i64,
    boot_mark: String,
    offset_micros: Option<i64>,
    cursor: Option<String>,
    more: bool,
    filling: bool,
    offered_enrolment: i64,
    offered_number: i64,
    forked: bool,
    revoked: bool,
    next_handset: Option<Key>,
    limits: String,
    at_site: Option<Key>,
    synced_at: Option<i64>,
}

#[derive(Queryable, Selectable, Insertable, AsChangeset)]
#[diesel(table_name = enrolment, treat_none_as_null = true, treat_none_as_default_value = false)]
struct EnrolmentRow {
    place: i64,
    handset: Key,
    number: i64,
    last_number: i64,
    last_edit: Option<Key>,
}

impl Device {
    /// One that knows nothing yet but where its service is, what it is called and who is signed in.
    pub fn new(service: &str, name: &str, person: PersonId, boot_mark: &str) -> Self {
        Self {
            service: service.trim_end_matches('/').to_owned(),
            name: name.to_owned(),
            person,
            clock: 0,
            boot: 1,
            boot_mark: boot_mark.to_owned(),
            offset_micros: None,
            cursor: None,
            more: true,
            filling: false,
            offered: (0, 0),
            forked: false,
            revoked: false,
            next_handset: None,
            limits: Limits::default(),
            at_site: None,
            synced_at: None,
        }
    }

    /// It may have been started: what was measured of its clock in another start does not hold any more. Says whether it was.
    pub(crate) fn started(&mut self, boot_mark: &str) -> bool {
        let is_new = self.boot_mark != boot_mark;
        if is_new {
            self.boot += 1;
            boot_mark.clone_into(&mut self.boot_mark);
            self.offset_micros = None;
        }
        is_new
    }

    /// What time it is when the device's clock shows this, as far as the service has said how far that is off: by whole
    /// seconds, as what happened is put right, so that nothing lies ahead that was entered just now.
    #[must_use]
    pub fn right(&self, shown: Instant) -> Instant {
        shown.plus_seconds(self.lacks_seconds().unwrap_or_default())
    }

    /// What its clock lacks, in whole seconds, as the service reckons with it.
    fn lacks_seconds(&self) -> Option<i64> {
        self.offset_micros.map(|lacks| lacks / 1_000_000)
    }

    /// When something happened of which the device's clock told the time in one of its starts: put right as the service will do
    /// it. Nothing where the time stays as it is.
    #[must_use]
    pub fn happened(&self, event: &Map<String, Value>, boot: u64) -> Option<Instant> {
        let text = |name: &str| event.get(name).and_then(Value::as_str);
        let told = text("occurred_at").filter(|_| text("occurred_source") == Some("clock"))?;
        let told = Instant::parse(told).ok()?;
        let offset = self.lacks_seconds().map(|seconds| Offset { seconds, boot: self.boot });
        let happened = merge::happened(told, TimeSource::Clock, boot, offset).at;
        (happened != told).then_some(happened)
    }

    /// The next stamp, under a number.
    pub(crate) fn tick(&mut self, number: u32, now: Instant) -> Result<Stamp> {
        let stamp = HybridClock::resumed(Stamp { clock: self.clock, handset: number }).tick(now)?;
        self.clock = stamp.clock;
        Ok(stamp)
    }

    /// It hears of the service's clock.
    pub(crate) fn hear(&mut self, heard: Stamp) {
        self.clock = self.clock.max(heard.clock);
    }

    /// It begins again with what is there now.
    pub(crate) fn fill_afresh(&mut self, cursor: Option<String>) {
        self.cursor = cursor;
        self.more = true;
        self.filling = true;
    }
}

impl DeviceRow {
    fn of(device: &Device) -> Result<Self> {
        let limits = serde_json::to_string(&device.limits).map_err(|e| Error::Unwritable(e.to_string()))?;
        Ok(Self {
            only_one: 1,
            service: device.service.clone(),
            name: device.name.clone(),
            person: device.person.into(),
            clock: device.clock.cast_signed(),
            boot: device.boot.cast_signed(),
            boot_mark: device.boot_mark.clone(),
            offset_micros: device.offset_micros,
            cursor: device.cursor.clone(),
            more: device.more,
            filling: device.filling,
            offered_enrolment: device.offered.0,
            offered_number: device.offered.1,
            forked: device.forked,
            revoked: device.revoked,
            next_handset: device.next_handset.map(Key::from),
            limits,
            at_site: device.at_site.map(Key::from),
            synced_at: device.synced_at.map(Instant::micros),
        })
    }

    fn device(self) -> Result<Device> {
        Ok(Device {
            service: self.service,
            name: self.name,
            person: self.person.id(),
            clock: self.clock.cast_unsigned(),
            boot: self.boot.cast_unsigned(),
            boot_mark: self.boot_mark,
            offset_micros: self.offset_micros,
            cursor: self.cursor,
            more: self.more,
            filling: self.filling,
            offered: (self.offered_enrolment, self.offered_number),
            forked: self.forked,
            revoked: self.revoked,
            next_handset: self.next_handset.map(Key::id),
            limits: serde_json::from_str(&self.limits).map_err(|e| Error::corrupt("limits")(&e))?,
            at_site: self.at_site.map(Key::id),
            synced_at: self.synced_at.map(Instant::from_micros),
        })
    }
}

impl EnrolmentRow {
    fn enrolment(self) -> Result<Enrolment> {
        Ok(Enrolment {
            place: self.place,
            handset: self.handset.id(),
            number: u32::try_from(self.number).map_err(|e| Error::corrupt("number")(&e))?,
            last_number: self.last_number,
            last_edit: self.last_edit.map(Key::id),
        })
    }
}

/// The device, if the file is one's already.
pub(crate) fn find(conn: &mut Conn) -> Result<Option<Device>> {
    let row: Option<DeviceRow> = device::table.select(DeviceRow::as_select()).first(conn).optional()?;
    row.map(DeviceRow::device).transpose()
}

/// The device.
pub(crate) fn load(conn: &mut Conn) -> Result<Device> {
    find(conn)?.ok_or(Error::NotEnrolled)
}

/// Keeps what the device knows of itself.
pub(crate) fn save(conn: &mut Conn, device: &Device) -> Result<()> {
    let row = DeviceRow::of(device)?;
    diesel::insert_into(device::table)
        .values(&row)
        .on_conflict(device::only_one)
        .do_update()
        .set(&row)
        .execute(conn)?;
    Ok(())
}

/// Its enrolments, the first one first.
pub(crate) fn enrolments(conn: &mut Conn) -> Result<Vec<Enrolment>> {
    let rows: Vec<EnrolmentRow> =
        enrolment::table.order(enrolment::place).select(EnrolmentRow::as_select()).load(conn)?;
    rows.into_iter().map(EnrolmentRow::enrolment).collect()
}

/// The enrolment that holds.
pub(crate) fn current(conn: &mut Conn) -> Result<Enrolment> {
    enrolments(conn)?.pop().ok_or(Error::NotEnrolled)
}

/// Keeps an enrolment.
pub(crate) fn save_enrolment(conn: &mut Conn, of: &Enrolment) -> Result<()> {
    let row = EnrolmentRow {
        place: of.place,
        handset: of.handset.into(),
        number: of.number.into(),
        last_number: of.last_number,
        last_edit: of.last_edit.map(Key::from),
    };
    diesel::insert_into(enrolment::table)
        .values(&row)
        .on_conflict(enrolment::place)
        .do_update()
        .set(&row)
        .execute(conn)?;
    Ok(())
}
