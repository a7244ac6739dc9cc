//! Objects of a bucket, by the S3 protocol: each request is signed for itself (Signature Version 4, in its address) and sent with a
//! few tries. Nothing that is told of a failure has an address with its signature in it, or a secret.

use std::{
    fmt, fs,
    io::{self, Read},
    path::PathBuf,
    sync::Arc,
    thread,
    time::Duration,
};

use anyhow::{Context, Result, anyhow, ensure};
use clap::Args;
use model::Instant;
use rustls::crypto::aws_lc_rs;
use rusty_s3::{
    Bucket, Credentials, S3Action, UrlStyle,
    actions::{ListObjectsV2, ListObjectsV2Response, list_objects_v2::ListObjectsContent},
};
use ureq::{
    Agent, Body,
    http::{Request, Response},
    tls::{Certificate, RootCerts, TlsConfig},
};

use super::{Shelf, Written};

/// A connection that is not made by then will not be.
const CONNECTING: Duration = Duration::from_secs(5);
/// A request is given up after this; a blob has 16 MiB at most.
const PATIENCE: Duration = Duration::from_secs(60);
/// How long a signed address is good; the clocks of both may differ by some minutes.
const GOOD_FOR: Duration = Duration::from_secs(900);
/// After these it is tried again; then it is left to whoever asked.
const PAUSES: [Duration; 2] = [Duration::from_millis(200), Duration::from_secs(1)];
/// An answer that is no object has so many bytes at most: a list of a thousand names, or an error.
const ANSWER_MOST: u64 = 4 << 20;

/// Which bucket, and whose key.
#[derive(Args, Clone, Debug, Default)]
pub struct BucketPlace {
    /// Keep photos and papers in a bucket instead of a folder, by the S3 protocol, at this address, such as
    /// `https://objects.example`.
    #[arg(long, env = "KEEPSTART_S3_ENDPOINT")]
    pub s3_endpoint: Option<String>,
    /// The bucket, which is there already.
    #[arg(long, env = "KEEPSTART_S3_BUCKET")]
    pub s3_bucket: Option<String>,
    /// The region that is signed for.
    #[arg(long, env = "KEEPSTART_S3_REGION", default_value = "us-east-1")]
    pub s3_region: String,
    /// The id of the access key.
    #[arg(long, env = "KEEPSTART_S3_KEY_ID")]
    pub s3_key_id: Option<String>,
    /// A file with the secret of the access key, of which the first line counts.
    #[arg(long, env = "KEEPSTART_S3_SECRET_FILE")]
    pub s3_secret_file: Option<PathBuf>,
}

impl BucketPlace {
    /// The bucket, if one is named.
    pub(super) fn open(&self) -> Result<Option<S3>> {
        let all = (&self.s3_endpoint, &self.s3_bucket, &self.s3_key_id, &self.s3_secret_file);
        let (endpoint, bucket, key, file) = match all {
            (Some(endpoint), Some(bucket), Some(key), Some(file)) => (endpoint, bucket, key, file),
            (None, None, None, None) => return Ok(None),
            _ => {
                return Err(anyhow!(
                    "a bucket takes --s3-endpoint, --s3-bucket, --s3-key-id and --s3-secret-file together"
                ));
            }
        };
        let text = fs::read_to_string(file).with_context(|| format!("cannot read {}", file.display()))?;
        let secret = text.lines().next().unwrap_or_default().trim();
        ensure!(!secret.is_empty(), "{} has no secret in its first line", file.display());
        // What is wrong with an address is not repeated: it may have a password in it.
        let endpoint = endpoint.parse().map_err(|_| anyhow!("--s3-endpoint is no address"))?;
        let bucket = Bucket::new(endpoint, UrlStyle::Path, bucket.clone(), self.s3_region.clone())
            .map_err(|error| anyhow!("--s3-endpoint or --s3-bucket: {error}"))?;
        Ok(Some(S3 { bucket, credentials: Credentials::new(key, secret), agent: agent() }))
    }
}

fn agent() -> Agent {
    let trusted = rustls_native_certs::load_native_certs().certs;
    let trusted = trusted.iter().map(|certificate| Certificate::from_der(certificate).to_owned());
    let tls = TlsConfig::builder()
        .root_certs(RootCerts::from(trusted))
        .unversioned_rustls_crypto_provider(Arc::new(aws_lc_rs::default_provider()))
        .build();
    let config = Agent::config_builder()
        .http_status_as_error(false)
        .max_redirects(0)
        .tls_config(tls)
        .timeout_connect(Some(CONNECTING))
        .timeout_global(Some(PATIENCE));
    config.build().into()
}

