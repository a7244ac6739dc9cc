//! What the files of the repository may not contain.

use crate::repository::{File, files, nothing_breaks};

/// A file longer than this is two files.
const MOST_LINES: usize = 700;

const SOURCES: [&str; 3] = [".rs", ".py", ".sh"];

/// What no Rust source says, and what to do. In two pieces, so that this list does not find itself.
const UNFINISHED: [(&str, &str); 5] = [
    (concat!("todo", "!("), "finish it"),
    (concat!("unimplemented", "!("), "finish it"),
    (concat!("dbg", "!("), "take it out"),
    (concat!("#[", "ignore"), "make the test pass or remove it"),
    (concat!("#[should", "_panic"), "return an error and assert on it"),
];

/// What no file says, and what to do.
const WORDS: [(&str, &str); 18] = [
    (concat!("/wo", "rk/"), "a path of one machine"),
    (concat!("/ro", "ot/"), "a path of one machine"),
    (concat!("/ho", "me/"), "a path of one machine"),
    (concat!("/Us", "ers/"), "a path of one machine"),
    (concat!("C:", "\\"), "a path of one machine"),
    (concat!("/t", "mp/"), "ask mktemp or tempfile for a folder"),
    (concat!("py", "pi.org"), "a registry is the user's choice"),
    (concat!("python", "hosted.org"), "a registry is the user's choice"),
    (concat!("crates", ".io-index"), "a registry is the user's choice"),
    (concat!("crates", ".io/api"), "a registry is the user's choice"),
    (concat!("static.", "crates.io"), "a registry is the user's choice"),
    (concat!("registry.", "npmjs.org"), "a registry is the user's choice"),
    (concat!("debian", ".org"), "a registry is the user's choice"),
    (concat!("FIX", "ME"), "fix it, or open an issue"),
    (concat!("TO", "DO"), "do it, or open an issue"),
    (concat!("<<<<", "<<< "), "finish the merge"),
    (concat!(">>>>", ">>> "), "finish the merge"),
    ("\r\n", "lines end with a line feed alone"),
];

#[test]
fn nothing_is_left_unfinished() {
    let mut broken = Vec::new();
    for file in rust() {
        find(&file, &UNFINISHED, &mut broken);
    }
    nothing_breaks("Nothing is left unfinished or switched off.", &broken);
}

#[test]
fn every_exception_to_a_lint_has_its_reason() {
    let mut broken = Vec::new();
    for file in rust() {
        for opening in [
            concat!("#[al", "low("),
            concat!("#![al", "low("),
            concat!("#[ex", "pect("),
            concat!("#![ex", "pect("),
        ] {
            for (at, _) in file.text.match_indices(opening) {
                let attribute = file.text[at..].split(")]").next().unwrap_or_default();
                if !attribute.contains("reason = \"") {
                    broken.push(format!(
                        "{}:{}: {}",
                        file.path,
                        line_of(&file.text, at),
                        first_line(attribute)
                    ));
                }
            }
        }
    }
    nothing_breaks(
        "An exception to a lint says why: add `reason = \"…\"`, or better, need no exception.",
        &broken,
    );
}

#[test]
fn files_name_no_machine_and_no_registry() {
    let mut broken = Vec::new();
    // The lock file says where packages come from; another rule holds it to the one registry.
    for file in files().iter().filter(|file| file.path != "Cargo.lock") {
        find(file, &WORDS, &mut broken);
    }
    nothing_breaks("What is checked in works on any machine and has no loose ends.", &broken);
}

#[test]
fn files_stay_small() {
    let broken: Vec<_> = files()
        .iter()
        // A script need not have an ending.
        .filter(|file| file.ends_with_any(&SOURCES) || file.text.starts_with("#!"))
        .map(|file| (file, file.text.lines().count()))
        .filter(|(_, lines)| *lines > MOST_LINES)
        .map(|(file, lines)| format!("{}: {lines} lines", file.path))
        .collect();
    nothing_breaks("A source of more than 700 lines is two: split it by what it answers.", &broken);
}

fn rust() -> impl Iterator<Item = File> {
    files().into_iter().filter(|file| file.path.ends_with(".rs"))
}

fn find(file: &File, words: &[(&str, &str)], broken: &mut Vec<String>) {
    for (word, advice) in words {
        for (at, _) in file.text.match_indices(word) {
            broken.push(format!("{}:{}: {word:?}: {advice}", file.path, line_of(&file.text, at)));
        }
    }
}

fn line_of(text: &str, at: usize) -> usize {
    text[..at].matches('\n').count() + 1
}

fn first_line(text: &str) -> &str {
    text.lines().next().unwrap_or_default()
}
