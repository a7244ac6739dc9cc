//! Clear words for whatever the service says: one table, short enough for a small screen.

pub use crate::photos::words as photo;
use crate::{
    disk::{State, StoredEdit},
    error::{Error, Result},
    outside::CodeFor,
    session::Ended,
    wire::Told,
};

/// What becomes of an edit.
const RESULTS: &[(&str, &str)] = &[
    ("applied", "Recorded."),
    ("already_applied", "Recorded."),
    ("contested", "Recorded. Somebody else set the same without knowing of it; look at both and settle it."),
    ("parked", "The service keeps it until what it needs is there."),
    ("held", "It waits until a coordinator has looked at it."),
    ("refused", "Not recorded. Enter it anew, or drop it."),
];

/// Why that is.
const REASONS: &[(&str, &str)] = &[
    // Parked.
    ("missing_parent", "What it names has not come yet, or is not yours to see."),
    ("group_incomplete", "Others that belong to it have not come yet."),
    ("newer_format", "The service is older than this program, and reads it after its next update."),
    // Held.
    ("handset_revoked", "This handset was reported lost."),
    ("unknown_author", "Whoever entered it has never synced on this handset."),
    ("correction_of_others", "It corrects what somebody else entered."),
    ("future_event", "It says when it happened, and that lies ahead. Look at the date and at the clock."),
    ("parent_missing", "What it names has not come for 30 days."),
    // Refused.
    ("invalid", "Something in it is wrong or missing."),
    ("forbidden", "You may not do this here."),
    ("not_found", "What it names is not there."),
    ("already_exists", "There is one already."),
    ("external_id_taken", "Another record has this id in the other system."),
    ("stale", "Somebody changed it meanwhile."),
    ("id_reused", "Its id was used for something else before: enter it anew."),
    ("stamp_of_another_handset", "It was written under the number of another handset."),
    ("group_refused", "Another one that belongs to it was refused."),
    ("refused_by_person", "A coordinator decided against it."),
];

/// What its author should know beside that.
const FLAGS: &[(&str, &str)] = &[
    ("clock_suspect", "The clock of this device is far ahead: look at it."),
    ("late_scope", "You may not see the unit any more, but could at the time."),
    ("forked", "There are two copies of this handset."),
    ("after_revocation", "It was written after this handset was reported lost, or may have been."),
    ("time_doubtful", "Nobody knows how wrong the clock was that told when it happened."),
    (
        "possible_duplicate",
        "Another record has the same id in another system: there may be two of one thing.",
    ),
];

/// What the people of a handset read about one edit: what became of it, why, and what they should know beside.
///
/// ```
/// use handset::{wire::Told, words};
///
/// let told: Told = serde_json::from_str(r#"{"result": "held", "reason": "future_event"}"#).unwrap();
/// assert_eq!(words::told(&told)[0], "It waits until a coordinator has looked at it.");
/// ```
#[must_use]
pub fn told(told: &Told) -> Vec<String> {
    let mut words = vec![word(RESULTS, &told.result)];
    words.extend(told.reason.as_deref().map(|reason| word(REASONS, reason)));
    let problem = told.problem.iter();
    words.extend(problem.flat_map(|problem| &problem.errors).filter_map(detail));
    if !told.contested.is_empty() {
        words.push(format!("Contested: {}.", told.contested.join(", ")));
    }
    words.extend(told.warnings.iter().filter_map(detail));
    words.extend(told.flags.iter().map(|flag| word(FLAGS, flag)));
    words
}

/// The same of an edit as it is kept; one that has not been answered says so.
pub fn edit(edit: &StoredEdit) -> Result<Vec<String>> {
    if edit.state == State::Queued {
        return Ok(vec!["Saved here; it will be sent.".to_owned()]);
    }
    let Some(result) = &edit.result else { return Ok(Vec::new()) };
    serde_json::from_str(result).map(|result| told(&result)).map_err(|e| Error::corrupt("result")(&e))
}

