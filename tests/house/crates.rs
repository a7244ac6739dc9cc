//! Which crate may name which, what a pure crate stays away from, and what every member inherits.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

use crate::repository::{File, built, files, list, metadata, nothing_breaks, text};

/// Our own crates that each library may name, its tests included. A service may name every library.
const MAY_NAME: [(&str, &[&str]); 12] = [
    ("model", &[]),
    ("blob", &["model"]),
    ("import", &["model"]),
    ("interval", &["model"]),
    ("standby", &["model", "interval"]),
    ("device", &["model", "interval", "standby", "merge"]),
    ("merge", &["model"]),
    ("proof", &["model"]),
    ("access", &["model"]),
    ("report", &["model"]),
    ("store", &["model", "merge", "interval", "proof"]),
    ("process", &["model", "interval", "standby", "store"]),
];

/// No clock, no I/O, no randomness, no async.
const PURE: [&str; 10] =
    ["model", "blob", "import", "interval", "standby", "device", "merge", "proof", "access", "report"];

/// Crates that speak SQL, which the store, a handset about its own file, and the harness of the tests alone do.
const SQL: [&str; 4] = ["diesel", "diesel_migrations", "libsqlite3-sys", "pq-sys"];

/// Crates that do I/O or are async: a pure crate does not reach them, not even through another.
const OUTSIDE: [&str; 9] = [
    "actix-web",
    "diesel",
    "diesel_migrations",
    "libsqlite3-sys",
    "pq-sys",
    "reqwest",
    "tokio",
    "tracing-subscriber",
    "ureq",
];

/// The one crate with lints of its own, and why: its manifest repeats those of the workspace, but for unsafe code.
const OWN_LINTS: (&str, &str) = ("bindings/device/Cargo.toml", "a C function takes pointers");

/// The one file that is unsafe.
const UNSAFE: &str = "bindings/device/src/border.rs";

/// What the sources of a pure crate do not say, and why.
const IMPURE: [(&str, &str); 22] = [
    ("std::fs", "files"),
    ("std::net", "the network"),
    ("std::env", "the environment"),
    // Its traits do nothing by themselves: a reader or a writer is passed in.
    ("stdin", "the standard streams"),
    ("stdout", "the standard streams"),
    ("stderr", "the standard streams"),
    ("std::process", "processes"),
    ("std::thread", "threads"),
    ("std::time", "the machine's clock"),
    ("SystemTime", "the machine's clock"),
    ("Instant::now", "the machine's clock"),
    ("Timestamp::now", "the machine's clock"),
    ("Zoned::now", "the machine's clock"),
    ("TimeZone::system", "the machine's time zone"),
    ("now_v7", "the clock and randomness"),
    ("new_v4", "randomness"),
    ("rand::", "randomness"),
    ("getrandom", "randomness"),
    ("async fn", "async"),
    (".await", "async"),
    ("println!", "output"),
    ("eprintln!", "output"),
];

#[test]
fn libraries_name_only_libraries_below_them() {
    let allowed: BTreeMap<_, _> = MAY_NAME.into_iter().collect();
    let mut broken = Vec::new();
    for member in members(&metadata(), "libs/") {
        let Some(allowed) = allowed.get(text(&member["name"])) else {
            broken
                .push(format!("{} has no line in MAY_NAME of tests/house/crates.rs", text(&member["name"])));
            continue;
        };
        for dependency in own_dependencies(member).filter(|name| !allowed.contains(name)) {
            broken.push(format!("{} names {dependency}", text(&member["name"])));
        }
    }
    nothing_breaks(
        "A library names only the libraries below it: move what is shared down, into model.",
        &broken,
    );
}

#[test]
fn nobody_names_a_service() {
    let metadata = metadata();
    let services: BTreeSet<_> = members(&metadata, "services/").map(|member| text(&member["name"])).collect();
    assert!(!services.is_empty(), "services/ has no crate");
    let mut broken = Vec::new();
    for member in list(&metadata["packages"]).filter(|package| package["source"].is_null()) {
        for dependency in own_dependencies(member).filter(|name| services.contains(name)) {
            broken.push(format!("{} names {dependency}", text(&member["name"])));
        }
    }
    nothing_breaks(
        "Nobody names a service: what two of them share is a library; tests start the binary.",
        &broken,
    );
}

