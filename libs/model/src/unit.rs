//! Units: single generators, their identity and ratings.

use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;

use crate::{
    burn_curve::{self, BurnPoint},
    code::Code,
    derating::Derating,
    entry,
    entry::HoursEntry,
    external::ExternalIds,
    id::SiteId,
    mark::Marked,
    private::PrivateText,
    quantity::{AmpereHours, Amperes, Hours, Kilowatts, Litres, LitresPerHour, Volts, more_than_nought},
    read::{Flaw, Object, boolean, word},
    text::Label,
};

/// The fields of a unit; in a patch, those that it sets. A field says what was always so: what changes on a day
/// is a service event.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct UnitFields {
    /// What people call it.
    #[schema(value_type = String, required = true, example = "FS3-1", min_length = 1, max_length = 200)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub label: Option<Label>,
    /// The site it belongs to; where it stands is told by its placements.
    #[schema(value_type = String, format = "uuid", required = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub home_site_id: Option<SiteId>,
    /// Who made it.
    #[schema(value_type = String, max_length = 200)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub maker: Option<Label>,
    /// The maker's model designation.
    #[schema(value_type = String, max_length = 200)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub model: Option<Label>,
    /// The maker's serial number.
    #[schema(value_type = String, max_length = 200)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub serial: Option<Label>,
    /// What it burns.
    #[schema(required = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fuel: Option<Fuel>,
    /// Rated continuous output in kilowatts.
    #[schema(value_type = f64, minimum = 0, maximum = 100_000, example = 5.5)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rated_kw: Option<Kilowatts>,
    /// How the mixture is lit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ignition: Option<Ignition>,
    /// Whether it runs only in emergencies and for readiness tests.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub emergency_use: Option<bool>,
    /// Whether it has a starting motor and battery.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub electric_start: Option<bool>,
    /// Whether it has an hour meter; absent means yes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub meter_fitted: Option<bool>,
    /// The smallest step of the hour meter: 1, 0.1 or 0.01 hours; absent means 0.1.
    #[schema(value_type = f64, example = 0.1)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub meter_tick_hours: Option<MeterTick>,
    /// What its tank holds, in litres.
    #[schema(value_type = f64, minimum = 0, maximum = 1_000_000, example = 24)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tank_litres: Option<Litres>,
    /// What must stay in the tank, in litres.
    #[schema(value_type = f64, minimum = 0, maximum = 1_000_000, example = 4.8)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reserve_litres: Option<Litres>,
    /// Nominal voltage of the starting battery.
    #[schema(value_type = f64, minimum = 0, maximum = 1000, example = 12)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub battery_volts: Option<Volts>,
    /// Where the hour meter goes back to 0.
    #[schema(value_type = HoursEntry, example = 10_000)]
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    pub meter_rollover_hours: Option<Hours>,
    /// What it burns at its usual load, in litres per hour.
    #[schema(value_type = f64, minimum = 0.01, maximum = 100_000, example = 1.9)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub burn_litres_per_hour: Option<LitresPerHour>,
    /// What it burns at which load; it counts before `burn_litres_per_hour`. Loads rise from point to point.
    #[schema(value_type = Vec<BurnPoint>, min_items = 1, max_items = 20)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub burn_curve: Option<Vec<BurnPoint>>,
    /// What it can give for a moment, while a motor starts, in kilowatts.
    #[schema(value_type = f64, minimum = 0, maximum = 100_000, example = 6.9)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub start_kw: Option<Kilowatts>,
    /// What it loses in height and heat, as the manual of its model says.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub derating: Option<Derating>,
    /// How much oil its engine takes, in litres.
    #[schema(value_type = f64, minimum = 0, maximum = 1_000_000, example = 0.6)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub oil_litres: Option<Litres>,
    /// How much oil it uses up, in litres per hour.
    #[schema(value_type = f64, minimum = 0, maximum = 100_000, example = 0.02)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub oil_litres_per_hour: Option<LitresPerHour>,
    /// After how many hours of running its oil is checked.
    #[schema(value_type = HoursEntry, example = 8)]
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    pub oil_check_hours: Option<Hours>,
    /// How its starting battery is made.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub battery_chemistry: Option<Chemistry>,
    /// What its starting battery gives in the cold, in amperes (CCA).
    #[schema(value_type = f64, minimum = 0, maximum = 10_000, example = 400)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub battery_cold_cranking_amperes: Option<Amperes>,
    /// What its starting battery holds, in ampere-hours.
    #[schema(value_type = f64, minimum = 0, maximum = 10_000, example = 45)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub battery_ampere_hours: Option<AmpereHours>,
    /// What it is fitted with, by code, as far as schedules ask; what follows from the other fields is not repeated.
    #[schema(value_type = Vec<String>, max_items = 50, example = json!(["spark_arrester"]))]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub features: Option<Vec<Code>>,
    /// The engine's brake power in kilowatts.
    #[schema(value_type = f64, minimum = 0, maximum = 100_000, example = 7.5)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub engine_kw: Option<Kilowatts>,
    /// Whether the engine is of two or four strokes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stroke: Option<Stroke>,
    /// Whether a spark-lit engine burns rich or lean.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub burn: Option<Burn>,
    /// Whether its only purpose is to start a bigger engine.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub black_start: Option<bool>,
    /// Whether it stands remote, as the rules for stationary engines mean it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub remote: Option<bool>,
    /// Whether it is a spark-lit engine of more than 500 HP that runs at most 24 hours a year.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limited_use: Option<bool>,
    /// Whether at least a tenth of its heat comes from landfill or digester gas.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub digester_gas: Option<bool>,
    /// Its ids in other systems, by the code of the system: no two units have the same one.
    #[schema(value_type = std::collections::BTreeMap<String, String>, example = json!({"gis": "GN-0042"}))]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub external_ids: Option<ExternalIds>,
    /// Anything else; private, erasable.
    #[schema(value_type = String, max_length = 4000)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<PrivateText>,
    /// Whether it is retired: it stays on record with all that happened to it, and nothing is due on it any more. Taken away
    /// with null.
    #[schema(value_type = bool, example = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub retired: Option<Marked>,
    /// The voltages that its output can be set to.
    #[schema(value_type = Vec<f64>, max_items = 20, example = json!([120, 240]))]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub output_volts: Option<Vec<Volts>>,
    /// Whether its output has one phase or three.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phases: Option<Phases>,
    /// The connectors that it has, by code, cables with it.
    #[schema(value_type = Vec<String>, max_items = 50, example = json!(["locking_30a"]))]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub connectors: Option<Vec<Code>>,
    /// How its neutral is joined to its frame.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub neutral: Option<Neutral>,
}

