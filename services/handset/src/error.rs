//! What can go wrong on the device itself. What the service says is no error: it is told in words.

use diesel::result::Error as DieselError;

/// How SQLite says that no room is left, whatever failed by that.
const FULL: &str = "database or disk is full";
/// How SQLite says that another program has the file.
const TAKEN: &str = "database is locked";

/// Why something could not be done.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The file cannot be opened.
    #[error("the handset's file cannot be used: {0}")]
    Open(String),
    /// Another program has it open.
    #[error("another run has this handset")]
    Taken,
    /// No room is left on the device. Nothing of what was being written is kept; of a sync, the pages that were taken before stay.
    #[error("no room is left on this device")]
    Full,
    /// The file is of a newer version of this program.
    #[error("the handset's file was written by a newer version of this program")]
    Newer,
    /// The file failed.
    #[error("the handset's file failed")]
    Disk(#[source] DieselError),
    /// Stored text cannot be read.
    #[error("stored {what} cannot be read: {why}")]
    Corrupt {
        /// Which text.
        what: &'static str,
        /// What is wrong with it.
        why: String,
    },
    /// Nobody has enrolled this handset yet.
    #[error("this handset is not enrolled yet")]
    NotEnrolled,
    /// This handset is enrolled already.
    #[error("this handset is enrolled already")]
    EnrolledAlready,
    /// Only an entry that was refused can be dropped.
    #[error("only an entry that was refused can be dropped; take it back instead")]
    NotRefused,
    /// An edit is larger than the service takes.
    #[error("this entry has {bytes} bytes; the service takes {most} at most")]
    TooLarge {
        /// How many it has.
        bytes: usize,
        /// How many it may have.
        most: usize,
    },
    /// A photo or paper is not taken.
    #[error(transparent)]
    Photo(#[from] blob::Refused),
    /// No stamp is left: the clock stands at the end of time.
    #[error("the clock of this device is at the end of time")]
    Clock(#[from] merge::Exhausted),
    /// Something cannot be written down.
    #[error("this cannot be written down: {0}")]
    Unwritable(String),
}

impl From<DieselError> for Error {
    fn from(failed: DieselError) -> Self {
        if failed.to_string().contains(FULL) { Self::Full } else { Self::Disk(failed) }
    }
}

impl Error {
    /// Why a file cannot be opened.
    pub(crate) fn opening(why: &dyn std::fmt::Display) -> Self {
        let why = why.to_string();
        if why.contains(FULL) {
            Self::Full
        } else if why.contains(TAKEN) {
            Self::Taken
        } else {
            Self::Open(why)
        }
    }

    /// A text of ours that cannot be read.
    pub(crate) fn corrupt(what: &'static str) -> impl Fn(&dyn std::fmt::Display) -> Self {
        move |why| Self::Corrupt { what, why: why.to_string() }
    }
}

/// What the parts of a handset give back.
pub type Result<T> = std::result::Result<T, Error>;
