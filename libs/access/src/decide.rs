//! The one decision: may this person do this to that, now?
//!
//! What the table of rules does not allow is denied. The answer keeps apart what the person may know of and what must
//! look absent, so that a foreign record, one out of scope and one that never was are answered alike.

use std::collections::BTreeSet;

use model::{
    Instant, OrganizationId, SiteId,
    event::EventKind,
    person::{Role, SiteScope},
};

use crate::principal::{Grant, Principal, union};

/// What somebody wants to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Action {
    /// See a site.
    ReadSite,
    /// Add a site.
    CreateSite,
    /// Change what is so of a site.
    EditSite,
    /// See a unit.
    ReadUnit,
    /// Add a unit; the object is at its home site.
    CreateUnit,
    /// Change what is so of a unit.
    EditUnit,
    /// See a schedule and its editions.
    ReadSchedule,
    /// Add a schedule or an edition.
    CreateSchedule,
    /// See a service event; the object is at the sites of its unit.
    ReadEvent,
    /// Record what happened to a unit. A correction asked about in this way counts as one of another's event, and an
    /// adoption for a model is one to the whole organization.
    RecordEvent(EventKind),
    /// Correct a service event.
    Correct {
        /// The person recorded the event themself, nobody else has corrected it since (without that, an author could
        /// reinstate what a coordinator has voided), and it is voided, reinstated or amended: all other corrections
        /// are a judgement on more than one's own entry.
        own: bool,
    },
    /// See what is due on a unit.
    ReadDue,
    /// See and change people and their grants.
    ManagePeople,
    /// See and change mail lists and who gets them.
    ManageMail,
    /// See an incident or a promise of a spare; the object is at its sites, or the whole organization.
    ReadOutage,
    /// Add or change one of them, at the same object.
    ManageOutage,
    /// Make a code by which a handset may be enrolled.
    MakeHandsetCode,
    /// Enrol the handset in one's hand, with such a code.
    EnrolHandset,
    /// See a handset and what is known of it.
    ReadHandset {
        /// The person has signed in on it.
        own: bool,
    },
    /// Revoke a handset for good.
    RevokeHandset,
    /// See edits of handsets that wait for a person.
    ReadHeld,
    /// Release or refuse one of them; the object is at the sites of its unit.
    DecideHeld,
    /// Bring in a file, of which each row is asked about by itself.
    Import,
    /// See what became of a file that was brought in, or stop it.
    ReadImport {
        /// The person has brought it in.
        own: bool,
    },
}

/// What it is to be done to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Object {
    /// Whose it is.
    pub organization: OrganizationId,
    /// Where in the organization.
    pub place: Place,
}

/// Where in an organization something is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// It belongs to the whole organization: schedules, people, the list of sites.
    Organization,
    /// The sites in its scope: for a unit its home site and where it stands. One of them within reach is enough.
    Sites(BTreeSet<SiteId>),
}

impl Object {
    /// Something that belongs to the whole organization.
    pub fn of(organization: OrganizationId) -> Self {
        Self { organization, place: Place::Organization }
    }

    /// Something at these sites.
    ///
    /// An edit or event that moves a unit is asked about twice: at the sites where the unit is, and with
    /// [`Action::ReadSite`] at the one it names, so that nobody sends a unit where they do not see.
    pub fn at(organization: OrganizationId, sites: impl IntoIterator<Item = SiteId>) -> Self {
        Self { organization, place: Place::Sites(sites.into_iter().collect()) }
    }
}

/// The answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Decision {
    /// They may.
    Allow,
    /// They may know of it, but not do this to it.
    Forbidden,
    /// They may not know of it: answer as if it were absent.
    Hidden,
}

