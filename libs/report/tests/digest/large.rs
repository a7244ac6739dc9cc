//! A fleet on its worst day.

use report::digest::*;

use crate::{
    fixture::{code, days, envelope, label, line, nothing, site, task, unit},
    read::{parsed, rendered, shown},
};

/// 1,000 sites of 100 items each, all overdue, and as much of everything else.
pub(crate) fn worst_day() -> Facts {
    let mut facts = nothing();
    let title = task("oil_change", "Change the engine oil");
    facts.sites = (0..1_000_u128)
        .map(|number| {
            let late = i32::try_from(number).unwrap();
            let one = |item: u128| Line {
                days: days("2025-09-10", late, i64::from(late) * 100 + i64::try_from(item).unwrap()),
                ..line(unit(number * 100 + item, &format!("U{item}")), title.clone(), State::Overdue)
            };
            SiteFacts { site: site(number, &format!("Site {number}")), lines: (0..100).map(one).collect() }
        })
        .collect();
    let place = site(5, "Site 5");
    let item = |number| ItemRef { site: place.clone(), unit: unit(number, "U"), task: title.clone() };
    facts.changed.lines = (0..1_500)
        .map(|number| ChangedLine {
            item: item(number),
            before: Some(State::Due),
            after: Some(State::Overdue),
            why: Why::TimePassed,
        })
        .collect();
    facts.quality = (0..1_500)
        .map(|number| QualityLine {
            site: place.clone(),
            unit: unit(number, "U"),
            code: code(if number % 2 == 0 { "quiet" } else { "stale_reading" }),
            since: facts.local_date,
        })
        .collect();
    facts.clear_sites = (0..1_434).map(|number| site(number, &format!("Clear {number}"))).collect();
    facts
}

#[test]
fn sections_are_cut_short_and_counts_are_not() {
    let facts = worst_day();
    let mail = rendered(&facts);
    assert_eq!(mail.subject, "[Generators] 100,000 overdue, nothing due this week - worst: Site 999… +999 d");
    let html = mail.html.replace("<span class=\"day\">", "").replace("</span>", "");
    for text in [&mail.text, &html] {
        for said in [
            "Overdue, worst first (100,000)",
            "and 99,800 more",
            "Changed since the mail of 2025-09-10 (1,500)",
            "and 1,300 more",
            "Unknown and quiet (750)",
            "To put right in the records (750)",
            "and 550 more",
            "All clear (1,434): Clear 0,",
        ] {
            assert!(text.contains(said), "{said}");
        }
        assert!(text.contains("1,234 more."), "the sites are cut short too");
    }
    // The worst 200 are those of the last two sites, by the share used up.
    let overdue =
        mail.text.split("Overdue, worst first").nth(1).unwrap().split("Unknown and quiet").next().unwrap();
    let sites: Vec<_> = overdue.lines().filter(|line| line.starts_with("Site ")).collect();
    assert_eq!(sites, ["Site 999", "Site 998"]);
    assert_eq!(overdue.matches("Next step").count(), 200);
    assert!(overdue.find("U99, ").unwrap() < overdue.find("U98, ").unwrap());
    let rows = shown(&mail.html).tags.iter().filter(|tag| *tag == "tr").count();
    assert!(rows < 1_000, "{rows} rows");
    let bytes = message(&mail, &envelope(&facts)).unwrap();
    assert!(bytes.len() < 1_000_000, "{} bytes", bytes.len());
    assert_eq!(parsed(&bytes).subject(), Some(mail.subject.as_str()));
}

#[test]
fn long_lists_of_names_do_not_hide_an_item() {
    // One item that is worse than all others is the first, wherever it stands.
    let mut facts = worst_day();
    facts.sites[500].lines[50].days = days("2020-01-01", 2_080, i64::MAX);
    facts.sites[500].site.name = label("Hidden");
    let mail = rendered(&facts);
    let overdue = mail.text.split("Overdue, worst first").nth(1).unwrap();
    assert_eq!(overdue.lines().find(|line| line.starts_with(char::is_alphabetic)), Some("Hidden"));
    assert!(mail.subject.contains("worst: Hidden U… +2080 d"), "{}", mail.subject);
}
