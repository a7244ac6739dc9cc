//! The page `openapi/sync.md` is true: its examples are the requests and answers of one walk through the protocol, played
//! here, and its tables name what the description has. With `KEEPSTART_EXAMPLES=write` in the environment examples that
//! differ are written anew, all of one run.

mod compare;
mod device;
mod page;
mod walk;
mod words;

use blackbox::{Backend, none_failed, on_both};

use self::{compare::Compared, page::Page, walk::Walk};

on_both!(the_page_is_what_happens);

fn the_page_is_what_happens(backend: Backend) {
    let shown = Walk::new(backend).played();
    let page = Page::read();
    let examples = page.examples();
    let mut compared = Compared::default();
    let mut failures = Vec::new();
    for (name, value) in &shown {
        match examples.get(name) {
            Some(example) => failures.extend(compared.differ(name, example, value)),
            None => failures.push(format!("{name}: the page has no such example")),
        }
    }
    let unplayed = examples.keys().filter(|name| shown.iter().all(|(known, _)| known != *name));
    failures.extend(unplayed.map(|name| format!("{name}: this example of the page is not played")));
    if !failures.is_empty() && std::env::var_os("KEEPSTART_EXAMPLES").is_some_and(|wish| wish == "write") {
        page.write(&shown.into_iter().collect());
    }
    none_failed(&failures);
}
