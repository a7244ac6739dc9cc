//! What people type to make a mail say or do something else, and what becomes of it.

use std::collections::BTreeSet;

use model::Label;
use report::digest::*;

use crate::{
    fixture::{coordinator, envelope, example, hours, label, line, nothing, site, task, unit},
    read::{parsed, rendered, shown},
};

/// Markup and templates (D61), as a note or a name may hold them.
pub(crate) const MARKUP: [&str; 16] = [
    "<img src=x onerror=alert(1)>",
    "<style>*{display:none}</style>",
    "<script>alert(1)</script>",
    "</td></tr></table><form action=https://x.example><input>",
    "\"><a href=\"https://x.example\">here</a>",
    "' onmouseover='alert(1)",
    "<!--",
    "]]>",
    "&lt;b&gt; &#60; &amp;",
    "{{7*7}}",
    "{% include \"digest.html\" %}",
    "{# #} ${7*7} <%= 7*7 %> #{7*7}",
    "[all is well](https://x.example)",
    "![x](https://x.example/pixel.png)",
    "javascript:alert(1)",
    "data:text/html;base64,PHNjcmlwdD4=",
];

/// A digest in which every name is that one.
pub(crate) fn named(name: &str) -> Facts {
    let name = label(name);
    let mut facts = coordinator();
    let sites = facts.sites.iter_mut().map(|facts| &mut facts.site);
    for site in sites.chain(&mut facts.clear_sites) {
        site.name = name.clone();
    }
    for line in facts.sites.iter_mut().flat_map(|site| &mut site.lines) {
        line.unit.label = name.clone();
        line.task.title = name.clone();
        line.task.schedule = Some(name.clone());
    }
    for line in &mut facts.changed.lines {
        line.item.unit.label = name.clone();
    }
    for line in &mut facts.acknowledged {
        line.by = Some(name.clone());
    }
    facts.out_of_service[0].site.name = name.clone();
    facts.quality[0].unit.label = name.clone();
    facts.escalated[0].item.task.title = name.clone();
    facts.organization_name = name.clone();
    facts.list.name = name;
    facts
}

#[test]
fn markup_and_templates_come_out_as_text() {
    let plain = shown(&rendered(&named("plain")).html);
    for name in MARKUP {
        let mail = rendered(&named(name));
        let found = shown(&mail.html);
        // Nothing is added to the structure, and no link leads elsewhere.
        assert_eq!(found.tags, plain.tags, "{name}");
        assert_eq!(found.links, plain.links, "{name}");
        let text = |words: &[String]| words.concat().replace(|c: char| c.is_ascii_punctuation(), "");
        let expected = text(&[name.replace(char::is_whitespace, "")]);
        assert!(text(&found.words).contains(&expected), "{name}: not in the HTML");
        assert!(
            text(&[mail.text.replace(char::is_whitespace, "")]).contains(&expected),
            "{name}: not in the text"
        );
        assert!(!mail.html.contains("49") && !mail.text.contains("49"), "{name}: computed");
    }
}

#[test]
fn html_holds_nothing_that_acts_or_calls_out() {
    let mail = rendered(&named("<script>\"'&"));
    let allowed = [
        "h1", "h2", "p", "a", "br", "span", "table", "thead", "tbody", "tr", "th", "td", "img", "body",
        "html",
    ];
    for tag in shown(&mail.html).tags {
        let name = tag.trim_start_matches('/').split(' ').next().unwrap();
        assert!(allowed.contains(&name), "{tag}");
        let attributes = tag.split(' ').skip(1).filter_map(|part| part.split_once('='));
        for (attribute, _) in attributes {
            let known = ["href", "class", "scope", "colspan", "src", "width", "height", "alt"];
            assert!(known.contains(&attribute), "{tag}");
        }
    }
    assert_eq!(mail.html.matches("src=").count(), 1);
    assert!(mail.html.contains("src=\"cid:weeks."));
    for word in ["url(", "@import", "http-equiv", "<link", "<iframe", "expression("] {
        assert!(!mail.html.contains(word), "{word}");
    }
}

