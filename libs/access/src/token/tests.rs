use data_encoding::{BASE64, BASE64URL};
use jsonwebtoken::{Algorithm, EncodingKey};
use model::{OrganizationId, PersonId};
use proptest::prelude::*;
use serde_json::json;

use super::*;
use crate::{
    claims::{Audience, ClientId, Issuer, TokenId},
    keys,
};

const ISSUER: &str = "https://tarn.example";
const AUDIENCE: &str = "keepstart";
const PERSON: &str = "019a0b5e-7c00-7000-8000-000000000002";
const ORGANIZATION: &str = "019a0b5e-7c00-7000-8000-000000000001";
/// 2026-11-02T15:00:00Z.
const NOW: i64 = 1_793_631_600;

fn at(seconds: i64) -> Instant {
    Instant::FIRST.plus_seconds(seconds)
}

fn key() -> SigningKey {
    SigningKey::from_seed(&[7; 32]).unwrap()
}

fn ring() -> KeyRing {
    let set = keys::jwks([key().public()]).to_string();
    KeyRing::from_jwks(Issuer::parse(ISSUER).unwrap(), Audience::parse(AUDIENCE).unwrap(), &set).unwrap()
}

fn claims() -> Claims {
    Claims {
        issuer: Issuer::parse(ISSUER).unwrap(),
        audience: Audience::parse(AUDIENCE).unwrap(),
        subject: PersonId::parse(PERSON).unwrap(),
        organization: OrganizationId::parse(ORGANIZATION).unwrap(),
        client_id: ClientId::parse("handset").unwrap(),
        token_id: TokenId::parse("t-1").unwrap(),
        issued_at: at(NOW),
        expires_at: at(NOW + 3600),
    }
}

fn header_text() -> String {
    json!({"alg": "EdDSA", "typ": "at+jwt", "kid": key().public().kid()}).to_string()
}

fn claims_text() -> String {
    claims().to_value().to_string()
}

/// A token of exactly these texts, well signed.
fn token(header: &str, payload: &str) -> String {
    let encode = |text: &str| BASE64URL_NOPAD.encode(text.as_bytes());
    let message = format!("{}.{}", encode(header), encode(payload));
    let signature = key().sign(message.as_bytes()).unwrap();
    format!("{message}.{}", BASE64URL_NOPAD.encode(&signature))
}

/// The header with members set, or removed by null.
fn header(changes: Value) -> String {
    changed(&header_text(), changes)
}

/// The claims with members set, or removed by null.
fn payload(changes: Value) -> String {
    changed(&claims_text(), changes)
}

fn changed(text: &str, changes: Value) -> String {
    let mut members = serde_json::from_str::<Map<String, Value>>(text).unwrap();
    for (name, value) in changes.as_object().unwrap() {
        members.remove(name);
        if !value.is_null() {
            members.insert(name.clone(), value.clone());
        }
    }
    Value::Object(members).to_string()
}

fn refused(name: &str, token: &str, expected: TokenError) {
    assert_eq!(verify(&ring(), token, at(NOW)), Err(expected), "{name}: {token:.300}");
}

#[test]
fn a_token_says_what_was_signed() {
    let bearer = sign(&key(), &claims()).unwrap();
    assert_eq!(verify(&ring(), &bearer, at(NOW)), Ok(claims()));
    assert_eq!(bearer, token(&header_text(), &claims_text()));
}

#[test]
fn what_rfc_9068_and_7519_leave_open_is_accepted() {
    let cases = [
        ("long type", token(&header(json!({"typ": "application/at+jwt"})), &claims_text())),
        ("type in capitals", token(&header(json!({"typ": "AT+JWT"})), &claims_text())),
        ("unknown header", token(&header(json!({"x5t": "AAAA"})), &claims_text())),
        ("unknown claims", token(&header_text(), &payload(json!({"scope": "x", "roles": ["admin"]})))),
        ("blanks in the JSON", token(&header_text(), &claims_text().replace(',', ",\r\n "))),
        ("nbf now", token(&header_text(), &payload(json!({"nbf": NOW})))),
    ];
    for (name, token) in cases {
        assert_eq!(verify(&ring(), &token, at(NOW)), Ok(claims()), "{name}");
    }
}

