//! Handsets: enrolled with a code that is good once, listed with what is known of them.

use std::sync::Arc;

use model::{
    HandsetId, Instant, OrganizationId, PersonId,
    handset::{HandsetFields, HandsetNumber},
    text::Label,
};

use crate::{
    Result, Store,
    command::{Permit, Refusal},
    key::Key,
    through,
    view::{HandsetView, KeptEdit, KeptQuery, Page},
};

/// A code by which one handset may be enrolled; what is kept of it is its hash alone.
#[derive(Clone, Debug)]
pub struct Code {
    /// The tenant.
    pub organization: OrganizationId,
    /// The hash of the code.
    pub hash: proof::Hash,
    /// Who made it.
    pub made_by: PersonId,
    /// When.
    pub made_at: Instant,
    /// Until when it is good.
    pub expires_at: Instant,
}

/// The wish to enrol a handset.
#[derive(Clone, Debug)]
pub struct Enrolment {
    /// The tenant.
    pub organization: OrganizationId,
    /// Who wants it, on the handset itself.
    pub person: PersonId,
    /// The service's clock.
    pub now: Instant,
    /// The hash of the code.
    pub code: proof::Hash,
    /// The id of the handset, which is the id of the edit, too.
    pub handset: HandsetId,
    /// What its people call it.
    pub name: Label,
    /// Which number it gets.
    pub number: Numbering,
    /// Says whether the person may.
    pub permit: Permit,
}

/// Which number a handset gets.
#[derive(Clone, Debug)]
pub enum Numbering {
    /// The first of these that no handset has. They are drawn at random, so that a number is not given again to another
    /// handset after a restore has forgotten the first one.
    OneOf(Vec<HandsetNumber>),
    /// The one that it had before a restore forgot it.
    Again(HandsetNumber),
}

/// What became of the wish to enrol a handset.
#[derive(Clone, Debug)]
pub enum Enrolled {
    /// It is enrolled, and the code spent.
    New(HandsetView),
    /// It was before, by the same wish.
    Repeat(HandsetView),
    /// There is no such code, or it is spent, or too old.
    CodeNotValid,
    /// Another handset has the number that it had.
    NumberTaken,
    /// It is not enrolled, and the code not spent.
    Refused(Refusal),
}

impl Enrolment {
    /// The fields of its record, with this number.
    pub(crate) fn fields(&self, number: HandsetNumber) -> HandsetFields {
        HandsetFields {
            name: Some(self.name.clone()),
            number: Some(number),
            enrolled_by: Some(self.person),
            revoked: None,
        }
    }
}

impl Store {
    /// Keeps a new code, and forgets those that have long been too old.
    pub async fn make_code(&self, code: Code) -> Result<()> {
        through!(self, write for Key::from(code.organization), |conn, ops| ops::enrolment::make_code(conn, &code))
    }

    /// Enrols a handset: its record, its state, and the code that is spent, all or none of them.
    pub async fn enrol(&self, wanted: Enrolment) -> Result<Enrolled> {
        let wanted = Arc::new(wanted);
        through!(self, write for Key::from(wanted.organization), |conn, ops| ops::enrolment::enrol(conn, &wanted))
    }

    /// One handset, if it is enrolled.
    pub async fn handset(
        &self,
        organization: OrganizationId,
        handset: HandsetId,
    ) -> Result<Option<HandsetView>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::handsets::find(conn, key, handset))
    }

    /// A page of handsets by id; only those on which `person` has signed in, where given.
    pub async fn handsets(
        &self,
        organization: OrganizationId,
        person: Option<PersonId>,
        after: Option<HandsetId>,
        limit: usize,
    ) -> Result<Page<HandsetView>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::handsets::list(conn, key, person, after, limit))
    }

    /// A page of what came from a handset and is not in the log, in the order in which it came.
    pub async fn kept(&self, query: KeptQuery) -> Result<Page<KeptEdit>> {
        through!(self, read for Key::from(query.organization), |conn, ops| ops::kept::list(conn, &query))
    }
}
