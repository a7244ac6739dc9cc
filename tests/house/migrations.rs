//! Both databases have the same migrations, and each can be taken back.

use std::{collections::BTreeMap, fs};

use crate::repository::{nothing_breaks, root};

#[test]
fn both_databases_have_the_same_migrations() {
    let (sqlite, postgres) = (migrations("sqlite"), migrations("postgres"));
    assert!(!sqlite.is_empty(), "migrations/sqlite is empty");
    let mut broken = Vec::new();
    for (these, others, missing_in) in [(&sqlite, &postgres, "postgres"), (&postgres, &sqlite, "sqlite")] {
        for name in these.keys().filter(|name| !others.contains_key(*name)) {
            broken.push(format!("migrations/{missing_in}/{name} is missing"));
        }
    }
    nothing_breaks(
        "A migration has the same name for both databases, even where one of them does nothing.",
        &broken,
    );
}

#[test]
fn every_migration_goes_up_and_down() {
    let mut broken = Vec::new();
    for database in ["sqlite", "postgres"] {
        for (name, files) in migrations(database) {
            if files != ["down.sql", "up.sql"] {
                broken.push(format!("migrations/{database}/{name} has {files:?}"));
            }
        }
    }
    nothing_breaks("A migration is two files, up.sql and down.sql.", &broken);
}

/// Name of each migration to the files in its folder, both in order.
fn migrations(database: &str) -> BTreeMap<String, Vec<String>> {
    names(&format!("migrations/{database}"))
        .into_iter()
        .map(|name| {
            let files = names(&format!("migrations/{database}/{name}"));
            (name, files)
        })
        .collect()
}

fn names(folder: &str) -> Vec<String> {
    let entries = fs::read_dir(root().join(folder)).unwrap_or_else(|error| panic!("{folder}: {error}"));
    let mut names: Vec<_> = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}
