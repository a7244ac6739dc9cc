//! What keeps a command from doing what was asked. Nothing has been written then.

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

fn list(found: &[(String, String)]) -> String {
    found.iter().map(|(by, name)| format!("\n{by}  {name}")).collect()
}
