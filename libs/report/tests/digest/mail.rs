//! What a mail is made of, as an independent parser reads it.

use mail_parser::{Addr, Address as Addresses, HeaderValue, MimeHeaders, PartType};
use model::Instant;
use report::digest::{AddressError, Envelope, MailError, MessageId, State, WebAddress, message};

use crate::{
    fixture::{all, all_clear, coordinator, envelope, example},
    read::{mail, parsed, rendered},
};

fn header<'a>(text: &'a str, name: &str) -> Option<&'a str> {
    let head = text.split("\r\n\r\n").next().unwrap();
    let begin = format!("\r\n{name}: ");
    let at = head.find(&begin)? + begin.len();
    let end = head[at..].find("\r\n").filter(|end| !head[at + end + 2..].starts_with(' '));
    Some(end.map_or_else(|| &head[at..], |end| &head[at..at + end]))
}

#[test]
fn headers_say_who_what_and_how_to_leave() {
    let mail = String::from_utf8(mail(&example())).unwrap();
    let mail = format!("\r\n{mail}");
    let list = "00000000-0000-0000-0000-000000000002";
    let organization = "00000000-0000-0000-0000-000000000001";
    let domain = "keepstart.tarnvalley.example";
    let id = |date: &str| format!("<digest.{organization}.{list}.{date}.c40a8f9715e13779@{domain}>");
    let cases = [
        ("To", "duty@tarnvalley.example".to_owned()),
        ("Date", "Thu, 11 Sep 2025 12:00:00 +0000".to_owned()),
        ("Message-ID", id("2025-09-11")),
        ("In-Reply-To", id("2025-09-10")),
        ("References", id("2025-09-10")),
        // RFC 2919 section 3: a label and a domain, in angle brackets.
        ("List-Id", format!("<{list}.{organization}.{domain}>")),
        // RFC 8058 section 3.1: exactly this, and an https address in the other.
        ("List-Unsubscribe-Post", "List-Unsubscribe=One-Click".to_owned()),
        // RFC 3834 section 5.
        ("Auto-Submitted", "auto-generated".to_owned()),
        ("MIME-Version", "1.0".to_owned()),
        ("Subject", rendered(&example()).subject),
    ];
    for (name, expected) in cases {
        assert_eq!(header(&mail, name), Some(expected.as_str()), "{name}");
    }
    // RFC 2369 section 2: angle brackets, commas between, folded between them only.
    let leave = format!(
        "List-Unsubscribe: <https://{domain}/v1/unsubscribe/AbCdEfGhIjKlMnOpQrStUv0123456789>,\r\n \
         <mailto:unsubscribe+AbCdEf@{domain}>\r\n"
    );
    assert!(mail.contains(&leave), "{mail}");
    for absent in ["Precedence", "Bcc", "Cc", "Sender", "Reply-To", "X-Mailer", "User-Agent"] {
        assert_eq!(header(&mail, absent), None, "{absent}");
    }
}

#[test]
fn a_first_mail_refers_to_none_and_one_without_a_mailbox_can_be_left_all_the_same() {
    let envelope = Envelope { unsubscribe_mailto: None, from_name: None, ..envelope(&all_clear()) };
    let mail = message(&rendered(&all_clear()), &envelope).unwrap();
    let mail = format!("\r\n{}", String::from_utf8(mail).unwrap());
    assert_eq!(header(&mail, "References"), None);
    assert_eq!(header(&mail, "In-Reply-To"), None);
    assert_eq!(header(&mail, "From"), Some("digest@keepstart.tarnvalley.example"));
    let leave = "<https://keepstart.tarnvalley.example/v1/unsubscribe/AbCdEfGhIjKlMnOpQrStUv0123456789>";
    assert_eq!(header(&mail, "List-Unsubscribe"), Some(leave));
}

#[test]
fn nobody_is_taken_off_a_list_without_tls() {
    let facts = example();
    let unsubscribe_url = WebAddress::parse("http://localhost:8080/v1/unsubscribe/x").unwrap();
    let found = message(&rendered(&facts), &Envelope { unsubscribe_url, ..envelope(&facts) });
    assert_eq!(found, Err(MailError::UnsubscribeNotHttps));
}