/// D10, D11: the algorithm is ours, whatever the header says.
#[test]
fn algorithms() {
    for alg in ["none", "None", "nOnE", "NONE", "HS256", "RS256", "ES256", "eddsa", "Ed25519", "EdDSA ", ""] {
        let header = header(json!({"alg": alg}));
        refused(alg, &token(&header, &claims_text()), TokenError::Algorithm);
        let unsigned = token(&header, &claims_text());
        let unsigned = format!("{}.", unsigned.rsplit_once('.').unwrap().0);
        refused(alg, &unsigned, TokenError::Algorithm);
    }
    for alg in [json!(null), json!(["EdDSA"]), json!(7), json!({})] {
        let header = header(json!({"alg": alg}));
        refused("another form", &token(&header, &claims_text()), TokenError::Algorithm);
    }

    // An HMAC made with the bytes of the public key, which everybody knows.
    let secret = BASE64URL_NOPAD.decode(key().public().to_jwk()["x"].as_str().unwrap().as_bytes()).unwrap();
    for secret in
        [EncodingKey::from_secret(&secret), EncodingKey::from_secret(key().public().kid().as_bytes())]
    {
        for alg in ["HS256", "EdDSA"] {
            let message = token(&header(json!({"alg": alg})), &claims_text());
            let message = message.rsplit_once('.').unwrap().0;
            let mac = jsonwebtoken::crypto::sign(message.as_bytes(), &secret, Algorithm::HS256).unwrap();
            let expected = if alg == "HS256" { TokenError::Algorithm } else { TokenError::Signature };
            refused(alg, &format!("{message}.{mac}"), expected);
        }
    }

    // RFC 7515 appendix A.1: a good HS256 token of another world.
    let rfc_7515 = "eyJ0eXAiOiJKV1QiLA0KICJhbGciOiJIUzI1NiJ9.\
        eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcGxlLmNvbS9pc19yb290Ijp0cnVlfQ.\
        dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk";
    refused("RFC 7515 A.1", rfc_7515, TokenError::Algorithm);
    // RFC 8037 appendix A.4: well signed, but of no type.
    let rfc_8037 = "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc.\
        hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg";
    refused("RFC 8037 A.4", rfc_8037, TokenError::Type);
}

/// D10: a signature that is none, or another's.
#[test]
fn signatures() {
    let good = sign(&key(), &claims()).unwrap();
    let (message, signature) = good.rsplit_once('.').unwrap();
    refused("empty", &format!("{message}."), TokenError::Signature);
    refused("short", &format!("{message}.AAAA"), TokenError::Signature);
    refused("zeros", &format!("{message}.{}", BASE64URL_NOPAD.encode(&[0; 64])), TokenError::Signature);
    refused("doubled", &format!("{message}.{signature}AAAA"), TokenError::Signature);

    let other = SigningKey::from_seed(&[8; 32]).unwrap();
    let forged = BASE64URL_NOPAD.encode(&other.sign(message.as_bytes()).unwrap());
    refused("another key", &format!("{message}.{forged}"), TokenError::Signature);
    refused("another key by its own name", &sign(&other, &claims()).unwrap(), TokenError::UnknownKey);

    let raised = BASE64URL_NOPAD.encode(payload(json!({"sub": ORGANIZATION})).as_bytes());
    let header = message.split_once('.').unwrap().0;
    refused("another payload", &format!("{header}.{raised}.{signature}"), TokenError::Signature);
}

