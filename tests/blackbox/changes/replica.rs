//! A copy kept by somebody who follows `/v1/changes`.

use std::collections::BTreeMap;

use blackbox::{Client, Reply};
use serde_json::Value;

/// A record's kind and id.
pub(super) type Name = (String, String);

/// A copy.
pub(super) struct Replica {
    pub(super) client: Client,
    pub(super) limit: usize,
    pub(super) cursor: Option<String>,
    /// Each record as it was told last.
    pub(super) records: BTreeMap<Name, Value>,
    /// What was told after something newer of the same record.
    pub(super) older: Vec<Value>,
    /// How many changes were told.
    pub(super) told: usize,
}

impl Replica {
    pub(super) fn new(client: &Client, limit: usize) -> Self {
        let client = client.clone();
        Self { client, limit, cursor: None, records: BTreeMap::new(), older: Vec::new(), told: 0 }
    }

    /// Asks for what comes next, and takes none of it.
    pub(super) fn asked(&self) -> Reply {
        let cursor = self.cursor.as_ref().map_or(String::new(), |cursor| format!("&cursor={cursor}"));
        self.client.get(&format!("/v1/changes?limit={}{cursor}", self.limit))
    }

    #[track_caller]
    pub(super) fn ask(&self) -> Value {
        self.asked().expect(200).json()
    }

    /// Takes a page.
    pub(super) fn apply(&mut self, page: &Value) {
        if page["pull"]["status"] == "reset" {
            self.records.clear();
        }
        for change in page["changes"].as_array().unwrap() {
            self.told += 1;
            let name = ["kind", "id"].map(|member| change[member].as_str().unwrap().to_owned());
            let name: Name = name.into();
            match change["change"].as_str().unwrap() {
                "record" => {
                    let known = self.records.insert(name, change.clone());
                    let version = |change: &Value| change["record"]["version"].as_i64().unwrap_or_default();
                    if known.is_some_and(|known| version(&known) > version(change)) {
                        self.older.push(change.clone());
                    }
                }
                "forget" => {
                    self.records.retain(|known, of| *known != name && of["unit_id"] != change["id"]);
                }
                other => panic!("{other}"),
            }
        }
        self.cursor = page["cursor"].as_str().map(str::to_owned);
    }

    /// Asks for a page and takes it; says whether there is more.
    #[track_caller]
    pub(super) fn page(&mut self) -> bool {
        let page = self.ask();
        self.apply(&page);
        page["more"] == true || page["pull"]["status"] == "reset"
    }

    /// Takes pages until there is no more.
    #[track_caller]
    pub(super) fn follow(&mut self) {
        while self.page() {}
    }

    /// The records of a kind.
    pub(super) fn of_kind(&self, kind: &str) -> Vec<&Value> {
        self.records.iter().filter(|((of, _), _)| of == kind).map(|(_, change)| change).collect()
    }

    /// What is not retired: what somebody has who begins now.
    pub(super) fn live(&self) -> BTreeMap<Name, Value> {
        let mut live = self.records.clone();
        let retired = |change: &Value| change["record"]["fields"]["retired"] == true;
        let gone: Vec<Value> =
            live.values().filter(|change| retired(change)).map(|change| change["id"].clone()).collect();
        live.retain(|_, change| !gone.contains(&change["id"]) && !gone.contains(&change["unit_id"]));
        live
    }
}
