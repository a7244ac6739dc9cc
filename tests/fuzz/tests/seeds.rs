//! The seeds of every target, played once: they are kept good, and the targets keep compiling.

use std::{fs, path::Path};

#[test]
fn seeds_are_taken() {
    for (name, target) in fuzz::TARGETS {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("seeds").join(name);
        let seeds: Vec<_> = fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
        assert!(!seeds.is_empty(), "{name} has no seeds");
        for seed in seeds {
            println!("{}", seed.display());
            target(&fs::read(seed).unwrap());
        }
    }
}

/// A seed that is refused at the door would leave all behind it to chance.
#[test]
fn seeds_of_a_sync_are_read() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("seeds/sync");
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let body = model::json::parse(&fs::read(&path).unwrap()).unwrap();
        let request = model::sync::SyncRequest::read(body, 1000).unwrap();
        let good = request.edits.iter().all(Result::is_ok);
        assert_eq!(good, !path.ends_with("wrong.json"), "{}: {:?}", path.display(), request.edits);
    }
}