/// D12: a key id is looked up and does nothing else.
#[test]
fn key_ids() {
    let cases = [
        (json!("../../dev/null"), TokenError::UnknownKey),
        (json!("' OR 1=1 --"), TokenError::UnknownKey),
        (json!("https://evil.example/jwks.json"), TokenError::UnknownKey),
        (json!("unknown"), TokenError::UnknownKey),
        (json!(format!("{} ", key().public().kid())), TokenError::UnknownKey),
        (json!("k".repeat(128)), TokenError::UnknownKey),
        (json!("k".repeat(129)), TokenError::KeyId),
        (json!("k".repeat(10_240)), TokenError::TooLong),
        (json!("nul\0"), TokenError::Json("header")),
        (json!(""), TokenError::KeyId),
        (json!(null), TokenError::KeyId),
        (json!(7), TokenError::KeyId),
        (json!([key().public().kid()]), TokenError::KeyId),
    ];
    for (kid, expected) in cases {
        refused("kid", &token(&header(json!({"kid": kid})), &claims_text()), expected);
    }
}

/// D13: a header that brings its own key or rules.
#[test]
fn headers() {
    let jwk = SigningKey::from_seed(&[8; 32]).unwrap().public().to_jwk();
    let cases = [
        ("jku", json!("https://evil.example/jwks.json")),
        ("x5u", json!("https://evil.example/cert.pem")),
        ("jwk", jwk),
        ("x5c", json!(["AAAA"])),
        ("crit", json!(["exp"])),
        ("crit", json!([])),
        ("b64", json!(false)),
        ("zip", json!("DEF")),
        ("enc", json!("A256GCM")),
    ];
    for (name, value) in cases {
        refused(name, &token(&header(json!({name: value})), &claims_text()), TokenError::Header(name));
    }
}

/// D14: times are whole seconds, within the leeway, and bounded.
#[test]
fn times() {
    let raw = |name: &str, text: &str| {
        let payload = payload(json!({name: null}));
        format!("{},\"{name}\":{text}}}", payload.strip_suffix('}').unwrap())
    };
    let exp = TokenError::Claim("exp");
    let cases = [
        ("expired", payload(json!({"iat": NOW - 3600, "exp": NOW - 61})), TokenError::Expired),
        ("expired at the leeway", payload(json!({"iat": NOW - 3600, "exp": NOW - 60})), TokenError::Expired),
        ("no exp", payload(json!({"exp": null})), exp),
        ("exp null", raw("exp", "null"), exp),
        ("exp text", raw("exp", &format!("\"{}\"", NOW + 60)), exp),
        ("exp float", raw("exp", &format!("{}.5", NOW + 60)), exp),
        ("exp whole float", raw("exp", &format!("{}.0", NOW + 60)), exp),
        ("exp exponent", raw("exp", "1.79e9"), exp),
        ("exp huge", raw("exp", "1e400"), exp),
        ("exp beyond i64", raw("exp", "9223372036854775808"), exp),
        ("exp at the end of i64", raw("exp", "9223372036854775807"), exp),
        ("exp after 2200", raw("exp", "7258118400"), exp),
        ("exp negative", raw("exp", "-1"), exp),
        ("exp true", raw("exp", "true"), exp),
        ("exp NaN", raw("exp", "NaN"), TokenError::Json("payload")),
        ("no iat", payload(json!({"iat": null})), TokenError::Claim("iat")),
        ("iat text", raw("iat", "\"0\""), TokenError::Claim("iat")),
        ("iat ahead", payload(json!({"iat": NOW + 61})), TokenError::IssuedAhead),
        (
            "iat far ahead",
            payload(json!({"iat": 7_000_000_000_i64, "exp": 7_000_000_060_i64})),
            TokenError::IssuedAhead,
        ),
        ("nbf ahead", payload(json!({"nbf": NOW + 61})), TokenError::NotYet),
        ("nbf text", payload(json!({"nbf": "0"})), TokenError::Claim("nbf")),
        ("nbf huge", raw("nbf", "1e400"), TokenError::Claim("nbf")),
        ("too long a life", payload(json!({"exp": NOW + 86_401})), TokenError::Lifetime),
        ("no life", payload(json!({"exp": NOW})), TokenError::Lifetime),
        ("ends before it begins", payload(json!({"iat": NOW + 5, "exp": NOW + 1})), TokenError::Lifetime),
    ];
    for (name, payload, expected) in cases {
        refused(name, &token(&header_text(), &payload), expected);
    }
}

