//! Steps as a row of numbers: every unit keeps all of its steps, so their text is short.
//!
//! The first number is the instant at which the first step begins, in microseconds since 1970. Each step then has three:
//! its word, its length, and by how much its `due_at` is later than the one before (than the beginning, for the first).
//! A word is the place of the state in [`DUE_STATES`], plus ten times the place of the reason in [`REASONS`], counted from
//! one; -1 stands for a time without a step, and has no third number. The length is 0 if the step never ends.

use model::{Code, Instant, ScheduleId};
use serde::{Serialize, Serializer};

use super::{ItemSteps, Step};
use crate::{
    item::ItemKey,
    words::{DUE_STATES, REASONS},
};

/// Schedule, task, and the numbers.
pub(super) type Row = (ScheduleId, Code, Vec<i64>);

const NOTHING: i64 = -1;
const REASON: i64 = 10;

impl Serialize for ItemSteps {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        (self.key.schedule, &self.key.task, numbers(&self.steps)).serialize(s)
    }
}

fn numbers(steps: &[Step]) -> Vec<i64> {
    let begin = steps.first().map_or(0, |step| step.from.micros());
    let mut numbers = Vec::with_capacity(1 + 3 * steps.len());
    numbers.push(begin);
    let (mut at, mut due) = (begin, begin);
    for step in steps {
        if step.from.micros() > at {
            numbers.extend([NOTHING, step.from.micros() - at]);
        }
        let length = if step.until == Instant::LAST { 0 } else { step.until.micros() - step.from.micros() };
        numbers.extend([word(step), length, step.due_at.micros() - due]);
        (at, due) = (step.until.micros(), step.due_at.micros());
    }
    numbers
}

impl TryFrom<Row> for ItemSteps {
    type Error = &'static str;

    fn try_from((schedule, task, numbers): Row) -> Result<Self, Self::Error> {
        let mut numbers = numbers.into_iter();
        let begin = numbers.next().ok_or("steps without a beginning")?;
        let (mut at, mut due) = (begin, begin);
        let mut steps = Vec::new();
        while let Some(word) = numbers.next() {
            let length = numbers.next().ok_or("a step without a length")?;
            let until = match length {
                0 => Instant::LAST.micros(),
                _ => at.checked_add(length).ok_or("a step beyond time")?,
            };
            if word != NOTHING {
                let later = numbers.next().ok_or("a step without an instant of being due")?;
                due = due.checked_add(later).ok_or("a step due beyond time")?;
                steps.push(step(word, at, until, due)?);
            }
            at = until;
        }
        Ok(Self { key: ItemKey { schedule, task }, steps })
    }
}

fn word(step: &Step) -> i64 {
    let state = DUE_STATES.iter().zip(0..).find(|((_, state), _)| *state == step.state);
    let reason = REASONS.iter().zip(1..).find(|((_, reason), _)| Some(*reason) == step.reason);
    state.map_or(NOTHING, |(_, at)| at) + reason.map_or(0, |(_, at): (_, i64)| at * REASON)
}

fn step(word: i64, from: i64, until: i64, due_at: i64) -> Result<Step, &'static str> {
    let place = |number: i64| usize::try_from(number).map_err(|_| "a word below nought");
    let state = DUE_STATES.get(place(word % REASON)?).ok_or("an unknown state")?;
    let reason = match word / REASON {
        0 => None,
        number => Some(REASONS.get(place(number - 1)?).ok_or("an unknown reason")?),
    };
    let [from, until, due_at] = [from, until, due_at].map(Instant::from_micros);
    Ok(Step { state: state.1, reason: reason.map(|reason| reason.1), from, until, due_at })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::{DueState, Reason};

    #[test]
    fn there_and_back() {
        let at = |second: i64| Instant::from_micros(second * 1_000_000 + 7);
        let step = |state, reason, from, until, due_at| Step { state, reason, from, until, due_at };
        let cases = [
            vec![],
            vec![step(DueState::Ok, None, at(1), Instant::LAST, Instant::LAST)],
            vec![
                step(DueState::Overdue, None, at(-9), at(5), at(-20)),
                step(DueState::Unknown, Some(Reason::PossiblyDue), at(5), at(6), at(5)),
                step(DueState::Due, None, at(90), Instant::LAST, at(90)),
            ],
        ];
        for steps in cases {
            let key = ItemKey {
                schedule: ScheduleId::parse("019a0b5e-7c00-7000-8000-00000000000d").unwrap(),
                task: Code::parse("oil_change").unwrap(),
            };
            let item = ItemSteps { key, steps };
            let text = serde_json::to_string(&item).unwrap();
            assert_eq!(serde_json::from_str::<ItemSteps>(&text).unwrap(), item, "{text}");
        }
    }

    #[test]
    fn what_is_no_row_is_refused() {
        for numbers in
            ["[]", "[0,0]", "[0,0,1]", "[0,9,0,0]", "[0,50,0,0]", "[0,-2,0,0]", "[9223372036854775807,0,5,0]"]
        {
            let text = format!(r#"["019a0b5e-7c00-7000-8000-00000000000d","oil_change",{numbers}]"#);
            assert!(serde_json::from_str::<ItemSteps>(&text).is_err(), "{numbers}");
        }
    }
}