/// One or three phases.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Phases {
    /// One phase.
    Single,
    /// Three phases.
    Three,
}

pub(crate) const PHASES: &[(&str, Phases)] = &[("single", Phases::Single), ("three", Phases::Three)];

/// How the neutral of a set is joined to its frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Neutral {
    /// Joined.
    Bonded,
    /// Not joined.
    Floating,
    /// Either, as it is set.
    Either,
}

const NEUTRALS: &[(&str, Neutral)] =
    &[("bonded", Neutral::Bonded), ("floating", Neutral::Floating), ("either", Neutral::Either)];

/// What a unit burns.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Fuel {
    /// Petrol (gasoline).
    Petrol,
    /// Diesel.
    Diesel,
    /// Propane (LP gas).
    Propane,
    /// Piped natural gas.
    NaturalGas,
    /// Either of two fuels.
    Dual,
}

/// The words for [`Fuel`].
pub const FUELS: &[(&str, Fuel)] = &[
    ("petrol", Fuel::Petrol),
    ("diesel", Fuel::Diesel),
    ("propane", Fuel::Propane),
    ("natural_gas", Fuel::NaturalGas),
    ("dual", Fuel::Dual),
];

/// How a starting battery is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Chemistry {
    /// Lead plates in liquid acid.
    Wet,
    /// Lead plates with the acid in glass mats.
    Agm,
    /// Lead plates with the acid in gel.
    Gel,
}

const CHEMISTRIES: &[(&str, Chemistry)] =
    &[("wet", Chemistry::Wet), ("agm", Chemistry::Agm), ("gel", Chemistry::Gel)];

/// How the mixture is lit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Ignition {
    /// By a spark plug.
    Spark,
    /// By compression.
    Compression,
}

pub(crate) const IGNITIONS: &[(&str, Ignition)] =
    &[("spark", Ignition::Spark), ("compression", Ignition::Compression)];

