//! The handset, as a program uses it.

use std::path::Path;

use model::{BlobHash, EditId, PersonId, SiteId, UnitId};
use serde_json::{Map, Value};
use uuid::Uuid;

use crate::{
    disk::{
        self, Device, Disk, Enrolment, State, StoredEdit, StoredPhoto, StoredRecord, device, edits, records,
    },
    error::{Error, Result},
    outside::Surroundings,
    photos::{self, NewPhoto},
    queue::{self, Kind, Wish},
    session::{self, Outside, PhotosSynced, Synced},
    view::{self, EventView, View},
};

/// A handset with its file.
pub struct Handset(pub(crate) Disk);

impl Handset {
    /// Opens the file of a handset. `boot_mark` is another text after each start of the device, and the same within one.
    pub fn open(file: &Path, boot_mark: &str) -> Result<Self> {
        let mut disk = Disk::open(file)?;
        disk.change(|conn| {
            let Some(mut device) = device::find(conn)? else { return Ok(()) };
            // Most runs only look, and need not wait for the disk.
            if device.started(boot_mark) { device::save(conn, &device) } else { Ok(()) }
        })?;
        Ok(Self(disk))
    }

    /// Enrols it with a code, which is asked for; until then nothing can be written. If that does not come to an end, it is
    /// called again.
    pub fn enrol(&mut self, new: Device, outside: Outside<'_>) -> Result<Synced> {
        self.0.change(|conn| {
            if !device::enrolments(conn)?.is_empty() {
                return Err(Error::EnrolledAlready);
            }
            let known = device::find(conn)?;
            let next_handset = known.and_then(|known| known.next_handset);
            device::save(conn, &Device { next_handset, ..new })
        })?;
        session::enrol(&mut self.0, outside)
    }

    /// Somebody signs in: they are the author of what is written from now on.
    pub fn sign_in(&mut self, person: PersonId) -> Result<()> {
        self.0.change(|conn| {
            let mut device = device::load(conn)?;
            device.person = person;
            device::save(conn, &device)
        })
    }

    /// The service is somewhere else now; it is the same one.
    pub fn move_to(&mut self, service: &str) -> Result<()> {
        self.0.change(|conn| {
            let mut device = device::load(conn)?;
            service.trim_end_matches('/').clone_into(&mut device.service);
            device::save(conn, &device)
        })
    }

    /// Its user stands at a site now, or at none.
    pub fn stand_at(&mut self, site: Option<SiteId>) -> Result<()> {
        self.0.change(|conn| {
            let mut device = device::load(conn)?;
            device.at_site = site;
            device::save(conn, &device)
        })
    }

    /// Writes something down. It is on the disk when this returns.
    pub fn write(&mut self, around: &mut dyn Surroundings, wish: Wish) -> Result<EditId> {
        let written = self.write_together(around, vec![wish])?;
        written.first().copied().ok_or_else(|| Error::Unwritable("there is nothing to write".to_owned()))
    }

    /// Writes down what counts together or not at all.
    pub fn write_together(
        &mut self,
        around: &mut dyn Surroundings,
        wishes: Vec<Wish>,
    ) -> Result<Vec<EditId>> {
        self.0.change(|conn| queue::write(conn, around, wishes))
    }

    /// Writes down what happened to a unit, and keeps the photos and papers of it, without what they tell beside the picture.
    /// They go with the next sync, after the records.
    pub fn write_with_photos(
        &mut self,
        around: &mut dyn Surroundings,
        event: Map<String, Value>,
        photos: Vec<NewPhoto>,
    ) -> Result<EditId> {
        self.0.change(|conn| photos::write(conn, around, event, photos))
    }

    /// The photos and papers that are kept or wished for, with where each stands.
    pub fn photos(&mut self) -> Result<Vec<StoredPhoto>> {
        self.0.look(disk::photos::all)
    }

    /// The bytes of a photo or paper, if they are here.
    pub fn photo(&mut self, sha256: &BlobHash) -> Result<Option<Vec<u8>>> {
        self.0.look(|conn| photos::bytes(conn, sha256))
    }

    /// Has a photo fetched with the next sync that an event about a unit names.
    pub fn wish_for_photo(&mut self, sha256: BlobHash, event: EditId, unit: UnitId) -> Result<()> {
        self.0.change(|conn| photos::wish(conn, sha256, event, unit))
    }

    /// Its author has seen that an entry was refused, and wants it no more, nor photos that it alone names. No other entry goes
    /// this way.
    pub fn drop_refused(&mut self, id: EditId) -> Result<()> {
        self.0.change(|conn| {
            if edits::find(conn, id)?.is_none_or(|edit| edit.state != State::Refused) {
                return Err(Error::NotRefused);
            }
            edits::remove(conn, id)?;
            disk::photos::forget_use(conn, id)
        })
    }

    /// Sends what is queued and takes what changed, until nothing is left.
    pub fn sync(&mut self, outside: Outside<'_>) -> Result<Synced> {
        session::sync(&mut self.0, outside)
    }

    /// Sends and fetches photos alone: a sync does so when the records have gone, and this goes on where it stopped.
    pub fn send_photos(&mut self, outside: Outside<'_>) -> Result<PhotosSynced> {
        session::send_photos(&mut self.0, outside)
    }

    /// A unit or site as its user sees it.
    pub fn view(&mut self, kind: Kind, id: Uuid) -> Result<Option<View>> {
        self.0.look(|conn| view::view(conn, kind, id))
    }

    /// The units or sites that there are for the user, as they see them, by id.
    pub fn views(&mut self, kind: Kind) -> Result<Vec<View>> {
        self.0.look(|conn| view::views(conn, kind))
    }

    /// The ids of the same.
    pub fn ids(&mut self, kind: Kind) -> Result<Vec<Uuid>> {
        self.0.look(|conn| view::ids(conn, kind))
    }

    /// The service events of a unit, those that wait included.
    pub fn events(&mut self, unit: UnitId) -> Result<Vec<EventView>> {
        self.0.look(|conn| view::events(conn, unit))
    }

    /// A service event that was entered here, as its user sees it: as it was told where it is in the copy.
    pub fn entered(&mut self, edit: &StoredEdit) -> Result<Map<String, Value>> {
        self.0.look(|conn| view::entered(conn, edit))
    }

    /// All edits that are kept, in the order in which they were written.
    pub fn queue(&mut self) -> Result<Vec<StoredEdit>> {
        self.0.look(edits::all)
    }

    /// The records of a kind as they were told.
    pub fn told(&mut self, kind: &str) -> Result<Vec<StoredRecord>> {
        self.0.look(|conn| records::of_kind(conn, kind))
    }

    /// What the device knows of itself.
    pub fn device(&mut self) -> Result<Device> {
        self.0.look(device::load)
    }

    /// The numbers under which it was enrolled; the last one holds.
    pub fn enrolments(&mut self) -> Result<Vec<Enrolment>> {
        self.0.look(device::enrolments)
    }
}
