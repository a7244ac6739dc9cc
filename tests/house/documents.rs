//! Documents name only files that exist.

use std::path::Path;

use crate::repository::{File, files, nothing_breaks, root};

/// Endings by which a word without a folder is known as a file of ours. Data files are made by commands, too, so
/// their bare names say nothing.
const ENDINGS: [&str; 6] = [".rs", ".md", ".py", ".sh", ".sql", ".toml"];

/// Parts of paths that a command makes.
const MADE: [&str; 3] = ["target", ".venv", ".try"];

#[test]
fn the_two_documents_are_there() {
    let broken: Vec<_> = ["README.md", "DEVELOPERS.md"]
        .into_iter()
        .filter(|name| !root().join(name).is_file())
        .map(|name| format!("{name} is missing"))
        .collect();
    nothing_breaks("README.md is for who uses it, DEVELOPERS.md for who changes it.", &broken);
}

#[test]
fn links_lead_somewhere() {
    let mut broken = Vec::new();
    for file in files().iter().filter(|file| file.path.ends_with(".md")) {
        for target in
            links(&file.text).filter(|target| !target.contains("://") && !target.starts_with("mailto:"))
        {
            let (path, heading) = target.split_once('#').unwrap_or((target, ""));
            let there = root().join(Path::new(&file.path).parent().unwrap()).join(path);
            if !path.is_empty() && !there.exists() {
                broken.push(format!("{}: {target}", file.path));
            }
            if path.is_empty() && !headings(&file.text).any(|known| known == heading) {
                broken.push(format!("{}: #{heading} is no heading", file.path));
            }
        }
    }
    nothing_breaks("A link of a document leads to a file or a heading that exists.", &broken);
}

#[test]
fn documents_name_files_that_exist() {
    let files = files();
    let mut broken = Vec::new();
    for file in files.iter().filter(|file| file.path.ends_with(".md")) {
        let folder = root().join(Path::new(&file.path).parent().unwrap());
        for (number, word) in code_words(&file.text) {
            if names_a_file(word) && !exists(word, &files) && !folder.join(word).exists() {
                broken.push(format!("{}:{number}: {word}", file.path));
            }
        }
    }
    nothing_breaks("A document names files that exist: say the new name, or take the sentence out.", &broken);
}

/// Targets of `[text](target)`.
fn links(text: &str) -> impl Iterator<Item = &str> {
    text.split("](").skip(1).filter_map(|rest| rest.split_once(')')).map(|(target, _)| target)
}

/// Headings as a link names them: lower case, hyphens for spaces, no other marks.
fn headings(text: &str) -> impl Iterator<Item = String> {
    text.lines().filter(|line| line.starts_with('#')).map(|line| {
        let words = line.trim_start_matches('#').trim().to_lowercase();
        words
            .chars()
            .filter(|c| c.is_alphanumeric() || " -_".contains(*c))
            .collect::<String>()
            .replace(' ', "-")
    })
}

/// Words between backticks and in blocks of code, fenced or indented, with their line.
fn code_words(text: &str) -> Vec<(usize, &str)> {
    let (mut words, mut fenced) = (Vec::new(), false);
    for (number, line) in text.lines().enumerate() {
        if line.trim_start().starts_with("```") {
            fenced = !fenced;
            continue;
        }
        // Between backticks are the pieces with an odd number; a line of a block is one piece.
        let block = fenced || line.starts_with("    ");
        let pieces = line.split('`').skip(usize::from(!block)).step_by(if block { 1 } else { 2 });
        words.extend(pieces.flat_map(str::split_whitespace).map(|word| (number + 1, word)));
    }
    words
}

/// Whether a word means a file or folder of the repository: plain letters, and either one of its folders or an ending
/// that we know.
fn names_a_file(word: &str) -> bool {
    let plain = word.chars().all(|c| c.is_ascii_alphanumeric() || "_-./".contains(c));
    let path = word.strip_prefix("./").unwrap_or(word);
    let made = path.split('/').any(|part| MADE.contains(&part));
    let first =
        path.split_once('/').is_some_and(|(first, _)| !first.is_empty() && root().join(first).is_dir());
    let ended = ENDINGS.iter().any(|ending| path.len() > ending.len() && path.ends_with(ending));
    plain && !made && !path.starts_with('/') && (first || ended || word.starts_with("./"))
}

/// A path from the root, or the end of one: a text may say `routes/mod.rs` where the crate is clear.
fn exists(word: &str, files: &[File]) -> bool {
    let path = word.strip_prefix("./").unwrap_or(word).trim_end_matches('/');
    root().join(path).exists() || files.iter().any(|file| file.path.ends_with(&format!("/{path}")))
}
