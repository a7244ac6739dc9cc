//! Parts of a blob, as headers name them: of what is sent (RFC 9110 section 14.5) and of what is asked for (section 14.2).

use model::read::Flaw;

/// What part of a blob a request brings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Part {
    /// Its first byte in the blob.
    pub first: u64,
    /// How many bytes it brings.
    pub bytes: u64,
    /// How many bytes the blob has.
    pub total: u64,
}

/// The part that a request with so many bytes brings: all of it, unless Content-Range says otherwise. An error names the header.
pub(crate) fn part(content_range: Option<&str>, length: Option<u64>) -> Result<Part, (&'static str, Flaw)> {
    let wrong = |name, code, detail: &str| (name, Flaw::new(code, detail));
    let length = length.ok_or_else(|| {
        wrong(
            "Content-Length",
            "required",
            "Say how many bytes you send; they do not come in chunks of unknown length.",
        )
    })?;
    let Some(text) = content_range else { return Ok(Part { first: 0, bytes: length, total: length }) };
    let part = read(text).ok_or_else(|| {
        wrong(
            "Content-Range",
            "invalid_range",
            "A part is written bytes FIRST-LAST/ALL, such as bytes 0-1048575/3145728.",
        )
    })?;
    if part.bytes != length {
        let detail = "Content-Range and Content-Length tell different numbers of bytes.";
        return Err(wrong("Content-Range", "invalid_range", detail));
    }
    Ok(part)
}

fn read(text: &str) -> Option<Part> {
    let (unit, range) = text.trim().split_once(' ')?;
    let (range, total) = range.trim().split_once('/')?;
    let (first, last) = range.split_once('-')?;
    let (first, last, total) = (number(first)?, number(last)?, number(total)?);
    let fits = unit.eq_ignore_ascii_case("bytes") && first <= last && last < total;
    fits.then(|| Part { first, bytes: last - first + 1, total })
}

/// Digits alone: parsing takes a sign, too.
fn number(text: &str) -> Option<u64> {
    text.bytes().all(|byte| byte.is_ascii_digit()).then(|| text.parse().ok()).flatten()
}

/// The bytes that Range asks for, from the first up to the one after the last; all of them where it asks for something that
/// there is not or that we do not do, which a server is free to answer with the whole.
pub(crate) fn wanted(range: Option<&str>, total: u64) -> Option<(u64, u64)> {
    let (unit, range) = range?.trim().split_once('=')?;
    let (first, last) = range.trim().split_once('-')?;
    let (first, end) = match (first.trim(), last.trim()) {
        ("", last) => (total.saturating_sub(number(last).filter(|last| *last > 0)?), total),
        (first, "") => (number(first)?, total),
        (first, last) => (number(first)?, number(last)?.saturating_add(1).min(total)),
    };
    (unit.eq_ignore_ascii_case("bytes") && first < end).then_some((first, end))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_that_are_sent() {
        let part_of = |first, bytes, total| Ok(Part { first, bytes, total });
        let range = Err(("Content-Range", "invalid_range"));
        let cases = [
            (None, Some(10), part_of(0, 10, 10)),
            (None, Some(0), part_of(0, 0, 0)),
            (None, None, Err(("Content-Length", "required"))),
            (Some("bytes 0-9/10"), Some(10), part_of(0, 10, 10)),
            (Some("Bytes 10-10/20"), Some(1), part_of(10, 1, 20)),
            (Some("bytes 0-9/10"), Some(9), range),
            (Some("bytes 0-10/10"), Some(11), range),
            (Some("bytes 9-0/10"), Some(10), range),
            (Some("bytes 0-9/*"), Some(10), range),
            (Some("bytes */10"), Some(0), range),
            (Some("bytes +0-9/10"), Some(10), range),
            (Some("items 0-9/10"), Some(10), range),
            (Some("bytes=0-9/10"), Some(10), range),
            (Some("bytes 0-18446744073709551615/18446744073709551616"), Some(1), range),
            (Some(""), Some(1), range),
        ];
        for (content_range, length, expected) in cases {
            let found = part(content_range, length).map_err(|(name, flaw)| (name, flaw.code));
            assert_eq!(found, expected, "{content_range:?} {length:?}");
        }
    }

    #[test]
    fn parts_that_are_asked_for() {
        let cases = [
            (None, None),
            (Some("bytes=0-3"), Some((0, 4))),
            (Some("bytes=4-"), Some((4, 10))),
            (Some("bytes=-3"), Some((7, 10))),
            (Some("bytes=-30"), Some((0, 10))),
            (Some("bytes=8-30"), Some((8, 10))),
            (Some("bytes=0-18446744073709551615"), Some((0, 10))),
            (Some("bytes=10-"), None),
            (Some("bytes=-0"), None),
            (Some("bytes=5-4"), None),
            (Some("bytes=0-1,3-4"), None),
            (Some("bytes=-"), None),
            (Some("lines=0-3"), None),
            (Some("bytes"), None),
        ];
        for (range, expected) in cases {
            assert_eq!(wanted(range, 10), expected, "{range:?}");
        }
    }
}
