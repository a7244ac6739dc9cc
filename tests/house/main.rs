//! Rules of the repository, as tests.
