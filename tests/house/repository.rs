//! What the rules look at: the files of the repository, and what cargo says about its crates.

use std::{
    collections::BTreeSet,
    fs,
    path::{Path, PathBuf},
    process::Command,
};

use serde_json::Value;

/// Folders and files that are made here and never checked in (see `.gitignore`).
const MADE: [&str; 6] = [".git", "target", ".venv", ".try", "__pycache__", "node_modules"];

/// A text file of the repository.
pub(crate) struct File {
    /// From the root, with forward slashes.
    pub(crate) path: String,
    pub(crate) text: String,
}

impl File {
    /// Whether the name ends with one of these, dot included.
    pub(crate) fn ends_with_any(&self, endings: &[&str]) -> bool {
        endings.iter().any(|ending| self.path.ends_with(ending))
    }
}

/// The folder of the repository.
pub(crate) fn root() -> PathBuf {
    let tests = std::env::var("CARGO_MANIFEST_DIR").expect("cargo test says where the package lies");
    Path::new(&tests).parent().unwrap().to_path_buf()
}

/// Every text file of the repository, in the order of paths. What is not UTF-8 is no text.
pub(crate) fn files() -> Vec<File> {
    let mut found = Vec::new();
    walk(&root(), "", &mut found);
    found.sort_by(|a, b| a.path.cmp(&b.path));
    assert!(found.len() > 50, "only {} files under {}", found.len(), root().display());
    found
}

fn walk(folder: &Path, prefix: &str, found: &mut Vec<File>) {
    for entry in fs::read_dir(folder).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        let path = format!("{prefix}{name}");
        if MADE.contains(&name.as_str()) {
            continue;
        }
        if entry.file_type().unwrap().is_dir() {
            walk(&entry.path(), &format!("{path}/"), found);
        } else if let Ok(text) = fs::read_to_string(entry.path()) {
            found.push(File { path, text });
        }
    }
}

/// What `cargo metadata` says, without asking the network: members, dependencies and features on this platform.
pub(crate) fn metadata() -> Value {
    let rustc = output(Command::new("rustc").arg("-vV"));
    let host = rustc.lines().find_map(|line| line.strip_prefix("host: ")).expect("rustc -vV names the host");
    let text = output(
        Command::new(env!("CARGO"))
            .args(["metadata", "--format-version", "1", "--offline", "--locked", "--filter-platform", host])
            .current_dir(root()),
    );
    serde_json::from_str(&text).unwrap()
}

/// Names and versions of what is built for a package, or for all of them, on any platform; of one package without its
/// tests. The lock and the metadata also have what a feature would bring that nobody turns on.
pub(crate) fn built(package: Option<&str>) -> BTreeSet<String> {
    let mut command = Command::new(env!("CARGO"));
    command.args(["tree", "--offline", "--locked", "--target", "all"]);
    command.args(["--prefix", "none", "--format", "{p}"]).current_dir(root());
    match package {
        Some(package) => command.args(["--edges", "normal,build", "--package", package]),
        None => command.args(["--edges", "normal,build,dev", "--workspace"]),
    };
    let named = |line: &str| {
        let mut words = line.split(' ');
        Some(format!("{} {}", words.next()?, words.next()?.trim_start_matches('v')))
    };
    let built: BTreeSet<String> = output(&mut command).lines().filter_map(named).collect();
    assert!(built.len() > 1, "cargo tree says less than expected: {built:?}");
    built
}

fn output(command: &mut Command) -> String {
    let output = command.output().unwrap_or_else(|error| panic!("{command:?}: {error}"));
    assert!(output.status.success(), "{command:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// The members of a JSON array.
pub(crate) fn list(value: &Value) -> impl Iterator<Item = &Value> {
    value.as_array().into_iter().flatten()
}

/// A JSON string.
pub(crate) fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_default()
}

/// Fails with every place that breaks the rule, and with what to do.
#[track_caller]
pub(crate) fn nothing_breaks(rule: &str, broken: &[String]) {
    assert!(broken.is_empty(), "{rule}\n  {}\n", broken.join("\n  "));
}
