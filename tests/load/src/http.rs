//! A client that costs little: threads with a connection each that is kept open, and as much of HTTP/1.1 as they need.

use std::{
    io::{Read, Write},
    net::TcpStream,
    sync::Arc,
    thread,
    time::{Duration, Instant},
};

use anyhow::{Context, Result, anyhow, bail};
use serde_json::Value;

use crate::stats::Measured;

/// Where to ask, and as whom.
#[derive(Clone)]
pub(crate) struct Server {
    address: String,
    token: Option<String>,
}

impl Server {
    /// A server at `http://HOST:PORT`.
    pub(crate) fn new(url: &str, token: Option<&str>) -> Result<Self> {
        let address = url.strip_prefix("http://").with_context(|| format!("not http: {url}"))?;
        Ok(Self { address: address.to_owned(), token: token.map(str::to_owned) })
    }

    /// The bytes of a GET request.
    pub(crate) fn get_request(&self, path: &str) -> Vec<u8> {
        format!("GET {path} HTTP/1.1\r\nhost: {}\r\n{}\r\n", self.address, self.authorization()).into_bytes()
    }

    /// The bytes of a POST request.
    pub(crate) fn post_request(&self, path: &str, body: &Value) -> Result<Vec<u8>> {
        Ok(self.request("POST", path, "application/json", &serde_json::to_string(body)?))
    }

    /// The bytes of a PUT request with a table.
    pub(crate) fn put_request(&self, path: &str, table: &str) -> Vec<u8> {
        self.request("PUT", path, "text/csv", table)
    }

    fn request(&self, method: &str, path: &str, media: &str, body: &str) -> Vec<u8> {
        let head = format!("{method} {path} HTTP/1.1\r\nhost: {}\r\n{}", self.address, self.authorization());
        let about = format!("content-type: {media}\r\ncontent-length: {}", body.len());
        format!("{head}{about}\r\n\r\n{body}").into_bytes()
    }

    /// The token of whoever asks; empty of nobody.
    pub(crate) fn token(&self) -> &str {
        self.token.as_deref().unwrap_or_default()
    }

    /// Where it is.
    pub(crate) fn url(&self) -> String {
        format!("http://{}", self.address)
    }

    fn authorization(&self) -> String {
        self.token.as_ref().map(|token| format!("authorization: Bearer {token}\r\n")).unwrap_or_default()
    }

    /// A connection to it.
    pub(crate) fn connect(&self) -> Result<Connection> {
        Connection::open(&self.address)
    }

    /// One answer.
    pub(crate) fn get(&self, path: &str) -> Result<Vec<u8>> {
        self.connect()?.ask(&self.get_request(path))
    }

    /// The answer to something sent, of status 200 or 201.
    pub(crate) fn post(&self, path: &str, body: &Value) -> Result<Value> {
        let answer = self.connect()?.answer(&self.post_request(path, body)?)?;
        if !matches!(answer.status, 200 | 201) {
            bail!("{path} is answered {}: {}", answer.status, String::from_utf8_lossy(&answer.body));
        }
        Ok(serde_json::from_slice(&answer.body)?)
    }

    /// Sends the requests in turn over `connections` connections for `time`.
    pub(crate) fn measure(
        &self,
        requests: Vec<Vec<u8>>,
        connections: usize,
        time: Duration,
    ) -> Result<Measured> {
        let requests = Arc::new(requests);
        let opened: Vec<Connection> = (0..connections).map(|_| self.connect()).collect::<Result<_>>()?;
        let began = Instant::now();
        let threads: Vec<_> = opened
            .into_iter()
            .enumerate()
            .map(|(n, connection)| {
                let requests = Arc::clone(&requests);
                // Each begins elsewhere, so that they do not all ask for the same thing at once.
                let first = n * requests.len() / connections.max(1);
                thread::spawn(move || ask_for(connection, &requests, first, began, time))
            })
            .collect();
        let mut each = Vec::new();
        for thread in threads {
            each.extend(thread.join().map_err(|_| anyhow!("a client panicked"))??);
        }
        Ok(Measured::new(began.elapsed(), each))
    }

    /// Sends each queue over a connection of its own, one request after the other; the answers are looked at afterwards.
    pub(crate) fn play(
        &self,
        queues: Vec<Vec<Vec<u8>>>,
        look: impl Fn(&[u8]) -> Result<()>,
    ) -> Result<Measured> {
        let opened: Vec<Connection> = queues.iter().map(|_| self.connect()).collect::<Result<_>>()?;
        let began = Instant::now();
        let threads: Vec<_> = opened
            .into_iter()
            .zip(queues)
            .map(|(mut connection, queue)| {
                thread::spawn(move || {
                    let mut answers = Vec::with_capacity(queue.len());
                    for request in &queue {
                        let asked = Instant::now();
                        let answer = connection.ask(request)?;
                        answers.push((asked.elapsed(), answer));
                    }
                    anyhow::Ok(answers)
                })
            })
            .collect();
        let mut played = Vec::new();
        for thread in threads {
            played.extend(thread.join().map_err(|_| anyhow!("a client panicked"))??);
        }
        let took = began.elapsed();
        played.iter().try_for_each(|(_, answer)| look(answer))?;
        Ok(Measured::new(took, played.into_iter().map(|(each, _)| each).collect()))
    }
}

