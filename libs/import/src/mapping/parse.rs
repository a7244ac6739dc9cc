//! Reading a mapping file, with every error.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use encoding_rs::{Encoding, UTF_8};
use jiff::tz::TimeZone;
use model::{
    Code, Zone, json,
    read::{FieldError, Flaw, Mode, Object, integer, listed, whole, word},
};
use serde_json::{Map, Value};

use super::{Mapping, Take, folded};
use crate::{
    COLUMNS_MOST, Format, Records,
    complaint::shortened,
    date::{Dates, ORDERS},
    headings::tidied,
    nearest,
    number::Decimal,
    records::{FORMATS, RECORDS},
    target::{NoTarget, Target, names},
    value::{How, members},
};

/// The largest mapping file.
const BYTES_MOST: usize = 1 << 20;

const DECIMALS: &[(&str, Decimal)] = &[(".", Decimal::Point), (",", Decimal::Comma)];
const DELIMITERS: &[(&str, u8)] = &[(",", b','), (";", b';'), ("\t", b'\t')];

/// What the columns are read with.
struct Context {
    records: Records,
    system: Option<Code>,
    how: How,
}

pub(super) fn mapping(json: &[u8]) -> Result<Mapping, Vec<FieldError>> {
    let whole_file = |code, detail: &str| vec![FieldError::at("", Flaw::new(code, detail))];
    if json.len() > BYTES_MOST {
        return Err(whole_file("too_large", "A mapping file has at most 1 MiB."));
    }
    let json = json.strip_prefix("\u{FEFF}".as_bytes()).unwrap_or(json);
    let value = json::parse(json).map_err(|error| whole_file("invalid_json", &error.detail))?;
    let mut within = Vec::new();
    let found = whole(&value, Mode::New, |o| read(o, &mut within));
    match found {
        Ok(mapping) if within.is_empty() => Ok(mapping),
        Ok(_) => Err(listed(within)),
        Err(errors) => Err(listed(errors.into_iter().chain(within).collect())),
    }
}

fn read(o: &mut Object<'_>, within: &mut Vec<FieldError>) -> Option<Mapping> {
    let records = o.required("records", word(RECORDS));
    let format = o.optional("format", word(FORMATS)).unwrap_or_default();
    let system = o.optional("system", Code::read);
    let encoding = o.optional("encoding", encoding).unwrap_or(UTF_8);
    let delimiter = o.optional("delimiter", word(DELIMITERS));
    let skip_lines = o.optional("skip_lines", integer(0, 1_000)).unwrap_or(0);
    let header_lines = o.optional("header_lines", integer(1, 5)).unwrap_or(1);
    let columns = o.optional("columns", members_of);
    let unknown = if columns.is_some() { Decimal::Either } else { Decimal::Json };
    let how = how(o, &How { decimal: unknown, dates: Dates::default() });
    let zone = o.optional("zone", Zone::read).and_then(|zone| TimeZone::get(zone.name()).ok());
    let constants = o.optional("constants", members_of).unwrap_or_default();
    let ignore = o.values("ignore", COLUMNS_MOST, heading).unwrap_or_default();
    if format == Format::Ndjson {
        csv_only(o);
    }
    let how = How { dates: Dates { zone, ..how.dates }, ..how };
    let context = Context { records: records?, system, how };
    let ignore: BTreeSet<String> = ignore.into_iter().collect();
    let constants = constant_values(&context, &constants, within);
    let columns = columns.map(|columns| mapped(&context, &columns, &ignore, &constants, within));
    Some(Mapping {
        records: context.records,
        format,
        system: context.system,
        encoding,
        delimiter,
        skip_lines: usize::try_from(skip_lines).ok()?,
        header_lines: usize::try_from(header_lines).ok()?,
        how: context.how,
        columns,
        constants,
        ignore_rest: ignore.contains("*"),
        ignore,
    })
}

fn csv_only(o: &mut Object<'_>) {
    for name in ["delimiter", "skip_lines", "header_lines"] {
        if o.has(name) {
            o.fail::<()>(name, Flaw::new("misplaced", "This belongs to the format csv."));
        }
    }
}

/// The members that say how cells are read, where they are there.
fn how(o: &mut Object<'_>, otherwise: &How) -> How {
    let decimal = o.optional("decimal", word(DECIMALS)).unwrap_or(otherwise.decimal);
    let orders = o.values("dates", ORDERS.len(), word(ORDERS));
    if orders.as_ref().is_some_and(Vec::is_empty) {
        o.fail::<()>("dates", Flaw::new("required", "Say at least one order of day, month and year."));
    }
    let zone = otherwise.dates.zone.clone();
    let orders = orders.unwrap_or_else(|| otherwise.dates.orders.clone());
    How { decimal, dates: Dates { orders, zone } }
}

fn encoding(value: &Value) -> Result<&'static Encoding, Flaw> {
    let label = value.as_str().ok_or_else(|| Flaw::wrong_type("a string"))?;
    // The decoder called replacement is for encodings that nobody should read: it gives one U+FFFD for a whole file.
    let found = Encoding::for_label_no_replacement(label.as_bytes());
    found.ok_or_else(|| {
        Flaw::new(
            "unknown_encoding",
            "An encoding is a label of the WHATWG Encoding Standard, such as utf-8 or windows-1252.",
        )
    })
}

fn members_of(value: &Value) -> Result<Map<String, Value>, Flaw> {
    match value {
        Value::Object(members) if members.len() <= COLUMNS_MOST => Ok(members.clone()),
        Value::Object(_) => Err(Flaw::new("too_many", format!("At most {COLUMNS_MOST} members are taken."))),
        _ => Err(Flaw::wrong_type("an object")),
    }
}

