//! Bytes on a connection: for requests that no well-behaved client sends.

use std::{
    io::{Read, Write},
    net::{Shutdown, TcpStream},
    time::Duration,
};

use ureq::http::{HeaderMap, HeaderName, HeaderValue};

use crate::Reply;

/// How long an answer may take; a request that is not complete must be answered all the same.
const PATIENCE: Duration = Duration::from_secs(20);

/// Sends bytes to the service at `url` and reads one answer; none if the connection closes without one.
pub fn exchange(url: &str, bytes: &[u8]) -> Option<Reply> {
    let mut stream = TcpStream::connect(url.trim_start_matches("http://")).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    // The service may answer and close before it has read all; then the answer is there nevertheless.
    let _ = stream.write_all(bytes);
    let mut read = Vec::new();
    let mut chunk = [0; 4096];
    loop {
        if let Some(reply) = whole(&read) {
            return Some(reply);
        }
        match stream.read(&mut chunk) {
            Ok(n) if n > 0 => read.extend_from_slice(&chunk[..n]),
            _ => return None,
        }
    }
}

/// Sends bytes, ends the sending, and reads all that comes.
pub fn all(url: &str, bytes: &[u8]) -> String {
    let mut stream = TcpStream::connect(url.trim_start_matches("http://")).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let _ = stream.write_all(bytes);
    let _ = stream.shutdown(Shutdown::Write);
    let mut read = Vec::new();
    let _ = stream.read_to_end(&mut read);
    String::from_utf8_lossy(&read).into_owned()
}

/// The head of a request with these further lines.
pub fn head(method: &str, target: &str, lines: &[&str]) -> Vec<u8> {
    let mut text = format!("{method} {target} HTTP/1.1\r\nhost: localhost\r\n");
    for line in lines {
        text.push_str(line);
        text.push_str("\r\n");
    }
    text.push_str("\r\n");
    text.into_bytes()
}

/// An answer, once all of it has come.
fn whole(read: &[u8]) -> Option<Reply> {
    let text = String::from_utf8_lossy(read);
    let (head, body) = text.split_once("\r\n\r\n")?;
    let mut lines = head.split("\r\n");
    let status = lines.next()?.split(' ').nth(1)?.parse().ok()?;
    let mut headers = HeaderMap::new();
    for (name, value) in lines.filter_map(|line| line.split_once(": ")) {
        headers
            .append(HeaderName::from_bytes(name.as_bytes()).unwrap(), HeaderValue::from_str(value).unwrap());
    }
    let length: usize = headers.get("content-length").map_or(0, |n| n.to_str().unwrap().parse().unwrap());
    (body.len() >= length).then(|| Reply { status, headers, text: body.to_owned() })
}
