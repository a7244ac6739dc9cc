use super::*;

/// What is read, or the code of what is wrong with what to write instead.
type Expected = Result<&'static str, (&'static str, Option<&'static str>)>;

fn dates(orders: &[&str], zone: Option<&str>) -> Dates {
    let order = |word: &&str| ORDERS.iter().find(|(known, _)| known == word).unwrap().1;
    Dates { orders: orders.iter().map(order).collect(), zone: zone.map(|name| TimeZone::get(name).unwrap()) }
}

#[test]
fn what_is_written_and_what_is_read() {
    let iso: &[&str] = &["Y-M-D"];
    let dotted: &[&str] = &["D.M.Y", "Y-M-D"];
    let both: &[&str] = &["D/M/Y", "M/D/Y"];
    let denver = Some("America/Denver");
    let cases: &[(&str, &[&str], Option<&str>, Expected)] = &[
        ("2026-08-01", iso, None, Ok("2026-08-01")),
        ("2026-8-1", iso, None, Ok("2026-08-01")),
        ("1.8.2026", dotted, None, Ok("2026-08-01")),
        ("01.08.2026", dotted, None, Ok("2026-08-01")),
        ("2026-08-01", dotted, None, Ok("2026-08-01")),
        ("1.8.2026", iso, None, Err(("invalid_date", Some("2026-08-01")))),
        ("3/4/2026", both, None, Err(("ambiguous_date", Some("2026-03-04 or 2026-04-03")))),
        ("3/4/2026", iso, None, Err(("ambiguous_date", Some("2026-03-04 or 2026-04-03")))),
        ("13/4/2026", both, None, Ok("2026-04-13")),
        ("4/13/2026", both, None, Ok("2026-04-13")),
        ("4/4/2026", both, None, Ok("2026-04-04")),
        ("3/4/2026", &["M/D/Y"], None, Ok("2026-03-04")),
        ("3/4/2026", &["D/M/Y"], None, Ok("2026-04-03")),
        ("1.8.26", dotted, None, Err(("ambiguous_date", None))),
        ("26-08-01", iso, None, Err(("ambiguous_date", None))),
        ("8/1/26", iso, None, Err(("ambiguous_date", None))),
        ("2025-02-29", iso, None, Err(("invalid_date", None))),
        ("31.4.2026", dotted, None, Err(("invalid_date", None))),
        ("2026-08-01T06:00:00-06:00", iso, None, Ok("2026-08-01T06:00:00-06:00")),
        ("2026-08-01t06:00:00.25z", iso, None, Ok("2026-08-01t06:00:00.25z")),
        ("2026-08-01 06:00:00 -06:00", iso, None, Ok("2026-08-01T06:00:00-06:00")),
        ("2026-08-01T06:00-06:00", iso, None, Ok("2026-08-01T06:00:00-06:00 to the minute")),
        ("1.8.2026 6:05", dotted, denver, Ok("2026-08-01T06:05:00-06:00 to the minute")),
        ("1.8.2026 06:05:09", dotted, denver, Ok("2026-08-01T06:05:09-06:00")),
        ("1.8.2026  06:05", dotted, None, Err(("no_zone", None))),
        ("2026-01-15 06:05", iso, denver, Ok("2026-01-15T06:05:00-07:00 to the minute")),
        (
            // Clocks in Denver went forward from 2:00 to 3:00 on this day.
            "2026-03-08 02:30",
            iso,
            denver,
            Err(("skipped_time", Some("2026-03-08T01:30:00-07:00 or 2026-03-08T03:30:00-06:00"))),
        ),
        (
            // And back from 2:00 to 1:00 on this one.
            "2026-11-01 01:30",
            iso,
            denver,
            Err(("ambiguous_time", Some("2026-11-01T01:30:00-06:00 or 2026-11-01T01:30:00-07:00"))),
        ),
        ("2026-11-01 01:30 -07:00", iso, denver, Ok("2026-11-01T01:30:00-07:00 to the minute")),
        ("2026-08-01 24:00", iso, denver, Err(("invalid_date", None))),
        ("2026-08-01 6:5:4:3", iso, denver, Err(("invalid_date", None))),
        ("2026-08-01 06:00 PM", iso, denver, Err(("invalid_date", None))),
        ("2026-08-01 06:00 +24:00", iso, denver, Err(("invalid_date", None))),
        ("2026-08-01 ", iso, denver, Err(("invalid_date", None))),
        ("2026-08.01", iso, None, Err(("invalid_date", None))),
        ("20260801", iso, None, Err(("invalid_date", None))),
        ("46235", iso, None, Err(("invalid_date", None))),
        ("soon", iso, None, Err(("invalid_date", None))),
        ("", iso, None, Err(("invalid_date", None))),
    ];
    for (text, orders, zone, expected) in cases {
        let found = dates(orders, *zone).read(text).map(|read| match read {
            Read::Day(day) => day,
            Read::At { text, to_the_minute: false } => text,
            Read::At { text, to_the_minute: true } => text + " to the minute",
        });
        let found = found.as_deref().map_err(|doubt| (doubt.code, doubt.suggestion.as_deref()));
        assert_eq!(found, *expected, "{text} {orders:?}");
    }
}

#[test]
fn a_day_takes_no_time_and_an_instant_needs_one() {
    let dates = dates(&["Y-M-D"], Some("America/Denver"));
    assert_eq!(dates.read_day("2026-08-01 00:00:00").as_deref(), Ok("2026-08-01"));
    let flaw = dates.read_day("2026-08-01 06:00").unwrap_err();
    assert_eq!((flaw.code, flaw.suggestion.as_deref()), ("day_only", Some("2026-08-01")));
    assert_eq!(dates.read_day("2026-08-01T00:00:00Z").unwrap_err().code, "day_only");
    assert_eq!(dates.read_instant("2026-08-01 06:00").as_deref(), Ok("2026-08-01T06:00:00-06:00"));
    assert_eq!(dates.read_instant("2026-08-01").unwrap_err().code, "time_required");
}

#[test]
fn an_offset_with_seconds_is_told_as_utc() {
    // Monrovia kept 44 minutes and 30 seconds behind UTC until 1972-01-07 (IANA time zone database, africa).
    let dates = dates(&["Y-M-D"], Some("Africa/Monrovia"));
    let found = dates.read("1971-06-01 06:00:00").unwrap();
    assert_eq!(found, Read::At { text: "1971-06-01T06:44:30Z".into(), to_the_minute: false });
}
