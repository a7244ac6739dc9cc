//! Lines of plain text that no mail program has to break.

/// The longest line, in characters (RFC 5322 section 2.1.1: should be no more than 78).
pub(crate) const COLUMNS: usize = 78;

/// A longer word is broken: 240 characters of four bytes stay under the 998 octets of RFC 5322 section 2.1.1, and a name
/// with the marks around it is shorter.
const WORD: usize = 240;

/// The words of `text` on lines of [`COLUMNS`] at most, each begun by `indent` blanks; if there are any, lines
/// after the first are begun by two more. A longer word, such as a link, has a line of its own. No line feed at the end.
pub(crate) fn wrapped(text: &str, indent: usize) -> String {
    let hanging = if indent > 0 { indent + 2 } else { 0 };
    let mut lines: Vec<String> = Vec::new();
    let mut line = " ".repeat(indent);
    let (mut width, mut is_begun) = (indent, false);
    for word in text.split_whitespace().flat_map(pieces) {
        let length = word.chars().count();
        if is_begun && width + 1 + length > COLUMNS {
            lines.push(std::mem::replace(&mut line, " ".repeat(hanging)));
            (width, is_begun) = (hanging, false);
        }
        if is_begun {
            line.push(' ');
            width += 1;
        }
        line.push_str(word);
        width += length;
        is_begun = true;
    }
    lines.push(line);
    lines.join("\n")
}

fn pieces(mut word: &str) -> impl Iterator<Item = &str> {
    std::iter::from_fn(move || {
        let end = word.char_indices().nth(WORD).map_or(word.len(), |(at, _)| at);
        let (piece, rest) = word.split_at_checked(end)?;
        word = rest;
        (!piece.is_empty()).then_some(piece)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_no_longer_than_they_may_be() {
        let text = "word ".repeat(40);
        let lines: Vec<_> = wrapped(&text, 2).lines().map(str::to_owned).collect();
        assert_eq!(lines.iter().map(|line| line.matches("word").count()).sum::<usize>(), 40);
        assert!(lines.iter().all(|line| line.chars().count() <= COLUMNS), "{lines:#?}");
        assert!(lines[0].starts_with("  word") && lines[1].starts_with("    word"), "{lines:#?}");
    }

    #[test]
    fn a_long_word_has_its_own_line_or_is_broken() {
        let link = "x".repeat(100);
        assert_eq!(wrapped(&format!("see {link} now"), 0), format!("see\n{link}\nnow"));
        let longest = wrapped(&"\u{1f600}".repeat(1000), 2).lines().map(str::len).max();
        assert!(longest.is_some_and(|octets| octets <= 998), "{longest:?}");
        assert_eq!(wrapped("", 2), "  ");
    }
}
