//! Edits in, changes out: what becomes of a record when people edit it without knowing of each other.
//!
//! A [`Record`] has fields, each a [`Register`]; this crate knows nothing of what they mean. An edit sets some
//! fields and names, for each, the values that its author saw there (its [`Base`]). Time decides nothing about
//! who knew of whom:
//!
//! **Of the values that edits gave a field, a register holds exactly those that no other edit of the field had
//! seen.** One is the winner, the highest by (effective stamp, raw stamp, edit id); the others are kept, and
//! where they differ from the winner the field is *contested* until an ordinary edit that has seen them
//! settles it.
//!
//! A record is retired, never deleted ([`RETIRED`]): only an edit that has seen the retirement restores it, and what
//! others set meanwhile is kept and contested.
//!
//! So a record is a function of the *set* of edits accepted for it: the order of their arrival, repeats, and
//! how they were batched leave no trace. A value that was seen before it arrived is remembered as awaited, and
//! dropped when it comes.
//!
//! [`admit`] decides before that whether an edit is new, a repeat, or refused; [`parents_first`] in which order the edits
//! of a push are judged. [`HybridClock`] is the clock of a device, [`effective`] what counts of its stamps, [`happened`]
//! what counts of the times that it tells. [`flatten`] makes fields of the elements of lists.
//!
//! Around that stand the decisions of sync: [`gate`] says which edits wait for a person, [`Chain`] whether there are two
//! copies of a handset, [`Waits`] and [`together`] what waits for something to come and what is taken together or not at
//! all; [`lines`] to whom a change is told, [`page`] and [`rescoped`] what a handset reads of it.
//!
//! ```
//! use merge::{Admitted, Base, FieldEdit, Record, Wish, admit, apply};
//! use model::{EditId, stamp::Stamp};
//! use serde_json::{Map, Value, json};
//!
//! let edit = |number: u64, fields: Value, base: &Base| FieldEdit {
//!     edit: EditId::parse(&format!("019a0b5e-7c00-7000-8000-{number:012}")).unwrap(),
//!     effective: Stamp { clock: number, handset: 1 },
//!     raw: Stamp { clock: number, handset: 1 },
//!     fields: fields.as_object().cloned().unwrap(),
//!     base: base.clone(),
//!     chained: false,
//! };
//! let new = |_: EditId| false;
//!
//! let created = edit(1, json!({"label": "Pump 1", "rated_kw": 5}), &Base::default());
//! let record = apply(Record::default(), &created, new).record;
//! let seen = record.seen();
//!
//! // Two people change the label, each from the record as created; one also corrects the rating.
//! let record = apply(record, &edit(2, json!({"label": "Well pump", "rated_kw": 6}), &seen), new).record;
//! let merged = apply(record, &edit(3, json!({"label": "Pump house"}), &seen), new);
//! assert_eq!(merged.contested, ["label"]);
//! assert_eq!(Value::from(merged.record.values()), json!({"label": "Pump house", "rated_kw": 6}));
//! let label = merged.record.register("label").unwrap();
//! assert_eq!(label.rivals().map(|held| &held.value).collect::<Vec<_>>(), ["Well pump"]);
//!
//! // Whoever has seen both settles it.
//! let settling = edit(4, json!({"label": "Well pump"}), &merged.record.seen());
//! let merged = apply(merged.record, &settling, new);
//! assert!(merged.contested.is_empty() && merged.record.contested().is_empty());
//!
//! // The same edit once more is recognised by its content.
//! assert_eq!(admit(Some("content hash"), "content hash", Wish::Set, true), Ok(Admitted::Repeat));
//! ```

mod admit;
mod chain;
mod clock;
mod compact;
mod edit;
mod feed;
mod gate;
mod lists;
mod occurred;
mod order;
mod record;
mod register;
mod waiting;

pub use admit::{Admitted, Refused, Wish, admit};
pub use chain::{Chain, Counted};
pub use clock::{AHEAD_AT_MOST_SECONDS, Exhausted, HybridClock, effective, told_at};
pub use edit::{Base, FieldEdit};
pub use feed::{Item, Line, Told, lines, page, rescoped};
pub use gate::{Facts, Flag, Passage, Reason, gate};
pub use lists::{flatten, nest};
pub use occurred::{HAPPENED_AHEAD_AT_MOST_SECONDS, Happened, Offset, happened, waits_for_person};
pub use order::{Needs, parents_first};
pub use record::{Merged, RETIRED, Record, apply};
pub use register::{Held, Register, Version};
pub use waiting::{Alone, Arrival, PARKED_AT_MOST_DAYS, Together, Waits, together, waited_too_long};

#[cfg(test)]
mod laws;
#[cfg(test)]
mod retired;
