//! A client that costs little: threads with a connection each that is kept open, and as much of HTTP/1.1 as they need.

use std::{
    io::{Read, Write},
    net::TcpStream,
    sync::Arc,
    thread,
    time::{Duration, Instant},
};

use anyhow::{Context, Result, anyhow, bail};

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
    fn request(&self, path: &str) -> Vec<u8> {
        let token =
            self.token.as_ref().map(|token| format!("authorization: Bearer {token}\r\n")).unwrap_or_default();
        format!("GET {path} HTTP/1.1\r\nhost: {}\r\n{token}\r\n", self.address).into_bytes()
    }

    /// One answer.
    pub(crate) fn get(&self, path: &str) -> Result<Vec<u8>> {
        Connection::open(&self.address)?.ask(&self.request(path))
    }

    /// Asks for the paths in turn over `connections` connections for `time`.
    pub(crate) fn measure(&self, paths: &[String], connections: usize, time: Duration) -> Result<Measured> {
        let requests: Arc<Vec<Vec<u8>>> = Arc::new(paths.iter().map(|path| self.request(path)).collect());
        let opened: Vec<Connection> =
            (0..connections).map(|_| Connection::open(&self.address)).collect::<Result<_>>()?;
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

struct Connection {
    stream: TcpStream,
    buffer: Vec<u8>,
}

impl Connection {
    fn open(address: &str) -> Result<Self> {
        let stream = TcpStream::connect(address).with_context(|| format!("connecting to {address}"))?;
        stream.set_nodelay(true)?;
        stream.set_read_timeout(Some(Duration::from_secs(60)))?;
        Ok(Self { stream, buffer: vec![0; 1 << 16] })
    }

    /// Sends a request and reads its answer to the end; any status but 200 is an error.
    fn ask(&mut self, request: &[u8]) -> Result<Vec<u8>> {
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
            let so_far = self.buffer.get(..read).unwrap_or_default();
            if let Some(body) = body(so_far)? {
                return Ok(body.to_vec());
            }
        }
    }
}

/// The body of an answer that is there as a whole; nothing if bytes are missing.
fn body(answer: &[u8]) -> Result<Option<&[u8]>> {
    let Some(end) = answer.windows(4).position(|four| four == b"\r\n\r\n") else { return Ok(None) };
    let head = std::str::from_utf8(answer.get(..end).unwrap_or_default()).context("the head is no text")?;
    let mut lines = head.split("\r\n");
    let status = lines.next().and_then(|line| line.split(' ').nth(1)).unwrap_or_default();
    let named = |line: &str| {
        let (name, value) = line.split_once(':')?;
        name.eq_ignore_ascii_case("content-length").then(|| value.trim().parse::<usize>().ok())?
    };
    let length = lines.find_map(named).context("an answer without a length")?;
    let body = answer.get(end + 4..).unwrap_or_default();
    if body.len() < length {
        return Ok(None);
    }
    if status != "200" || body.len() > length {
        bail!("not one answer of status 200: {}", String::from_utf8_lossy(answer));
    }
    Ok(Some(body))
}

#[cfg(test)]
mod tests {
    use super::*;

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
            assert_eq!(body(answer.as_bytes()).unwrap(), is.map(str::as_bytes), "{answer:?}");
        }
    }

    #[test]
    fn other_answers_are_errors() {
        for answer in [
            "HTTP/1.1 404 Not Found\r\ncontent-length: 0\r\n\r\n",
            "HTTP/1.1 200 OK\r\n\r\n",
            "HTTP/1.1 200 OK\r\ncontent-length: x\r\n\r\n",
            "HTTP/1.1 200 OK\r\ncontent-length: 1\r\n\r\nab",
        ] {
            assert!(body(answer.as_bytes()).is_err(), "{answer:?}");
        }
    }
}