#[test]
fn a_page_says_its_language_title_and_headings() {
    let html = rendered(&coordinator()).html;
    // WCAG 2.2: 3.1.1 language of page, 2.4.2 page titled, 1.3.1 info and relationships.
    assert!(html.starts_with("<!doctype html>\n<html lang=\"en\">"));
    assert!(html.contains("<title>[Generators] 3 overdue"));
    assert_eq!(html.matches("<h1>").count(), 1);
    let tags = shown(&html).tags;
    let cells = tags.iter().filter(|tag| tag.starts_with("th ") || *tag == "th");
    assert!(cells.clone().count() > 30);
    assert!(cells.clone().all(|tag| tag.contains("scope=")), "{tags:?}");
    let tables = tags.iter().filter(|tag| tag.starts_with("table")).count();
    assert_eq!(tags.iter().filter(|tag| *tag == "thead").count(), tables);
    assert!(tags.iter().filter(|tag| tag.starts_with("img")).all(|tag| tag.contains("alt=\"Bars")));
    // Light and dark, and no colour but those whose contrast is computed.
    assert!(html.contains("prefers-color-scheme: dark") && html.contains("content=\"light dark\""));
    let is_colour = |rest: &&str| rest.len() > 6 && rest[..6].bytes().all(|b| b.is_ascii_hexdigit());
    let colours: BTreeSet<&str> = html.split('#').filter(is_colour).map(|rest| &rest[..6]).collect();
    assert_eq!(colours.len(), 12, "{colours:?}");
}

/// Header injection (D62).
#[test]
fn names_stay_out_of_headers() {
    let names = [
        "Depot\r\nBcc: all@example.org",
        "Depot\nBcc: all@example.org",
        "Depot\rBcc: all@example.org",
        "Depot\u{2028}Bcc: all@example.org",
        "Depot\u{85}Bcc: all@example.org",
        "Depot\0",
        "Depot%0d%0aBcc: all@example.org",
        "Depot\r\n\r\n<html>",
        "\r\n.\r\nMAIL FROM:<a@example.org>",
        "\n.\nDATA",
        "=?utf-8?q?=0d=0aBcc:_all@example.org?=",
        "=?utf-8?B?QmNjOiBhbGxAZXhhbXBsZS5vcmc=?=",
        "Depot\u{202e}gro.elpmaxe@lla",
        "\"Chief\" <chief@example.org>",
        "Chief, all@example.org",
        "a: b@example.org; c",
        "\u{1f6a8} urgent \u{26a0}\u{fe0f}",
    ];
    let facts = example();
    for name in names {
        // A label refuses most of these; a header is as safe where one came in another way.
        let mut mail = rendered(&facts);
        mail.subject = format!("[{name}] 3 overdue");
        let envelope = Envelope { from_name: Some(name.to_owned()), ..envelope(&facts) };
        let bytes = message(&mail, &envelope).unwrap();
        let head = String::from_utf8(bytes.clone()).unwrap().split("\r\n\r\n").next().unwrap().to_owned();
        let parsed = parsed(&bytes);
        let names: Vec<_> = parsed.headers().iter().map(|header| header.name().to_owned()).collect();
        assert_eq!(names.len(), 13, "{name:?}: {names:?}");
        assert!(parsed.bcc().is_none(), "{name:?}");
        for header in ["Subject: ", "From: "] {
            let at = head.find(header).unwrap();
            assert!(head.is_ascii(), "{name:?}");
            assert!(!head[at..].contains("\r\nBcc"), "{name:?}");
        }
        let sender = parsed.from().unwrap().clone().into_list();
        assert_eq!(sender.len(), 1, "{name:?}");
        assert_eq!(sender[0].address(), Some("digest@keepstart.tarnvalley.example"), "{name:?}");
        let shown = format!("{} {}", parsed.subject().unwrap(), sender[0].name().unwrap_or_default());
        let is_hidden = |c: char| c.is_control() || matches!(c, '\u{202e}' | '\u{2028}' | '\u{1f6a8}');
        assert!(!shown.contains(is_hidden), "{name:?}: {shown:?}");
        assert!(!sender[0].name().unwrap_or_default().contains(['@', '<', '"']), "{name:?}");
    }
}

