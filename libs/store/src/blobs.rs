//! Photos and papers beside the records: which are there, which are on their way, who has sent them, and who may read them.
//! The bytes lie elsewhere; what is kept here says where.

use std::collections::BTreeSet;

use model::{BlobHash, Instant, MediaType, OrganizationId, PersonId, SiteId};
use uuid::Uuid;

use crate::{Result, Store, key::Key, through};

/// A photo or paper whose bytes are there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Blob {
    /// Its name.
    pub sha256: BlobHash,
    /// What it is.
    pub media_type: MediaType,
    /// How many bytes it has.
    pub bytes: u64,
    /// Where they are.
    pub place: Uuid,
    /// When they were sent last.
    pub kept_at: Instant,
}

/// Somebody who sends a blob or has sent it.
#[derive(Clone, Debug)]
pub struct Sender {
    /// The tenant.
    pub organization: OrganizationId,
    /// The person.
    pub person: PersonId,
    /// The sites at which they see units now; none means all.
    pub sites: Option<BTreeSet<SiteId>>,
}

/// A blob that is on its way from somebody.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Upload {
    /// Who sends it.
    pub person: PersonId,
    /// Its name.
    pub sha256: BlobHash,
    /// Where what has come is.
    pub place: Uuid,
    /// How many bytes it will have.
    pub bytes: u64,
}

/// How many bytes one person may have on the way, or have sent that no event names; one of less than 1 MiB counts as that.
pub const PERSON_ROOM: u64 = 1 << 30;
/// The same of all people of an organization.
pub const ORGANIZATION_ROOM: u64 = 16 << 30;

/// For whom there is no room for another upload.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoRoom {
    /// For this person; others may go on.
    Person,
    /// For anybody of the organization.
    Organization,
}

/// Blobs that no event names.
#[derive(Clone, Debug)]
pub struct Orphans {
    /// They.
    pub found: Vec<Blob>,
    /// After which place to look for more; none if there are no more blobs.
    pub next: Option<(Instant, BlobHash)>,
}

impl Store {
    /// A blob, if this person may read it: they have sent it, or see a unit of which an event names it.
    ///
    /// An event opens a blob only if somebody has sent the bytes who made the event or saw a site of its unit then. Else
    /// whoever learns a name could read what is behind it by naming it in a unit of their own.
    pub async fn blob_for(&self, reader: &Sender, sha256: BlobHash) -> Result<Option<Blob>> {
        let (key, reader) = (Key::from(reader.organization), reader.clone());
        through!(self, read for key, |conn, ops| ops::blobs::seen(conn, &reader, &sha256))
    }

    /// A blob, whoever may read it.
    pub async fn blob(&self, organization: OrganizationId, sha256: BlobHash) -> Result<Option<Blob>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::blobs::find(conn, key, &sha256))
    }

    /// What this person has begun to send under a name, and not ended.
    pub async fn upload(
        &self,
        organization: OrganizationId,
        person: PersonId,
        sha256: BlobHash,
    ) -> Result<Option<Upload>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::blobs::upload(conn, key, person, &sha256))
    }

    /// Begins to take a blob of so many bytes, in `fresh` unless it was begun before, or goes on with it. What is begun, or is to
    /// have more bytes than it was begun with, must have room.
    pub async fn take_upload(
        &self,
        sender: &Sender,
        sha256: BlobHash,
        bytes: u64,
        fresh: Uuid,
        now: Instant,
    ) -> Result<std::result::Result<Upload, NoRoom>> {
        let (key, person) = (Key::from(sender.organization), sender.person);
        let upload = Upload { person, sha256, place: fresh, bytes };
        through!(self, write for key, |conn, ops| ops::blobs::begin(conn, key, upload, now))
    }

    /// Keeps a blob that was sent whole, or one that is there as one that this person has sent, too. Gives where it is kept,
    /// which is elsewhere if it was there already, unless that was `lost`: a place from which its bytes are gone. Nothing if neither
    /// the upload nor the blob is there any more.
    pub async fn keep_blob(&self, sender: &Sender, blob: Blob, lost: Option<Uuid>) -> Result<Option<Uuid>> {
        let (key, sender) = (Key::from(sender.organization), sender.clone());
        through!(self, write for key, |conn, ops| ops::blobs::keep(conn, &sender, &blob, lost))
    }

    /// Ends an upload that comes to nothing; says whether it has ended, and what is in its place can go.
    pub async fn end_upload(&self, organization: OrganizationId, upload: Upload) -> Result<bool> {
        let key = Key::from(organization);
        through!(self, write for key, |conn, ops| ops::blobs::end_upload(conn, key, &upload, None))
    }

    /// Makes an upload nobody's of which nothing came since then, so that what is in its place can go, also where the one who drops
    /// it is killed. Nothing if something came, or it has ended.
    pub async fn disown_upload(
        &self,
        organization: OrganizationId,
        upload: Upload,
        idle_since: Instant,
    ) -> Result<Option<Upload>> {
        let key = Key::from(organization);
        through!(self, write for key, |conn, ops| ops::blobs::disown(conn, key, &upload, idle_since))
    }

    /// Some uploads of which nothing came since then.
    pub async fn idle_uploads(&self, organization: OrganizationId, since: Instant) -> Result<Vec<Upload>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::blobs::idle_uploads(conn, key, since))
    }

    /// Those of some blobs that no event names: of the first that were sent before then, or of the next after a place.
    pub async fn orphans(
        &self,
        organization: OrganizationId,
        before: Instant,
        after: Option<(Instant, BlobHash)>,
    ) -> Result<Orphans> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::blobs::orphans(conn, key, before, after))
    }

    /// Forgets such a blob, unless it was sent again or named meanwhile. Its place becomes that of an upload by nobody, which is
    /// idle, so that its bytes go like those of others, also where the one who drops them is killed.
    pub async fn forget_orphan(
        &self,
        organization: OrganizationId,
        orphan: Blob,
        before: Instant,
    ) -> Result<()> {
        let key = Key::from(organization);
        through!(self, chore for key, |conn, ops| ops::blobs::forget_orphan(conn, key, &orphan, before))
    }

    /// Whether an organization has any blob.
    pub async fn has_blobs(&self, organization: OrganizationId) -> Result<bool> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::blobs::has_any(conn, key))
    }

    /// Those of some places in which something lies that no blob and no upload has.
    pub async fn strays(
        &self,
        organization: OrganizationId,
        places: Vec<(BlobHash, Uuid)>,
    ) -> Result<Vec<(BlobHash, Uuid)>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::blobs::strays(conn, key, &places))
    }
}
