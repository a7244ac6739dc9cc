//! The checked-in header is the one that the library asks for.

use std::{fs, path::Path};

#[test]
fn the_header_is_that_of_the_library() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    let settings = cbindgen::Config::from_file(folder.join("cbindgen.toml")).unwrap();
    let bindings = cbindgen::Builder::new()
        .with_src(folder.join("src/border.rs"))
        .with_config(settings)
        .generate()
        .unwrap();
    let mut made = Vec::new();
    bindings.write(&mut made);
    let place = folder.join("include/keepstart.h");
    if std::env::var("KEEPSTART_HEADER").is_ok_and(|what| what == "write") {
        fs::write(&place, &made).unwrap();
    }
    let kept = fs::read(&place).unwrap_or_default();
    assert!(
        kept == made,
        "include/keepstart.h is out of date: KEEPSTART_HEADER=write cargo test -p binding --test header writes\n{}",
        String::from_utf8_lossy(&made)
    );
}
