//! What each run was for in the end: the last word known wins, the others stay in the trace.

use std::collections::{BTreeMap, BTreeSet};

use super::{Asked, LedgerError, LedgerTrace, Reclassified, Run, RunClass};

/// A run with the class that it counts as.
pub(super) struct Classed<'a> {
    pub(super) run: &'a Run,
    pub(super) class: RunClass,
    /// Whether anything says why it ran.
    pub(super) has_reason: bool,
}

/// The runs by id, whatever order they came in.
pub(super) fn classed<'a>(
    asked: &Asked<'a>,
    trace: &mut Vec<LedgerTrace>,
) -> Result<Vec<Classed<'a>>, LedgerError> {
    let mut runs: BTreeMap<&str, &Run> = BTreeMap::new();
    for (at, run) in asked.runs.iter().enumerate() {
        if runs.insert(&run.id, run).is_some() {
            return Err(LedgerError::RunTwice(at));
        }
    }
    let mut words = words(asked, &runs, trace)?;
    Ok(runs
        .into_values()
        .map(|run| {
            let last = words.remove(run.id.as_str()).and_then(|words| last(words, run, trace));
            Classed {
                run,
                class: last.map_or(run.class, |word| word.class),
                has_reason: run.incident.is_some()
                    || run.reason.is_some()
                    || last.is_some_and(|word| !word.reason.is_empty()),
            }
        })
        .collect())
}

/// The known words on each run.
fn words<'a>(
    asked: &Asked<'a>,
    runs: &BTreeMap<&str, &Run>,
    trace: &mut Vec<LedgerTrace>,
) -> Result<BTreeMap<&'a str, Vec<&'a Reclassified>>, LedgerError> {
    let mut ids = BTreeSet::new();
    let mut words: BTreeMap<&str, Vec<&Reclassified>> = BTreeMap::new();
    let mut later = BTreeMap::new();
    for (at, word) in asked.reclassified.iter().enumerate() {
        if !ids.insert(word.id.as_str()) {
            return Err(LedgerError::RecordTwice(at));
        }
        if !runs.contains_key(word.run.as_str()) {
            return Err(LedgerError::NoSuchRun(at));
        }
        if asked.known_at.is_some_and(|known| word.recorded_at > known) {
            later.insert(&word.id, &word.run);
        } else {
            words.entry(&word.run).or_default().push(word);
        }
    }
    trace.extend(
        later.into_iter().map(|(id, run)| LedgerTrace::NotYetKnown { run: run.clone(), record: id.clone() }),
    );
    Ok(words)
}

/// The last of the words on a run; of two recorded at once, that with the greater id.
fn last<'a>(
    mut words: Vec<&'a Reclassified>,
    run: &Run,
    trace: &mut Vec<LedgerTrace>,
) -> Option<&'a Reclassified> {
    words.sort_by_key(|word| (word.recorded_at, &word.id));
    let last = words.pop()?;
    trace.extend(words.into_iter().map(|word| LedgerTrace::Superseded {
        run: run.id.clone(),
        record: word.id.clone(),
        class: word.class,
    }));
    trace.push(LedgerTrace::Reclassified {
        run: run.id.clone(),
        entered_as: run.class,
        counts_as: last.class,
        record: last.id.clone(),
        recorded_at: last.recorded_at,
        by: last.by.clone(),
        reason: last.reason.clone(),
    });
    Some(last)
}
