//! What goes over the wire, noted down for whoever wants to see the protocol at work: a line of JSON for each request, with its
//! answer. No token and no code is written, and of photos only how many bytes went.

use std::{
    fs::{File, OpenOptions},
    io::{self, Write as _},
    path::Path,
};

use handset::outside::{Asked, Method, NoAnswer, Reply, Wire};
use serde_json::{Map, Value, json};

/// Members of a request that are good for something to whoever reads them.
const SECRET: [&str; 1] = ["code"];

/// A wire whose requests are noted in a file, if there is one.
pub(crate) struct Noted<W> {
    wire: W,
    file: Option<File>,
}

impl<W> Noted<W> {
    /// Notes at the end of a file, which is made if it is not there.
    pub(crate) fn new(wire: W, file: Option<&Path>) -> io::Result<Self> {
        let open = |path| OpenOptions::new().create(true).append(true).open(path);
        Ok(Self { wire, file: file.map(open).transpose()? })
    }
}

impl<W: Wire> Wire for Noted<W> {
    fn ask(&mut self, asked: &Asked<'_>) -> Result<Reply, NoAnswer> {
        let reply = self.wire.ask(asked);
        if let Some(file) = &mut self.file {
            // A disk that is full must not keep records from going.
            let _ = writeln!(file, "{}", note(asked, &reply));
        }
        reply
    }
}

fn note(asked: &Asked<'_>, reply: &Result<Reply, NoAnswer>) -> Value {
    let mut noted = Map::new();
    let mut put = |name: &str, value: Value| drop(noted.insert(name.to_owned(), value));
    put("request", json!(format!("{} {}", method(asked.method), path(asked.url))));
    if !asked.body.is_empty() {
        put("sent", body(asked.body));
    }
    match reply {
        Ok(reply) => {
            put("status", json!(reply.status));
            if let Some(wait) = reply.retry_after {
                put("retry_after", json!(wait.as_secs()));
            }
            if !reply.body.is_empty() {
                put("answer", body(&reply.body));
            }
        }
        Err(why) => put("no_answer", json!(why.0)),
    }
    Value::Object(noted)
}

const fn method(method: Method) -> &'static str {
    match method {
        Method::Get | Method::GetPart { .. } => "GET",
        Method::Post => "POST",
        Method::Head => "HEAD",
        Method::PutPart { .. } => "PUT",
    }
}

/// An address without the service's.
fn path(url: &str) -> &str {
    url.find("/v1/").and_then(|at| url.get(at..)).unwrap_or(url)
}

/// A body as JSON, or how long it is.
fn body(bytes: &[u8]) -> Value {
    let Ok(mut body) = serde_json::from_slice::<Value>(bytes) else { return json!({"bytes": bytes.len()}) };
    for secret in SECRET {
        if let Some(member) = body.get_mut(secret).filter(|member| member.is_string()) {
            *member = json!("…");
        }
    }
    body
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    /// A wire that answers the same to everything.
    struct Answers(Result<Reply, NoAnswer>);

    impl Wire for Answers {
        fn ask(&mut self, _: &Asked<'_>) -> Result<Reply, NoAnswer> {
            self.0.clone()
        }
    }

    fn noted(method: Method, body: &[u8], reply: Result<Reply, NoAnswer>) -> Value {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("traffic");
        let mut wire = Noted::new(Answers(reply), Some(&file)).unwrap();
        let url = "http://127.0.0.1:1/v1/handsets";
        let _ = wire.ask(&Asked { method, url, token: "a.secret.token", body });
        let text = std::fs::read_to_string(file).unwrap();
        assert!(!text.contains("secret") && text.ends_with('\n'), "{text}");
        serde_json::from_str(&text).unwrap()
    }

    #[test]
    fn requests_are_noted_without_secrets() {
        let busy = Reply {
            status: 503,
            retry_after: Some(Duration::from_secs(7)),
            body: b"{\"status\": 503}".to_vec(),
            ..Reply::default()
        };
        let found = noted(Method::Post, b"{\"code\": \"secret\", \"name\": \"Van 2\"}", Ok(busy));
        let expected = json!({"request": "POST /v1/handsets", "sent": {"code": "…", "name": "Van 2"}, "status": 503,
            "retry_after": 7, "answer": {"status": 503}});
        assert_eq!(found, expected);
        let photo = noted(
            Method::PutPart { first: 0, total: 9 },
            b"\xff\xd8\xffsecret",
            Err(NoAnswer("cut".to_owned())),
        );
        assert_eq!(photo, json!({"request": "PUT /v1/handsets", "sent": {"bytes": 9}, "no_answer": "cut"}));
    }
}