fn ask_for(
    mut connection: Connection,
    requests: &[Vec<u8>],
    first: usize,
    began: Instant,
    time: Duration,
) -> Result<Vec<Duration>> {
    let mut each = Vec::new();
    for request in requests.iter().cycle().skip(first) {
        if began.elapsed() >= time {
            break;
        }
        let asked = Instant::now();
        connection.ask(request)?;
        each.push(asked.elapsed());
    }
    Ok(each)
}

/// A connection that is kept open.
pub(crate) struct Connection {
    stream: TcpStream,
    buffer: Vec<u8>,
}

/// An answer.
pub(crate) struct Answer {
    pub(crate) status: u16,
    /// After how many seconds to come again, where the server says so.
    pub(crate) retry_after: Option<u64>,
    pub(crate) body: Vec<u8>,
}

impl Connection {
    fn open(address: &str) -> Result<Self> {
        let stream = TcpStream::connect(address).with_context(|| format!("connecting to {address}"))?;
        stream.set_nodelay(true)?;
        stream.set_read_timeout(Some(Duration::from_secs(60)))?;
        Ok(Self { stream, buffer: vec![0; 1 << 16] })
    }

    /// Sends a request and reads the body of its answer to the end; any status but 200 is an error.
    pub(crate) fn ask(&mut self, request: &[u8]) -> Result<Vec<u8>> {
        let answer = self.answer(request)?;
        if answer.status != 200 {
            bail!("answered {}: {}", answer.status, String::from_utf8_lossy(&answer.body));
        }
        Ok(answer.body)
    }

    /// Sends a request and reads its answer to the end.
    pub(crate) fn answer(&mut self, request: &[u8]) -> Result<Answer> {
        self.stream.write_all(request)?;
        let mut read = 0;
        loop {
            if read == self.buffer.len() {
                self.buffer.resize(read * 2, 0);
            }
            let free = self.buffer.get_mut(read..).unwrap_or_default();
            let got = self.stream.read(free)?;
            if got == 0 {
                bail!("the server closed the connection");
            }
            read += got;
            if let Some(answer) = answer(self.buffer.get(..read).unwrap_or_default())? {
                return Ok(answer);
            }
        }
    }
}

/// An answer that is there as a whole; nothing if bytes are missing.
fn answer(bytes: &[u8]) -> Result<Option<Answer>> {
    let Some(end) = bytes.windows(4).position(|four| four == b"\r\n\r\n") else { return Ok(None) };
    let head = std::str::from_utf8(bytes.get(..end).unwrap_or_default()).context("the head is no text")?;
    let mut lines = head.split("\r\n");
    let status = lines.next().and_then(|line| line.split(' ').nth(1)?.parse().ok());
    let named = |wanted: &str| {
        head.split("\r\n").find_map(|line| {
            let (name, value) = line.split_once(':')?;
            name.eq_ignore_ascii_case(wanted).then(|| value.trim().parse::<usize>().ok())?
        })
    };
    let length = named("content-length").context("an answer without a length")?;
    let body = bytes.get(end + 4..).unwrap_or_default();
    if body.len() < length {
        return Ok(None);
    }
    if body.len() > length {
        bail!("more than one answer: {}", String::from_utf8_lossy(bytes));
    }
    let retry_after = named("retry-after").and_then(|seconds| u64::try_from(seconds).ok());
    Ok(Some(Answer { status: status.context("no status")?, retry_after, body: body.to_vec() }))
}

#[cfg(test)]
mod tests {
    #[test]
    fn an_answer_is_whole_or_not() {
        let cases: &[(&str, Option<&str>)] = &[
            ("", None),
            ("HTTP/1.1 200 OK\r\ncontent-length: 2\r\n", None),
            ("HTTP/1.1 200 OK\r\ncontent-length: 2\r\n\r\n", None),
            ("HTTP/1.1 200 OK\r\ncontent-length: 2\r\n\r\n{", None),
            ("HTTP/1.1 200 OK\r\ncontent-length: 2\r\n\r\n{}", Some("{}")),
            ("HTTP/1.1 200 OK\r\nvary: Accept\r\nContent-Length: 0\r\n\r\n", Some("")),
        ];
        for (answer, is) in cases {
            let found = super::answer(answer.as_bytes()).unwrap().map(|found| found.body);
            assert_eq!(found.as_deref(), is.map(str::as_bytes), "{answer:?}");
        }
    }

    #[test]
    fn a_busy_server_says_when_to_come_again() {
        let busy = super::answer(b"HTTP/1.1 503 Busy\r\nRetry-After: 2\r\ncontent-length: 0\r\n\r\n")
            .unwrap()
            .unwrap();
        assert_eq!((busy.status, busy.retry_after), (503, Some(2)));
    }

    #[test]
    fn what_is_no_answer_is_an_error() {
        for answer in [
            "nonsense\r\ncontent-length: 0\r\n\r\n",
            "HTTP/1.1 200 OK\r\n\r\n",
            "HTTP/1.1 200 OK\r\ncontent-length: x\r\n\r\n",
            "HTTP/1.1 200 OK\r\ncontent-length: 1\r\n\r\nab",
        ] {
            assert!(super::answer(answer.as_bytes()).is_err(), "{answer:?}");
        }
    }
}
