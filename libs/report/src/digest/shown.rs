//! Names from data as they may be shown: on one line, in the order in which they are read.

/// A name for a body of a mail: blanks for line ends and other control characters, nothing that changes direction or
/// cannot be seen.
pub(crate) fn shown(name: &str) -> String {
    let kept = name.chars().filter(|c| !is_unseen(*c)).map(|c| if breaks(c) { ' ' } else { c });
    named(&kept.collect::<String>())
}

/// With one blank where there were several, as HTML shows it too.
fn named(text: &str) -> String {
    let words: Vec<&str> = text.split_whitespace().collect();
    if words.is_empty() { "(no name)".to_owned() } else { words.join(" ") }
}

/// A name for a subject: as [`shown`], without pictures, and with nothing that passes for an encoded word (RFC 2047
/// section 2).
pub(crate) fn for_subject(name: &str) -> String {
    let text: String = shown(name).chars().filter(|c| !is_picture(*c)).collect();
    named(&text.replace("=?", "= ?"))
}

/// A name for a sender: as [`for_subject`], without what stands for addresses and lists.
pub(crate) fn for_sender(name: &str) -> String {
    let parts = |c: char| matches!(c, '<' | '>' | '@' | '"' | '\\' | ',' | ';' | ':' | '(' | ')');
    for_subject(&name.replace(parts, " "))
}

/// The first `most` characters; where something is cut off, the last of them is `…`.
pub(crate) fn shortened(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let mut kept: String = text.chars().take(most.saturating_sub(1)).collect();
    kept.truncate(kept.trim_end().len());
    if most > 0 {
        kept.push('…');
    }
    kept
}

/// Control characters, and the two that end lines by Unicode alone.
fn breaks(c: char) -> bool {
    c.is_control() || matches!(c, '\u{2028}' | '\u{2029}')
}

/// Marks of direction, and characters without a shape. The joiners U+200C and U+200D stay: some scripts need them.
fn is_unseen(c: char) -> bool {
    matches!(c,
        '\u{00AD}' | '\u{061C}' | '\u{180E}' | '\u{200B}' | '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}'
        | '\u{2060}'..='\u{206F}' | '\u{FEFF}' | '\u{FFF9}'..='\u{FFFB}' | '\u{E0000}'..='\u{E007F}')
}

fn is_picture(c: char) -> bool {
    matches!(c, '\u{2600}'..='\u{27BF}' | '\u{2B00}'..='\u{2BFF}' | '\u{FE0F}' | '\u{1F000}'..='\u{1FAFF}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_stay_on_their_line() {
        let cases = [
            ("Fire Station 3", "Fire Station 3"),
            ("Caf\u{e9} \u{4e2d}", "Caf\u{e9} \u{4e2d}"),
            ("A\r\nBcc: all@example.org", "A Bcc: all@example.org"),
            ("A\u{2028}B\u{2029}C\u{85}D\0E", "A B C D E"),
            ("user\u{202e}gpj.exe", "usergpj.exe"),
            ("\u{2066}a\u{2069}\u{200f}\u{feff}\u{e0041}", "a"),
            ("\u{200b}\u{202e}", "(no name)"),
        ];
        for (name, expected) in cases {
            assert_eq!(shown(name), expected, "{name:?}");
        }
    }

    #[test]
    fn headers_hold_no_encoded_words_pictures_or_addresses_of_data() {
        let cases = [
            ("=?utf-8?q?=0d=0aBcc:x?=", "= ?utf-8?q?=0d=0aBcc:x?="),
            ("Depot \u{1f525}\u{26a0}\u{fe0f}", "Depot"),
            ("\u{1f525}", "(no name)"),
        ];
        for (name, expected) in cases {
            assert_eq!(for_subject(name), expected, "{name:?}");
        }
        assert_eq!(for_sender("\"Bank\" <a@b.example>, (x)"), "Bank a b.example x");
    }

    #[test]
    fn text_is_shortened_at_a_character() {
        let cases = [
            ("abcdef", 6, "abcdef"),
            ("abcdef", 5, "abcd…"),
            ("ab cdef", 4, "ab…"),
            ("\u{e9}\u{e9}\u{e9}", 2, "\u{e9}…"),
            ("abc", 0, ""),
        ];
        for (text, most, expected) in cases {
            assert_eq!(shortened(text, most), expected, "{text} {most}");
        }
    }
}
