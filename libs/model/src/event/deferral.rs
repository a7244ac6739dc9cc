use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    code::Code,
    entry,
    entry::HoursEntry,
    id::{PersonId, ScheduleId},
    private::PrivateText,
    quantity::Hours,
    read::{Flaw, Object},
    time::LocalDate,
};

/// Somebody with authority let a task wait.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Deferral {
    /// The schedule.
    #[schema(value_type = String, format = "uuid")]
    pub schedule_id: ScheduleId,
    /// The task's code.
    #[schema(value_type = String, example = "oil_change", pattern = "^[a-z][a-z0-9_]{0,63}$")]
    pub task: Code,
    /// Who allowed it.
    #[schema(value_type = String, format = "uuid")]
    pub authorised_by: PersonId,
    /// Why; private, erasable.
    #[schema(value_type = String, max_length = 4000)]
    pub reason: PrivateText,
    /// Up to which engine hours; with `until_date`, whichever comes first.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    #[schema(value_type = Option<HoursEntry>)]
    pub until_hours: Option<Hours>,
    /// The last day, at the unit's site.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub until_date: Option<LocalDate>,
    /// The first day it holds, at the unit's site; absent means from when it was decided.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub effective_from: Option<LocalDate>,
}

impl Deferral {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let schedule_id = o.required("schedule_id", ScheduleId::read);
        let task = o.required("task", Code::read);
        let authorised_by = o.required("authorised_by", PersonId::read);
        let reason = o.required_private("reason");
        let until_hours = o.optional("until_hours", Hours::read);
        let until_date = o.optional("until_date", LocalDate::read);
        let effective_from = o.optional("effective_from", LocalDate::read);
        if !o.has("until_hours") && !o.has("until_date") {
            return o.fail(
                "until_date",
                Flaw::new("required", "Say until when it may wait: until_hours, until_date or both."),
            );
        }
        if let (Some(from), Some(until)) = (effective_from, until_date)
            && until < from
        {
            return o.fail("until_date", Flaw::new("not_after_start", "The end lies before the start."));
        }
        Some(Self {
            schedule_id: schedule_id?,
            task: task?,
            authorised_by: authorised_by?,
            reason: reason?,
            until_hours,
            until_date,
            effective_from,
        })
    }
}
