//! What we build on: where it comes from, under which licence, and what we do without.

use serde_json::Value;

use crate::repository::{built, files, list, metadata, nothing_breaks, text};

/// Licences under which we may ship a dependency inside our binary; none of them asks anything but its notice.
const LICENCES: [&str; 14] = [
    "0BSD",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "ISC",
    "MIT",
    "MIT-0",
    "NCSA",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];

/// Tools of tests under another licence, and what for: nothing that we ship has them in it.
const TOOLS: [(&str, &str, &str); 1] =
    [("cbindgen", "MPL-2.0", "a test makes the header of the C library with it")];

/// The one registry, as Cargo.lock and cargo write it.
const REGISTRY: &str = concat!("registry+https://github.com/rust-lang/", "crates", ".io-index");

/// Crates we do without: name, the versions meant (all of them if empty), why.
const BANNED: [(&str, &str, &str); 8] = [
    ("openssl", "", "one provider of cryptography for all: aws-lc-rs"),
    ("openssl-sys", "", "one provider of cryptography for all: aws-lc-rs"),
    ("native-tls", "", "one provider of cryptography for all: aws-lc-rs"),
    ("ring", "", "one provider of cryptography for all: aws-lc-rs"),
    ("chrono", "", "jiff is the one library for time"),
    ("time", "0.1.", "jiff is the one library for time, and this one is unsound in threads"),
    ("serde_yaml", "", "nobody maintains it; configuration is flags, the environment and TOML, data is JSON"),
    ("rsa", "", "its timing gives private keys away; our own tokens are EdDSA"),
];

#[test]
fn licences_are_on_the_list() {
    let metadata = metadata();
    let broken: Vec<_> = list(&metadata["packages"])
        .filter(|package| !package["source"].is_null())
        .filter(|package| !allows(text(&package["license"])) && !is_tool(package))
        .map(|package| {
            format!("{} {}: {:?}", text(&package["name"]), text(&package["version"]), package["license"])
        })
        .collect();
    nothing_breaks(
        "A dependency has a licence of the list in tests/house/dependencies.rs; else do without it.",
        &broken,
    );
}

fn is_tool(package: &Value) -> bool {
    let tool = |(name, licence, _): &(&str, &str, &str)| {
        *name == text(&package["name"]) && *licence == text(&package["license"])
    };
    TOOLS.iter().any(tool)
}

#[test]
fn tools_of_tests_stay_in_tests() {
    let metadata = metadata();
    let members = list(&metadata["packages"]).filter(|package| package["source"].is_null());
    let mut broken = Vec::new();
    for member in members.map(|member| text(&member["name"])) {
        let built = built(Some(member));
        for package in &built {
            if TOOLS.iter().any(|(name, ..)| package.split(' ').next() == Some(name)) {
                broken.push(format!("{member} has {package} in it"));
            }
        }
    }
    nothing_breaks("A tool of tests is a dev-dependency, of nothing that we ship.", &broken);
}

#[test]
fn so_are_those_of_node_packages() {
    let mut broken = Vec::new();
    for (name, package) in node_packages() {
        if !allows(text(&package["license"])) {
            broken.push(format!("{name} {}: {:?}", text(&package["version"]), package["license"]));
        }
        if !package["resolved"].is_null() || package["integrity"].is_null() {
            broken.push(format!(
                "{name}: the lock names a place or no hash; make it with the .npmrc beside it"
            ));
        }
    }
    nothing_breaks(
        "A package of Node.js has a licence of the list, a hash, and no registry of ours.",
        &broken,
    );
}

#[test]
fn dependencies_come_from_one_registry() {
    let broken: Vec<_> = locked()
        .into_iter()
        .filter(|package| !package.source.is_empty() && package.source != REGISTRY)
        .map(|package| format!("{} {} comes from {}", package.name, package.version, package.source))
        .collect();
    nothing_breaks(
        "Dependencies come from the public registry: no git, no other registry, no patch.",
        &broken,
    );
}

