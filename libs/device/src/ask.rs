//! Questions as JSON, answers as JSON: for programs in other languages.

use merge::nest;
use model::{
    EventId, Instant, SiteId, UnitId,
    edit::RecordKind,
    json,
    read::{FieldError, Flaw, Mode, Object, whole, word},
};
use serde::Serialize;
use serde_json::{Value, json};

use crate::{
    item::Include,
    problem::{Problem, ProblemKind},
    records::Records,
    remark::Remark,
};

/// More bytes of JSON are not taken: a fleet of some thousand units with all their events.
pub const BYTES_MOST: usize = 64 << 20;
/// More records or questions are not taken.
const RECORDS_MOST: usize = 1_000_000;
const QUESTIONS_MOST: usize = 10_000;

/// A record as the feed tells it.
struct Told {
    kind: String,
    id: String,
    record: Value,
}

enum Question {
    Due { unit: UnitId, at: Instant, include: Include },
    WhileHere { site: SiteId, at: Instant },
    Check { event: Value },
    Readiness { unit: UnitId, at: Instant },
    SiteReadiness { site: SiteId, at: Instant },
    Hours { unit: UnitId, at: Instant },
    Quality { unit: UnitId, at: Instant },
    Bundle { unit: UnitId, service: EventId },
}

#[derive(Clone, Copy)]
enum Word {
    Due,
    WhileHere,
    Check,
    Readiness,
    SiteReadiness,
    Hours,
    Quality,
    Bundle,
}

const WORDS: &[(&str, Word)] = &[
    ("due", Word::Due),
    ("while_here", Word::WhileHere),
    ("check", Word::Check),
    ("readiness", Word::Readiness),
    ("site_readiness", Word::SiteReadiness),
    ("hours", Word::Hours),
    ("quality", Word::Quality),
    ("bundle", Word::Bundle),
];

/// What else an answer about due items may tell.
const INCLUDES: &[(&str, Include)] = &[
    ("trace", Include { trace: true, projection: false }),
    ("projection", Include { trace: false, projection: true }),
];

/// Answers questions about records: `{"records": […], "ask": […]}` gets `{"answers": […]}`, one for each question, in order.
///
/// A record is `{"kind", "id", "record"}` as the changes of a sync have it, or with the body of an own edit; a question names
/// itself by `question`. What a question asks for in vain is a `problem` in the place of its answer.
///
/// # Errors
/// If the bytes are no JSON, too many, or no questions.
pub fn answer(bytes: &[u8]) -> Result<String, Problem> {
    if bytes.len() > BYTES_MOST {
        return Err(Problem::new(ProblemKind::TooLarge));
    }
    let value = json::parse(bytes)
        .map_err(|error| Problem::new(ProblemKind::InvalidJson).detail(error.to_string()))?;
    let (told, questions) = whole(&value, Mode::New, request).map_err(Problem::invalid)?;
    let mut records = Records::new();
    for told in &told {
        records.told(&told.kind, &told.id, &told.record);
    }
    let answers: Result<Vec<Value>, _> = questions.iter().map(|question| records.answer(question)).collect();
    let text = answers.and_then(|answers| serde_json::to_string(&json!({"answers": answers})));
    text.map_err(|_| Problem::new(ProblemKind::Internal))
}

fn request(o: &mut Object<'_>) -> Option<(Vec<Told>, Vec<Question>)> {
    let records = o.objects("records", RECORDS_MOST, told);
    let questions = o.objects("ask", QUESTIONS_MOST, question);
    if !o.has("ask") {
        return o.fail("ask", Flaw::new("required", "This member is missing."));
    }
    Some((records.unwrap_or_default(), questions?))
}

fn told(o: &mut Object<'_>) -> Option<Told> {
    o.ignore_rest();
    let kind = o.required("kind", text);
    let id = o.required("id", text);
    let record = o.required("record", |value| Ok(value.clone()));
    Some(Told { kind: kind?, id: id?, record: record? })
}

fn text(value: &Value) -> Result<String, Flaw> {
    value.as_str().map(str::to_owned).ok_or_else(|| Flaw::wrong_type("a string"))
}

