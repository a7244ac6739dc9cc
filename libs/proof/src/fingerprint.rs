//! One number over a set of records, whatever their order, by which two parties see that they hold the same.

use std::{collections::BTreeMap, fmt};

use model::read::Flaw;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use uuid::Uuid;

use crate::hash::Hash;

/// The sum, modulo 2^256, of the [`content_hash`](crate::content_hash)es of records as they are sent; of none it is
/// nought. Written as 64 lower-case hexadecimal digits.
///
/// A sum can be kept up to date with one subtraction and one addition per change. It shows drift, not malice: whoever may
/// choose records freely can make two sets with one sum.
///
/// ```
/// use proof::{Fingerprint, sha256};
///
/// let (pump, hall) = (sha256("pump"), sha256("hall"));
/// let both: Fingerprint = [hall, pump].into_iter().collect();
/// assert_eq!(both, [pump, hall].into_iter().collect());
/// let mut one = both;
/// one.remove(hall);
/// assert_eq!(one, [pump].into_iter().collect());
/// ```
#[derive(Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Fingerprint {
    high: u128,
    low: u128,
}

impl Fingerprint {
    /// Adds a record to the set.
    pub fn add(&mut self, record: Hash) {
        *self = self.plus(Self::of(record));
    }

    /// Takes a record out of the set, in which it has to be.
    pub fn remove(&mut self, record: Hash) {
        let record = Self::of(record);
        let (low, borrow) = self.low.overflowing_sub(record.low);
        *self = Self { high: self.high.wrapping_sub(record.high).wrapping_sub(u128::from(borrow)), low };
    }

    /// The fingerprint of two sets that have nothing in common.
    #[must_use]
    pub const fn plus(self, other: Self) -> Self {
        let (low, carry) = self.low.overflowing_add(other.low);
        let high = self.high.wrapping_add(other.high);
        Self { high: if carry { high.wrapping_add(1) } else { high }, low }
    }

    /// A fingerprint kept as bytes, the highest first; none if there are not 32 of them.
    pub fn from_slice(bytes: &[u8]) -> Option<Self> {
        Hash::from_slice(bytes).map(Self::of)
    }

    /// Its 32 bytes, the highest first.
    pub fn to_bytes(self) -> [u8; 32] {
        let mut bytes = [0; 32];
        let (high, low) = bytes.split_at_mut(16);
        high.copy_from_slice(&self.high.to_be_bytes());
        low.copy_from_slice(&self.low.to_be_bytes());
        bytes
    }

    /// Parses 64 lower-case hexadecimal digits.
    pub fn parse(text: &str) -> Result<Self, Flaw> {
        Hash::parse(text).map(Self::of).map_err(|_| {
            Flaw::new("invalid_fingerprint", "A fingerprint has 64 lower-case hexadecimal digits.")
        })
    }

    fn of(hash: Hash) -> Self {
        let half = |bytes: &[u8]| bytes.iter().fold(0, |sum, byte| sum << 8 | u128::from(*byte));
        let (high, low) = hash.as_bytes().split_at(16);
        Self { high: half(high), low: half(low) }
    }
}

impl FromIterator<Hash> for Fingerprint {
    fn from_iter<I: IntoIterator<Item = Hash>>(records: I) -> Self {
        records.into_iter().fold(Self::default(), |sum, record| sum.plus(Self::of(record)))
    }
}

impl fmt::Display for Fingerprint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:032x}{:032x}", self.high, self.low)
    }
}
impl fmt::Debug for Fingerprint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}
impl Serialize for Fingerprint {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}
impl<'de> Deserialize<'de> for Fingerprint {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        Self::parse(&String::deserialize(d)?).map_err(de::Error::custom)
    }
}

/// The first hexadecimal digits of ids, without hyphens; the empty one begins every id.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Prefix(String);

/// The records whose ids begin alike.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Part {
    /// How many they are.
    pub count: u64,
    /// The fingerprint of them.
    pub fingerprint: Fingerprint,
}

impl Prefix {
    /// Parses at most 32 lower-case hexadecimal digits.
    pub fn parse(text: &str) -> Result<Self, Flaw> {
        let digits = text.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f'));
        (digits && text.len() <= 32).then(|| Self(text.to_owned())).ok_or_else(|| {
            Flaw::new("invalid_prefix", "A prefix has up to 32 lower-case hexadecimal digits.")
        })
    }

    /// The digits.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Whether an id begins with it.
    #[must_use]
    pub fn begins(&self, id: Uuid) -> bool {
        simple(id).starts_with(&self.0)
    }

