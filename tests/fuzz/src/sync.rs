//! The body of a sync.

use model::{
    edit::Target,
    event::Posted,
    json,
    read::{ERRORS_MOST, FieldError, Mode, Object, whole},
    site::SiteFields,
    sync::{Asks, BadEdit, Content, SentEdit, SyncError, SyncRequest},
    unit::UnitFields,
};
use proof::{Canonical, canonical};
use serde_json::{Map, Value, json, to_value};

const EDITS_MOST: usize = 20;

/// Reads the bytes as a service reads the body of a sync, and the body of each edit as it reads that.
///
/// # Panics
///
/// If what was read is not what was sent, or an error does not say where it is.
pub fn sync(data: &[u8]) {
    let Ok(sent) = json::parse(data) else { return };
    match SyncRequest::read(sent.clone(), EDITS_MOST) {
        Ok(request) => taken(&sent, &request),
        Err(SyncError::TooManyEdits { sent: count, .. }) => assert!(count > EDITS_MOST),
        Err(SyncError::Invalid(errors)) => told(&errors, &sent, ""),
    }
}

fn taken(sent: &Value, request: &SyncRequest) {
    let edits = sent.get("edits").and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
    assert_eq!(edits.len(), request.edits.len(), "an edit is lost");
    for (n, (edit, read)) in edits.iter().zip(&request.edits).enumerate() {
        match read {
            Ok(read) => is_as_sent(edit, read),
            Err(BadEdit { errors, sent: kept, .. }) => {
                assert_eq!(kept, edit);
                told(errors, sent, &format!("/edits/{n}"));
            }
        }
    }
}

fn is_as_sent(sent: &Value, read: &SentEdit) {
    assert_eq!(sent["id"].as_str().map(str::to_lowercase), Some(read.id.to_string()));
    assert_eq!(sent["stamp"], json!(read.stamp));
    assert!(read.number > 0 && read.format > 0);
    match &read.content {
        Content::Newer(whole) => assert_eq!(sent.as_object(), Some(whole), "not kept whole"),
        Content::Known { asks, .. } => {
            assert_eq!(sent["body"].as_object(), Some(asks.body()));
            body(read, asks);
        }
    }
}

/// The body is read as it would be for its kind.
fn body(edit: &SentEdit, asks: &Asks) {
    let mut body = asks.body().clone();
    match asks {
        Asks::Event { .. } => {
            body.insert("id".to_owned(), json!(edit.id));
            written_as_read(body, Mode::New, |o| match Posted::read(o)? {
                Posted::OfUnit(event) => to_value(event).ok(),
                Posted::OfModel(adoption) => to_value(adoption).ok(),
            });
        }
        Asks::Create { target, .. } => fields(*target, body, Mode::New),
        Asks::Set { target, .. } => fields(*target, body, Mode::Patch),
    }
}

fn fields(target: Target, body: Map<String, Value>, mode: Mode) {
    match target {
        Target::Site(_) => written_as_read(body, mode, |o| to_value(SiteFields::read(o)?).ok()),
        Target::Unit(_) => written_as_read(body, mode, |o| to_value(UnitFields::read(o)?).ok()),
        other => panic!("no handset writes {other:?}"),
    }
}

/// What is good is read again from what the service writes of it, and has one spelling; what is wrong is told.
fn written_as_read(body: Map<String, Value>, mode: Mode, read: impl Fn(&mut Object<'_>) -> Option<Value>) {
    let body = Value::Object(body);
    match whole(&body, mode, &read) {
        Err(errors) => told(&errors, &body, ""),
        Ok(written) => {
            assert_eq!(
                whole(&written, mode, &read).as_ref(),
                Ok(&written),
                "written otherwise a second time"
            );
            let spelled = canonical(&written).map(Canonical::into_string);
            let spelled =
                spelled.unwrap_or_else(|error| panic!("{written} has no canonical spelling: {error}"));
            let again =
                json::parse(spelled.as_bytes()).map(|value| canonical(&value).map(Canonical::into_string));
            assert!(
                matches!(again, Ok(Ok(again)) if again == spelled),
                "{spelled} is spelled otherwise again"
            );
        }
    }
}

/// There are errors, not too many, and each points into what was sent, or at a member that is missing there.
fn told(errors: &[FieldError], sent: &Value, below: &str) {
    assert!((1..=ERRORS_MOST + 1).contains(&errors.len()), "{} errors", errors.len());
    for error in errors.iter().filter(|error| error.code != "more_errors") {
        let pointer = error.pointer.as_deref().unwrap_or_else(|| panic!("nowhere: {error:?}"));
        assert!(pointer.starts_with(below), "{pointer} is not below {below}");
        let parent = pointer.rsplit_once('/').map_or("", |(parent, _)| parent);
        assert!(pointer.contains('…') || sent.pointer(parent).is_some(), "{pointer} points beside {sent}");
    }
}
