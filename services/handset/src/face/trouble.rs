//! What keeps a command from doing what was asked. Nothing has been written then, but for the pages that a sync took before, and
//! the lines before the one that is named.

use std::error::Error;

/// What is in the way, in words for whoever typed the command.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Trouble {
    /// Nothing can be asked, and an answer is missing.
    #[error("Say {flag}: {question} Nothing was saved.")]
    Missing {
        /// The flag, or the argument.
        flag: String,
        /// What would have been asked.
        question: String,
    },
    /// Somebody was asked, and said nothing.
    #[error("Stopped. Nothing was saved.")]
    Stopped,
    /// There is nothing by that name.
    #[error("There is no {what} \"{given}\" here.")]
    Unknown {
        /// A unit, a site, an entry.
        what: &'static str,
        /// As it was typed.
        given: String,
    },
    /// There are several by that name.
    #[error("There are several \"{given}\". Say which:{}", list(.found))]
    Ambiguous {
        /// As it was typed.
        given: String,
        /// What each is known by, and its name.
        found: Vec<(String, String)>,
    },
    /// An answer cannot be read.
    #[error("{flag}: {why} Nothing was saved.")]
    Unreadable {
        /// The flag.
        flag: String,
        /// What is wrong.
        why: String,
    },
    /// The handset's file could not be opened.
    #[error("{}", not_opened(.0))]
    NotOpened(handset::Error),
    /// It could not be written down.
    #[error("{}", not_saved(.0))]
    NotSaved(handset::Error),
    /// A line of several could not be written down; those before it are.
    #[error("{}", line_not_saved(*.line, .why))]
    LineNotSaved {
        /// Which one, counted from 1.
        line: usize,
        /// Why.
        why: handset::Error,
    },
    /// A sync broke off; what it had taken stays.
    #[error("{}", not_synced(.0))]
    NotSynced(handset::Error),
    /// Something else is in the way.
    #[error("{0}")]
    Other(String),
}

impl Trouble {
    /// Refuses a flag that was given and says nothing here.
    pub(crate) fn if_given(is_given: bool, flag: &str, with: &str) -> Result<(), Self> {
        if is_given {
            Err(Self::Unreadable { flag: flag.to_owned(), why: format!("It does not go with {with}.") })
        } else {
            Ok(())
        }
    }
}

/// Whatever was asked for, also where it was only to be looked at: a first run after a start writes the start down.
fn not_opened(why: &handset::Error) -> String {
    match why {
        handset::Error::Full => {
            "No room is left on this device. All that you entered before is kept. Make room, then try again."
                .to_owned()
        }
        other => not_saved(other),
    }
}

fn not_saved(why: &handset::Error) -> String {
    match why {
        handset::Error::Full => {
            "No room is left on this device. Nothing was saved. Make room, then try again.".to_owned()
        }
        handset::Error::Taken => {
            "Another run has this handset; nothing was saved. Try again when it is done.".to_owned()
        }
        other => format!("{}. Nothing was saved.", whole(other)),
    }
}

fn line_not_saved(line: usize, why: &handset::Error) -> String {
    let kept = format!("Line {line} was not saved; the lines before it are.");
    match why {
        handset::Error::Full => {
            format!("No room is left on this device. {kept} Make room, then go on from there.")
        }
        other => format!("{}. {kept}", whole(other)),
    }
}

fn not_synced(why: &handset::Error) -> String {
    let (what, next) = match why {
        handset::Error::Full => ("No room is left on this device", "Make room, then sync again"),
        handset::Error::Taken => ("Another run has this handset", "Sync again when it is done"),
        other => return whole(other),
    };
    format!("{what}. All that you entered is kept. {next}.")
}

/// An error with what is behind it.
fn whole(error: &handset::Error) -> String {
    let behind = std::iter::successors(error.source(), |error: &&dyn Error| (*error).source());
    behind.fold(error.to_string(), |said, error| format!("{said}: {error}"))
}

fn list(found: &[(String, String)]) -> String {
    found.iter().map(|(by, name)| format!("\n{by}  {name}")).collect()
}
