//! Reading typed values out of JSON objects, collecting every error with its JSON Pointer (RFC 6901).

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use serde_json::{Map, Value};
use utoipa::ToSchema;

use crate::private::PrivateText;

/// What is wrong with one value, before it is known where the value stands.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{detail}")]
pub struct Flaw {
    /// A stable code for programs.
    pub code: &'static str,
    /// A sentence for people.
    pub detail: String,
}

impl Flaw {
    /// A flaw from its code and sentence.
    pub fn new(code: &'static str, detail: impl Into<String>) -> Self {
        Self { code, detail: detail.into() }
    }

    /// The value has another JSON type than `wanted`.
    pub fn wrong_type(wanted: &str) -> Self {
        Self::new("wrong_type", format!("This must be {wanted}."))
    }
}

/// One thing wrong with what was sent, and where.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct FieldError {
    /// JSON Pointer (RFC 6901) to the value in the body; for a missing member, where it should be.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "/meter_hours")]
    pub pointer: Option<String>,
    /// The name of the query parameter, where one is wrong.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub parameter: Option<String>,
    /// The name of the header, where one is wrong.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub header: Option<String>,
    /// A stable code for programs.
    #[schema(value_type = String, example = "out_of_range")]
    pub code: &'static str,
    /// A sentence for people.
    #[schema(example = "Hours lie between 0 and 1000000.")]
    pub detail: String,
}

impl FieldError {
    /// Places a flaw in the body.
    pub fn at(pointer: impl Into<String>, flaw: Flaw) -> Self {
        Self { pointer: Some(pointer.into()), ..Self::nowhere(flaw) }
    }

    /// Places a flaw in the query.
    pub fn in_parameter(name: &str, flaw: Flaw) -> Self {
        Self { parameter: Some(shortened(name)), ..Self::nowhere(flaw) }
    }

    /// Places a flaw in a header.
    pub fn in_header(name: &str, flaw: Flaw) -> Self {
        Self { header: Some(name.to_owned()), ..Self::nowhere(flaw) }
    }

    fn nowhere(flaw: Flaw) -> Self {
        Self { pointer: None, parameter: None, header: None, code: flaw.code, detail: flaw.detail }
    }
}

/// An answer lists so many errors at most, so that a large body of nonsense gets a small answer.
pub const ERRORS_MOST: usize = 100;

/// Cuts `errors` to what an answer lists, saying that there are more.
pub fn listed(mut errors: Vec<FieldError>) -> Vec<FieldError> {
    if errors.len() > ERRORS_MOST {
        errors.truncate(ERRORS_MOST);
        errors.push(FieldError::at(
            "",
            Flaw::new("more_errors", "There are more errors than are listed here."),
        ));
    }
    errors
}

/// A name of the sender's making, cut to what is fit to be repeated.
fn shortened(name: &str) -> String {
    if name.chars().count() <= 100 {
        name.to_owned()
    } else {
        name.chars().take(100).chain(['…']).collect()
    }
}

/// How absent members are judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// A new thing: required members must be there.
    New,
    /// A JSON Merge Patch (RFC 7396): any member may be absent, null removes an optional one.
    Patch,
    /// What the log holds: as [`Mode::New`], with private text as commitments.
    Stored,
    /// What a service tells a device that may be older than it: as [`Mode::New`], with private text that may be erased. See
    /// [`told`].
    Told,
}

impl Mode {
    /// How the members of a nested object are judged: it is new as a whole, also in a patch.
    const fn within(self) -> Self {
        match self {
            Self::New | Self::Patch => Self::New,
            Self::Stored => Self::Stored,
            Self::Told => Self::Told,
        }
    }

    /// How private text is read.
    const fn private_text(self) -> fn(&Value) -> Result<PrivateText, Flaw> {
        match self {
            Self::New | Self::Patch => PrivateText::read,
            Self::Stored => PrivateText::read_sealed,
            Self::Told => PrivateText::read_told,
        }
    }
}

/// Members that the service computes; sending one is an error that says so.
const READ_ONLY: &[&str] = &[
    "organization_id",
    "happened_at",
    "recorded_at",
    "author",
    "version",
    "etag",
    "state",
    "due_at",
    "verdict",
    "seq",
    "hash",
    "content_hash",
    "leaf_hash",
    "grade",
    "retired_at",
    "set_aside",
    "contested",
];