#[test]
fn the_store_alone_knows_sql() {
    let metadata = metadata();
    let mut broken = Vec::new();
    for member in list(&metadata["packages"]).filter(|package| package["source"].is_null()) {
        if ["store", "handset", "blackbox"].contains(&text(&member["name"])) {
            continue;
        }
        let named = list(&member["dependencies"]).map(|dependency| text(&dependency["name"]));
        for name in named.filter(|name| SQL.contains(name)) {
            broken.push(format!("{} names {name}", text(&member["name"])));
        }
    }
    nothing_breaks("Only the store knows SQL: give it a function that answers the question.", &broken);
}

#[test]
fn pure_libraries_do_not_reach_the_outside() {
    let metadata = metadata();
    let mut broken = Vec::new();
    for member in members(&metadata, "libs/").filter(|member| PURE.contains(&text(&member["name"]))) {
        let built = built(Some(text(&member["name"])));
        let names = built.iter().filter_map(|package| package.split(' ').next());
        for name in names.filter(|name| OUTSIDE.contains(name)) {
            broken.push(format!("{} reaches {name} (cargo tree -p {0} -i {name})", text(&member["name"])));
        }
    }
    nothing_breaks("A pure library has no clock, no I/O and no async, nor do its dependencies.", &broken);
}

#[test]
fn pure_libraries_have_no_clock_io_randomness_or_async() {
    let mut broken = Vec::new();
    for file in files().iter().filter(|file| is_pure(file)) {
        for (number, line) in file.text.lines().enumerate() {
            let code = line.split("//").next().unwrap_or_default();
            for (word, what) in IMPURE.iter().filter(|(word, _)| says(code, word)) {
                broken.push(format!("{}:{}: {word} ({what})", file.path, number + 1));
            }
        }
    }
    nothing_breaks(
        "A pure library takes time, zone and chance as arguments, and its caller does the I/O.",
        &broken,
    );
}

#[test]
fn every_crate_says_what_it_answers() {
    let mut broken = Vec::new();
    let roots = ["/src/lib.rs", "/src/main.rs"];
    for file in files().iter().filter(|file| file.ends_with_any(&roots)) {
        if !file.text.starts_with("//! ") {
            broken.push(format!("{}: does not begin with the crate's docs", file.path));
        }
        // A block without an annotation is compiled and run by `cargo test`.
        let blocks = file.text.lines().filter_map(|line| line.strip_prefix("//! ```"));
        if is_pure(file) && !blocks.step_by(2).any(str::is_empty) {
            broken.push(format!("{}: has no example that runs", file.path));
        }
    }
    nothing_breaks(
        "A crate's docs say what it answers, and a pure library shows it by an example that runs.",
        &broken,
    );
}

#[test]
fn time_zones_come_from_the_binary_alone() {
    let metadata = metadata();
    let jiff = list(&metadata["resolve"]["nodes"]).find(|node| text(&node["id"]).contains("#jiff@")).unwrap();
    let broken: Vec<_> = list(&jiff["features"])
        .map(text)
        .filter(|feature| ["tzdb-zoneinfo", "tzdb-concatenated", "tz-system"].contains(feature))
        .map(|feature| format!("jiff has the feature {feature}"))
        .collect();
    nothing_breaks(
        "Two machines must agree on what is due: jiff reads the zones in the binary only.",
        &broken,
    );
}

