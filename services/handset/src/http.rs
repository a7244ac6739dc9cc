//! The wire over HTTP and HTTPS: one request at a time, bodies compressed with gzip both ways. Whom to trust is what the device
//! trusts.

use std::{
    cell::OnceCell,
    io::{Read, Write},
    sync::Arc,
    time::Duration,
};

use flate2::{Compression, read::MultiGzDecoder, write::GzEncoder};
use rustls::crypto::aws_lc_rs;
use ureq::{
    Agent, Body, http,
    tls::{Certificate, RootCerts, TlsConfig},
};

use crate::outside::{Asked, Method, NoAnswer, Reply, Wire};

/// A request is given up after this.
const PATIENCE: Duration = Duration::from_secs(60);
/// A connection that is not made by then will not be.
const CONNECTING: Duration = Duration::from_secs(10);
/// An answer has so many bytes at most, unpacked: a page comes to half a million, and one record may be larger.
const ANSWER_MOST: u64 = 64 << 20;
/// A body of fewer bytes is not worth compressing.
const WORTH_IT: usize = 512;

/// What codings of an answer are understood.
const TAKES: &str = "accept-encoding";

/// HTTP, with a connection that is kept. It is made ready when something is asked: until then nobody has to wait for the
/// certificates to be read, since most of what a handset is for asks nothing.
#[derive(Debug, Default)]
pub struct Http(OnceCell<Agent>);

impl Http {
    fn agent(&self) -> &Agent {
        self.0.get_or_init(|| {
            let config = Agent::config_builder()
                .http_status_as_error(false)
                .max_redirects(0)
                .tls_config(tls())
                .timeout_connect(Some(CONNECTING))
                .timeout_global(Some(PATIENCE));
            config.build().into()
        })
    }
}

/// The certificates that the device trusts; where it has none, no connection with HTTPS is made.
fn tls() -> TlsConfig {
    let trusted = rustls_native_certs::load_native_certs().certs;
    let trusted = trusted.iter().map(|certificate| Certificate::from_der(certificate).to_owned());
    TlsConfig::builder()
        .root_certs(RootCerts::from(trusted))
        .unversioned_rustls_crypto_provider(Arc::new(aws_lc_rs::default_provider()))
        .build()
}

impl Wire for Http {
    fn ask(&mut self, asked: &Asked<'_>) -> Result<Reply, NoAnswer> {
        self.asked(asked).map_err(|why| NoAnswer(why.to_string()))
    }
}

impl Http {
    fn asked(&self, asked: &Asked<'_>) -> Result<Reply, ureq::Error> {
        let agent = self.agent();
        let request = http::Request::builder()
            .uri(asked.url)
            .header("authorization", format!("Bearer {}", asked.token));
        let mut response = match asked.method {
            Method::Get => agent.run(request.method("GET").header(TAKES, "gzip").body(())?)?,
            Method::Head => agent.run(request.method("HEAD").body(())?)?,
            Method::GetPart { first, last } => {
                // A part of a photo comes as it is: it is packed already.
                let range = format!("bytes={first}-{last}");
                agent.run(request.method("GET").header(TAKES, "identity").header("range", range).body(())?)?
            }
            Method::Post => {
                let request =
                    request.method("POST").header(TAKES, "gzip").header("content-type", "application/json");
                if asked.body.len() < WORTH_IT {
                    agent.run(request.body(asked.body)?)?
                } else {
                    let packed = packed(asked.body)?;
                    agent.run(request.header("content-encoding", "gzip").body(packed.as_slice())?)?
                }
            }
            Method::PutPart { first, total } => {
                let end = first.saturating_add(u64::try_from(asked.body.len()).unwrap_or(u64::MAX));
                let range = format!("bytes {first}-{}/{total}", end.saturating_sub(1));
                let request = request.method("PUT").header("content-type", "application/octet-stream");
                agent.run(request.header("content-range", range).body(asked.body)?)?
            }
        };
        taken(&mut response)
    }
}

/// An answer, taken in as a whole.
fn taken(response: &mut http::Response<Body>) -> Result<Reply, ureq::Error> {
    let header = |name: &str| response.headers().get(name).and_then(|value| value.to_str().ok());
    let is_packed = header("content-encoding").is_some_and(|coding| coding.eq_ignore_ascii_case("gzip"));
    // The other form, a date, is not sent by the service.
    let retry_after =
        header("retry-after").and_then(|text| text.trim().parse().ok()).map(Duration::from_secs);
    let upload_offset = header("upload-offset").and_then(|text| text.trim().parse().ok());
    let total = header("content-range").and_then(|text| text.rsplit('/').next()?.trim().parse().ok());
    let status = response.status().as_u16();
    let mut sent = response.body_mut().with_config().limit(ANSWER_MOST).reader();
    let body = if is_packed { whole(MultiGzDecoder::new(&mut sent)) } else { whole(&mut sent) };
    Ok(Reply { status, retry_after, body: body?, upload_offset, total })
}

fn packed(body: &[u8]) -> std::io::Result<Vec<u8>> {
    let mut packed = GzEncoder::new(Vec::with_capacity(body.len() / 4), Compression::fast());
    packed.write_all(body)?;
    packed.finish()
}

/// All that a reader has; an answer that is larger than any may be is none.
fn whole(reader: impl Read) -> std::io::Result<Vec<u8>> {
    let mut body = Vec::new();
    let read = reader.take(ANSWER_MOST + 1).read_to_end(&mut body)?;
    if u64::try_from(read).is_ok_and(|read| read > ANSWER_MOST) {
        return Err(std::io::Error::other("the answer is too large"));
    }
    Ok(body)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back() {
        let body = b"[1, 2, 3]".repeat(10_000);
        let sent = packed(&body).unwrap();
        assert!(sent.len() < 1000);
        assert_eq!(whole(MultiGzDecoder::new(sent.as_slice())).unwrap(), body);
        // An answer that is cut off is none.
        assert!(whole(MultiGzDecoder::new(&sent[..sent.len() - 9])).is_err());
    }

    /// Whoever listens there speaks no TLS, or nobody does.
    #[test]
    fn no_answer_is_no_answer() {
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let listening = std::thread::spawn(move || {
            for _ in 0..2 {
                let (mut stream, _) = listener.accept().unwrap();
                let _ = stream.write_all(b"what?");
            }
        });
        let mut http = Http::default();
        let mut ask = |url: &str| http.ask(&Asked { method: Method::Post, url, token: "t", body: b"{}" });
        for scheme in ["https", "http"] {
            assert!(ask(&format!("{scheme}://127.0.0.1:{port}/v1/sync")).is_err(), "{scheme}");
        }
        listening.join().unwrap();
        assert!(ask(&format!("http://127.0.0.1:{port}/v1/sync")).is_err());
        assert!(ask("no address").is_err());
    }

    #[test]
    fn a_small_body_that_unpacks_to_a_large_one_is_none() {
        let zeros = packed(&vec![0; usize::try_from(ANSWER_MOST + 1).unwrap()]).unwrap();
        assert!(zeros.len() < 1 << 20);
        assert!(whole(MultiGzDecoder::new(zeros.as_slice())).is_err());
    }
}
