//! Mails as they are, to be read; `KEEPSTART_GOLDEN=write` writes them anew.

use std::{fs, path::PathBuf};

use crate::{fixture, read::rendered};

#[test]
fn mails_read_as_they_are_kept() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/golden");
    let is_written = std::env::var_os("KEEPSTART_GOLDEN").is_some_and(|wish| wish == "write");
    let mut differ = Vec::new();
    for (name, facts) in fixture::all() {
        let mail = rendered(&facts);
        let text = format!("Subject: {}\n\n{}", mail.subject, mail.text);
        for (ending, found) in [("txt", text), ("html", mail.html)] {
            let path = folder.join(format!("{name}.{ending}"));
            if is_written {
                fs::write(&path, &found).unwrap();
            } else if fs::read_to_string(&path).unwrap_or_default() != found {
                differ.push(format!("{name}.{ending}"));
            }
        }
    }
    assert!(differ.is_empty(), "{differ:?} differ; look at them after KEEPSTART_GOLDEN=write");
}