#[test]
fn an_encoded_word_of_a_name_is_shown_as_it_was_typed() {
    let mut facts = nothing();
    facts.list.name = label("=?utf-8?q?a?=");
    let mail = rendered(&facts);
    let bytes = message(&mail, &envelope(&facts)).unwrap();
    assert_eq!(parsed(&bytes).subject(), Some("[= ?utf-8?q?a?=] nothing overdue, nothing due this week"));
}

#[test]
fn long_names_leave_the_numbers_whole() {
    let long = "W".repeat(200);
    let wide = "\u{1d11e}".repeat(200);
    for name in [long, wide, "\u{4e2d}".repeat(200), "a b ".repeat(49)] {
        let name = Label::parse(name.trim()).unwrap();
        let mut facts = example();
        facts.list.name = name.clone();
        for facts in &mut facts.sites {
            facts.site.name = name.clone();
        }
        let mail = rendered(&facts);
        assert!(mail.subject.chars().count() <= 78, "{}", mail.subject);
        assert!(mail.subject.contains("] 3 overdue, 2 due this week - worst: "), "{}", mail.subject);
        assert!(mail.subject.ends_with("… +9.0 h"), "{}", mail.subject);
        let longest = mail.text.lines().map(str::len).max();
        assert!(longest.is_some_and(|octets| octets <= 998), "{longest:?}");
    }
}

#[test]
fn a_long_list_leaves_room_for_the_worst() {
    let mut facts = example();
    facts.list.name = label("Generators of the northern district");
    facts.sites.truncate(1);
    facts.sites[0].lines.truncate(1);
    assert_eq!(
        subject(&facts),
        "[Generators…] 1 overdue, nothing due this week - worst: PS-2 U2 load te… +11 d"
    );
}

#[test]
fn the_subject_tells_the_worst_at_a_glance() {
    let said = |facts: &Facts| subject(facts);
    // The worked example of the project, word for word.
    assert_eq!(said(&example()), "[Generators] 3 overdue, 2 due this week - worst: FS-3 U7 oil +9.0 h");
    assert_eq!(said(&nothing()), "[Generators] nothing overdue, nothing due this week");
    let still = "[Generators] still 3 overdue, 2 due this week - worst: FS-3 U7 oil +9.0 h";
    assert_eq!(said(&Facts { heartbeat: true, ..example() }), still);
    // What else stands at the head of the body is told where there is room, and before the worst item.
    assert_eq!(said(&coordinator()), "[Generators] 3 overdue, 2 due this week - worst: FS-3 U7 oil +9.0 h");
    let mut facts = nothing();
    facts.out_of_service = coordinator().out_of_service;
    assert_eq!(said(&facts), "[Generators] nothing overdue, nothing due this week, 1 out of service");
    // A range, and an item without any axis.
    let oil = |axis| Line { hours: axis, ..line(unit(7, "U7"), task("oil_change", "Oil"), State::Overdue) };
    let mut one = |line| {
        facts.out_of_service.clear();
        facts.sites = vec![SiteFacts { site: site(3, "FS-3"), lines: vec![line] }];
        said(&facts)
    };
    let head = "[Generators] 1 overdue, nothing due this week - worst: FS-3 U7 oil";
    assert_eq!(one(oil(hours(350, 900, 1))), format!("{} +3.5 to 9.0 h", head.replace(" oil", "…")));
    assert_eq!(one(oil(None)), head);
}
