//! What somebody most likely meant.

/// The name among `names` that is most like `text`, if one is like it enough to be suggested (Jaro-Winkler similarity of at
/// least 0.8, case aside).
pub fn nearest<'a>(text: &str, names: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let text = text.trim().to_lowercase();
    names
        .into_iter()
        .map(|name| (strsim::jaro_winkler(&text, &name.to_lowercase()), name))
        .filter(|(likeness, _)| *likeness >= 0.8)
        .max_by(|(a, _), (b, _)| a.total_cmp(b))
        .map(|(_, name)| name)
}