#[test]
fn plain_text_comes_first_and_the_picture_stands_beside_the_html() {
    for (name, facts) in all() {
        let (bytes, shown) = (mail(&facts), rendered(&facts));
        let parsed = parsed(&bytes);
        // RFC 2046 section 5.1.4: the plainest part first.
        let top = parsed.content_type().unwrap();
        assert_eq!((top.ctype(), top.subtype()), ("multipart", Some("alternative")), "{name}");
        let PartType::Multipart(parts) = &parsed.parts[0].body else { panic!("{name}: one part") };
        let kind = |part: u32| {
            let kind = parsed.parts[usize::try_from(part).unwrap()].content_type().unwrap().clone();
            format!("{}/{}", kind.ctype(), kind.subtype().unwrap())
        };
        let kinds: Vec<String> = parts.iter().map(|part| kind(*part)).collect();
        let second = if shown.picture.is_some() { "multipart/related" } else { "text/html" };
        assert_eq!(kinds, ["text/plain", second], "{name}");
        assert_eq!(parsed.body_text(0).unwrap().replace("\r\n", "\n"), shown.text, "{name}");
        assert_eq!(parsed.body_html(0).unwrap().replace("\r\n", "\n"), shown.html, "{name}");
        let pictures: Vec<_> = parsed.attachments().collect();
        assert_eq!(pictures.len(), usize::from(shown.picture.is_some()), "{name}");
        if let Some(picture) = &shown.picture {
            assert_eq!(pictures[0].contents(), picture.png, "{name}");
            assert_eq!(pictures[0].content_id(), Some(picture.content_id.as_str()), "{name}");
            assert_eq!(pictures[0].content_disposition().unwrap().ctype(), "inline", "{name}");
            assert!(shown.html.contains(&format!("src=\"cid:{}\"", picture.content_id)), "{name}");
        }
        assert_eq!(shown.picture.is_some(), shown.html.contains("<img"), "{name}");
    }
}

#[test]
fn one_sender_writes_to_one_recipient() {
    let bytes = mail(&coordinator());
    let parsed = parsed(&bytes);
    let one = |addresses: Option<&Addresses<'_>>| {
        let list: Vec<Addr<'_>> = addresses.unwrap().clone().into_list();
        assert_eq!(list.len(), 1, "{list:?}");
        (list[0].name().map(str::to_owned), list[0].address().unwrap().to_owned())
    };
    let (name, from) = one(parsed.from());
    assert_eq!(
        (name.as_deref(), from.as_str()),
        (Some("Keepstart Tarn Valley"), "digest@keepstart.tarnvalley.example")
    );
    assert_eq!(one(parsed.to()), (None, "duty@tarnvalley.example".to_owned()));
    assert_eq!(
        parsed.date().unwrap().to_timestamp(),
        Instant::parse("2025-09-11T12:00:00Z").unwrap().micros() / 1_000_000
    );
    assert!(matches!(parsed.header("List-Id"), Some(HeaderValue::Address(_) | HeaderValue::Text(_))));
}

#[test]
fn a_retry_has_the_same_bytes() {
    for (name, facts) in all() {
        assert_eq!(mail(&facts), mail(&facts), "{name}");
    }
    // Another recipient gets other boundaries, and the same message id.
    let facts = example();
    let other = Envelope { to: report::digest::Address::parse("b@example.org").unwrap(), ..envelope(&facts) };
    let other = message(&rendered(&facts), &other).unwrap();
    let boundary = |bytes: &[u8]| {
        let text = String::from_utf8(bytes.to_vec()).unwrap();
        text.split("boundary=\"").nth(1).unwrap().split('"').next().unwrap().to_owned()
    };
    assert_ne!(boundary(&other), boundary(&mail(&facts)));
    assert_eq!(parsed(&other).message_id(), parsed(&mail(&facts)).message_id());
}

#[test]
fn ids_that_were_kept_are_read_again() {
    let id = envelope(&example()).message_id;
    assert_eq!(MessageId::parse(id.as_str()), Ok(id));
    assert_eq!(MessageId::parse("a@b\r\nBcc: c@d"), Err(AddressError::MessageId));
}

#[test]
fn the_hash_is_of_the_lines_that_are_told() {
    let facts = coordinator();
    let mut other = facts.clone();
    other.sites.reverse();
    other.sites.iter_mut().for_each(|site| site.lines.retain(|line| line.state != State::Ok));
    assert_eq!(facts.lines_hash(), other.lines_hash());
    other.sites[0].lines.pop();
    assert_ne!(facts.lines_hash(), other.lines_hash());
}