/// Decides whether `principal` may do `action` to `object` at `now`.
///
/// Grants add up and never take away. Work that was done offline is asked about at its own time as well as now.
pub fn decide(principal: &Principal, action: Action, object: &Object, now: Instant) -> Decision {
    if principal.organization != object.organization {
        return Decision::Hidden;
    }
    let mut decision = Decision::Hidden;
    for grant in principal.in_force(now) {
        if satisfied(need(action, grant.role), grant, object) {
            return Decision::Allow;
        }
        if sees(grant, object) {
            decision = Decision::Forbidden;
        }
    }
    decision
}

/// The sites at which `principal` may do `action` at `now`, by grants whose roles may do it at all. Lists of what not
/// everybody reads are filtered by it.
pub fn sites_for(principal: &Principal, action: Action, now: Instant) -> SiteScope {
    union(principal.in_force(now).filter(|grant| !matches!(need(action, grant.role), Need::Never)))
}

/// What a grant must have for an action, given its role.
#[derive(Clone, Copy)]
enum Need {
    /// Nothing suffices.
    Never,
    /// It sees the object.
    Sight,
    /// It reaches the object.
    Reach,
    /// It is on all sites, those to come included.
    AllSites,
}

/// The rules: who needs what, by action.
///
/// - Every role reads what it sees, so "seen" has one meaning for single records, lists and refusals.
/// - A custodian keeps a site's log of readings and runs; a technician records all that is done to a unit, but not
///   what is decided about it; both may take back and amend what they entered themselves.
/// - A coordinator records everything, corrects anybody and edits sites and units within reach.
/// - A planner lets work wait, and keeps incidents and promises of spares; an auditor changes nothing, like a viewer, and reads reports.
/// - An integrator keeps sites and units in step with another system, and has no part in what happened to them.
/// - An admin looks after people and opens sites for them, and does no maintenance: whoever hands out roles holds
///   another one openly if they need it.
/// - Who looks after handsets decides about edits that wait: whether work of a revoked handset counts is a question of
///   trust, and who may answer it need not be able to do that work. Whoever plans or audits sees what is open.
/// - A code for a handset opens nothing: whoever uses it signs in with a token of their own. So it is enough for a
///   coordinator or an admin to hold a grant at all; but to stop a handset, or to look at everybody's, takes all sites.
/// - Whoever keeps records by hand, or in step with another system, may bring in files of them: each row is then asked about
///   like a request. What a file said is seen by whoever brought it in, and with a grant on all sites by who runs the fleet.
/// - What touches the whole organization (its sites, its schedules, its people) takes a grant on all sites: one on
///   some sites must not widen itself.
#[rustfmt::skip]
const fn rule(action: Action) -> [Need; 8] {
    use Need::{AllSites as A, Never as N, Reach as R, Sight as S};
    match action {
        //                                                 viewer
        //                                                 |  custodian
        //                                                 |  |  technician
        //                                                 |  |  |  coordinator
        //                                                 |  |  |  |  planner
        //                                                 |  |  |  |  |  auditor
        //                                                 |  |  |  |  |  |  integrator
        //                                                 |  |  |  |  |  |  |  admin
        Action::ReadSite                                => [S, S, S, S, S, S, S, S],
        Action::CreateSite                              => [N, N, N, A, N, N, A, A],
        Action::EditSite                                => [N, N, N, R, N, N, R, N],
        Action::ReadUnit                                => [S, S, S, S, S, S, S, S],
        Action::CreateUnit                              => [N, N, N, R, N, N, R, N],
        Action::EditUnit                                => [N, N, N, R, N, N, R, N],
        Action::ReadSchedule                            => [S, S, S, S, S, S, S, S],
        Action::CreateSchedule                          => [N, N, N, A, N, N, N, N],
        Action::ReadEvent                               => [S, S, S, S, S, S, S, S],
        Action::RecordEvent(EventKind::Commissioning)   => [N, N, R, R, N, N, N, N],
        Action::RecordEvent(EventKind::Service)         => [N, N, R, R, N, N, N, N],
        Action::RecordEvent(EventKind::Reading)         => [N, R, R, R, N, N, N, N],
        Action::RecordEvent(EventKind::Component)       => [N, N, R, R, N, N, N, N],
        Action::RecordEvent(EventKind::Placement)       => [N, N, R, R, N, N, N, N],
        Action::RecordEvent(EventKind::Adoption)        => [N, N, N, R, N, N, N, N],
        Action::RecordEvent(EventKind::Run)             => [N, R, R, R, N, N, N, N],
        Action::RecordEvent(EventKind::Fuel)            => [N, R, R, R, N, N, N, N],
        Action::RecordEvent(EventKind::Battery)         => [N, R, R, R, N, N, N, N],
        Action::RecordEvent(EventKind::Finding)         => [N, R, R, R, N, N, N, N],
        Action::RecordEvent(EventKind::Storage)         => [N, N, R, R, N, N, N, N],
        Action::RecordEvent(EventKind::Tag)             => [N, N, R, R, N, N, N, N],
        Action::RecordEvent(EventKind::Duty)            => [N, N, N, R, N, N, N, N],
        Action::RecordEvent(EventKind::Setting)         => [N, N, N, R, N, N, N, N],
        Action::RecordEvent(EventKind::Deferral)        => [N, N, N, R, R, N, N, N],
        Action::RecordEvent(EventKind::Correction)
        | Action::Correct { own: false }                => [N, N, N, R, N, N, N, N],
        Action::Correct { own: true }                   => [N, R, R, R, N, N, N, N],
        Action::ReadDue                                 => [S, S, S, S, S, S, S, S],
        Action::ManagePeople                            => [N, N, N, N, N, N, N, A],
        Action::ManageMail                              => [N, N, N, A, N, N, N, A],
        Action::ReadOutage                              => [S, S, S, S, S, S, S, S],
        Action::ManageOutage                            => [N, N, N, R, R, N, N, R],
        Action::MakeHandsetCode                         => [N, N, N, S, N, N, N, S],
        Action::EnrolHandset                            => [S, S, S, S, S, S, S, S],
        Action::ReadHandset { own: true }               => [S, S, S, S, S, S, S, S],
        Action::ReadHandset { own: false }
        | Action::RevokeHandset                         => [N, N, N, A, N, N, N, A],
        Action::ReadHeld                                => [N, N, N, S, S, S, N, S],
        Action::DecideHeld                              => [N, N, N, R, N, N, N, R],
        Action::Import                                  => [N, N, N, S, N, N, S, N],
        Action::ReadImport { own: true }                => [S, S, S, S, S, S, S, S],
        Action::ReadImport { own: false }               => [N, N, N, A, N, N, N, A],
    }
}

