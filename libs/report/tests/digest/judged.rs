//! Every mail of these tests as a file, for judges that share no code with what writes it (`tests/mail`).

use std::{fs, path::Path};

use report::digest::Facts;

use crate::{
    fixture::{all, example, label},
    hostile::{MARKUP, named},
    large::worst_day,
    read::mail,
};

#[test]
fn mails_are_written_for_the_judges() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name("mails");
    let _ = fs::remove_dir_all(&folder);
    let of_roles = all().into_iter().map(|(name, facts)| (name.to_owned(), facts));
    written(&folder.join("roles"), of_roles.chain([("worst_day".to_owned(), worst_day())]));
    let markup = MARKUP.iter().enumerate().map(|(n, name)| (format!("markup_{n}"), named(name)));
    let long = ["W".repeat(200), "\u{1d11e}".repeat(200), "\u{4e2d}".repeat(200), "a b ".repeat(49)];
    let long = long.iter().enumerate().map(|(n, name)| (format!("long_{n}"), at_sites(name.trim())));
    written(&folder.join("names"), markup.chain(long));
}

/// A digest in which the list and every site have that name.
fn at_sites(name: &str) -> Facts {
    let mut facts = example();
    facts.list.name = label(name);
    for facts in &mut facts.sites {
        facts.site.name = label(name);
    }
    facts
}

fn written(folder: &Path, mails: impl Iterator<Item = (String, Facts)>) {
    fs::create_dir_all(folder).unwrap();
    for (name, facts) in mails {
        fs::write(folder.join(format!("{name}.eml")), mail(&facts)).unwrap();
    }
}