/// Reads a whole body with `read`, giving the value or all errors.
pub fn whole<T>(
    value: &Value,
    mode: Mode,
    read: impl FnOnce(&mut Object<'_>) -> Option<T>,
) -> Result<T, Vec<FieldError>> {
    part(value, String::new(), mode, read)
}

/// The same for a part of a body that is judged by itself; `pointer` says where it stands.
pub(crate) fn part<T>(
    value: &Value,
    pointer: String,
    mode: Mode,
    read: impl FnOnce(&mut Object<'_>) -> Option<T>,
) -> Result<T, Vec<FieldError>> {
    let mut errors = Vec::new();
    let found = object(value, pointer, mode, &mut errors, read);
    match found {
        Some(found) if errors.is_empty() => Ok(found),
        _ => Err(listed(errors)),
    }
}

/// What could be read of something that a newer service may have told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Told<T> {
    /// What was read; where there are errors, without what they are about, or nothing.
    pub value: Option<T>,
    /// JSON Pointers to members that are not known here.
    pub unknown: Vec<String>,
    /// What could not be read.
    pub errors: Vec<FieldError>,
}

/// Reads what a service told; members that are not known are no errors, and those that the service computes are passed over.
pub fn told<T>(value: &Value, read: impl FnOnce(&mut Object<'_>) -> Option<T>) -> Told<T> {
    let mut errors = Vec::new();
    let value = object(value, String::new(), Mode::Told, &mut errors, read);
    let (unknown, errors): (Vec<_>, Vec<_>) =
        errors.into_iter().partition(|error| error.code == UNKNOWN_MEMBER);
    let unknown = unknown.into_iter().filter_map(|error| error.pointer).collect();
    Told { value, unknown, errors: listed(errors) }
}

const UNKNOWN_MEMBER: &str = "unknown_member";

/// The members of one JSON object while they are being read.
pub struct Object<'a> {
    members: &'a Map<String, Value>,
    pointer: String,
    mode: Mode,
    known: BTreeSet<&'static str>,
    removed: Vec<&'static str>,
    all_known: bool,
    errors: &'a mut Vec<FieldError>,
}

impl<'a> Object<'a> {
    /// Reads a member that a new thing must have.
    pub fn required<T>(
        &mut self,
        name: &'static str,
        parse: impl FnOnce(&Value) -> Result<T, Flaw>,
    ) -> Option<T> {
        match (self.member(name), self.mode) {
            (Some(Value::Null), Mode::Patch) => {
                self.fail(name, Flaw::new("required", "This member cannot be removed."))
            }
            (None | Some(Value::Null), Mode::New | Mode::Stored | Mode::Told) => {
                self.fail(name, Flaw::new("required", "This member is missing."))
            }
            (None, Mode::Patch) => None,
            (Some(value), _) => self.parsed(name, value, parse),
        }
    }

    /// Reads a member that may be absent; null means absent, and removes it in a patch.
    pub fn optional<T>(
        &mut self,
        name: &'static str,
        parse: impl FnOnce(&Value) -> Result<T, Flaw>,
    ) -> Option<T> {
        match self.member(name) {
            None => None,
            Some(Value::Null) => {
                self.removed.push(name);
                None
            }
            Some(value) => self.parsed(name, value, parse),
        }
    }

    /// Reads private text that may be absent: in the clear from outside, as a commitment from the log.
    pub fn private(&mut self, name: &'static str) -> Option<PrivateText> {
        let parse = self.mode.private_text();
        self.optional(name, parse)
    }

    /// Reads private text that must be there.
    pub fn required_private(&mut self, name: &'static str) -> Option<PrivateText> {
        let parse = self.mode.private_text();
        self.required(name, parse)
    }

    /// Reads a nested object, if it is there.
    pub fn object<T>(
        &mut self,
        name: &'static str,
        read: impl FnOnce(&mut Object<'_>) -> Option<T>,
    ) -> Option<T> {
        match self.member(name) {
            None => None,
            Some(Value::Null) => {
                self.removed.push(name);
                None
            }
            Some(value) => {
                object(value, format!("{}/{name}", self.pointer), self.mode.within(), self.errors, read)
            }
        }
    }

    /// Reads an array of objects, if it is there; `most` bounds its length.
    pub fn objects<T>(
        &mut self,
        name: &'static str,
        most: usize,
        mut read: impl FnMut(&mut Object<'_>) -> Option<T>,
    ) -> Option<Vec<T>> {
        let base = format!("{}/{name}", self.pointer);
        let mut found = Vec::new();
        for (i, item) in self.items(name, most)?.iter().enumerate() {
            found.push(object(item, format!("{base}/{i}"), self.mode.within(), self.errors, &mut read));
        }
        found.into_iter().collect()
    }

    /// Reads an object whose members, named by the sender, are arrays of objects; `most` bounds each of both.
    pub(crate) fn lists<T>(
        &mut self,
        name: &'static str,
        most: usize,
        mut read: impl FnMut(&mut Object<'_>) -> Option<T>,
    ) -> Option<BTreeMap<String, Vec<T>>> {
        let members = match self.member(name)? {
            Value::Object(members) if members.len() <= most => members,
            Value::Object(_) => {
                return self.fail(name, Flaw::new("too_many", format!("At most {most} members are taken.")));
            }
            _ => return self.fail(name, Flaw::wrong_type("an object")),
        };
        let mut found = Vec::new();
        for (list, items) in members {
            let pointer = format!("{}/{name}/{}", self.pointer, escaped(&shortened(list)));
            let items = match items {
                Value::Array(items) if items.len() <= most => items,
                Value::Array(_) => {
                    let flaw = Flaw::new("too_many", format!("At most {most} items are taken."));
                    self.errors.push(FieldError::at(pointer, flaw));
                    return None;
                }
                _ => {
                    self.errors.push(FieldError::at(pointer, Flaw::wrong_type("an array")));
                    return None;
                }
            };
            let mode = self.mode.within();
            let each = items.iter().enumerate();
            let read: Vec<Option<T>> = each
                .map(|(i, item)| object(item, format!("{pointer}/{i}"), mode, self.errors, &mut read))
                .collect();
            found.push(read.into_iter().collect::<Option<Vec<T>>>().map(|items| (list.clone(), items)));
        }
        found.into_iter().collect()
    }

    /// Reads an object of plain values whose members the sender names, if it is there; `most` bounds it. In a patch null
    /// removes a member; elsewhere it says that there is none.
    pub(crate) fn keyed<K: Ord, T>(
        &mut self,
        name: &'static str,
        most: usize,
        key: impl Fn(&str) -> Result<K, Flaw>,
        parse: impl Fn(&Value) -> Result<T, Flaw>,
    ) -> Option<BTreeMap<K, Option<T>>> {
        let members = match self.member(name)? {
            Value::Null if self.mode == Mode::Patch => {
                return self
                    .fail(name, Flaw::new("required", "Remove what is in it one by one, each with null."));
            }
            Value::Null => return None,
            Value::Object(members) if members.len() <= most => members,
            Value::Object(_) => {
                return self.fail(name, Flaw::new("too_many", format!("At most {most} members are taken.")));
            }
            _ => return self.fail(name, Flaw::wrong_type("an object")),
        };
        let mut found = Vec::new();
        for (member, value) in members {
            let read = key(member).and_then(|key| match value {
                Value::Null => Ok((key, None)),
                value => parse(value).map(|value| (key, Some(value))),
            });
            match read {
                Ok((_, None)) if self.mode != Mode::Patch => {}
                Ok(read) => found.push(Some(read)),
                Err(flaw) => {
                    let pointer = format!("{}/{name}/{}", self.pointer, escaped(&shortened(member)));
                    self.errors.push(FieldError::at(pointer, flaw));
                    found.push(None);
                }
            }
        }
        found.into_iter().collect()
    }

    /// Reads an array of plain values, if it is there; `most` bounds its length.
    pub fn values<T>(
        &mut self,
        name: &'static str,
        most: usize,
        parse: impl Fn(&Value) -> Result<T, Flaw>,
    ) -> Option<Vec<T>> {
        let mut found = Vec::new();
        for (i, item) in self.items(name, most)?.iter().enumerate() {
            match parse(item) {
                Ok(value) => found.push(Some(value)),
                Err(flaw) => {
                    self.errors.push(FieldError::at(format!("{}/{name}/{i}", self.pointer), flaw));
                    found.push(None);
                }
            }
        }
        found.into_iter().collect()
    }

    /// Reports that `name` is wrong for a reason that no single value shows.
    pub fn fail<T>(&mut self, name: &str, flaw: Flaw) -> Option<T> {
        let pointer = if name.is_empty() { self.pointer.clone() } else { format!("{}/{name}", self.pointer) };
        self.errors.push(FieldError::at(pointer, flaw));
        None
    }

    /// Leaves members that were not read out of the errors: which are known depends on one that is wrong.
    pub fn ignore_rest(&mut self) {
        self.all_known = true;
    }

    /// Whether the member was sent with a value.
    pub fn has(&self, name: &str) -> bool {
        self.members.get(name).is_some_and(|v| !v.is_null())
    }

    /// Whether the member was sent with this text.
    pub fn is(&self, name: &str, text: &str) -> bool {
        self.members.get(name).and_then(Value::as_str) == Some(text)
    }

    /// Members that a patch removes, in the order they were read.
    pub fn removed(&self) -> &[&'static str] {
        &self.removed
    }

    /// Whether anything read so far, here or elsewhere in the body, was wrong.
    pub fn any_errors(&self) -> bool {
        !self.errors.is_empty()
    }

    fn member(&mut self, name: &'static str) -> Option<&'a Value> {
        self.known.insert(name);
        self.members.get(name)
    }

    fn parsed<T>(
        &mut self,
        name: &str,
        value: &Value,
        parse: impl FnOnce(&Value) -> Result<T, Flaw>,
    ) -> Option<T> {
        match parse(value) {
            Ok(found) => Some(found),
            Err(flaw) => self.fail(name, flaw),
        }
    }

    fn items(&mut self, name: &'static str, most: usize) -> Option<&'a Vec<Value>> {
        match self.member(name) {
            None => None,
            Some(Value::Null) => {
                self.removed.push(name);
                None
            }
            Some(Value::Array(items)) if items.len() <= most => Some(items),
            Some(Value::Array(_)) => {
                self.fail(name, Flaw::new("too_many", format!("At most {most} items are taken.")))
            }
            Some(_) => self.fail(name, Flaw::wrong_type("an array")),
        }
    }

    fn close(self) {
        let told = self.mode == Mode::Told;
        for name in self.members.keys().filter(|n| !self.all_known && !self.known.contains(n.as_str())) {
            // Of what is told every unknown member counts: a limit may be the last of them.
            if self.errors.len() > ERRORS_MOST && !told {
                return;
            }
            let computed = READ_ONLY.contains(&name.as_str());
            let flaw = match (computed, told) {
                (true, true) if self.pointer.is_empty() => continue,
                (true, false) => Flaw::new("read_only", "The service computes this; it cannot be sent."),
                _ => Flaw::new(UNKNOWN_MEMBER, "There is no such member here."),
            };
            self.errors.push(FieldError::at(format!("{}/{}", self.pointer, escaped(&shortened(name))), flaw));
        }
    }
}

fn object<T>(
    value: &Value,
    pointer: String,
    mode: Mode,
    errors: &mut Vec<FieldError>,
    read: impl FnOnce(&mut Object<'_>) -> Option<T>,
) -> Option<T> {
    let Value::Object(members) = value else {
        errors.push(FieldError::at(pointer, Flaw::wrong_type("an object")));
        return None;
    };
    let mut open = Object {
        members,
        pointer,
        mode,
        known: BTreeSet::new(),
        removed: Vec::new(),
        all_known: false,
        errors,
    };
    let found = read(&mut open);
    open.close();
    found
}

/// A member name as one step of a JSON Pointer.
fn escaped(name: &str) -> String {
    name.replace('~', "~0").replace('/', "~1")
}

/// Reads `true` or `false`.
pub fn boolean(value: &Value) -> Result<bool, Flaw> {
    value.as_bool().ok_or_else(|| Flaw::wrong_type("true or false"))
}

/// Reads a whole number within bounds.
pub fn integer(low: i64, high: i64) -> impl Fn(&Value) -> Result<i64, Flaw> {
    move |value| {
        let hundredths = crate::quantity::hundredths(value)?;
        let whole = hundredths / 100;
        if hundredths % 100 != 0 {
            Err(Flaw::wrong_type("a whole number"))
        } else if (low..=high).contains(&whole) {
            Ok(whole)
        } else {
            Err(Flaw::new("out_of_range", format!("This lies between {low} and {high}.")))
        }
    }
}

/// The same as a 32-bit number.
pub(crate) fn small(low: i32, high: i32) -> impl Fn(&Value) -> Result<i32, Flaw> {
    move |value| {
        let found = integer(low.into(), high.into())(value)?;
        i32::try_from(found).map_err(|_| Flaw::new("out_of_range", "Too large."))
    }
}

/// Reads one of a closed set of words, naming the set when it fails.
pub fn word<T: Copy>(words: &'static [(&'static str, T)]) -> impl Fn(&Value) -> Result<T, Flaw> {
    move |value| {
        let text = value.as_str().ok_or_else(|| Flaw::wrong_type("a string"))?;
        words.iter().find(|(word, _)| *word == text).map(|(_, t)| *t).ok_or_else(|| {
            let all: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
            Flaw::new("unknown_word", format!("This is one of: {}.", all.join(", ")))
        })
    }
}
