use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    read::{Flaw, Object, integer},
    text::Label,
};

/// A range of a maker's serial numbers, both ends in it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SerialRange {
    /// What stands before the number; absent means nothing.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, max_length = 200, example = "TV-")]
    pub prefix: Option<Label>,
    /// The first number.
    #[schema(minimum = 0, maximum = 1_000_000_000_000i64, example = 1000)]
    pub from: i64,
    /// The last number.
    #[schema(minimum = 0, maximum = 1_000_000_000_000i64, example = 1999)]
    pub to: i64,
}

const MOST: i64 = 1_000_000_000_000;

impl SerialRange {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let prefix = o.optional("prefix", Label::read);
        let from = o.required("from", integer(0, MOST));
        let to = o.required("to", integer(0, MOST));
        if let (Some(from), Some(to)) = (from, to)
            && to < from
        {
            return o.fail("to", Flaw::new("out_of_range", "The range ends below its start."));
        }
        Some(Self { prefix, from: from?, to: to? })
    }

    /// Whether a serial number lies in it: the prefix exactly, then digits only.
    pub fn holds(&self, serial: &str) -> bool {
        let prefix = self.prefix.as_ref().map_or("", Label::as_str);
        serial
            .strip_prefix(prefix)
            .filter(|digits| !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit()))
            .and_then(|digits| digits.parse().ok())
            .is_some_and(|number: i64| (self.from..=self.to).contains(&number))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_lies_in_a_range() {
        let range = SerialRange { prefix: Label::parse("TV-").ok(), from: 1000, to: 1999 };
        let cases = [
            ("TV-1000", true),
            ("TV-1999", true),
            ("TV-01500", true),
            ("TV-999", false),
            ("TV-2000", false),
            ("TV-", false),
            ("TV-15A0", false),
            ("tv-1500", false),
            ("1500", false),
            ("TV-99999999999999999999", false),
        ];
        for (serial, expected) in cases {
            assert_eq!(range.holds(serial), expected, "{serial}");
        }
        assert!(SerialRange { prefix: None, ..range }.holds("1500"));
    }
}