/// Why the bucket did not do what it was asked.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Away {
    /// It could not be reached.
    #[error("the bucket cannot be reached: {0}")]
    Silent(String),
    /// It is busy or broken.
    #[error("the bucket answers {status} {code}")]
    Failed {
        /// The status of its answer.
        status: u16,
        /// Its word for what is wrong.
        code: String,
    },
    /// It does not take the key.
    #[error("the bucket does not take the key (--s3-key-id, --s3-secret-file): {0}")]
    Key(String),
    /// There is no such bucket.
    #[error("there is no such bucket (--s3-bucket)")]
    NoBucket,
}

impl Away {
    /// Whether it may be otherwise in a moment.
    fn passes(&self) -> bool {
        match self {
            Self::Silent(_) => true,
            Self::Failed { status, .. } => matches!(status, 408 | 429 | 500..=599),
            Self::Key(_) | Self::NoBucket => false,
        }
    }
}

/// A bucket.
pub(super) struct S3 {
    bucket: Bucket,
    credentials: Credentials,
    agent: Agent,
}

impl fmt::Debug for S3 {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "bucket {} at {}",
            self.bucket.name(),
            self.bucket.base_url().host_str().unwrap_or_default()
        )
    }
}

/// What was found.
struct Found {
    status: u16,
    /// How many bytes it says that there are.
    length: Option<u64>,
    body: Vec<u8>,
}

impl Shelf for S3 {
    fn put(&self, folder: &str, name: &str, bytes: &[u8]) -> io::Result<()> {
        let object = object(folder, name);
        self.tried(ANSWER_MOST, || {
            let action = self.bucket.put_object(Some(&self.credentials), &object);
            self.agent.run(request("PUT", &action)?.body(bytes)?)
        })?
        .there()
        .map(drop)
    }

    fn read(&self, folder: &str, name: &str, first: u64, most: usize) -> io::Result<Vec<u8>> {
        let (object, most) = (object(folder, name), u64::try_from(most).map_err(io::Error::other)?);
        let Some(last) = first.checked_add(most).and_then(|end| end.checked_sub(1)).filter(|_| most > 0)
        else {
            return Ok(Vec::new());
        };
        let found = self.tried(most.max(ANSWER_MOST), || {
            let action = self.bucket.get_object(Some(&self.credentials), &object);
            self.agent
                .run(request("GET", &action)?.header("range", format!("bytes={first}-{last}")).body(())?)
        })?;
        // Nothing lies there: it is behind the end.
        if found.status == 416 {
            return Ok(Vec::new());
        }
        let whole = found.status == 200;
        let mut bytes = found.there()?;
        if whole {
            // It does not know parts.
            bytes.drain(..usize::try_from(first).unwrap_or(usize::MAX).min(bytes.len()));
            bytes.truncate(usize::try_from(most).unwrap_or(usize::MAX));
        }
        Ok(bytes)
    }

    fn length(&self, folder: &str, name: &str) -> io::Result<Option<u64>> {
        let object = object(folder, name);
        let found = self.tried(0, || {
            let action = self.bucket.head_object(Some(&self.credentials), &object);
            self.agent.run(request("HEAD", &action)?.body(())?)
        })?;
        Ok(if found.status == 404 { None } else { found.length })
    }

    fn list(&self, folder: &str) -> io::Result<Vec<(String, u64)>> {
        let prefix = object(folder, "");
        let of_folder = |found: ListObjectsContent| {
            let name = found.key.strip_prefix(&prefix).filter(|name| !name.contains('/'))?;
            Some((name.to_owned(), found.size.unwrap_or_default()))
        };
        Ok(self.all(&prefix)?.into_iter().filter_map(of_folder).collect())
    }

    fn below(&self, folder: &str) -> io::Result<Vec<Written>> {
        let prefix = object(folder, "");
        self.all(&prefix)?.iter().map(|found| written(&prefix, found)).collect()
    }

    fn is_used(&self, folder: &str) -> io::Result<bool> {
        Ok(!self.page(&object(folder, ""), None)?.contents.is_empty())
    }

    fn remove(&self, folder: &str, name: &str) -> io::Result<()> {
        let object = object(folder, name);
        let found = self.tried(ANSWER_MOST, || {
            let action = self.bucket.delete_object(Some(&self.credentials), &object);
            self.agent.run(request("DELETE", &action)?.body(())?)
        })?;
        if found.status == 404 { Ok(()) } else { found.there().map(drop) }
    }

