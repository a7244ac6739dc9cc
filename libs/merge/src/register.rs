//! One field: the values that did not know of each other, the highest of them on top.

use std::iter;

use model::{EditId, stamp::Stamp};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::record::RETIRED;

/// The name of one value of a field: who set it, and when by their own clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Version {
    /// The stamp as the author's device made it.
    #[serde(deserialize_with = "crate::compact::stamp")]
    pub raw: Stamp,
    /// The edit that set the value.
    pub edit: EditId,
}

/// One value of a field with what orders and names it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Held {
    /// The value; null where the edit removed the field.
    pub value: Value,
    /// The stamp that counts: the raw one, or an earlier one where the device's clock was too far ahead.
    pub effective: Stamp,
    /// The stamp as the author's device made it.
    pub raw: Stamp,
    /// The edit that set the value.
    pub edit: EditId,
    /// Whether whoever set it had seen what they set before: see [`FieldEdit::chained`](crate::FieldEdit).
    pub chained: bool,
}

impl Held {
    /// The value's name.
    pub fn version(&self) -> Version {
        Version { raw: self.raw, edit: self.edit }
    }

    /// What the highest value is the highest of.
    pub(crate) fn rank(&self) -> (Stamp, Stamp, EditId) {
        (self.effective, self.raw, self.edit)
    }

    /// Whether it was set before another value by the same device, which therefore had seen it.
    pub(crate) fn was_before(&self, other: &Self) -> bool {
        let same = self.chained && other.chained && self.raw.handset == other.raw.handset;
        same && self.raw.clock < other.raw.clock
    }

    /// Whether it says that the record is retired, if it is a value of that field.
    pub(crate) fn retires(&self) -> bool {
        self.value == Value::Bool(true)
    }
}

/// The values of a field of which none had been seen by the author of another; at least one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Register {
    top: Held,
    /// From high to low.
    others: Vec<Held>,
}

impl Register {
    /// The register of a field with these values, in whatever order; none where there are none.
    ///
    /// Of [`RETIRED`] any value that retires is above all that do not, so that only whoever has seen a retirement
    /// ends it.
    pub(crate) fn of(field: &str, mut values: Vec<Held>) -> Option<Self> {
        values.sort_by_key(|held| std::cmp::Reverse((field == RETIRED && held.retires(), held.rank())));
        let mut values = values.into_iter();
        values.next().map(|top| Self { top, others: values.collect() })
    }

    pub(crate) fn into_values(self) -> Vec<Held> {
        iter::once(self.top).chain(self.others).collect()
    }

    /// The value that counts.
    pub fn top(&self) -> &Held {
        &self.top
    }

    /// Every value held, from high to low.
    pub fn all(&self) -> impl Iterator<Item = &Held> {
        iter::once(&self.top).chain(&self.others)
    }

    /// The values that say something else than the top, from high to low.
    ///
    /// Two people who wrote the same do not contest it; both values are still held, and have to be seen to be
    /// replaced.
    pub fn rivals(&self) -> impl Iterator<Item = &Held> {
        self.others.iter().filter(|held| held.value != self.top.value)
    }

    /// Whether people disagree about this field.
    pub fn is_contested(&self) -> bool {
        self.rivals().next().is_some()
    }
}
