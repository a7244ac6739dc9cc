//! What keeps a command from doing what was asked. Nothing has been written then.

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
    /// It could not be written down.
    #[error("{}", not_saved(.0))]
    NotSaved(handset::Error),
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