#[test]
fn banned_crates_stay_out() {
    let (built, mut broken) = (built(None), Vec::new());
    let is_built = |package: &Locked| built.contains(&format!("{} {}", package.name, package.version));
    for package in locked().into_iter().filter(is_built) {
        let banned = |(name, version, _): &&(&str, &str, &str)| {
            *name == package.name && package.version.starts_with(version)
        };
        if let Some((_, _, why)) = BANNED.iter().find(banned) {
            broken.push(format!(
                "{} {}: {why} (cargo tree -i {0} --target all)",
                package.name, package.version
            ));
        }
    }
    nothing_breaks(
        "These crates stay out, also through others: turn off the feature that brings them.",
        &broken,
    );
}

/// Every package of the lock of `tests/sync/rxdb`, by where it is installed.
fn node_packages() -> Vec<(String, Value)> {
    let files = files();
    let lock = files.iter().find(|file| file.path == "tests/sync/rxdb/package-lock.json");
    let lock: Value = serde_json::from_str(&lock.expect("the lock is checked in").text).unwrap();
    let packages = lock["packages"].as_object().unwrap().clone();
    // The one without a name is our own.
    packages.into_iter().filter(|(name, _)| !name.is_empty()).collect()
}

struct Locked {
    name: String,
    version: String,
    source: String,
}

/// Every package of Cargo.lock, those for other platforms included.
fn locked() -> Vec<Locked> {
    let files = files();
    let lock = files.iter().find(|file| file.path == "Cargo.lock").expect("Cargo.lock is checked in");
    let packages: Vec<_> = lock.text.split("[[package]]").skip(1).map(package).collect();
    assert!(packages.len() > 50, "Cargo.lock reads differently than expected");
    packages
}

fn package(block: &str) -> Locked {
    let value = |key: &str| {
        let line = block.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix(" = "));
        line.unwrap_or_default().trim_matches('"').to_owned()
    };
    Locked { name: value("name"), version: value("version"), source: value("source") }
}

/// Whether a licence expression can be satisfied from the list: OR needs one side, AND both. The old form `A/B` means
/// OR.
fn allows(expression: &str) -> bool {
    let expression = expression.replace('/', " OR ").replace('(', " ( ").replace(')', " ) ");
    let words: Vec<&str> = expression.split_whitespace().collect();
    let mut rest = words.as_slice();
    either(&mut rest) && rest.is_empty()
}

fn either(rest: &mut &[&str]) -> bool {
    let mut allowed = both(rest);
    while take(rest, "OR") {
        allowed |= both(rest);
    }
    allowed
}

fn both(rest: &mut &[&str]) -> bool {
    let mut allowed = one(rest);
    while take(rest, "AND") {
        allowed &= one(rest);
    }
    allowed
}

fn one(rest: &mut &[&str]) -> bool {
    if take(rest, "(") {
        let allowed = either(rest);
        return take(rest, ")") && allowed;
    }
    let Some((licence, after)) = rest.split_first() else { return false };
    *rest = after;
    match after {
        ["WITH", exception, after @ ..] => {
            *rest = after;
            LICENCES.contains(&format!("{licence} WITH {exception}").as_str())
        }
        _ => LICENCES.contains(licence),
    }
}

fn take(rest: &mut &[&str], word: &str) -> bool {
    match rest.split_first() {
        Some((first, after)) if *first == word => {
            *rest = after;
            true
        }
        _ => false,
    }
}

#[test]
fn licence_expressions_are_read() {
    for (expression, expected) in [
        ("MIT", true),
        ("MIT/Apache-2.0", true),
        ("GPL-3.0-only", false),
        ("GPL-3.0-only OR MIT", true),
        ("MIT AND GPL-3.0-only", false),
        ("(MIT OR GPL-3.0-only) AND Unicode-3.0", true),
        ("MIT OR GPL-3.0-only AND Unicode-3.0", true),
        ("Apache-2.0 WITH LLVM-exception", true),
        ("Apache-2.0 WITH Other-exception", false),
        ("(MIT", false),
        ("MIT MIT", false),
        ("", false),
    ] {
        assert_eq!(allows(expression), expected, "{expression}");
    }
}
