use super::*;

fn hours(tenths: i64) -> Hours {
    Hours::from_hundredths(tenths * 10)
}

fn date(text: &str) -> LocalDate {
    LocalDate::parse(text).unwrap()
}

/// Example B04: a year of routine with two outages, 27.6 h left.
const YEAR: [i64; 12] = [21, 20, 22, 20, 145, 21, 20, 260, 22, 21, 20, 23];

#[test]
fn b04_past_months_replayed() {
    let months = YEAR.map(hours);
    let from = |start| Months::until_used(&months, start, hours(276)).unwrap().hundredths();
    assert_eq!(
        (0..12).map(from).collect::<Vec<_>>(),
        [703, 611, 518, 427, 335, 290, 198, 173, 874, 789, 724, 720]
    );
    let all = replays(&months, hours(276));
    let ranks = [10, 50, 90].map(|percent| nearest_rank(&all, percent).unwrap());
    assert_eq!(ranks.map(Months::hundredths), [198, 518, 789]);
    let limit = Months::between(date("2025-08-01"), date("2026-02-01"));
    assert_eq!(ranks.map(|months| months.min(limit).hundredths()), [198, 518, 600]);
    assert_eq!(share(&all, limit).ten_thousandths(), 5000);
}

/// Months of use and hours left, in tenths, from the first month: hundredths of months.
#[test]
fn what_is_left_lasts_so_many_months() {
    let cases: &[(&str, &[i64], i64, Option<i64>)] = &[
        ("nothing left", &[10, 10, 10], 0, Some(0)),
        ("past the limit", &[10, 10, 10], -50, Some(0)),
        ("a part of a month", &[40, 10, 10], 10, Some(25)),
        ("the whole of a month", &[40, 10, 10], 40, Some(100)),
        ("rounds, and then some", &[10, 20, 30], 605, Some(3050)),
        ("whole rounds end with the last use", &[50, 0, 0], 100, Some(400)),
        ("no use at all", &[0, 0, 0], 10, None),
    ];
    for (what, months, left, expected) in cases {
        let months: Vec<Hours> = months.iter().copied().map(hours).collect();
        let found = Months::until_used(&months, 0, hours(*left)).map(Months::hundredths);
        assert_eq!(found, *expected, "{what}");
    }
}

#[test]
fn months_lead_from_day_to_day() {
    let cases = [
        ("2025-08-01", "2025-08-01", 0),
        ("2025-08-01", "2025-07-01", 0),
        ("2025-08-01", "2025-08-16", 48),
        ("2025-01-31", "2025-02-28", 100),
        ("2025-01-31", "2025-03-30", 197),
        ("2024-02-29", "2025-02-28", 1200),
        ("2025-08-01", "2035-08-01", 12_000),
    ];
    for (from, to, hundredths) in cases {
        let months = Months::between(date(from), date(to));
        assert_eq!(months.hundredths(), hundredths, "{from} {to}");
        assert_eq!(months.after(date(from)), date(to).max(date(from)), "{from} {to}");
    }
}