    /// The ids that begin with it: the first and the last there can be.
    #[must_use]
    pub fn range(&self) -> (Uuid, Uuid) {
        let filled = |digit: &str| Uuid::try_parse(&format!("{}{}", self.0, digit.repeat(32 - self.0.len())));
        (filled("0").unwrap_or_default(), filled("f").unwrap_or_default())
    }
}

/// Narrows records down: those whose ids begin with `within`, in parts by one digit more than all of them have in
/// common, so that a few rounds find what differs even where ids are made in the order of time.
///
/// ```
/// use proof::{Prefix, narrowed, sha256};
///
/// let records = ["019a0b5e-7c00-7000-8000-0000000000a1", "019a0b5e-7c00-7000-8000-0000000000b2"]
///     .map(|id| (uuid::Uuid::try_parse(id).unwrap(), sha256(id)));
/// let parts = narrowed(&Prefix::default(), records);
/// let ends: Vec<&str> = parts.keys().map(|prefix| &prefix.as_str()[28..]).collect();
/// assert_eq!(ends, ["00a", "00b"]);
/// ```
pub fn narrowed(within: &Prefix, records: impl IntoIterator<Item = (Uuid, Hash)>) -> BTreeMap<Prefix, Part> {
    let mut found: Vec<(String, Hash)> = records.into_iter().map(|(id, hash)| (simple(id), hash)).collect();
    found.retain(|(id, _)| id.starts_with(&within.0));
    let same = found.iter().zip(found.iter().skip(1)).map(|((a, _), (b, _))| common(a, b)).min();
    let digits = same.unwrap_or(within.0.len()).saturating_add(1).min(32);
    let mut parts: BTreeMap<Prefix, Part> = BTreeMap::new();
    for (mut id, hash) in found {
        id.truncate(digits);
        let part = parts.entry(Prefix(id)).or_default();
        part.count += 1;
        part.fingerprint.add(hash);
    }
    parts
}

fn simple(id: Uuid) -> String {
    id.as_simple().to_string()
}

fn common(a: &str, b: &str) -> usize {
    a.bytes().zip(b.bytes()).take_while(|(a, b)| a == b).count()
}

