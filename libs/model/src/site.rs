//! Sites: places where units stand.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    code::Code,
    entry,
    entry::HoursEntry,
    external::ExternalIds,
    mark::Marked,
    private::PrivateText,
    quantity::{Hours, Kilowatts, Litres, Metres, Volts, more_than_nought},
    read::{Flaw, Object, word},
    text::Label,
    time::Zone,
    unit::{PHASES, Phases},
};

/// The fields of a site; in a patch, those that it sets.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct SiteFields {
    /// What the site is called.
    #[schema(value_type = String, required = true, example = "Fire Station 3", min_length = 1, max_length = 200)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<Label>,
    /// IANA time zone; due dates are judged by it.
    #[schema(value_type = String, required = true, example = "America/Denver")]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zone: Option<Zone>,
    /// Degrees north, WGS 84, at most five decimal places.
    #[schema(value_type = f64, minimum = -90, maximum = 90, example = 40.12345)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub latitude: Option<Degrees>,
    /// Degrees east, WGS 84, at most five decimal places.
    #[schema(value_type = f64, minimum = -180, maximum = 180, example = -102.12345)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub longitude: Option<Degrees>,
    /// Height above sea level in metres.
    #[schema(value_type = f64, minimum = -500, maximum = 9000, example = 1600)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub elevation_metres: Option<Metres>,
    /// The least power the site needs in an outage, in kilowatts.
    #[schema(value_type = f64, minimum = 0, maximum = 100_000, example = 12.5)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub needs_kw: Option<Kilowatts>,
    /// For how many hours of an outage it has to be supplied.
    #[schema(value_type = HoursEntry, example = 72)]
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    pub needs_hours: Option<Hours>,
    /// What the tank of the site holds that feeds its units, in litres.
    #[schema(value_type = f64, minimum = 0, maximum = 1_000_000, example = 1500)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tank_litres: Option<Litres>,
    /// What must stay in that tank, in litres.
    #[schema(value_type = f64, minimum = 0, maximum = 1_000_000, example = 150)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tank_reserve_litres: Option<Litres>,
    /// Its ids in other systems, by the code of the system: no two sites have the same one.
    #[schema(value_type = std::collections::BTreeMap<String, String>, example = json!({"gis": "ST-0042"}))]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub external_ids: Option<ExternalIds>,
    /// Anything else; private, erasable.
    #[schema(value_type = String, max_length = 4000)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<PrivateText>,
    /// Whether it is given up: it stays on record, and handsets are told to drop it. Taken away with null.
    #[schema(value_type = bool, example = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub retired: Option<Marked>,
    /// The voltage of its wiring, in volts.
    #[schema(value_type = f64, minimum = 0.01, maximum = 1000, example = 240)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub needs_volts: Option<Volts>,
    /// Whether it is wired with one phase or three.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub needs_phases: Option<Phases>,
    /// The connectors that its inlet takes, by code; any of them will do.
    #[schema(value_type = Vec<String>, max_items = 50, example = json!(["locking_30a"]))]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub needs_connectors: Option<Vec<Code>>,
    /// What its transfer equipment asks of the neutral of a set.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub needs_neutral: Option<NeutralNeed>,
}

/// What transfer equipment asks of the neutral.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum NeutralNeed {
    /// The switch transfers the neutral: the set is a source of its own and has its neutral bonded.
    Bonded,
    /// The neutral stays joined to the building's: it must not be bonded a second time at the set.
    Floating,
}

const NEUTRAL_NEEDS: &[(&str, NeutralNeed)] =
    &[("bonded", NeutralNeed::Bonded), ("floating", NeutralNeed::Floating)];

impl SiteFields {
    /// JSON Pointers to the private text among the fields.
    pub const PRIVATE: &[&str] = &["/note"];

    /// Reads the fields that are there.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        Some(Self {
            name: o.required("name", Label::read),
            zone: o.required("zone", Zone::read),
            latitude: o.optional("latitude", Degrees::read_latitude),
            longitude: o.optional("longitude", Degrees::read_longitude),
            elevation_metres: o.optional("elevation_metres", Metres::read),
            needs_kw: o.optional("needs_kw", Kilowatts::read),
            needs_hours: o.optional("needs_hours", Hours::read_positive),
            tank_litres: o.optional("tank_litres", Litres::read),
            tank_reserve_litres: o.optional("tank_reserve_litres", Litres::read),
            external_ids: ExternalIds::read(o),
            note: o.private("note"),
            retired: o.optional("retired", Marked::read),
            needs_volts: o.optional("needs_volts", more_than_nought(Volts::read)),
            needs_phases: o.optional("needs_phases", word(PHASES)),
            needs_connectors: o.values("needs_connectors", 50, Code::read),
            needs_neutral: o.optional("needs_neutral", word(NEUTRAL_NEEDS)),
        })
    }
}

/// An angle in units of 0.00001 degree, about a metre (40 CFR 60.4214(d)(1)(iv) asks for the fifth decimal).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Degrees(i64);

impl Degrees {
    fn read_within(value: &serde_json::Value, most: i64) -> Result<Self, Flaw> {
        let serde_json::Value::Number(number) = value else { return Err(Flaw::wrong_type("a number")) };
        let flaw = || {
            Flaw::new(
                "out_of_range",
                format!("Degrees lie within ±{most}, with at most five decimal places."),
            )
        };
        let found = crate::quantity::scaled(&number.to_string(), 5).ok_or_else(flaw)?;
        if found.abs() <= most * 100_000 { Ok(Self(found)) } else { Err(flaw()) }
    }

    fn read_latitude(value: &serde_json::Value) -> Result<Self, Flaw> {
        Self::read_within(value, 90)
    }

    fn read_longitude(value: &serde_json::Value) -> Result<Self, Flaw> {
        Self::read_within(value, 180)
    }
}

impl Serialize for Degrees {
    #[allow(clippy::cast_precision_loss, reason = "at most 1.8e7, far below 2^53, so exact to five places")]
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_f64(self.0 as f64 / 100_000.0)
    }
}
