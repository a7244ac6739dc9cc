//! A problem (RFC 9457): why a request was not taken.

use serde::Deserialize;
use serde_json::Value;

/// Why the whole of a request failed.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(default)]
pub struct Problem {
    /// Which problem: a path that ends with its code.
    #[serde(rename = "type")]
    pub kind: String,
    /// What it is, for people.
    pub title: String,
    /// The HTTP status.
    pub status: u16,
    /// What happened this time.
    pub detail: Option<String>,
    /// The single flaws.
    pub errors: Vec<Value>,
}

impl Problem {
    /// Reads the body of an answer that is none; what is no problem, such as the page of a proxy, has its status alone.
    #[must_use]
    pub fn read(status: u16, body: &[u8]) -> Self {
        let read: Option<Self> = serde_json::from_slice(body).ok();
        Self { status, ..read.unwrap_or_default() }
    }

    /// Its code, such as `handset_unknown`; empty where it has none.
    #[must_use]
    pub fn code(&self) -> &str {
        self.kind.rsplit('/').next().unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whatever_comes_is_a_problem() {
        let cases = [
            (r#"{"type":"/problems/busy","status":503,"title":"Busy"}"#, "busy"),
            (r#"{"type":"https://other.example/problems/busy","extra":{"a":1}}"#, "busy"),
            ("<html>", ""),
            ("", ""),
            (r#"{"type":7}"#, ""),
        ];
        for (body, code) in cases {
            let problem = Problem::read(503, body.as_bytes());
            assert_eq!((problem.code(), problem.status), (code, 503), "{body}");
        }
    }
}
