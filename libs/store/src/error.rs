//! What can go wrong with the store itself. Expected outcomes are values, not errors.

use diesel::result::{DatabaseErrorKind, Error as DieselError};

/// Why the store could not do its work.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Every connection is taken and the wait was over; trying again later helps.
    #[error("the store is busy")]
    Busy,
    /// The database address has no scheme, or an unknown one.
    #[error("a database address is sqlite:FILE or postgres://…; {0}")]
    Address(String),
    /// The schema is not the one that this binary was built with.
    #[error(
        "the schema is {found}, this binary needs {needed}; run `keepstart-api migrate` with the matching version"
    )]
    Schema {
        /// The newest migration that ran.
        found: String,
        /// The newest migration of this binary.
        needed: String,
    },
    /// The database would let the service past the fence between organizations.
    #[error(
        "the service may not work as keepstart_service, the role that row-level security holds for: {0}; make the login role a member of it, and no more"
    )]
    Fence(String),
    /// There is no such organization.
    #[error("there is no such organization")]
    NoOrganization,
    /// Stored text is not what this version can read.
    #[error("stored {what} cannot be read: {why}")]
    Corrupt {
        /// Which text.
        what: &'static str,
        /// What is wrong with it.
        why: String,
    },
    /// The database refused a migration.
    #[error("a migration failed: {0}")]
    Migration(String),
    /// The database could not be reached.
    #[error("the database cannot be reached: {0}")]
    Unreachable(String),
    /// Anything else that the database said.
    #[error("the database failed")]
    Database(#[source] DieselError),
    /// Somebody has as many unfinished imports as one may have.
    #[error("too many imports are unfinished; let them end, or stop those that wait for a file")]
    TooManyImports,
    /// Another instance has taken over what was being worked at.
    #[error("another instance has taken the work over")]
    LeaseLost,
    /// A task of the store ended before it answered.
    #[error("the store stopped")]
    Stopped,
}

impl StoreError {
    /// Whether the same transaction may succeed when it is run again at once.
    pub(crate) fn is_worth_another_try(&self) -> bool {
        match self {
            Self::Database(DieselError::DatabaseError(kind, info)) => {
                // Two inserts of one edit id collide once: the second run finds the first's row. Of a deadlock diesel
                // hands on no SQLSTATE, so its message has to tell.
                matches!(kind, DatabaseErrorKind::SerializationFailure | DatabaseErrorKind::UniqueViolation)
                    || info.message().contains("deadlock detected")
            }
            _ => false,
        }
    }

    /// Text of ours that a reader cannot understand.
    pub(crate) fn corrupt(what: &'static str) -> impl Fn(&dyn std::fmt::Display) -> Self {
        move |why| Self::Corrupt { what, why: why.to_string() }
    }

    /// A PostgreSQL server that does not answer. What libpq says of an address that it cannot read repeats parts of it,
    /// and so perhaps a password; what it says of a connection does not.
    pub(crate) fn unreachable(said: &dyn std::fmt::Display) -> Self {
        let said = said.to_string();
        if said.starts_with("connection to server") {
            return Self::Unreachable(said);
        }
        Self::Unreachable(
            "its address cannot be used; special characters in user and password are percent-encoded".into(),
        )
    }
}

impl From<DieselError> for StoreError {
    fn from(error: DieselError) -> Self {
        match error {
            DieselError::DatabaseError(DatabaseErrorKind::ClosedConnection, info) => {
                Self::Unreachable(info.message().to_owned())
            }
            // PostgreSQL's lock and statement timeouts, whose SQLSTATE diesel does not hand on, and SQLite's busy handler
            // giving up.
            DieselError::DatabaseError(_, ref info)
                if ["lock timeout", "statement timeout", "database is locked"]
                    .iter()
                    .any(|text| info.message().contains(text)) =>
            {
                Self::Busy
            }
            other => Self::Database(other),
        }
    }
}

/// What the store gives back.
pub type Result<T> = std::result::Result<T, StoreError>;