#[test]
fn members_inherit_what_the_workspace_decides() {
    const INHERITED: [&str; 5] = [
        "version.workspace = true",
        "edition.workspace = true",
        "rust-version.workspace = true",
        "publish.workspace = true",
        "[lints]\nworkspace = true",
    ];
    let mut broken = Vec::new();
    for file in files().iter().filter(|file| file.path.ends_with("/Cargo.toml")) {
        let own_lints = file.path == OWN_LINTS.0;
        broken.extend(
            INHERITED
                .iter()
                .filter(|line| !(own_lints && line.starts_with("[lints]")))
                .filter(|line| !file.text.contains(&format!("\n{line}\n")))
                .map(|line| format!("{}: lacks {}", file.path, line.replace('\n', " "))),
        );
        if file.text.lines().any(|line| line.starts_with("license") && !line.contains("workspace = true")) {
            broken.push(format!("{}: has a licence of its own", file.path));
        }
        if !file.text.contains("\ndescription = \"") {
            broken.push(format!("{}: lacks a description", file.path));
        }
        broken.extend(own_versions(&file.text).map(|line| format!("{}: {line}", file.path)));
    }
    nothing_breaks(
        "A member inherits from the root Cargo.toml, the versions of its dependencies too.",
        &broken,
    );
}

/// What a crate with lints of its own has to say all the same, and that nothing else is unsafe.
#[test]
fn unsafe_code_stays_in_one_file() {
    let files = files();
    let manifest = |path: &str| &files.iter().find(|file| file.path == path).expect("a manifest").text;
    let (whole, own) = (manifest("Cargo.toml"), manifest(OWN_LINTS.0));
    let lints = whole.split("\n[workspace.lints.").skip(1).flat_map(|part| part.lines().skip(1));
    let lints = lints.take_while(|line| !line.starts_with("[profile"));
    let lints = lints.filter(|line| line.contains(" = ") && !line.starts_with("unsafe_code"));
    let mut broken: Vec<_> = lints
        .filter(|line| !own.lines().any(|own| own == *line))
        .map(|line| format!("{}: lacks {line}", OWN_LINTS.0))
        .collect();
    for file in files.iter().filter(|file| file.path.ends_with(".rs") && file.path != UNSAFE) {
        let lines = file.text.lines().enumerate();
        let is_unsafe = |line: &str| {
            says(line, concat!("uns", "afe {")) || line.contains(concat!("allow(", "unsafe_code"))
        };
        broken.extend(
            lines
                .filter(|(_, line)| is_unsafe(line))
                .map(|(number, _)| format!("{}:{}: unsafe", file.path, number + 1)),
        );
    }
    nothing_breaks(
        "Unsafe code is in the border to C alone, whose crate has the lints of all others.",
        &broken,
    );
}

/// Lines of a manifest that name a dependency without taking it from the workspace.
fn own_versions(manifest: &str) -> impl Iterator<Item = &str> {
    let mut section = "";
    manifest.lines().filter(move |line| {
        if line.starts_with('[') {
            section = line;
        }
        let dependency = section.ends_with("dependencies]") && line.contains('=') && !line.starts_with('#');
        dependency
            && !line.contains(".workspace = true")
            && !line.contains("workspace = true,")
            && !line.contains("{ workspace = true }")
    })
}

/// Whether the code has the word by itself: `.await` is not in `.awaited`.
fn says(code: &str, word: &str) -> bool {
    let letter = |c: char| c.is_alphanumeric() || c == '_';
    code.match_indices(word).any(|(at, _)| {
        let before = code[..at].chars().next_back().is_some_and(letter) && word.starts_with(letter);
        let after = code[at + word.len()..].chars().next().is_some_and(letter) && word.ends_with(letter);
        !before && !after
    })
}

fn is_pure(file: &File) -> bool {
    PURE.iter().any(|name| file.path.starts_with(&format!("libs/{name}/src/")))
}

/// The workspace's own packages in a folder.
fn members<'a>(metadata: &'a Value, folder: &'a str) -> impl Iterator<Item = &'a Value> {
    let root = text(&metadata["workspace_root"]);
    list(&metadata["packages"]).filter(move |package| {
        let manifest = text(&package["manifest_path"]).strip_prefix(root).unwrap_or_default();
        package["source"].is_null() && manifest.trim_start_matches('/').starts_with(folder)
    })
}

/// The names of our own crates in a package's manifest, whatever the kind of dependency.
fn own_dependencies(package: &Value) -> impl Iterator<Item = &str> {
    list(&package["dependencies"])
        .filter(|dependency| dependency["source"].is_null())
        .map(|d| text(&d["name"]))
}