fn heading(value: &Value) -> Result<String, Flaw> {
    value.as_str().map(tidied).ok_or_else(|| Flaw::wrong_type("a string"))
}

fn mapped(
    context: &Context,
    columns: &Map<String, Value>,
    ignore: &BTreeSet<String>,
    constants: &[(Target, Value)],
    within: &mut Vec<FieldError>,
) -> BTreeMap<String, Arc<Take>> {
    let mut found: BTreeMap<String, Arc<Take>> = BTreeMap::new();
    for (name, value) in columns {
        let pointer = format!("/columns/{}", escaped(&shortened(name)));
        let heading = tidied(name);
        let mut fail = |code, detail: &str| within.push(FieldError::at(&pointer, Flaw::new(code, detail)));
        if ignore.contains(&heading) {
            fail("two_sources", "This heading is ignored, too.");
        }
        if found.contains_key(&heading) {
            fail("two_sources", "Another heading differs from this one by blanks only.");
        }
        let Some(take) = take(context, value, &pointer, within) else { continue };
        let again = found.values().map(|take| &take.target).chain(constants.iter().map(|(target, _)| target));
        if again.into_iter().any(|target| *target == take.target) {
            let flaw = Flaw::new("two_sources", "Another heading, or a constant, gives the same column.");
            within.push(FieldError::at(pointer, flaw));
        }
        found.insert(heading, Arc::new(take));
    }
    found
}

fn take(context: &Context, value: &Value, pointer: &str, within: &mut Vec<FieldError>) -> Option<Take> {
    let to = |value: &Value| target(context, value.as_str().ok_or_else(|| Flaw::wrong_type("a string"))?);
    if value.is_string() {
        return match to(value) {
            Ok(target) => Some(Take::plain(target, context.how.clone())),
            Err(flaw) => {
                within.push(FieldError::at(pointer, flaw));
                None
            }
        };
    }
    let found = whole(value, Mode::New, |o| {
        let target = o.required("to", to);
        let values = o.optional("values", values).unwrap_or_default();
        let how = how(o, &context.how);
        Some(Take { target: target?, values, how })
    });
    found.map_err(|errors| within.extend(errors.into_iter().map(|error| below(pointer, error)))).ok()
}

fn below(pointer: &str, error: FieldError) -> FieldError {
    FieldError { pointer: error.pointer.map(|rest| format!("{pointer}{rest}")), ..error }
}

fn target(context: &Context, name: &str) -> Result<Target, Flaw> {
    Target::find(context.records, name, context.system.as_ref()).map_err(|why| match why {
        NoTarget::Unknown => {
            let known: Vec<String> = names(context.records).collect();
            let like = nearest(name, known.iter().map(String::as_str));
            let like = like.map(|like| format!(" Is {like} meant?")).unwrap_or_default();
            Flaw::new("unknown_column", format!("There is no such canonical column.{like}"))
        }
        NoTarget::NoSystem => Flaw::new("no_system", "Whose id this is must be said by `system`."),
        NoTarget::NoCode => Flaw::new("invalid_code", "The system after the colon is no code."),
    })
}

/// What cells stand for: plain values, as a canonical file has them.
fn values(value: &Value) -> Result<BTreeMap<String, String>, Flaw> {
    let mut found = BTreeMap::new();
    for (cell, value) in members_of(value)? {
        let text = match value {
            Value::String(text) => text,
            Value::Bool(flag) => flag.to_string(),
            Value::Number(number) => number.to_string(),
            Value::Null => String::new(),
            Value::Array(_) | Value::Object(_) => {
                return Err(Flaw::wrong_type("an object of plain values"));
            }
        };
        if found.insert(folded(&cell), text).is_some() {
            let detail = format!("Another value differs from {} by blanks or case only.", shortened(&cell));
            return Err(Flaw::new("two_values", detail));
        }
    }
    Ok(found)
}

fn constant_values(
    context: &Context,
    constants: &Map<String, Value>,
    within: &mut Vec<FieldError>,
) -> Vec<(Target, Value)> {
    let mut found = Vec::new();
    for (name, value) in constants {
        match constant(context, name, value) {
            Ok(target) => found.push((target, value.clone())),
            Err(flaw) => {
                let pointer = format!("/constants/{}", escaped(&shortened(name)));
                within.push(FieldError::at(pointer, flaw));
            }
        }
    }
    found
}

fn constant(context: &Context, name: &str, value: &Value) -> Result<Target, Flaw> {
    let target = target(context, name)?;
    let empty = || Flaw::new("empty_text", "A constant says something.");
    match (&target, value) {
        (_, Value::Null) => return Err(empty()),
        (_, Value::String(text)) if text.trim().is_empty() => return Err(empty()),
        (Target::Member(column), Value::String(text)) => {
            let how = How { decimal: Decimal::Json, dates: context.how.dates.clone() };
            members(column, text, &how).map_err(|doubt| Flaw::new(doubt.code, doubt.detail))?;
        }
        (Target::Member(_), _) | (_, Value::String(_)) | (Target::Details, Value::Object(_)) => {}
        (Target::Details, _) => return Err(Flaw::wrong_type("an object")),
        _ => return Err(Flaw::wrong_type("a string")),
    }
    Ok(target)
}

/// A member name as one step of a JSON Pointer.
fn escaped(name: &str) -> String {
    name.replace('~', "~0").replace('/', "~1")
}
