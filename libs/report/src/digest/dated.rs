//! What the template does to text besides escaping it.

use askama::{
    Result,
    filters::{Html, Safe, escape},
};

/// The length of `2025-09-11`.
const DATE: usize = 10;

/// Escaped, with each date in an element that is not broken at its hyphens where a screen is narrow.
pub(crate) fn dated(text: &str) -> Result<Safe<String>> {
    let text = escape(text, Html)?.to_string();
    let mut html = String::with_capacity(text.len());
    let mut rest = text.as_str();
    while let Some(at) = first_date(rest) {
        let (before, found) = rest.split_at(at);
        let (date, after) = found.split_at(DATE);
        html.push_str(before);
        html.push_str("<span class=\"day\">");
        html.push_str(date);
        html.push_str("</span>");
        rest = after;
    }
    html.push_str(rest);
    Ok(Safe(html))
}

/// Where the first date begins.
fn first_date(text: &str) -> Option<usize> {
    let is_date = |window: &[u8]| {
        window.iter().enumerate().all(|(n, byte)| match n {
            4 | 7 => *byte == b'-',
            _ => byte.is_ascii_digit(),
        })
    };
    text.as_bytes().windows(DATE).position(is_date)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_found_wherever_they_stand() {
        let cases = [
            ("since 2025-09-11", Some(6)),
            ("(2025-09-11)", Some(1)),
            ("up to 2025-09", None),
            ("2025-9-11 2025-09-11", Some(10)),
            ("\u{e4}2025-09-11", Some(2)),
            ("", None),
        ];
        for (text, expected) in cases {
            assert_eq!(first_date(text), expected, "{text}");
        }
    }
}
