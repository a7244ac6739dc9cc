//! What is due on a device, and whether a unit is ready, for programs in other languages: a C library around `libs/device`.
//!
//! One function takes JSON and gives JSON ([`keepstart_answer`]); its header is `include/keepstart.h`. Any bytes are safe, any
//! thread may call at any time, and no panic crosses the border: it becomes a problem like any other.

mod border;

use std::panic::{UnwindSafe, catch_unwind};

use device::{Problem, ProblemKind};

pub use self::border::{
    KEEPSTART_ANSWERED, KEEPSTART_NOTHING, KEEPSTART_PROBLEM, keepstart_answer, keepstart_free,
    keepstart_text, keepstart_version,
};

/// What is given back for a question: the answers, or a problem.
fn answered(bytes: &[u8]) -> Result<String, String> {
    guarded(|| device::answer(bytes))
}

/// The answer or the problem as JSON; a panic is a problem.
fn guarded(ask: impl FnOnce() -> Result<String, Problem> + UnwindSafe) -> Result<String, String> {
    catch_unwind(ask).unwrap_or_else(|_| Err(Problem::new(ProblemKind::Internal))).map_err(|problem| {
        // A problem has only texts and numbers, so it is always JSON.
        serde_json::to_string(&problem).unwrap_or_else(|_| "{}".to_owned())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_is_a_problem() {
        let told = guarded(|| panic!("planted")).unwrap_err();
        assert!(told.contains("/problems/internal"), "{told}");
        assert!(answered(b"{").unwrap_err().contains("/problems/invalid_json"));
        assert_eq!(answered(br#"{"ask": []}"#).unwrap(), r#"{"answers":[]}"#);
    }
}
