//! Laws that hold for any digest.

use std::collections::BTreeSet;

use model::{Label, LocalDate};
use proptest::prelude::*;
use report::digest::*;

use crate::{
    fixture::{all, day, days, envelope, hours, line, nothing, site, task, unit},
    read::{parsed, rendered, shown, words},
};

/// Any label that the wire takes, and much of what it should not have taken.
fn label() -> impl Strategy<Value = Label> {
    let nasty = prop::sample::select(vec![
        "<b>",
        "&amp;",
        "=?utf-8?b?QmNj?=",
        "{{7*7}}",
        "\u{200f}",
        "\u{feff}",
        "\u{2028}",
        "\u{1f525}",
        "|",
        ",",
        "\"",
        "'",
        ".",
        "%0a",
        "@",
        ";",
        "\u{e9}\u{301}",
        "]",
        "(",
        "\\",
        "--digest",
        "https://x.example/",
    ]);
    let piece = prop_oneof![4 => "[a-zA-Z0-9 ]{1,8}", 3 => nasty.prop_map(str::to_owned), 2 => "\\PC{1,12}", 1 => "[a-z]{60}"];
    prop::collection::vec(piece, 1..8)
        .prop_map(|pieces| pieces.concat().trim().chars().take(200).collect::<String>())
        .prop_filter_map("no label", |text| Label::parse(text.trim()).ok())
}

fn state() -> impl Strategy<Value = State> {
    prop::sample::select(vec![
        State::Ok,
        State::ComingDue,
        State::Due,
        State::Overdue,
        State::Deferred,
        State::Suspended,
        State::NotApplicable,
        State::Unknown,
    ])
}

fn a_day() -> impl Strategy<Value = LocalDate> {
    (-400..400_i32).prop_map(|days| day("2025-09-11").plus_days(days))
}

prop_compose! {
    fn a_line()(name in label(), title in label(), state in state(), number in 0..9_u128, used in 0..20_000_i64,
        axes in 0..4_u8, late in -40_000..40_000_i64, width in 0..3_000_i64, due in a_day(),
        since in prop::option::of(a_day())) -> Line {
        let unit = UnitRef { label: name, ..unit(number, "U") };
        let task = TaskRef { title, ..task("oil_change", "Oil") };
        Line {
            hours: hours(late, late + width, used).filter(|_| axes & 1 == 1),
            days: days(&due.to_string(), day("2025-09-11").days_since(due), used).filter(|_| axes & 2 == 2),
            since,
            reason: (state == State::Unknown).then_some(Reason::PossiblyDue),
            ..line(unit, task, state)
        }
    }
}

prop_compose! {
    fn a_digest()(names in prop::collection::vec((label(), prop::collection::vec(a_line(), 0..6)), 0..5),
        list in label(), organization in label(), clear in prop::collection::vec(label(), 0..4),
        heartbeat in any::<bool>(), counted in prop::option::of(0..99_u32), record in label()) -> Facts {
        let mut facts = nothing();
        facts.sites = names.into_iter().zip(0..).map(|((name, lines), number)| {
            SiteFacts { site: SiteRef { name, ..site(number, "S") }, lines }
        }).collect();
        facts.clear_sites = clear.into_iter().map(|name| SiteRef { name, ..site(50, "S") }).collect();
        let (site, unit) = (site(51, "S"), UnitRef { label: record, ..unit(52, "U") });
        let code = |code| crate::fixture::code(code);
        facts.quality = vec![
            QualityLine { site: site.clone(), unit: unit.clone(), code: code("quiet"), since: facts.local_date },
            QualityLine { site, unit, code: code("stop_missing"), since: facts.local_date },
        ];
        facts.list.name = list;
        facts.organization_name = organization;
        facts.heartbeat = heartbeat;
        facts.weeks[3].overdue = counted;
        facts
    }
}

/// The number at the head of a section, or what it says of none.
fn counted(text: &str, heading: &str) -> usize {
    let line = text.lines().find(|line| line.starts_with(heading));
    let Some((_, count)) = line.and_then(|line| line.rsplit_once('(')) else { return 0 };
    count.trim_end_matches(')').replace(',', "").parse().unwrap()
}

fn check_counts(facts: &Facts, mail: &Rendered) {
    let lines = || facts.sites.iter().flat_map(|site| &site.lines);
    let due_by = |line: &&Line| line.days.is_some_and(|axis| axis.due <= facts.due_by);
    let overdue = lines().filter(|line| line.state == State::Overdue).count();
    let due = lines().filter(|line| line.state == State::Due).count()
        + lines().filter(|line| line.state == State::ComingDue).filter(due_by).count();
    assert_eq!(counted(&mail.text, "Overdue, worst first ("), overdue);
    assert_eq!(counted(&mail.text, "Due this week, up to"), due);
    let said = |count: usize, what: &str| match count {
        0 => format!("nothing {what}"),
        _ => format!("{count} {what}"),
    };
    let both = format!("{}, {}", said(overdue, "overdue"), said(due, "due this week"));
    assert!(mail.subject.contains(&both), "{}: {both}", mail.subject);
    let body = words(&mail.text).join(" ").to_lowercase();
    assert!(body.contains(&words(&both).join(" ")), "{both}");
}