fn question(o: &mut Object<'_>) -> Option<Question> {
    let Some(word) = o.required("question", word(WORDS)) else {
        o.ignore_rest();
        return None;
    };
    match word {
        Word::Due => {
            let include = o.values("include", INCLUDES.len(), self::word(INCLUDES)).unwrap_or_default();
            let include = Include {
                trace: include.iter().any(|include| include.trace),
                projection: include.iter().any(|include| include.projection),
            };
            of_unit(o).map(|(unit, at)| Question::Due { unit, at, include })
        }
        Word::WhileHere => at_site(o).map(|(site, at)| Question::WhileHere { site, at }),
        Word::Check => {
            let event = o.required("event", |value| Ok(value.clone()));
            event.map(|event| Question::Check { event })
        }
        Word::Readiness => of_unit(o).map(|(unit, at)| Question::Readiness { unit, at }),
        Word::SiteReadiness => at_site(o).map(|(site, at)| Question::SiteReadiness { site, at }),
        Word::Hours => of_unit(o).map(|(unit, at)| Question::Hours { unit, at }),
        Word::Quality => of_unit(o).map(|(unit, at)| Question::Quality { unit, at }),
        Word::Bundle => {
            let unit = o.required("unit_id", UnitId::read);
            let service = o.required("event_id", EventId::read);
            Some(Question::Bundle { unit: unit?, service: service? })
        }
    }
}

fn of_unit(o: &mut Object<'_>) -> Option<(UnitId, Instant)> {
    let unit = o.required("unit_id", UnitId::read);
    let at = o.required("at", Instant::read);
    Some((unit?, at?))
}

fn at_site(o: &mut Object<'_>) -> Option<(SiteId, Instant)> {
    let site = o.required("site_id", SiteId::read);
    let at = o.required("at", Instant::read);
    Some((site?, at?))
}

impl Records {
    /// Adds a record as the feed tells it, of whichever kind; those that bear on no answer are passed over. An event may also be
    /// the body of an own edit.
    pub fn told(&mut self, kind: &str, id: &str, record: &Value) {
        let fields = record.get("fields").map_or(Value::Null, fields);
        match (kind, SiteId::parse(id), UnitId::parse(id)) {
            ("site", Ok(site), _) => self.site(site, &fields),
            ("unit", _, Ok(unit)) => self.unit(unit, &fields),
            ("site" | "unit", ..) => self.pass_over(Remark::unnamed(kind, id)),
            ("edition", ..) => self.edition(record),
            ("service_event", ..) => match record {
                Value::Object(body) if !body.contains_key("id") => {
                    let mut body = body.clone();
                    body.insert("id".to_owned(), Value::from(id));
                    self.event(&Value::Object(body));
                }
                event => self.event(event),
            },
            _ if RecordKind::parse(kind).is_some() => {}
            _ => self.pass_over(Remark::newer_kind(kind, id)),
        }
    }

    fn answer(&self, question: &Question) -> serde_json::Result<Value> {
        match question {
            Question::Due { unit, at, include } => found(self.due(*unit, *at, *include), "/unit_id"),
            Question::WhileHere { site, at } => {
                found(self.sites.get(site).map(|_| self.while_here(*site, *at)), "/site_id")
            }
            Question::Check { event } => match self.check(event) {
                Ok(check) => serde_json::to_value(check),
                Err(errors) => problem(&Problem::invalid(errors.into_iter().map(in_event).collect())),
            },
            Question::Readiness { unit, at } => found(self.readiness(*unit, *at), "/unit_id"),
            Question::SiteReadiness { site, at } => {
                found(self.sites.get(site).map(|_| self.site_readiness(*site, *at)), "/site_id")
            }
            Question::Hours { unit, at } => found(self.hours(*unit, *at), "/unit_id"),
            Question::Quality { unit, at } => found(self.quality(*unit, *at), "/unit_id"),
            Question::Bundle { unit, service } => found(self.bundle(*unit, *service), "/event_id"),
        }
    }
}

/// Fields as they are read; in what is told each id in another system is a field of its own.
fn fields(told: &Value) -> Value {
    told.as_object().map_or_else(|| told.clone(), |fields| Value::Object(nest(fields.clone())))
}

fn found<T: Serialize>(answer: Option<T>, pointer: &str) -> serde_json::Result<Value> {
    answer.map_or_else(|| problem(&Problem::not_here(pointer)), serde_json::to_value)
}

fn problem(problem: &Problem) -> serde_json::Result<Value> {
    Ok(json!({"problem": serde_json::to_value(problem)?}))
}

/// The place of an error in the question that carries the event.
fn in_event(error: FieldError) -> FieldError {
    FieldError { pointer: error.pointer.map(|pointer| format!("/event{pointer}")), ..error }
}
