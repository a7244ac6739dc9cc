//! Reads a digest as its recipients do.

use mail_parser::{Message, MessageParser};
use report::digest::{Facts, Rendered, message, render};

use crate::fixture::envelope;

pub(crate) fn rendered(facts: &Facts) -> Rendered {
    render(facts).unwrap()
}

pub(crate) fn mail(facts: &Facts) -> Vec<u8> {
    message(&rendered(facts), &envelope(facts)).unwrap()
}

pub(crate) fn parsed(bytes: &[u8]) -> Message<'_> {
    MessageParser::default().parse(bytes).unwrap()
}

/// The words of HTML as they are shown, and apart from them the headings of tables, which plain text does without.
pub(crate) struct Shown {
    pub(crate) words: Vec<String>,
    pub(crate) headings: Vec<String>,
    pub(crate) links: Vec<String>,
    pub(crate) tags: Vec<String>,
}

pub(crate) fn shown(html: &str) -> Shown {
    let body = html.split("<body>").nth(1).unwrap();
    let mut shown = Shown { words: Vec::new(), headings: Vec::new(), links: Vec::new(), tags: Vec::new() };
    let mut in_heading = false;
    for piece in body.split('<').filter(|piece| !piece.is_empty()) {
        let Some((tag, text)) = piece.split_once('>') else {
            shown.words.extend(words(&unescaped(piece)));
            continue;
        };
        shown.tags.push(tag.to_owned());
        if tag.starts_with("thead") || tag == "/thead" {
            in_heading = tag.starts_with("thead");
        }
        if let Some(link) = tag.strip_prefix("a href=\"") {
            shown.links.push(unescaped(link.trim_end_matches('"')));
        }
        let into = if in_heading { &mut shown.headings } else { &mut shown.words };
        into.extend(words(&unescaped(text)));
    }
    shown
}

/// Letters and digits that stand together; what marks an end of a sentence or a cell is not told apart.
pub(crate) fn words(text: &str) -> Vec<String> {
    let is_mark = |c: char| matches!(c, ';' | ':' | '.' | ',' | '(' | ')');
    text.split_whitespace()
        .map(|word| word.trim_matches(is_mark).to_owned())
        .filter(|word| !word.is_empty())
        .collect()
}

pub(crate) fn unescaped(text: &str) -> String {
    let mut out = String::new();
    let mut rest = text;
    while let Some((before, after)) = rest.split_once("&#") {
        let (number, after) = after.split_once(';').unwrap();
        out.push_str(before);
        out.push(char::from_u32(number.parse().unwrap()).unwrap());
        rest = after;
    }
    out + rest
}
