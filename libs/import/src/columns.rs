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
    /// Numbers, separated by `;` or blanks.
    Numbers,
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
    /// A JSON array.
    JsonList,
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
        Hours needs_hours;
        Number tank_litres tank_reserve_litres;
        Prose note;
        Mark retired;
        Number needs_volts;
        Text needs_phases;
        List needs_connectors;
        Text needs_neutral;
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
        Number burn_litres_per_hour start_kw oil_litres oil_litres_per_hour;
        Hours oil_check_hours;
        Text battery_chemistry;
        Number battery_cold_cranking_amperes battery_ampere_hours;
        JsonList burn_curve;
        Json derating;
        List features;
        Number engine_kw;
        Text stroke burn;
        Flag black_start remote limited_use digester_gas;
        Prose note;
        Mark retired;
        Numbers output_volts;
        Text phases;
        List connectors;
        Text neutral;
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
        Number start_attempts load_kw load_percent unloaded_minutes volts hertz;
        Flag exhaust_temperature_reached operating_temperature_reached transferred_load ran_before_transfer;
        Number fuel_used_litres oil_added_litres from_openings_metres litres kilograms;
        Date bought_on opened_on treated_on;
        Text ethanol;
        Number stored_at_celsius;
        Flag on_maintainer replaced;
        Text result;
        Hours rested_hours;
        Number celsius;
        Json load_test;
        Text severity finding;
        Id finding_id;
        Text maker model;
        Json limits_of feature applies_to replacement;
        Prose note;
        JsonList attachments;
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
        JsonList attachments;
        Json details;
    }
}
