use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    code::Code,
    quantity::Quantity,
    read::{Flaw, Object, integer},
    text::{Label, prose},
};

/// A part or material with its quantity.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Part {
    /// What it is.
    #[schema(value_type = String, max_length = 200, example = "engine oil")]
    pub part: Label,
    /// How much.
    #[schema(value_type = f64, minimum = 0, maximum = 1_000_000, example = 0.6)]
    pub quantity: Quantity,
    /// In which unit.
    #[schema(value_type = String, max_length = 200, example = "litres")]
    pub unit: Label,
}

/// Something to set or choose.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(untagged)]
pub enum Setting {
    /// A value with its unit: a gap, a torque, a quantity.
    Value {
        /// What is set.
        #[schema(value_type = String, example = "spark_plug_gap")]
        setting: Code,
        /// To how much.
        #[schema(value_type = f64, minimum = 0, maximum = 1_000_000, example = 0.76)]
        value: Quantity,
        /// In which unit.
        #[schema(value_type = String, example = "millimetres")]
        unit: Label,
    },
    /// A grade for a range of outdoor temperature.
    Grade {
        /// What is chosen.
        #[schema(value_type = String, example = "oil_grade")]
        setting: Code,
        /// Which grade.
        #[schema(value_type = String, example = "10W-30")]
        grade: Label,
        /// The lowest temperature it is meant for, in degrees Celsius.
        #[schema(minimum = -90, maximum = 90)]
        from_celsius: i64,
        /// The highest temperature it is meant for, in degrees Celsius.
        #[schema(minimum = -90, maximum = 90)]
        to_celsius: i64,
    },
}

/// What can hurt somebody at this work, and who says so.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Caution {
    /// Its code.
    #[schema(value_type = String, example = "carbon_monoxide")]
    pub caution: Code,
    /// The caution in words.
    #[schema(value_type = String, max_length = 4000)]
    pub text: Box<str>,
    /// Where it comes from.
    #[schema(value_type = String, max_length = 4000)]
    pub source: Box<str>,
}

impl Part {
    pub(crate) fn read(o: &mut Object<'_>) -> Option<Self> {
        let part = o.required("part", Label::read);
        let quantity = o.required("quantity", Quantity::read);
        let unit = o.required("unit", Label::read);
        Some(Self { part: part?, quantity: quantity?, unit: unit? })
    }
}

impl Setting {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let setting = o.required("setting", Code::read);
        if !o.has("grade") {
            let value = o.required("value", Quantity::read);
            let unit = o.required("unit", Label::read);
            return Some(Self::Value { setting: setting?, value: value?, unit: unit? });
        }
        let grade = o.required("grade", Label::read);
        let from_celsius = o.required("from_celsius", integer(-90, 90));
        let to_celsius = o.required("to_celsius", integer(-90, 90));
        if from_celsius > to_celsius {
            return o.fail("to_celsius", Flaw::new("out_of_range", "The range ends below its start."));
        }
        Some(Self::Grade {
            setting: setting?,
            grade: grade?,
            from_celsius: from_celsius?,
            to_celsius: to_celsius?,
        })
    }
}

impl Caution {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let caution = o.required("caution", Code::read);
        let text = o.required("text", prose);
        let source = o.required("source", prose);
        Some(Self { caution: caution?, text: text?, source: source? })
    }
}
