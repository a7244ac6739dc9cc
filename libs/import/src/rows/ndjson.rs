//! The rows of NDJSON: one JSON object a line.

use std::{collections::HashMap, sync::Arc};

use model::{OrganizationId, json};
use serde_json::Value;

use super::{nul, wrong_encoding};
use crate::{
    COLUMNS_MOST, Columns, Complaint, Mapping, Row,
    complaint::shortened,
    draft::Draft,
    headings::{no_target, tidied, too_many},
    lines::Raw,
    mapping::Take,
    target::NoTarget,
};

/// What is known of the members of objects.
pub(super) struct Objects {
    columns: Columns,
    takes: HashMap<String, Option<Arc<Take>>>,
}

impl Objects {
    pub(super) fn new(mapping: &Mapping) -> Self {
        Self { columns: Columns::of_objects(mapping), takes: HashMap::new() }
    }

    /// The row of a line; none where it is blank.
    pub(super) fn row(
        &mut self,
        mapping: &Mapping,
        organization: OrganizationId,
        raw: &Raw,
        utf_8: bool,
    ) -> Option<Row> {
        if raw.text.trim().is_empty() {
            return None;
        }
        let broken = |complaint| Some(Row { line: raw.line, wish: Err(vec![complaint]) });
        if raw.nul {
            return broken(nul(raw));
        }
        if raw.malformed {
            return broken(wrong_encoding(raw.line, None, utf_8));
        }
        let members = match json::parse(raw.text.as_bytes()) {
            Ok(Value::Object(members)) if members.len() > COLUMNS_MOST => return broken(too_many(raw.line)),
            Ok(Value::Object(members)) => members,
            Ok(_) => return broken(Complaint::of_row(raw.line, "wrong_type", "A line is one JSON object.")),
            Err(error) => {
                return broken(Complaint::of_row(raw.line, "invalid_json", shortened(&error.detail)));
            }
        };
        let mut draft = Draft::new(mapping, organization, raw.line);
        for (name, value) in members {
            match self.take(mapping, &name) {
                Ok(Some(take)) => draft.member(&name, &take, value),
                Ok(None) => {}
                Err(why) => draft.complain(no_target(mapping, &name, raw.line, why)),
            }
        }
        Some(draft.finish(self.columns.clone()))
    }

    /// What becomes of a member, remembered for as many as a file may have columns.
    fn take(&mut self, mapping: &Mapping, name: &str) -> Result<Option<Arc<Take>>, NoTarget> {
        if let Some(known) = self.takes.get(name) {
            return Ok(known.clone());
        }
        let found = mapping.take(&tidied(name))?;
        if self.takes.len() < COLUMNS_MOST {
            self.takes.insert(name.to_owned(), found.clone());
        }
        Ok(found)
    }
}