/// What they read about a sync that has ended.
#[must_use]
pub fn ended(ended: &Ended) -> String {
    let words = match ended {
        Ended::Done => "All is sent, and this handset knows what the service knows.",
        Ended::SignIn => "Sign in again. Nothing is lost.",
        Ended::NeedsCode(CodeFor::First) => "Ask a coordinator for a code, and enter it here.",
        Ended::NeedsCode(CodeFor::Forked) => {
            "There are two copies of this handset. Ask a coordinator for a code, and enter it here."
        }
        Ended::NeedsCode(CodeFor::Revoked) => {
            "This handset was reported lost. What was entered is kept; see a coordinator, who can give a new code."
        }
        Ended::NeedsCode(CodeFor::Forgotten) => {
            "The service was restored and does not know this handset any more. Ask a coordinator for a code, and enter it here."
        }
        Ended::Later => "The service does not answer, or has much to do. All is saved here; try again later.",
        Ended::Stopped => "Stopped. All is saved here.",
        Ended::Update => "The service is newer than this program: update it. All is saved here.",
        Ended::Differs => {
            "Some records here differ from the service's, and could not be mended. All is saved. Sync again; if it stays, tell whoever runs the service."
        }
        Ended::Mistake(problem) => {
            let title = if problem.title.is_empty() { "no reason was given" } else { &problem.title };
            return format!(
                "The service did not take what was sent ({title}). All is saved here; report it."
            );
        }
    };
    words.to_owned()
}

/// The words for a word; one of a newer service stands for itself.
fn word(table: &[(&str, &str)], word: &str) -> String {
    let found = table.iter().find(|(known, _)| *known == word);
    found.map_or_else(|| format!("The service says: {word}."), |(_, words)| (*words).to_owned())
}

fn detail(of: &serde_json::Value) -> Option<String> {
    of.get("detail")?.as_str().map(str::to_owned)
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    /// The page of the protocol names every word that may come, and its own tests see to that.
    #[test]
    fn every_word_of_the_page_has_words() {
        let page = include_str!("../../../openapi/sync.md");
        let section = |heading: &str| {
            let (_, rest) = page.split_once(heading).unwrap_or_else(|| panic!("no {heading}"));
            rest.split("\n#").next().unwrap_or_default()
        };
        let rows = |heading: &str| -> BTreeSet<&str> {
            let row = |line: &'static str| line.strip_prefix("| `")?.split('`').next();
            section(heading).lines().filter_map(row).collect()
        };
        let known =
            |table: &'static [(&str, &str)]| table.iter().map(|(word, _)| *word).collect::<BTreeSet<_>>();
        assert_eq!(known(RESULTS), rows("### What a result asks for"));
        assert_eq!(known(FLAGS), rows("### Flags"));
        assert!(known(REASONS).is_superset(&rows("### Why an edit is held")));
        let (_, reasons) = page.split_once("Reasons of `parked`:").unwrap();
        let reasons = reasons.split("\n\n").next().unwrap().split('`').skip(1).step_by(2);
        for reason in reasons.filter(|reason| *reason != "refused") {
            assert!(known(REASONS).contains(reason), "{reason}");
        }
    }

    #[test]
    fn what_is_said_of_an_edit() {
        let told_of = |text: &str| told(&serde_json::from_str(text).unwrap());
        let refused = r#"{"id": "019a4f6e-2b00-7d03-8e45-917a5c6b7d02", "result": "refused", "reason": "invalid", "problem":
            {"type": "/problems/invalid_request", "status": 400, "title": "Members of the body are wrong", "errors":
            [{"code": "required", "detail": "This member is missing.", "pointer": "/edits/1/body/meter_hours"}]}}"#;
        assert_eq!(
            told_of(refused),
            [
                "Not recorded. Enter it anew, or drop it.",
                "Something in it is wrong or missing.",
                "This member is missing."
            ]
        );
        let contested = r#"{"result": "contested", "contested": ["label"], "flags": ["clock_suspect", "of_a_newer_service"]}"#;
        assert_eq!(
            told_of(contested)[1..],
            [
                "Contested: label.",
                "The clock of this device is far ahead: look at it.",
                "The service says: of_a_newer_service."
            ]
        );
    }
}