fn need(action: Action, role: Role) -> Need {
    let [viewer, custodian, technician, coordinator, planner, auditor, integrator, admin] = rule(action);
    match role {
        Role::Viewer => viewer,
        Role::Custodian => custodian,
        Role::Technician => technician,
        Role::Coordinator => coordinator,
        Role::Planner => planner,
        Role::Auditor => auditor,
        Role::Integrator => integrator,
        Role::Admin => admin,
    }
}

fn satisfied(need: Need, grant: &Grant, object: &Object) -> bool {
    match need {
        Need::Never => false,
        Need::Sight => sees(grant, object),
        Need::Reach => reaches(grant, object),
        Need::AllSites => grant.sites == SiteScope::All,
    }
}

/// What belongs to the whole organization is no secret to anyone with a grant in it.
fn sees(grant: &Grant, object: &Object) -> bool {
    object.place == Place::Organization || reaches(grant, object)
}

/// A grant on all sites reaches everything, also what is at no site that is known.
fn reaches(grant: &Grant, object: &Object) -> bool {
    match (&grant.sites, &object.place) {
        (SiteScope::All, _) => true,
        (SiteScope::Only(_), Place::Organization) => false,
        (SiteScope::Only(granted), Place::Sites(sites)) => !granted.is_disjoint(sites),
    }
}

#[cfg(test)]
mod tests;
