//! Hours as people enter them: a decimal number, the same as text, or hours and minutes.

use serde::{Serialize, Serializer};
use serde_json::Value;
use utoipa::{
    PartialSchema, ToSchema,
    openapi::{ObjectBuilder, OneOfBuilder, RefOr, Schema, Type},
};

use crate::{
    quantity::{Hours, scaled},
    read::Flaw,
};

/// Reads text such as `231:30` (231 hours and 30 minutes) or `231.30` (231.3 hours).
///
/// A comma, or a second separator, could mean a thousand times more or less, so such text is refused rather than guessed.
pub(crate) fn hours(text: &str) -> Result<Hours, Flaw> {
    let separators = text.chars().filter(|c| matches!(c, '.' | ':')).count();
    if text.contains(',') || separators > 1 {
        return Err(Flaw::new(
            "ambiguous_number",
            "This can be read in two ways: write hours as 231.5, or hours and minutes as 231:30.",
        ));
    }
    let shape =
        || Flaw::new("invalid_hours", "Hours are written like 231.5, or 231:30 for hours and minutes.");
    let plain = |part: &str| !part.is_empty() && part.len() <= 9 && part.bytes().all(|b| b.is_ascii_digit());
    let found = match text.split_once(':') {
        Some((whole, minutes)) if plain(whole) && plain(minutes) && minutes.len() == 2 => {
            let minutes: i64 = minutes.parse().map_err(|_| shape())?;
            let whole: i64 = whole.parse().map_err(|_| shape())?;
            if minutes >= 60 {
                return Err(shape());
            }
            Hours::from_seconds(whole * 3600 + minutes * 60)
        }
        Some(_) => return Err(shape()),
        None if text.split('.').all(plain) => {
            let hundredths = scaled(text, 2);
            Hours::from_hundredths(hundredths.ok_or_else(|| {
                Flaw::new("too_precise", "This takes at most two decimal places and no extreme values.")
            })?)
        }
        None => return Err(shape()),
    };
    if found > Hours::MOST {
        return Err(Flaw::new("out_of_range", "Hours lie between 0 and 1000000."));
    }
    Ok(found)
}

/// Writes hours as they were entered: a number, or hours and minutes where two decimal places would round them.
pub(crate) fn write<S: Serializer, T: Entered>(hours: &T, s: S) -> Result<S::Ok, S::Error> {
    let Some(hours) = hours.entered() else { return s.serialize_none() };
    if hours.seconds() % 36 == 0 {
        return hours.serialize(s);
    }
    s.collect_str(&format_args!("{}:{:02}", hours.seconds() / 3600, hours.seconds() / 60 % 60))
}

/// Hours that a member holds, if it is there.
pub(crate) trait Entered {
    fn entered(&self) -> Option<Hours>;
}

impl Entered for Hours {
    fn entered(&self) -> Option<Hours> {
        Some(*self)
    }
}

impl Entered for Option<Hours> {
    fn entered(&self) -> Option<Hours> {
        *self
    }
}

/// How [`Hours`] that were entered are described.
#[derive(Clone, Copy, Debug)]
pub struct HoursEntry;

impl PartialSchema for HoursEntry {
    fn schema() -> RefOr<Schema> {
        let number = ObjectBuilder::new()
            .schema_type(Type::Number)
            .minimum(Some(0))
            .maximum(Some(1_000_000))
            .description(Some("Hours, at most two decimal places."));
        let text = ObjectBuilder::new()
            .schema_type(Type::String)
            .pattern(Some("^([0-9]{1,7}:[0-5][0-9]|[0-9]{1,7}([.][0-9]+)?)$"))
            .description(Some("Hours and minutes, or the decimal number as text."));
        OneOfBuilder::new()
            .item(number)
            .item(text)
            .description(Some(
                "Hours: a number such as 231.5, or text such as 231:30 for 231 hours and 30 minutes. Answered as a \
                 number, or as hours and minutes where two decimal places would round it.",
            ))
            .examples([Value::from(231.5)])
            .into()
    }
}

impl ToSchema for HoursEntry {}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[derive(Serialize)]
    struct Holder(#[serde(serialize_with = "write")] Option<Hours>);

    #[test]
    fn texts_and_what_they_mean() {
        // 231:30 and 231.30 are the worked example of common practice: half an hour, three tenths.
        let cases = [
            (json!("231:30"), Ok((831_600 + 1_800, json!(231.5)))),
            (json!("231.30"), Ok((832_680, json!(231.3)))),
            (json!("0:20"), Ok((1_200, json!("0:20")))),
            (json!("7:01"), Ok((25_260, json!("7:01")))),
            (json!("231"), Ok((831_600, json!(231.0)))),
            (json!(231.5), Ok((833_400, json!(231.5)))),
            (json!("1000000:00"), Ok((3_600_000_000, json!(1_000_000.0)))),
            (json!("1000000:01"), Err("out_of_range")),
            (json!("1.234,5"), Err("ambiguous_number")),
            (json!("1,234.5"), Err("ambiguous_number")),
            (json!("231,5"), Err("ambiguous_number")),
            (json!("1.234.5"), Err("ambiguous_number")),
            (json!("231:30:00"), Err("ambiguous_number")),
            (json!("231:30.5"), Err("ambiguous_number")),
            (json!("231.305"), Err("too_precise")),
            (json!("231:60"), Err("invalid_hours")),
            (json!("231:5"), Err("invalid_hours")),
            (json!("-1"), Err("invalid_hours")),
            (json!("1e2"), Err("invalid_hours")),
            (json!(".5"), Err("invalid_hours")),
            (json!(""), Err("invalid_hours")),
            (json!("9999999999"), Err("invalid_hours")),
            (json!(true), Err("wrong_type")),
        ];
        for (entered, expected) in cases {
            let found = Hours::read(&entered).map_err(|flaw| flaw.code);
            let found =
                found.map(|hours| (hours.seconds(), serde_json::to_value(Holder(Some(hours))).unwrap()));
            assert_eq!(found, expected, "{entered}");
        }
    }

    #[test]
    fn what_is_written_reads_the_same() {
        for minutes in 0..600 {
            let hours = Hours::from_seconds(minutes * 60);
            let written = serde_json::to_value(Holder(Some(hours))).unwrap();
            assert_eq!(Hours::read(&written), Ok(hours), "{written}");
        }
    }
}
