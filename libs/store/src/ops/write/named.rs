//! What an edit names beside what it writes: locked with it, and read before it is judged.

use std::collections::BTreeSet;

use merge::Needs;
use model::{
    Code, MailListId, PersonId, SiteId, UnitId,
    edit::{Action, RecordKind, Target},
    event::{CorrectionAction, Details, ServiceEvent, SettingOf, TagAction},
    external::EXTERNAL_IDS,
};
use serde_json::Value;

use uuid::Uuid;

use super::super::kin;
use crate::{
    command::Proposal,
    key::Key,
    locks::{Locks, lock_of, lock_of_external_id},
};

/// The records that an action writes or names, that which it writes first.
pub(super) fn targets(action: &Action) -> Vec<Target> {
    match action {
        Action::Create { target, fields } | Action::Set { target, fields } => {
            let site = fields.get("home_site_id").and_then(|id| SiteId::read(id).ok()).map(Target::Site);
            let person = fields.get("person_id").and_then(|id| PersonId::read(id).ok()).map(Target::Person);
            let list =
                fields.get("mail_list_id").and_then(|id| MailListId::read(id).ok()).map(Target::MailList);
            let promised = matches!(target, Target::Promise(_)).then_some(fields);
            let spare =
                promised.and_then(|fields| UnitId::read(fields.get("unit_id")?).ok()).map(Target::Unit);
            let place =
                promised.and_then(|fields| SiteId::read(fields.get("site_id")?).ok()).map(Target::Site);
            std::iter::once(*target).chain(site).chain(person).chain(list).chain(spare).chain(place).collect()
        }
        Action::Event(event) => {
            let mut found = vec![Target::Unit(event.unit_id)];
            found.extend(kin::other_unit(event).map(Target::Unit));
            found.extend(event.on_behalf_of.map(Target::Person));
            named_in(&event.details, &mut found);
            found
        }
        Action::ModelAdoption(adoption) => {
            let person = adoption.on_behalf_of.map(Target::Person);
            std::iter::once(Target::Schedule(adoption.adoption.schedule_id)).chain(person).collect()
        }
        Action::Edition { schedule, .. } => vec![Target::Schedule(*schedule)],
    }
}

/// What an edit makes, and what has to be there before it.
pub(super) fn needs(proposal: &Proposal) -> Needs<(RecordKind, Uuid)> {
    let action = &proposal.edit.action;
    let own = (action.kind(), action.uuid());
    let mut needs: BTreeSet<(RecordKind, Uuid)> =
        targets(action).into_iter().map(|target| (target.kind(), target.uuid())).collect();
    if let Action::Event(event) = action
        && let Details::Correction(correction) = &event.details
    {
        needs.extend(correction.action.target().map(|event| (RecordKind::ServiceEvent, event.uuid())));
    }
    let makes = (!matches!(action, Action::Set { .. })).then_some(own);
    if makes.is_some() {
        needs.remove(&own);
    }
    Needs { makes, needs }
}

/// What an action locks: of people only who it writes about, since nobody else's edit changes what is asked of them.
pub(super) fn locks(action: &Action) -> Locks {
    let all = targets(action).into_iter().enumerate();
    let records = all
        .filter(|(at, target)| *at == 0 || !matches!(target, Target::Person(_)))
        .map(|(_, target)| lock_of(target.kind(), Key(target.uuid())));
    let external = external_ids(action).map(|(kind, system, id)| lock_of_external_id(kind, system, id));
    records.chain(external).collect()
}

/// The ids in other systems that an action gives a record, each with the kind of the record and the system.
pub(super) fn external_ids(action: &Action) -> impl Iterator<Item = (RecordKind, &str, &str)> {
    let given = match action {
        Action::Create { target, fields } | Action::Set { target, fields } => {
            fields.get(EXTERNAL_IDS).and_then(Value::as_object).map(|ids| (target.kind(), ids))
        }
        Action::Event(_) | Action::ModelAdoption(_) | Action::Edition { .. } => None,
    };
    given.into_iter().flat_map(|(kind, ids)| {
        ids.iter().filter_map(move |(system, id)| Some((kind, system.as_str(), id.as_str()?)))
    })
}

fn named_in(details: &Details, found: &mut Vec<Target>) {
    match details {
        Details::Commissioning(commissioning) => found.push(Target::Site(commissioning.site_id)),
        Details::Placement(placement) => found.push(Target::Site(placement.site_id)),
        Details::Adoption(adoption) => found.push(Target::Schedule(adoption.schedule_id)),
        Details::Setting(setting) => match &setting.what {
            SettingOf::LimitsOf(limits) => found.push(Target::Schedule(limits.schedule_id)),
            SettingOf::AppliesTo(applies) => found.push(Target::Schedule(applies.schedule_id)),
            SettingOf::Feature(_) => {}
        },
        Details::Deferral(deferral) => {
            found.extend([Target::Schedule(deferral.schedule_id), Target::Person(deferral.authorised_by)]);
        }
        Details::Tag(tag) => {
            if let TagAction::Hung { by: Some(person), .. } = tag.action {
                found.push(Target::Person(person));
            }
        }
        Details::Correction(correction) => {
            if let CorrectionAction::Amend { replacement, .. } = &correction.action {
                named_in(&replacement.details, found);
            }
        }
        Details::Service(_)
        | Details::Reading(_)
        | Details::Run(_)
        | Details::Component(_)
        | Details::Fuel(_)
        | Details::Battery(_)
        | Details::Finding(_)
        | Details::Storage(_)
        | Details::Duty(_) => {}
    }
}

/// The jobs that an event names.
pub(super) fn jobs(event: &ServiceEvent) -> Vec<&Code> {
    let details = match &event.details {
        Details::Correction(correction) => match &correction.action {
            CorrectionAction::Amend { replacement, .. } => &replacement.details,
            _ => return Vec::new(),
        },
        details => details,
    };
    let service = if let Details::Service(service) = details { Some(service) } else { None };
    service.into_iter().flat_map(|service| service.jobs.iter().map(|done| &done.job)).collect()
}