impl fmt::Display for Prefix {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}
impl Serialize for Prefix {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(&self.0)
    }
}
impl<'de> Deserialize<'de> for Prefix {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        Self::parse(&String::deserialize(d)?).map_err(de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::*;
    use crate::hash::sha256;

    fn of(bytes: [u8; 32]) -> Fingerprint {
        [Hash::from_bytes(bytes)].into_iter().collect()
    }

    /// Sums worked out by hand.
    #[test]
    fn it_is_a_sum_modulo_two_to_the_256th() {
        let small = |last: u8| {
            let mut bytes = [0; 32];
            bytes[31] = last;
            bytes
        };
        let mut carry = [0; 32];
        carry[15] = 1;
        let mut low = [0; 32];
        low[16..].fill(0xFF);
        let cases = [
            ([small(1), small(2)], of(small(3))),
            ([low, small(1)], of(carry)),
            ([[0xFF; 32], small(1)], Fingerprint::default()),
            (
                [[0xFF; 32], [0xFF; 32]],
                of({
                    let mut bytes = [0xFF; 32];
                    bytes[31] = 0xFE;
                    bytes
                }),
            ),
        ];
        for (records, sum) in cases {
            let found: Fingerprint = records.map(Hash::from_bytes).into_iter().collect();
            assert_eq!(found, sum, "{records:?}");
        }
    }

    #[test]
    fn texts() {
        let one = of([7; 32]);
        assert_eq!((one.to_string(), Fingerprint::parse(&one.to_string())), ("07".repeat(32), Ok(one)));
        assert_eq!(Fingerprint::default().to_string(), "0".repeat(64));
        assert_eq!(Fingerprint::from_slice(&one.to_bytes()), Some(one));
        assert_eq!(Fingerprint::from_slice(&[7; 31]), None);
        for bad in ["", "0", &"0".repeat(63), &"G".repeat(64)] {
            assert!(Fingerprint::parse(bad).is_err(), "{bad}");
        }
        for (text, good) in [("", true), ("0af", true), (&*"0".repeat(32), true), ("A", false), ("g", false)]
        {
            assert_eq!(Prefix::parse(text).is_ok(), good, "{text}");
        }
        assert!(Prefix::parse(&"0".repeat(33)).is_err());
        let (first, last) = Prefix::parse("019a").unwrap().range();
        assert_eq!(first, uuid::uuid!("019a0000-0000-0000-0000-000000000000"));
        assert_eq!(last, uuid::uuid!("019affff-ffff-ffff-ffff-ffffffffffff"));
    }

    /// Ids that share their beginnings, as ids made in the order of time do; the hash of a record covers its id.
    fn records() -> impl Strategy<Value = BTreeMap<Uuid, Hash>> {
        let id = (0..3_u128, 0..300_u128).prop_map(|(high, low)| 0x019a << 112 | high << 60 | low);
        let record = |(id, content): (u128, u8)| (Uuid::from_u128(id), sha256(format!("{id} {content}")));
        prop::collection::vec((id, 0..2_u8).prop_map(record), 0..20).prop_map(BTreeMap::from_iter)
    }

    fn within_of(part: &Prefix, records: &BTreeMap<Uuid, Hash>) -> impl Iterator<Item = (Uuid, Hash)> {
        records.iter().filter(|(id, _)| part.begins(**id)).map(|(id, hash)| (*id, *hash))
    }

    proptest! {
        #[test]
        fn order_does_not_matter(hashes in prop::collection::vec(any::<[u8; 32]>(), 0..12), swap in any::<prop::sample::Index>()) {
            let mut turned: Vec<Hash> = hashes.iter().copied().map(Hash::from_bytes).collect();
            let sum: Fingerprint = turned.iter().copied().collect();
            if !turned.is_empty() {
                let at = swap.index(turned.len());
                turned.rotate_left(at);
                turned.reverse();
            }
            prop_assert_eq!(turned.into_iter().collect::<Fingerprint>(), sum);
        }

        #[test]
        fn what_is_added_and_removed_leaves_no_trace(set in any::<[u8; 32]>(), other in any::<[u8; 32]>()) {
            let before = of(set);
            let mut found = before;
            found.add(Hash::from_bytes(other));
            prop_assert_eq!(found == before, other == [0; 32]);
            found.remove(Hash::from_bytes(other));
            prop_assert_eq!(found, before);
            found.remove(Hash::from_bytes(set));
            prop_assert_eq!(found, Fingerprint::default());
        }

        #[test]
        fn the_parts_sum_to_the_whole_and_narrow_down(records in records(), digits in 0..32_usize) {
            let within = Prefix(simple(Uuid::from_u128(0x019a << 112))[..digits].to_owned());
            let inside: BTreeMap<Uuid, Hash> =
                records.iter().filter(|(id, _)| within.begins(**id)).map(|(id, hash)| (*id, *hash)).collect();
            let (first, last) = within.range();
            prop_assert_eq!(records.range(first..=last).count(), inside.len());
            let parts = narrowed(&within, records);
            let sum = parts.values().fold(Fingerprint::default(), |sum, part| sum.plus(part.fingerprint));
            prop_assert_eq!(sum, inside.values().copied().collect());
            prop_assert_eq!(parts.values().map(|part| part.count).sum::<u64>(), inside.len() as u64);
            prop_assert!(parts.len() <= 16 && (inside.len() < 2 || parts.len() > 1));
            prop_assert!(parts.keys().all(|prefix| prefix.as_str().starts_with(within.as_str())));
        }

        /// Two parties who narrow down what differs come to those very records.
        #[test]
        fn whoever_narrows_finds_what_differs(ours in records(), theirs in records()) {
            let mut open = vec![Prefix::default()];
            let mut found = BTreeSet::new();
            while let Some(within) = open.pop() {
                let parts = narrowed(&within, theirs.clone());
                let covered = |id: &&Uuid| parts.keys().any(|part| part.begins(**id));
                found.extend(ours.keys().filter(|id| within.begins(**id)).filter(|id| !covered(id)));
                for (part, expected) in parts {
                    let own: Fingerprint = within_of(&part, &ours).map(|(_, hash)| hash).collect();
                    match expected {
                        Part { fingerprint, .. } if fingerprint == own => {}
                        Part { count: 1, .. } => {
                            let all = within_of(&part, &ours).chain(within_of(&part, &theirs));
                            found.extend(all.map(|(id, _)| id).filter(|id| ours.get(id) != theirs.get(id)));
                        }
                        Part { .. } => open.push(part),
                    }
                }
            }
            let ids = ours.keys().chain(theirs.keys());
            let differ = ids.filter(|id| ours.get(id) != theirs.get(id)).copied().collect();
            prop_assert_eq!(found, differ);
        }
    }
}
