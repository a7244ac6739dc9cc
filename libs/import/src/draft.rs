//! A row while it is being put together from its cells.

mod key;

use model::{Label, OrganizationId};
use serde_json::{Map, Value};

use crate::{
    By, Columns, Complaint, Mapping, Name, Records, Row, Wish,
    columns::Shape,
    doubt::Doubt,
    mapping::Take,
    target::Target,
    value::{How, job, members, object},
};

/// A row while it is being put together.
pub(crate) struct Draft<'m> {
    pub(super) mapping: &'m Mapping,
    pub(super) organization: OrganizationId,
    line: u64,
    pub(super) body: Map<String, Value>,
    names: Vec<Name>,
    /// Ids in other systems, with the columns they stand in.
    pub(super) external: Vec<(String, String, Option<String>)>,
    details: Option<(Option<String>, Map<String, Value>)>,
    /// A time was told to the minute, and perhaps another column says how exactly it is known.
    to_the_minute: bool,
    complaints: Vec<Complaint>,
}

impl<'m> Draft<'m> {
    pub(crate) fn new(mapping: &'m Mapping, organization: OrganizationId, line: u64) -> Self {
        Self {
            mapping,
            organization,
            line,
            body: Map::new(),
            names: Vec::new(),
            external: Vec::new(),
            details: None,
            to_the_minute: false,
            complaints: Vec::new(),
        }
    }

    /// Adds a cell.
    pub(crate) fn cell(&mut self, heading: &str, take: &Take, text: &str) {
        match take.value_of(text) {
            Some(value) => self.add(Some(heading), &take.target, value, &How::default()),
            None if take.has_values() && take.target.is_list() => {
                self.add(Some(heading), &take.target, &each_value(take, text), &take.how);
            }
            None => self.add(Some(heading), &take.target, text, &take.how),
        }
    }

    /// Adds a member of a JSON object; text stands for what it would in a cell.
    pub(crate) fn member(&mut self, heading: &str, take: &Take, value: Value) {
        match value {
            Value::String(text) if take.has_values() || !take.target.is_text() => {
                self.cell(heading, take, &text)
            }
            value => self.value(Some(heading), &take.target, value),
        }
    }

    /// Adds a complaint.
    pub(crate) fn complain(&mut self, complaint: Complaint) {
        self.complaints.push(complaint);
    }

    /// The row, or what is wrong with it.
    pub(crate) fn finish(mut self, columns: Columns) -> Row {
        let mapping = self.mapping;
        for (target, value) in mapping.constants() {
            match value {
                Value::String(text) => self.add(None, target, text, &mapping.canonical()),
                value => self.value(None, target, value.clone()),
            }
        }
        self.merge_details();
        if self.to_the_minute && !self.body.contains_key("occurred_precision") {
            self.body.insert("occurred_precision".to_owned(), Value::from("minute"));
        }
        self.imply_kind(&columns);
        let key = self.key(&columns);
        let line = self.line;
        if !self.complaints.is_empty() {
            return Row { line, wish: Err(Complaint::listed(self.complaints)) };
        }
        let records = mapping.records();
        let wish = Wish::new(records, line, key, self.body, self.names, columns, self.organization);
        Row { line, wish: Ok(wish) }
    }

    fn add(&mut self, heading: Option<&str>, target: &Target, text: &str, how: &How) {
        let trimmed = text.trim();
        if trimmed.is_empty() {
            return;
        }
        match target {
            Target::Member(column) => match members(column, text, how) {
                Ok(found) => {
                    for (name, value) in found {
                        if name == "occurred_precision" && name != column.name {
                            self.to_the_minute = true;
                        } else {
                            self.fill(heading, name, value);
                        }
                    }
                }
                Err(doubt) => self.doubt(heading, column.name, doubt),
            },
            Target::Details => match object(trimmed) {
                Ok(details) => self.details = Some((heading.map(str::to_owned), details)),
                Err(doubt) => self.doubt(heading, "details", doubt),
            },
            Target::External(system) => {
                if let Some(id) = self.external_id(heading, trimmed) {
                    self.external.push((system.clone(), id, heading.map(str::to_owned)));
                }
            }
            Target::Reference { member, of, system } => {
                let by = match system {
                    None => Some(By::Called(trimmed.to_owned())),
                    Some(system) => self
                        .external_id(heading, trimmed)
                        .map(|id| By::External { system: system.clone(), id }),
                };
                let Some(by) = by else { return };
                if self.is_filled(member) {
                    return self.twice(heading, member);
                }
                let column = heading.unwrap_or_default().to_owned();
                self.names.push(Name { member, of: *of, by, column });
            }
        }
    }

    fn value(&mut self, heading: Option<&str>, target: &Target, value: Value) {
        match (target, value) {
            (_, Value::Null) => {}
            (Target::Member(column), Value::Array(items)) if column.shape == Shape::Jobs => {
                self.fill(heading, column.name, items.into_iter().map(job).collect());
            }
            (Target::Member(column), value) => self.fill(heading, column.name, value),
            (Target::Details, Value::Object(details)) => {
                self.details = Some((heading.map(str::to_owned), details));
            }
            (Target::Details, _) => {
                self.doubt(heading, "details", Doubt::new("wrong_type", "This must be a JSON object."));
            }
            (target, Value::String(text)) => self.add(heading, target, &text, &How::default()),
            _ => self.doubt(heading, "external_id", Doubt::new("wrong_type", "This must be a string.")),
        }
    }

    fn fill(&mut self, heading: Option<&str>, name: &str, value: Value) {
        if self.is_filled(name) {
            return self.twice(heading, name);
        }
        self.body.insert(name.to_owned(), value);
    }

    fn is_filled(&self, member: &str) -> bool {
        self.body.contains_key(member) || self.names.iter().any(|name| name.member == member)
    }

    fn twice(&mut self, heading: Option<&str>, member: &str) {
        let detail = format!("Another column, or a constant of the mapping, gives {member}, too.");
        self.doubt(heading, member, Doubt::new("two_values", detail));
    }

    pub(super) fn doubt(&mut self, heading: Option<&str>, member: &str, doubt: Doubt) {
        self.complaints.push(doubt.at(self.line, heading, member));
    }

    fn external_id(&mut self, heading: Option<&str>, text: &str) -> Option<String> {
        let found = Label::parse(text).map(|label| label.to_string());
        found.map_err(|flaw| self.doubt(heading, "external_id", flaw.into())).ok()
    }

    fn merge_details(&mut self) {
        let Some((heading, details)) = self.details.take() else { return };
        for (name, value) in details {
            self.fill(heading.as_deref(), &name, value);
        }
    }

    fn imply_kind(&mut self, columns: &Columns) {
        if self.mapping.records() != Records::Readings {
            return;
        }
        let kind = self.body.entry("kind").or_insert_with(|| Value::from("reading"));
        if *kind != "reading" {
            let doubt = Doubt::new("wrong_kind", "The rows of this file are readings: this is another kind.");
            self.doubt(columns.of("kind"), "kind", doubt);
        }
    }
}

/// A list in which each item stands for something else.
fn each_value(take: &Take, text: &str) -> String {
    let items = text.split([';', ',']).map(str::trim);
    items.map(|item| take.value_of(item).unwrap_or(item)).collect::<Vec<_>>().join(";")
}
