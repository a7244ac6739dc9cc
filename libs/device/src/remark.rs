//! What of the records could not be made use of, so that no answer rests on it in silence.

use std::{
    borrow::Cow,
    collections::{BTreeMap, BTreeSet},
};

use model::{event::EventKind, read::FieldError};
use serde::Serialize;

/// A record, or a part of one, that an answer does not rest on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Remark {
    /// The kind of the record, as the feed names it.
    pub record: Cow<'static, str>,
    /// Its id, if that could be read; of several of which the same is to be remarked, that of the first.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What about it.
    pub code: RemarkCode,
    /// JSON Pointers to members that this program does not know.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub pointers: Vec<String>,
    /// What could not be read.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub errors: Vec<FieldError>,
    /// Of how many records that is to be remarked.
    pub count: usize,
    #[serde(skip)]
    pub(crate) bears: Bears,
    /// Of an event that could not be read the kind, where at least that could.
    #[serde(skip)]
    pub(crate) event: Option<Option<EventKind>>,
}

/// What is to be remarked about a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum RemarkCode {
    /// It has members that only a newer program knows; they were passed over.
    NewerMembers,
    /// It is of a kind that only a newer program knows; it was passed over.
    NewerKind,
    /// It could not be read.
    Unreadable,
    /// It is named, but not among the records here.
    NotHere,
}

/// What a remark takes the certainty from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Bears {
    /// Nothing: it was passed over.
    Nothing,
    /// Whether a unit is ready.
    Standby,
    /// What is due, and with it whether the unit is ready.
    Due,
}

impl Remark {
    /// A remark without more to it.
    pub(crate) fn new(record: &'static str, id: Option<String>, code: RemarkCode, bears: Bears) -> Self {
        Self {
            record: record.into(),
            id,
            code,
            pointers: Vec::new(),
            errors: Vec::new(),
            count: 1,
            bears,
            event: None,
        }
    }

    /// Whether it is about an event that may say where its unit stands.
    pub(crate) fn may_place(&self) -> bool {
        let places = |kind: EventKind| {
            matches!(kind, EventKind::Commissioning | EventKind::Placement | EventKind::Correction)
        };
        self.event.is_some_and(|kind| kind.is_none_or(places))
    }

    /// Whether it is about an event that could not be read and that one of these corrections takes out. Of a correction none
    /// can.
    pub(crate) fn is_taken_out(&self, voided: &BTreeSet<String>) -> bool {
        let may_be = self.event.flatten().is_some_and(|kind| kind != EventKind::Correction);
        may_be && self.id.as_ref().is_some_and(|id| voided.contains(id))
    }

    /// A record of a kind that is not known here.
    pub(crate) fn newer_kind(kind: &str, id: &str) -> Self {
        let remark = Self::new("", Some(id.to_owned()), RemarkCode::NewerKind, Bears::Nothing);
        Self { record: kind.to_owned().into(), ..remark }
    }

    /// A record whose id is none: no question can be about it.
    pub(crate) fn unnamed(kind: &str, id: &str) -> Self {
        Self { code: RemarkCode::Unreadable, ..Self::newer_kind(kind, id) }
    }

    /// Members that are not known here; nothing if there are none.
    pub(crate) fn newer(record: &'static str, id: Option<String>, pointers: Vec<String>) -> Option<Self> {
        let remark = Self::new(record, id, RemarkCode::NewerMembers, Bears::Nothing);
        (!pointers.is_empty()).then_some(Self { pointers, ..remark })
    }

    /// What could not be read; nothing if there are no errors.
    pub(crate) fn unreadable(
        record: &'static str,
        id: Option<String>,
        errors: Vec<FieldError>,
        bears: Bears,
    ) -> Option<Self> {
        let remark = Self::new(record, id, RemarkCode::Unreadable, bears);
        (!errors.is_empty()).then_some(Self { errors, ..remark })
    }
}

/// Remarks as an answer tells them: what makes it uncertain, and what was passed over.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Remarks {
    /// Why what is due, or whether a unit is ready, is not known for certain; empty if it is.
    pub unknown_because: Vec<Remark>,
    /// What was passed over.
    pub passed_over: Vec<Remark>,
}

impl Remarks {
    /// Sorts remarks by whether they bear on a question.
    pub(crate) fn of(all: Vec<Remark>, question: Bears) -> Self {
        let (unknown_because, passed_over): (_, Vec<_>) =
            all.into_iter().partition(|remark| remark.bears >= question);
        Self { unknown_because, passed_over: counted(passed_over) }
    }

    /// Weighs that a record is not here, which was passed over.
    pub(crate) fn weigh(&mut self, record: &str, id: &str) {
        let here = |remark: &mut Remark| {
            remark.code == RemarkCode::NotHere && remark.record == record && remark.id.as_deref() == Some(id)
        };
        self.unknown_because.extend(self.passed_over.extract_if(.., here));
    }

    /// Whether the answer is certain.
    #[must_use]
    pub fn are_harmless(&self) -> bool {
        self.unknown_because.is_empty()
    }

    /// Takes in those of another answer, each once.
    pub(crate) fn add(&mut self, other: Self) {
        let add = |to: &mut Vec<Remark>, from: Vec<Remark>| {
            for remark in from {
                if !to.contains(&remark) {
                    to.push(remark);
                }
            }
        };
        add(&mut self.unknown_because, other.unknown_because);
        add(&mut self.passed_over, other.passed_over);
    }
}

/// What only a newer program knows is told once for all records of a kind, with their number.
fn counted(remarks: Vec<Remark>) -> Vec<Remark> {
    let mut told: Vec<Remark> = Vec::new();
    let mut places: BTreeMap<(Cow<'static, str>, RemarkCode, Vec<String>), usize> = BTreeMap::new();
    for remark in remarks {
        if !matches!(remark.code, RemarkCode::NewerKind | RemarkCode::NewerMembers) {
            told.push(remark);
            continue;
        }
        let place = *places
            .entry((remark.record.clone(), remark.code, remark.pointers.clone()))
            .or_insert(told.len());
        match told.get_mut(place) {
            Some(first) => first.count += remark.count,
            None => told.push(remark),
        }
    }
    told
}
