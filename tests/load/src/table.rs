//! The table that a run prints.

use crate::stats::{Measured, Rounds, median, middle};

/// One line of the table.
#[derive(Clone, Debug)]
pub(crate) struct Line {
    /// What was measured.
    pub(crate) what: String,
    /// On which database, if on any.
    pub(crate) on: &'static str,
    /// The figure of the real thing.
    pub(crate) ours: String,
    /// The figure that it is held against.
    pub(crate) bare: String,
    /// The one as a share of the other: median of the rounds, and the smallest and largest.
    pub(crate) ratio: String,
    /// What it should be.
    pub(crate) bar: &'static str,
    /// Whether it is.
    pub(crate) reached: Option<bool>,
}

impl Line {
    /// A comparison of rates, in `unit` of which one operation is `each`; the bar is a least share.
    pub(crate) fn of_rates(
        what: String,
        on: &'static str,
        rounds: &Rounds,
        each: f64,
        unit: &str,
        bar: (f64, &'static str),
    ) -> Self {
        let ratios = rounds.ratios();
        Self {
            what,
            on,
            ours: rate(&rounds.candidate, each, unit),
            bare: rate(&rounds.baseline, each, unit),
            ratio: spread(&ratios),
            bar: bar.1,
            reached: Some(middle(&ratios) >= bar.0),
        }
    }

    /// A comparison of the times within which all but a hundredth of the operations were done; the bar is how many times as
    /// long it may take at most.
    pub(crate) fn of_tails(
        what: String,
        on: &'static str,
        rounds: &Rounds,
        bar: (f64, &'static str),
    ) -> Self {
        let ratios = rounds.tails();
        Self {
            ratio: spread(&ratios),
            reached: Some(middle(&ratios) <= bar.0),
            ..Self::of_rates(what, on, rounds, 1.0, "requests/s", bar)
        }
    }

    /// A single figure, held against a bar by whoever measured it.
    pub(crate) fn figure(
        what: &str,
        on: &'static str,
        ours: String,
        bar: &'static str,
        reached: Option<bool>,
    ) -> Self {
        Self { what: what.to_owned(), on, ours, bare: String::new(), ratio: String::new(), bar, reached }
    }
}

/// A rate with the times that half, and all but a hundredth, of the operations took at most.
fn rate(rounds: &[Measured], each: f64, unit: &str) -> String {
    let rate = median(rounds, Measured::rate) * each;
    let (half, most) = (median(rounds, |m| m.percentile(50)), median(rounds, |m| m.percentile(99)));
    format!("{rate:.0} {unit} ({half:.2} / {most:.2} ms)")
}

/// The median of ordered ratios, with the smallest and the largest.
pub(crate) fn spread(ratios: &[f64]) -> String {
    match (ratios.first(), ratios.last()) {
        (Some(least), Some(most)) => format!("{:.2} ({least:.2} to {most:.2})", middle(ratios)),
        _ => String::new(),
    }
}

/// The median of ordered seconds, with the shortest and the longest.
pub(crate) fn seconds_of(ordered: &[f64]) -> String {
    let end = |end: Option<&f64>| end.copied().unwrap_or_default();
    format!("{:.2} s ({:.2} to {:.2})", middle(ordered), end(ordered.first()), end(ordered.last()))
}

/// The lines as a Markdown table, its columns aligned.
pub(crate) fn markdown(lines: &[Line]) -> String {
    let head = ["what", "on", "ours (p50 / p99)", "held against (p50 / p99)", "ratio", "bar", "reached"];
    let cells = |line: &Line| {
        let reached = line.reached.map_or("", |reached| if reached { "yes" } else { "no" });
        [&line.what, line.on, &line.ours, &line.bare, &line.ratio, line.bar, reached].map(str::to_owned)
    };
    let rows: Vec<[String; 7]> =
        std::iter::once(head.map(str::to_owned)).chain(lines.iter().map(cells)).collect();
    let width = |column: usize| {
        rows.iter()
            .filter_map(|row| row.get(column))
            .map(|cell| cell.chars().count())
            .max()
            .unwrap_or_default()
    };
    let mut text = String::new();
    for (i, row) in rows.iter().enumerate() {
        for (column, cell) in row.iter().enumerate() {
            text.push_str(&format!("| {cell:<0$} ", width(column)));
        }
        text.push_str("|\n");
        if i == 0 {
            (0..head.len()).for_each(|column| text.push_str(&format!("|{}", "-".repeat(width(column) + 2))));
            text.push_str("|\n");
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    #[test]
    fn a_table_has_a_column_for_each_heading_and_a_row_for_each_line() {
        let figure = Line::figure("memory", "SQLite", "120 MB".into(), "under 150 MB", Some(true));
        let text = markdown(&[figure]);
        let rows: Vec<&str> = text.lines().collect();
        assert_eq!(rows.len(), 3, "{text}");
        for row in &rows {
            assert_eq!(row.matches('|').count(), 8, "{row}");
            assert_eq!(row.len(), rows[0].len(), "{row}");
        }
        assert!(rows[2].contains("| memory "), "{text}");
        assert!(rows[2].contains("| yes "), "{text}");
    }

    #[test]
    fn a_comparison_says_rates_times_and_whether_the_bar_is_reached() {
        let once = |ms: u64| Measured::new(Duration::from_secs(1), vec![Duration::from_millis(ms); 10]);
        let rounds = Rounds { candidate: vec![once(4)], baseline: vec![once(2)] };
        let line = Line::of_rates("push".into(), "SQLite", &rounds, 100.0, "rows/s", (0.25, "a quarter"));
        assert_eq!(line.ours, "1000 rows/s (4.00 / 4.00 ms)");
        assert_eq!(line.ratio, "1.00 (1.00 to 1.00)");
        assert_eq!(line.reached, Some(true));
        let high = Line::of_rates("push".into(), "SQLite", &rounds, 100.0, "rows/s", (1.5, "more"));
        assert_eq!(high.reached, Some(false));
    }
}
