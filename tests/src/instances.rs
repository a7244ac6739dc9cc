//! How many processes a test's service is: one, or two on one database behind a plain round robin.

/// Why a test is about one process, however many the others have.
#[derive(Clone, Copy, Debug)]
pub enum OneProcess {
    /// A signal ends the process that has the request under way.
    Signalled,
    /// The memory of a process is measured.
    Measured,
    /// What a process allows at a time is counted; each has so much of its own.
    Counted,
}

/// What `KEEPSTART_TEST_INSTANCES` asks for; 1 without.
pub(crate) fn wanted() -> usize {
    let said = std::env::var("KEEPSTART_TEST_INSTANCES");
    said.map_or(1, |said| said.parse().expect("KEEPSTART_TEST_INSTANCES is a number"))
}
