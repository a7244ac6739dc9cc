//! Numbers as people and spreadsheets write them.

use serde_json::Number;

use crate::{complaint::shortened, doubt::Doubt};

/// What separates the whole part of a number from its fraction.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Decimal {
    /// As JSON has it; what JSON has not is read as for [`Decimal::Either`].
    #[default]
    Json,
    /// A point or a comma, where only one of them makes sense.
    Either,
    /// A point; a comma separates thousands.
    Point,
    /// A comma; a point separates thousands.
    Comma,
}

/// Reads a number, keeping its digits: `1,234.5` is 1234.5.
///
/// Thousands may also be separated by blanks and apostrophes. A leading `+` and noughts in front are dropped.
pub(crate) fn number(text: &str, decimal: Decimal) -> Result<Number, Doubt> {
    if decimal == Decimal::Json
        && let Ok(number) = text.parse()
    {
        return Ok(number);
    }
    let points: &[char] = match decimal {
        Decimal::Json | Decimal::Either => &['.', ','],
        Decimal::Point => &['.'],
        Decimal::Comma => &[','],
    };
    let mut readings: Vec<String> = points.iter().filter_map(|point| reading(text, *point)).collect();
    readings.dedup();
    match readings.as_slice() {
        [one] => one.parse().map_err(|_| no_number(text)),
        [] => Err(no_number(text)),
        several => Err(Doubt::new(
            "ambiguous_number",
            format!("{} can be read in two ways: say in the mapping what `decimal` is.", shortened(text)),
        )
        .between(several)),
    }
}

fn no_number(text: &str) -> Doubt {
    let doubt = Doubt::new("invalid_number", "This is not a number.");
    let filled = format!("0{text}");
    match (text.starts_with(['.', ',']), reading(&filled, '.').or_else(|| reading(&filled, ','))) {
        (true, Some(meant)) => doubt.suggesting(meant),
        _ => doubt,
    }
}

/// The number that `text` is if `point` separates its fraction, as JSON writes it.
fn reading(text: &str, point: char) -> Option<String> {
    let (sign, digits) = match text.strip_prefix(['-', '\u{2212}']) {
        Some(rest) => ("-", rest),
        None => ("", text.strip_prefix('+').unwrap_or(text)),
    };
    let (whole, fraction) = digits.split_once(point).map_or((digits, None), |(w, f)| (w, Some(f)));
    let whole = ungrouped(whole, point)?;
    if !fraction.is_none_or(is_digits) {
        return None;
    }
    let whole = match whole.trim_start_matches('0') {
        "" => "0",
        rest => rest,
    };
    Some(fraction.map_or_else(|| format!("{sign}{whole}"), |fraction| format!("{sign}{whole}.{fraction}")))
}

/// The digits of a whole number, whose thousands may be separated, all by the same character and not by `point`.
fn ungrouped(whole: &str, point: char) -> Option<String> {
    if is_digits(whole) {
        return Some(whole.to_owned());
    }
    let between = whole.chars().find(|c| !c.is_ascii_digit())?;
    if between == point || !matches!(between, '.' | ',' | ' ' | '\u{A0}' | '\u{202F}' | '\'' | '\u{2019}') {
        return None;
    }
    let mut groups = whole.split(between);
    let first =
        groups.next().filter(|first| is_digits(first) && first.len() <= 3 && !first.starts_with('0'))?;
    let mut all = first.to_owned();
    for group in groups {
        if group.len() != 3 || !is_digits(group) {
            return None;
        }
        all.push_str(group);
    }
    Some(all)
}

fn is_digits(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_and_what_is_read() {
        use Decimal::{Comma, Either, Json, Point};
        let two = |readings: &'static str| Err(("ambiguous_number", Some(readings)));
        let none = Err(("invalid_number", None));
        let cases = [
            ("231.5", Json, Ok("231.5")),
            ("231.50", Json, Ok("231.50")),
            ("40.123", Json, Ok("40.123")),
            ("1e2", Json, Ok("1e+2")),
            ("231.30000000000000001", Json, Ok("231.30000000000000001")),
            ("1,234", Json, two("1234 or 1.234")),
            ("231,5", Json, Ok("231.5")),
            ("1,234.5", Json, Ok("1234.5")),
            ("1,234", Either, two("1234 or 1.234")),
            ("1.234", Either, two("1.234 or 1234")),
            ("-1,234", Either, two("-1234 or -1.234")),
            ("1,234.5", Either, Ok("1234.5")),
            ("1.234,5", Either, Ok("1234.5")),
            ("1.234.567", Either, Ok("1234567")),
            ("1,234,567.89", Either, Ok("1234567.89")),
            ("0,234", Either, Ok("0.234")),
            ("1234,567", Either, Ok("1234.567")),
            ("231,5", Either, Ok("231.5")),
            ("1,234", Point, Ok("1234")),
            ("1.234", Point, Ok("1.234")),
            ("231,5", Point, none),
            ("1,234", Comma, Ok("1.234")),
            ("1.234", Comma, Ok("1234")),
            ("231.5", Comma, none),
            ("1 234,5", Comma, Ok("1234.5")),
            ("1\u{A0}234\u{A0}567", Either, Ok("1234567")),
            ("1'234.5", Point, Ok("1234.5")),
            ("1 234'567", Point, none),
            ("12 34", Point, none),
            ("+5", Point, Ok("5")),
            ("\u{2212}5", Point, Ok("-5")),
            ("-5", Json, Ok("-5")),
            ("007", Point, Ok("7")),
            ("00", Either, Ok("0")),
            (".5", Json, Err(("invalid_number", Some("0.5")))),
            (",5", Either, Err(("invalid_number", Some("0.5")))),
            ("5.", Either, none),
            ("1e2", Either, none),
            ("12.5 kW", Either, none),
            ("1,2,3", Either, none),
            ("", Either, none),
            ("-", Either, none),
            ("--1", Either, none),
            ("NaN", Json, none),
            ("٣", Either, none),
        ];
        for (text, decimal, expected) in cases {
            let found = number(text, decimal).map(|number| number.to_string());
            let found = found.as_deref().map_err(|doubt| (doubt.code, doubt.suggestion.as_deref()));
            assert_eq!(found, expected, "{text} {decimal:?}");
        }
    }
}