#[test]
fn the_edges_of_the_leeway() {
    let bearer = token(&header_text(), &payload(json!({"nbf": NOW + 30})));
    let edge = |seconds: i64, micros: i64| Instant::from_micros((NOW + seconds) * 1_000_000 + micros);
    let cases = [
        ("iat, a moment too early", edge(-60, -1), Some(TokenError::IssuedAhead)),
        ("iat, a leeway early", edge(-60, 0), Some(TokenError::NotYet)),
        ("nbf, a moment too early", edge(-30, -1), Some(TokenError::NotYet)),
        ("nbf, a leeway early", edge(-30, 0), None),
        ("exp", edge(3600, 0), None),
        ("exp, the last moment of the leeway", edge(3660, -1), None),
        ("exp, a leeway late", edge(3660, 0), Some(TokenError::Expired)),
        ("exp, past the leeway", edge(3661, 0), Some(TokenError::Expired)),
    ];
    for (name, now, expected) in cases {
        assert_eq!(verify(&ring(), &bearer, now).err(), expected, "{name}");
    }
    let day = Claims { expires_at: at(NOW + LONGEST_LIFE_SECONDS), ..claims() };
    assert_eq!(verify(&ring(), &sign(&key(), &day).unwrap(), at(NOW)), Ok(day));
}

/// D15: who it is from, who it is for.
#[test]
fn sources() {
    let aud = TokenError::Claim("aud");
    let iss = TokenError::Issuer;
    let cases = [
        (json!({"iss": "https://tarn.example/"}), iss),
        (json!({"iss": "https://TARN.example"}), iss),
        (json!({"iss": "http://tarn.example"}), iss),
        (json!({"iss": "https://tarn.example.evil.example"}), iss),
        (json!({"iss": "https://t\u{430}rn.example"}), TokenError::Claim("iss")),
        (json!({"iss": null}), TokenError::Claim("iss")),
        (json!({"iss": [ISSUER]}), TokenError::Claim("iss")),
        (json!({"aud": "another"}), TokenError::Audience),
        (json!({"aud": "keepstart "}), TokenError::Audience),
        (json!({"aud": ""}), aud),
        (json!({"aud": null}), aud),
        (json!({"aud": ["another"]}), aud),
        (json!({"aud": [AUDIENCE, "another"]}), aud),
        (json!({"aud": [AUDIENCE]}), aud),
        (json!({"aud": {"keepstart": true}}), aud),
        (json!({"sub": null}), TokenError::Claim("sub")),
        (json!({"sub": "ranger"}), TokenError::Claim("sub")),
        (json!({"sub": "00000000-0000-0000-0000-000000000000"}), TokenError::Claim("sub")),
        (json!({"organization": null}), TokenError::Claim("organization")),
        (json!({"organization": "tarn-valley"}), TokenError::Claim("organization")),
        (json!({"client_id": null}), TokenError::Claim("client_id")),
        (json!({"client_id": "c".repeat(256)}), TokenError::Claim("client_id")),
        (json!({"jti": null}), TokenError::Claim("jti")),
        (json!({"jti": ""}), TokenError::Claim("jti")),
        (json!({"jti": 7}), TokenError::Claim("jti")),
        (json!({"jti": "line\nbreak"}), TokenError::Claim("jti")),
        (json!({"cnf": {"jkt": "AAAA"}}), TokenError::Bound),
    ];
    for (changes, expected) in cases {
        refused(&changes.to_string(), &token(&header_text(), &payload(changes.clone())), expected);
    }
}

/// D15: another organization's identity provider.
#[test]
fn an_issuer_speaks_for_its_own_organization() {
    let bearer = sign(&key(), &claims()).unwrap();
    let own = ring().only_for(OrganizationId::parse(ORGANIZATION).unwrap());
    let other = ring().only_for(OrganizationId::parse(PERSON).unwrap());
    assert_eq!(verify(&own, &bearer, at(NOW)), Ok(claims()));
    assert_eq!(verify(&other, &bearer, at(NOW)), Err(TokenError::Organization));
}

