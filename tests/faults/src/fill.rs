//! Somebody who fills a copy page by page: where a connection breaks, the copy goes on from its last whole page.

use std::collections::BTreeMap;

use blackbox::{Client, service::NOW};
use serde_json::{Value, json};

use crate::push::{NoAnswer, get, post};

/// So often one page is asked for before it is given up.
const TRIES: usize = 1000;
/// More pages than any copy has here: one that has more goes round in circles.
const PAGES_MOST: usize = 100_000;

/// Who reads.
#[derive(Clone, Copy)]
pub enum Reader<'a> {
    /// A handset, by `POST /v1/sync`.
    Handset(&'a str),
    /// An integrator, by `GET /v1/changes` with so many changes at a time.
    Integrator(usize),
}

/// A copy.
#[derive(Debug, Default)]
pub struct Copy {
    /// Its records by kind and id.
    pub records: BTreeMap<(String, String), Value>,
    /// How many pages it took.
    pub pages: usize,
    /// What the service says of each site, to compare with.
    pub fingerprints: Value,
    cursor: Value,
}

impl Copy {
    /// What another has otherwise, if anything.
    pub fn differs(&self, other: &Self) -> Option<String> {
        let same = self.records == other.records && self.fingerprints == other.fingerprints;
        let kept =
            other.records.iter().filter(|(key, record)| self.records.get(*key) == Some(record)).count();
        let (found, wanted) = (self.records.len(), other.records.len());
        (!same).then(|| {
            format!(
                "a copy filled with interruptions has {found} records, {kept} of the {wanted} that there are"
            )
        })
    }
}

impl Reader<'_> {
    /// A copy from nothing.
    pub fn fill(self, client: &Client) -> Copy {
        let mut copy = Copy::default();
        self.go_on(client, &mut copy);
        copy
    }

    /// Reads on from the last whole page until there is no more.
    pub fn go_on(self, client: &Client, copy: &mut Copy) {
        let mut tries = 0;
        while tries < TRIES && copy.pages < PAGES_MOST {
            let Ok(page) = self.page(client, &copy.cursor) else {
                tries += 1;
                continue;
            };
            tries = 0;
            copy.pages += 1;
            for change in page["changes"].as_array().unwrap() {
                let key = ["kind", "id"].map(|name| change[name].as_str().unwrap().to_owned());
                copy.records.insert(key.into(), change.clone());
            }
            copy.cursor = page["cursor"].clone();
            copy.fingerprints = page["fingerprints"].clone();
            if page["more"] == false {
                return;
            }
        }
        panic!("no end after {} pages, the next one asked for {tries} times", copy.pages);
    }

    fn page(self, client: &Client, cursor: &Value) -> Result<Value, NoAnswer> {
        let reply = match self {
            Self::Handset(handset) => {
                let body = json!({"handset": handset, "clock": NOW, "cursor": cursor, "pull": true});
                post(client, "/v1/sync", &body)?
            }
            Self::Integrator(limit) => {
                let cursor = cursor.as_str().map(|cursor| format!("&cursor={cursor}")).unwrap_or_default();
                get(client, &format!("/v1/changes?limit={limit}{cursor}"))?
            }
        };
        assert_eq!(reply.status, 200, "{}", reply.text);
        Ok(reply.json())
    }
}
