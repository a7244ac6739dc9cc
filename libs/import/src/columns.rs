//! The canonical columns: one for each member that a body may have.

use crate::Records;

/// One canonical column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Column {
    /// The member's name.
    pub name: &'static str,
    /// What its cells hold.
    pub shape: Shape,
}

/// What the cells of a column hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// A word, a code or a name of one line; blank ends do not count.
    Text,
    /// Text of several lines, kept with its blanks.
    Prose,
    /// A number.
    Number,
    /// Hours: a number, or hours and minutes (`231:30`).
    Hours,
    /// Codes, separated by `;` or blanks.
    List,
    /// Codes of jobs that were done, separated by `;` or blanks.
    Jobs,
    /// `true` or `false`.
    Flag,
    /// `true`, or nothing.
    Mark,
    /// A JSON object.
    Json,
    /// A UUID.
    Id,
    /// A date.
    Date,
    /// An instant.
    Instant,
    /// An instant, or a date where only the day is known.
    Occurred,
}

/// The canonical columns of a kind of file, in the order of an export.
///
/// The last, `details`, is no member: it holds an object with whatever members have no column of their own.
pub const fn columns(records: Records) -> &'static [Column] {
    match records {
        Records::Sites => SITES,
        Records::Units => UNITS,
        Records::ServiceEvents => SERVICE_EVENTS,
        Records::Readings => READINGS,
    }
}

/// The column for members that have none.
pub(crate) const DETAILS: &str = "details";

macro_rules! columns {
    ($($table:ident { $($shape:ident $($name:ident)+;)+ })+) => {$(
        const $table: &[Column] =
            &[$($(Column { name: stringify!($name), shape: Shape::$shape }),+),+];
    )+};
}

columns! {
    SITES {
        Id id;
        Text name zone;
        Number latitude longitude elevation_metres needs_kw;
        Prose note;
        Mark retired;
        Json external_ids details;
    }

    UNITS {
        Id id;
        Text label;
        Id home_site_id;
        Text maker model serial fuel;
        Number rated_kw;
        Text ignition;
        Flag emergency_use electric_start meter_fitted;
        Number meter_tick_hours tank_litres reserve_litres battery_volts;
        Hours meter_rollover_hours;
        Number burn_litres_per_hour;
        List features;
        Number engine_kw;
        Text stroke burn;
        Flag black_start remote limited_use digester_gas;
        Prose note;
        Mark retired;
        Json external_ids details;
    }

    SERVICE_EVENTS {
        Id id unit_id;
        Text kind;
        Occurred occurred_at;
        Date occurred_on;
        Text occurred_precision occurred_source;
        Id on_behalf_of;
        Hours meter_hours;
        Jobs jobs;
        Id site_id;
        Hours engine_hours;
        Text phase;
        Instant stopped_at;
        Hours run_hours give_or_take_hours stop_meter_hours;
        Id run_id;
        Prose reason;
        Text component action;
        Hours old_meter_hours new_meter_hours;
        List causes;
        Date effective_from effective_until;
        Id schedule_id edition_id;
        Text task;
        Id authorised_by;
        Hours until_hours;
        Date until_date;
        Text tag;
        Id by tag_id target_id other_id to_unit_id other_unit_id;
        Text maker model;
        Json limits_of feature applies_to replacement;
        Prose note;
        Json details;
    }

    READINGS {
        Id id unit_id;
        Text kind;
        Occurred occurred_at;
        Date occurred_on;
        Text occurred_precision occurred_source;
        Id on_behalf_of;
        Hours meter_hours;
        Prose note;
        Json details;
    }
}