/// How many strokes make a cycle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Stroke {
    /// Two.
    TwoStroke,
    /// Four.
    FourStroke,
}

pub(crate) const STROKES: &[(&str, Stroke)] =
    &[("two_stroke", Stroke::TwoStroke), ("four_stroke", Stroke::FourStroke)];

/// How much air a spark-lit engine gets.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Burn {
    /// About as much as the fuel needs.
    Rich,
    /// Much more than the fuel needs.
    Lean,
}

pub(crate) const BURNS: &[(&str, Burn)] = &[("rich", Burn::Rich), ("lean", Burn::Lean)];

/// The smallest step of an hour meter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(transparent)]
pub struct MeterTick(Hours);

impl MeterTick {
    /// A tenth of an hour, the usual step.
    pub const TENTH: Self = Self(Hours::from_hundredths(10));

    /// The step.
    pub const fn hours(self) -> Hours {
        self.0
    }

    /// Reads 1, 0.1 or 0.01.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        let hours = Hours::read(value)?;
        if [1, 10, 100].contains(&hours.hundredths()) {
            Ok(Self(hours))
        } else {
            Err(Flaw::new("out_of_range", "A meter steps by 1, 0.1 or 0.01 hours."))
        }
    }
}

impl Fuel {
    /// The word for it.
    pub fn as_str(self) -> &'static str {
        FUELS.iter().find(|(_, fuel)| *fuel == self).map_or("", |(word, _)| *word)
    }
}

impl UnitFields {
    /// JSON Pointers to the private text among the fields.
    pub const PRIVATE: &[&str] = &["/note"];

    /// Reads the fields that are there.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        Some(Self {
            label: o.required("label", Label::read),
            home_site_id: o.required("home_site_id", SiteId::read),
            maker: o.optional("maker", Label::read),
            model: o.optional("model", Label::read),
            serial: o.optional("serial", Label::read),
            fuel: o.required("fuel", word(FUELS)),
            rated_kw: o.optional("rated_kw", Kilowatts::read),
            ignition: o.optional("ignition", word(IGNITIONS)),
            emergency_use: o.optional("emergency_use", boolean),
            electric_start: o.optional("electric_start", boolean),
            meter_fitted: o.optional("meter_fitted", boolean),
            meter_tick_hours: o.optional("meter_tick_hours", MeterTick::read),
            tank_litres: o.optional("tank_litres", Litres::read),
            reserve_litres: o.optional("reserve_litres", Litres::read),
            battery_volts: o.optional("battery_volts", Volts::read),
            meter_rollover_hours: o.optional("meter_rollover_hours", Hours::read_positive),
            burn_litres_per_hour: o.optional("burn_litres_per_hour", more_than_nought(LitresPerHour::read)),
            burn_curve: burn_curve::read(o),
            start_kw: o.optional("start_kw", Kilowatts::read),
            derating: o.object("derating", Derating::read),
            oil_litres: o.optional("oil_litres", Litres::read),
            oil_litres_per_hour: o.optional("oil_litres_per_hour", LitresPerHour::read),
            oil_check_hours: o.optional("oil_check_hours", Hours::read_positive),
            battery_chemistry: o.optional("battery_chemistry", word(CHEMISTRIES)),
            battery_cold_cranking_amperes: o
                .optional("battery_cold_cranking_amperes", more_than_nought(Amperes::read)),
            battery_ampere_hours: o.optional("battery_ampere_hours", more_than_nought(AmpereHours::read)),
            features: o.values("features", 50, Code::read),
            engine_kw: o.optional("engine_kw", Kilowatts::read),
            stroke: o.optional("stroke", word(STROKES)),
            burn: o.optional("burn", word(BURNS)),
            black_start: o.optional("black_start", boolean),
            remote: o.optional("remote", boolean),
            limited_use: o.optional("limited_use", boolean),
            digester_gas: o.optional("digester_gas", boolean),
            external_ids: ExternalIds::read(o),
            note: o.private("note"),
            retired: o.optional("retired", Marked::read),
            output_volts: o.values("output_volts", 20, more_than_nought(Volts::read)),
            phases: o.optional("phases", word(PHASES)),
            connectors: o.values("connectors", 50, Code::read),
            neutral: o.optional("neutral", word(NEUTRALS)),
        })
    }
}