    fn remove_all(&self, folder: &str) -> io::Result<()> {
        self.list(folder)?.iter().try_for_each(|(name, _)| self.remove(folder, name))
    }
}

/// An object by its path below a prefix.
fn written(prefix: &str, found: &ListObjectsContent) -> io::Result<Written> {
    let at = found.last_modified.as_deref().and_then(|text| Instant::parse(text).ok());
    let at = at.ok_or_else(|| io::Error::other("the bucket does not say when an object was written"))?;
    Ok(Written { name: found.key.strip_prefix(prefix).unwrap_or_default().to_owned(), at })
}

impl S3 {
    /// All objects whose names begin so.
    fn all(&self, prefix: &str) -> io::Result<Vec<ListObjectsContent>> {
        let (mut objects, mut next) = (Vec::new(), None::<String>);
        loop {
            let page = self.page(prefix, next.as_deref())?;
            objects.extend(page.contents);
            next = page.next_continuation_token;
            if next.is_none() {
                return Ok(objects);
            }
        }
    }

    fn page(&self, prefix: &str, after: Option<&str>) -> io::Result<ListObjectsV2Response> {
        let found = self.tried(ANSWER_MOST, || {
            let mut action = self.bucket.list_objects_v2(Some(&self.credentials));
            action.with_prefix(prefix);
            if let Some(after) = after {
                action.with_continuation_token(after);
            }
            self.agent.run(request("GET", &action)?.body(())?)
        })?;
        let text = String::from_utf8(found.there()?).map_err(io::Error::other)?;
        ListObjectsV2::parse_response(&text).map_err(|error| io::Error::other(error.to_string()))
    }

    /// Asks, and again where that may help; gives what is there, and 404 and 416, which are answers, too.
    fn tried(&self, most: u64, ask: impl Fn() -> Result<Response<Body>, ureq::Error>) -> io::Result<Found> {
        let mut pauses = PAUSES.iter();
        loop {
            let away = match ask().and_then(|response| taken(response, most)) {
                Ok(found) => match found.trouble() {
                    None => return Ok(found),
                    Some(away) => away,
                },
                Err(error) => Away::Silent(in_words(&error)),
            };
            let pause = pauses.next().filter(|_| away.passes());
            let Some(pause) = pause else { return Err(io::Error::other(away)) };
            thread::sleep(*pause);
        }
    }
}

impl Found {
    /// What is wrong with the answer.
    fn trouble(&self) -> Option<Away> {
        let code = || word(&self.body);
        match self.status {
            200..=299 | 416 => None,
            404 if code() == "NoSuchBucket" => Some(Away::NoBucket),
            404 => None,
            401 | 403 => Some(Away::Key(code())),
            status => Some(Away::Failed { status, code: code() }),
        }
    }

    /// The bytes of what is there.
    fn there(self) -> io::Result<Vec<u8>> {
        if self.status == 404 { Err(io::ErrorKind::NotFound.into()) } else { Ok(self.body) }
    }
}

/// The word for what is wrong, of an error in XML.
fn word(body: &[u8]) -> String {
    let text = String::from_utf8_lossy(body);
    let code = text.split_once("<Code>").and_then(|(_, rest)| rest.split_once("</Code>"));
    code.map_or(String::new(), |(code, _)| {
        code.chars().filter(char::is_ascii_alphanumeric).take(50).collect()
    })
}

fn object(folder: &str, name: &str) -> String {
    format!("{folder}/{name}")
}

fn request<'a>(
    method: &str,
    action: &impl S3Action<'a>,
) -> Result<ureq::http::request::Builder, ureq::Error> {
    Ok(Request::builder().method(method).uri(action.sign(GOOD_FOR).as_str()))
}

fn taken(mut response: Response<Body>, most: u64) -> Result<Found, ureq::Error> {
    let status = response.status().as_u16();
    let length = response.headers().get("content-length").and_then(|value| value.to_str().ok());
    let length = length.and_then(|text| text.parse().ok());
    let mut body = Vec::new();
    response.body_mut().with_config().limit(most.saturating_add(1)).reader().read_to_end(&mut body)?;
    Ok(Found { status, length, body })
}

/// What kept a request from being answered, without its address.
fn in_words(error: &ureq::Error) -> String {
    match error {
        ureq::Error::Io(error) => error.to_string(),
        ureq::Error::Timeout(_) => "it takes too long".to_owned(),
        ureq::Error::HostNotFound => "nobody knows its name".to_owned(),
        ureq::Error::Tls(why) => (*why).to_owned(),
        _ => "the connection failed".to_owned(),
    }
}

#[cfg(test)]
mod tests;