fn check_same_facts(mail: &Rendered) {
    let html = shown(&mail.html);
    let (mut links, mut text) = (Vec::new(), Vec::new());
    for word in words(&mail.text) {
        let is_link = word.starts_with("https://keepstart.tarnvalley.example/");
        if is_link { links.push(word) } else { text.push(word) }
    }
    assert_eq!(links, html.links);
    let text: BTreeSet<&String> = text.iter().filter(|word| !word.chars().all(|c| c == '-')).collect();
    let html: BTreeSet<&String> =
        html.words.iter().chain(&html.headings).filter(|w| !w.chars().all(|c| c == '-')).collect();
    let missing: Vec<_> = text.difference(&html).collect();
    assert!(missing.is_empty(), "in the text alone: {missing:?}");
    let headings = [
        "Unit", "task", "How", "late", "Next", "step", "Since", "when", "Why", "What", "Before", "and",
        "now", "By", "whom", "Until", "Brought", "before", "For", "how", "long", "Overdue", "Week", "of",
    ];
    let missing: Vec<_> = html.difference(&text).filter(|word| !headings.contains(&word.as_str())).collect();
    assert!(missing.is_empty(), "in the HTML alone: {missing:?}");
}

/// RFC 5322 section 2.1.1, and no bare line ends (RFC 5321 section 2.3.8).
fn check_lines(bytes: &[u8]) {
    assert!(bytes.is_ascii(), "a mail needs no server that takes more than ASCII");
    let text = std::str::from_utf8(bytes).unwrap();
    for line in text.split("\r\n") {
        assert!(line.len() <= 998, "{} octets", line.len());
        assert!(!line.contains(['\r', '\n', '\0']), "{line:?}");
    }
}

fn check_headers(bytes: &[u8]) {
    let mail = parsed(bytes);
    let mut names: Vec<String> = mail.headers().iter().map(|header| header.name().to_lowercase()).collect();
    names.sort_unstable();
    let expected = [
        "auto-submitted",
        "content-type",
        "date",
        "from",
        "in-reply-to",
        "list-id",
        "list-unsubscribe",
        "list-unsubscribe-post",
        "message-id",
        "mime-version",
        "references",
        "subject",
        "to",
    ];
    assert_eq!(names, expected);
    assert_eq!(mail.to().unwrap().clone().into_list().len(), 1);
    assert_eq!(mail.from().unwrap().clone().into_list().len(), 1);
}

fn check(facts: &Facts) {
    let mail = rendered(facts);
    assert!(mail.subject.chars().count() <= 78, "{}", mail.subject);
    assert!(!mail.subject.contains(|c: char| c.is_control()), "{:?}", mail.subject);
    check_counts(facts, &mail);
    check_same_facts(&mail);
    let envelope = Envelope { from_name: Some(facts.list.name.to_string()), ..envelope(facts) };
    let bytes = message(&mail, &envelope).unwrap();
    check_lines(&bytes);
    check_headers(&bytes);
    let read = parsed(&bytes);
    assert_eq!(read.subject(), Some(mail.subject.as_str()));
    assert_eq!(read.body_text(0).unwrap().replace("\r\n", "\n"), mail.text);
    assert_eq!(read.body_html(0).unwrap().replace("\r\n", "\n"), mail.html);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 100, ..ProptestConfig::default() })]

    #[test]
    fn any_digest_is_one_sound_mail(facts in a_digest()) {
        check(&facts);
    }

    #[test]
    fn the_order_of_sites_and_lines_makes_no_difference(facts in a_digest()) {
        let mut turned = facts.clone();
        turned.sites.reverse();
        for site in &mut turned.sites {
            site.lines.reverse();
        }
        prop_assert_eq!(rendered(&facts).subject, rendered(&turned).subject);
        prop_assert_eq!(subject(&facts), rendered(&facts).subject);
    }
}

#[test]
fn so_are_those_that_are_kept() {
    for (_, facts) in all().into_iter().filter(|(name, _)| *name != "all_clear") {
        let mail = rendered(&facts);
        check_counts(&facts, &mail);
        check_same_facts(&mail);
        let bytes = message(&mail, &envelope(&facts)).unwrap();
        check_lines(&bytes);
        check_headers(&bytes);
    }
}
