//! A small HTTP client that takes every status as an answer.

use std::time::Duration;

use serde_json::Value;
use ureq::{Agent, http};

use crate::contract;

/// Talks to one service with one token, or none.
#[derive(Clone)]
pub struct Client {
    agent: Agent,
    base: String,
    token: Option<String>,
}

/// An answer.
#[derive(Debug)]
pub struct Reply {
    /// The status.
    pub status: u16,
    /// The headers.
    pub headers: http::HeaderMap,
    /// The body as it came.
    pub text: String,
}

impl Client {
    /// A client for the service at `base`.
    pub fn new(base: &str, token: Option<&str>) -> Self {
        Self::keeping(base, token, 3)
    }

    /// The same, with a connection of its own for each request.
    pub fn unkept(base: &str, token: Option<&str>) -> Self {
        Self::keeping(base, token, 0)
    }

    fn keeping(base: &str, token: Option<&str>, connections: usize) -> Self {
        let config = Agent::config_builder()
            .http_status_as_error(false)
            .max_redirects(0)
            .max_idle_connections(connections)
            .timeout_global(Some(Duration::from_secs(60)));
        Self { agent: config.build().into(), base: base.to_owned(), token: token.map(str::to_owned) }
    }

    /// GET.
    pub fn get(&self, path: &str) -> Reply {
        self.send("GET", path, &[], None)
    }

    /// POST of JSON.
    pub fn post(&self, path: &str, body: &Value) -> Reply {
        self.send("POST", path, &[("content-type", "application/json")], Some(body.to_string().as_bytes()))
    }

    /// PATCH from what `etag` names.
    pub fn patch(&self, path: &str, etag: &str, body: &Value) -> Reply {
        let headers = [("content-type", "application/merge-patch+json"), ("if-match", etag)];
        self.send("PATCH", path, &headers, Some(body.to_string().as_bytes()))
    }

    /// Any request; the token is added.
    pub fn send(&self, method: &str, path: &str, headers: &[(&str, &str)], body: Option<&[u8]>) -> Reply {
        self.attempt(method, path, headers, body).unwrap_or_else(|error| panic!("{error}"))
    }

    /// Any request to a service that may be gone; no answer is an error. An answer is checked against the description.
    pub fn attempt(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: Option<&[u8]>,
    ) -> Result<Reply, String> {
        let mut request = http::Request::builder().method(method).uri(format!("{}{path}", self.base));
        if let Some(token) = &self.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let response = match body {
            Some(body) => self.agent.run(request.body(body).unwrap()),
            None => self.agent.run(request.body(()).unwrap()),
        };
        let mut response = response.map_err(|error| format!("{method} {path}: {error}"))?;
        let text = response.body_mut().with_config().limit(64 << 20).read_to_string();
        let text = text.map_err(|error| format!("{method} {path}: {error}"))?;
        let reply = Reply { status: response.status().as_u16(), headers: response.headers().clone(), text };
        contract::check(method, path, body, &reply);
        Ok(reply)
    }

    /// Every item of a list, through all its pages of `limit` items.
    pub fn all(&self, path: &str, limit: usize) -> Vec<Value> {
        let joint = if path.contains('?') { '&' } else { '?' };
        let mut items = Vec::new();
        let mut cursor = String::new();
        loop {
            let page = self.get(&format!("{path}{joint}limit={limit}{cursor}")).expect(200).json();
            items.extend(page["items"].as_array().unwrap().clone());
            match page["next"].as_str() {
                Some(next) => cursor = format!("&cursor={next}"),
                None => return items,
            }
        }
    }
}

impl Reply {
    /// This answer, if it has the status.
    #[track_caller]
    pub fn expect(self, status: u16) -> Self {
        assert_eq!(self.status, status, "{}", self.text);
        self
    }

    /// The body as JSON.
    #[track_caller]
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|error| panic!("{error}: {}", self.text))
    }

    /// A header, or nothing.
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().unwrap())
    }

    /// The ETag.
    #[track_caller]
    pub fn etag(&self) -> String {
        let etag = self.header("etag");
        assert!(!etag.is_empty(), "no ETag: {}", self.text);
        etag.to_owned()
    }

    /// The problem, checked for all that every problem has.
    #[track_caller]
    pub fn problem(&self, status: u16, code: &str) -> Value {
        assert_eq!(self.status, status, "{}", self.text);
        assert_eq!(self.header("content-type"), "application/problem+json", "{}", self.text);
        let problem = self.json();
        assert_eq!(problem["type"], format!("/problems/{code}"), "{problem}");
        assert_eq!(problem["status"], status, "{problem}");
        assert!(problem["title"].is_string(), "{problem}");
        assert_eq!(problem["instance"], format!("urn:keepstart:request:{}", self.header("x-request-id")));
        for word in ["panicked", "SELECT ", "INSERT ", "diesel::", "sqlite", "postgres", ".rs:", "/src/"] {
            assert!(!self.text.contains(word), "{word} leaks: {}", self.text);
        }
        problem
    }

    /// The places (pointer, parameter or header) and codes of a problem's errors.
    #[track_caller]
    pub fn errors(&self) -> Vec<(String, String)> {
        let problem = self.json();
        let text = |error: &Value, name: &str| error[name].as_str().unwrap().to_owned();
        let place = |error: &Value| {
            let places = ["pointer", "parameter", "header"].map(|name| error[name].as_str());
            places.into_iter().flatten().next().unwrap_or_else(|| panic!("no place in {error}")).to_owned()
        };
        problem["errors"].as_array().into_iter().flatten().map(|e| (place(e), text(e, "code"))).collect()
    }
}