/// D16: tokens of other kinds by the same issuer.
#[test]
fn types() {
    for typ in ["JWT", "jwt", "id+jwt", "rt+jwt", "logout+jwt", "at+jwt;x=y", " at+jwt", "text/at+jwt", ""] {
        refused(typ, &token(&header(json!({"typ": typ})), &claims_text()), TokenError::Type);
    }
    for typ in [json!(null), json!(["at+jwt"]), json!(1)] {
        refused("another form", &token(&header(json!({"typ": typ})), &claims_text()), TokenError::Type);
    }
}

/// D17: what is hardly a token.
#[test]
fn forms() {
    let good = sign(&key(), &claims()).unwrap();
    let [header, body, signature] = good.split('.').collect::<Vec<_>>()[..] else { panic!("three parts") };
    let twice = |text: &str, member: &str| format!("{},{member}}}", text.strip_suffix('}').unwrap());
    let encode = |bytes: &[u8]| BASE64URL_NOPAD.encode(bytes);

    let cases = [
        ("empty", String::new(), TokenError::Parts),
        ("one part", header.to_owned(), TokenError::Parts),
        ("two parts", format!("{header}.{body}"), TokenError::Parts),
        ("four parts", format!("{good}."), TokenError::Parts),
        ("JWE, five parts", format!("{header}.{body}.{body}.{body}.{signature}"), TokenError::Parts),
        ("dots", "..".to_owned(), TokenError::Json("header")),
        ("garbage", "a.b.c".to_owned(), TokenError::Encoding("header")),
        ("garbage that decodes", "AAAA.AAAA.AAAA".to_owned(), TokenError::Json("header")),
        ("blank before", format!(" {good}"), TokenError::Encoding("header")),
        ("blank after", format!("{good} "), TokenError::Encoding("signature")),
        ("line end", format!("{good}\n"), TokenError::Encoding("signature")),
        ("scheme", format!("Bearer {good}"), TokenError::Encoding("header")),
        ("blank within", format!("{header}. {body}.{signature}"), TokenError::Signature),
        ("NUL", format!("{good}\0"), TokenError::Encoding("signature")),
        ("not ASCII", format!("é{good}"), TokenError::Encoding("header")),
        ("padded header", format!("{header}==.{body}.{signature}"), TokenError::Encoding("header")),
        ("padded signature", format!("{good}=="), TokenError::Encoding("signature")),
        (
            "member twice",
            token(&twice(&header_text(), r#""alg":"EdDSA""#), &claims_text()),
            TokenError::Json("header"),
        ),
        (
            "claim twice",
            token(&header_text(), &twice(&claims_text(), r#""sub":"x""#)),
            TokenError::Json("payload"),
        ),
        (
            "claim twice by an escape",
            token(&header_text(), &twice(&claims_text(), r#""\u0073ub":"x""#)),
            TokenError::Json("payload"),
        ),
        ("NUL in a claim", token(&header_text(), &payload(json!({"x": "\0"}))), TokenError::Json("payload")),
        ("header no object", token("[]", &claims_text()), TokenError::Json("header")),
        ("payload no object", token(&header_text(), "7"), TokenError::Json("payload")),
        ("payload empty", token(&header_text(), ""), TokenError::Json("payload")),
        (
            "payload and more",
            token(&header_text(), &format!("{}{{}}", claims_text())),
            TokenError::Json("payload"),
        ),
        ("deep payload", token(&header_text(), &"[".repeat(4000)), TokenError::Json("payload")),
        (
            "header not UTF-8",
            format!("{}.{body}.{signature}", encode(b"{\"alg\":\"\xff\"}")),
            TokenError::Json("header"),
        ),
        (
            "header with a BOM",
            token(&format!("\u{feff}{}", header_text()), &claims_text()),
            TokenError::Json("header"),
        ),
        ("too long", format!("{good}{}", "A".repeat(8192)), TokenError::TooLong),
        (
            "too long, well signed",
            token(&header_text(), &payload(json!({"x": "x".repeat(8000)}))),
            TokenError::TooLong,
        ),
    ];
    for (name, token, expected) in cases {
        refused(name, &token, expected);
    }
    let standard = BASE64.encode(&BASE64URL_NOPAD.decode(signature.as_bytes()).unwrap());
    refused("plain base64", &format!("{header}.{body}.{standard}"), TokenError::Encoding("signature"));
    let length = claims_text().len();
    let padded = BASE64URL.encode(format!("{:<1$}", claims_text(), length + 2 - (length + 1) % 3).as_bytes());
    assert!(padded.ends_with('='));
    let message = format!("{header}.{padded}");
    let signature = encode(&key().sign(message.as_bytes()).unwrap());
    refused("padded payload", &format!("{message}.{signature}"), TokenError::Encoding("payload"));
}

/// One token has one text: the last character of a signature has four bits to spare.
#[test]
fn stray_bits() {
    let good = sign(&key(), &claims()).unwrap();
    let last = good.chars().last().unwrap();
    for c in "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_".chars().filter(|c| *c != last)
    {
        let other = format!("{}{c}", good.strip_suffix(last).unwrap());
        assert!(verify(&ring(), &other, at(NOW)).is_err(), "{c}");
    }
}

#[test]
fn the_longest_token_is_taken() {
    let with = |length: usize| token(&header_text(), &payload(json!({"x": "x".repeat(length)})));
    let most = (5000..6000).rev().find(|length| with(*length).len() <= LONGEST_TOKEN).unwrap();
    assert_eq!(verify(&ring(), &with(most), at(NOW)), Ok(claims()));
    assert_eq!(verify(&ring(), &with(most + 2), at(NOW)), Err(TokenError::TooLong));
}

#[test]
fn no_token_is_made_that_would_not_be_taken() {
    for (from, to) in [(0, 0), (0, -1), (0, LONGEST_LIFE_SECONDS + 1)] {
        let claims = Claims { issued_at: at(NOW + from), expires_at: at(NOW + to), ..claims() };
        assert_eq!(sign(&key(), &claims), Err(SignError::Lifetime));
    }
    let micros = |micros| Instant::from_micros(NOW * 1_000_000 + micros);
    let claims = Claims { issued_at: micros(900_000), expires_at: micros(1_000_000), ..claims() };
    let found = verify(&ring(), &sign(&key(), &claims).unwrap(), at(NOW)).unwrap();
    assert_eq!((found.issued_at, found.expires_at), (at(NOW), at(NOW + 1)));
}

#[test]
fn a_reason_repeats_nothing_of_the_token() {
    let secret = "not-for-the-log";
    let cases = [
        header(json!({"kid": secret})),
        header(json!({"alg": secret})),
        header(json!({"typ": secret})),
        header(json!({"jku": secret})),
    ];
    for header in cases {
        let error = verify(&ring(), &token(&header, &claims_text()), at(NOW)).unwrap_err();
        assert!(!format!("{error} {error:?}").contains(secret), "{error}");
    }
}

proptest! {
    #[test]
    fn no_text_is_a_token(text in "\\PC{0,200}", parts in proptest::array::uniform3("[A-Za-z0-9_-]{0,60}")) {
        prop_assert!(verify(&ring(), &text, at(NOW)).is_err());
        prop_assert!(verify(&ring(), &parts.join("."), at(NOW)).is_err());
    }

    #[test]
    fn a_changed_token_is_refused(place in 0usize..400, c in "[A-Za-z0-9._-]") {
        let good = sign(&key(), &claims()).unwrap();
        let place = place % good.len();
        let changed = format!("{}{c}{}", &good[..place], &good[place + 1..]);
        if changed != good {
            prop_assert!(verify(&ring(), &changed, at(NOW)).is_err());
        }
    }
}
