//! One mail to one address, as bytes (RFC 5322).

use lettre::message::{
    Mailbox, Mailboxes, MultiPart, MultiPartKind, SinglePart,
    header::{
        ContentDisposition, ContentId, From, Header, HeaderName, HeaderValue, Headers, MIME_VERSION_1_0,
        Subject, To,
    },
};
use model::{Instant, OrganizationId};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use super::{
    address::{Address, Domain, MessageId, WebAddress},
    render::Rendered,
    shown::{for_sender, for_subject},
};

/// Whom a mail goes to, and what its headers say besides the subject.
#[derive(Clone, Debug)]
pub struct Envelope {
    /// The sender's name, as it is shown; what a header would misread is taken out.
    pub from_name: Option<String>,
    /// The sender.
    pub from: Address,
    /// The one recipient; no name, so that nobody else's data is shown as one.
    pub to: Address,
    /// What makes a retry the same message.
    pub message_id: MessageId,
    /// When it was decided on, not when it is sent: a retry has the same bytes.
    pub date: Instant,
    /// The digest of the list before this one.
    pub references: Option<MessageId>,
    /// Whose digest it is.
    pub organization_id: OrganizationId,
    /// The list; with the organization and `domain` its List-Id (RFC 2919).
    pub list_id: Uuid,
    /// The domain that mail is sent from.
    pub domain: Domain,
    /// Where a POST takes this recipient off the list, without a login (RFC 8058); over https.
    pub unsubscribe_url: WebAddress,
    /// Where a mail does the same.
    pub unsubscribe_mailto: Option<Address>,
}

/// Why there is no mail.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MailError {
    /// The address for unsubscribing is not read over TLS.
    #[error("the address for unsubscribing does not begin with https (RFC 8058 section 3.1)")]
    UnsubscribeNotHttps,
}

/// The bytes of a mail; the same arguments give the same bytes.
///
/// Nothing from data reaches a header but the subject and the sender's name, and both come without line ends, other
/// control characters, marks of direction and whatever passes for an encoded word or an address: that is stripped, not
/// refused, so that a mail goes out whatever a site is called.
pub fn message(rendered: &Rendered, envelope: &Envelope) -> Result<Vec<u8>, MailError> {
    if !envelope.unsubscribe_url.is_https() {
        return Err(MailError::UnsubscribeNotHttps);
    }
    let mut bytes = headers(rendered, envelope).to_string().into_bytes();
    bytes.extend(body(rendered, envelope).formatted());
    Ok(bytes)
}

fn headers(rendered: &Rendered, envelope: &Envelope) -> Headers {
    let Envelope { list_id, organization_id, domain, .. } = envelope;
    let mut headers = Headers::new();
    let name = envelope.from_name.as_deref().map(for_sender);
    headers.set(From::from(Mailboxes::from(Mailbox::new(name, envelope.from.lettre()))));
    headers.set(To::from(Mailboxes::from(Mailbox::new(None, envelope.to.lettre()))));
    headers.set(Subject::from(for_subject(&rendered.subject)));
    headers.insert_raw(plain("Date", date(envelope.date)));
    headers.insert_raw(plain("Message-ID", format!("<{}>", envelope.message_id)));
    if let Some(before) = &envelope.references {
        headers.insert_raw(plain("In-Reply-To", format!("<{before}>")));
        headers.insert_raw(plain("References", format!("<{before}>")));
    }
    headers.insert_raw(plain("List-Id", format!("<{}.{organization_id}.{domain}>", list_id.hyphenated())));
    let post = format!("<{}>", envelope.unsubscribe_url);
    let mail = envelope.unsubscribe_mailto.as_ref().map(|to| format!("<mailto:{}>", to.mailto()));
    let ways: Vec<String> = std::iter::once(post).chain(mail).collect();
    headers.insert_raw(plain("List-Unsubscribe", ways.join(",\r\n ")));
    headers.insert_raw(plain("List-Unsubscribe-Post", "List-Unsubscribe=One-Click".to_owned()));
    headers.insert_raw(plain("Auto-Submitted", "auto-generated".to_owned()));
    headers.set(MIME_VERSION_1_0);
    headers
}

/// A header of parsed addresses, ids and fixed words: ASCII without line ends, so it stands as it is. Encoders would
/// break a long link in two.
fn plain(name: &'static str, value: String) -> HeaderValue {
    HeaderValue::dangerous_new_pre_encoded(HeaderName::new_from_ascii_str(name), value.clone(), value)
}

/// RFC 5322 section 3.3, in UTC.
fn date(at: Instant) -> String {
    at.timestamp().strftime("%a, %d %b %Y %H:%M:%S +0000").to_string()
}

fn body(rendered: &Rendered, envelope: &Envelope) -> MultiPart {
    let boundary = |part: &str| format!("{part}-{}", digest(rendered, envelope));
    let html = SinglePart::html(rendered.html.clone());
    let both = MultiPart::builder()
        .kind(MultiPartKind::Alternative)
        .boundary(boundary("digest"))
        .singlepart(SinglePart::plain(rendered.text.clone()));
    let Some(picture) = &rendered.picture else { return both.singlepart(html) };
    let png = SinglePart::builder()
        .header(Png)
        .header(ContentDisposition::inline())
        .header(ContentId::from(format!("<{}>", picture.content_id)))
        .body(picture.png.clone());
    let related = MultiPart::builder().kind(MultiPartKind::Related).boundary(boundary("picture"));
    both.multipart(related.singlepart(html).singlepart(png))
}

/// What nobody who writes a name can foresee, and yet the same for the same mail.
fn digest(rendered: &Rendered, envelope: &Envelope) -> String {
    let mut hash = Sha256::new();
    for part in [envelope.message_id.as_str(), envelope.to.as_str(), &rendered.text, &rendered.html] {
        hash.update(part.as_bytes());
        hash.update([0]);
    }
    hash.finalize().iter().take(16).map(|byte| format!("{byte:02x}")).collect()
}

/// The Content-Type of a picture.
#[derive(Clone)]
struct Png;

impl Header for Png {
    fn name() -> HeaderName {
        HeaderName::new_from_ascii_str("Content-Type")
    }

    fn parse(text: &str) -> Result<Self, Box<dyn std::error::Error + Send + Sync>> {
        if text == "image/png" { Ok(Self) } else { Err("not a PNG".into()) }
    }

    fn display(&self) -> HeaderValue {
        plain("Content-Type", "image/png".to_owned())
    }
}
