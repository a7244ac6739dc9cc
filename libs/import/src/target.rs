//! Where the cells of a column go, by the column's canonical name.

use model::Code;

use crate::{
    Named, Records,
    columns::{Column, DETAILS, Shape, columns},
};

/// Where the cells of a column go.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Target {
    /// Into the member of that name.
    Member(&'static Column),
    /// Their members into the body.
    Details,
    /// They are the record's id in that system.
    External(String),
    /// They name another record.
    Reference {
        /// The member that takes its id.
        member: &'static str,
        /// What is named.
        of: Named,
        /// The system whose id it is; none for what people call it.
        system: Option<String>,
    },
}

/// Why a name is no canonical one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum NoTarget {
    /// There is no such column.
    Unknown,
    /// It is an id of another system, and it is not said which.
    NoSystem,
    /// The system's code is none.
    NoCode,
}

/// Members that hold the id of a record that can be named otherwise; the first word is what it is called by then.
const REFERENCES: [(&str, &str, Named); 6] = [
    ("home_site", "home_site_id", Named::Site),
    ("unit", "unit_id", Named::Unit),
    ("site", "site_id", Named::Site),
    ("schedule", "schedule_id", Named::Schedule),
    ("to_unit", "to_unit_id", Named::Unit),
    ("other_unit", "other_unit_id", Named::Unit),
];

/// The end of a name whose cells are ids of another system.
const EXTERNAL: &str = "external_id";

impl Target {
    /// Finds where a canonical name leads, with the system that an id without one belongs to.
    pub(crate) fn find(records: Records, name: &str, system: Option<&Code>) -> Result<Self, NoTarget> {
        if name == DETAILS {
            return Ok(Self::Details);
        }
        if let Some(column) = columns(records).iter().find(|column| column.name == name) {
            return Ok(Self::Member(column));
        }
        let (base, stated) = name.split_once(':').map_or((name, None), |(base, system)| (base, Some(system)));
        if base == EXTERNAL {
            return system_of(stated, system).map(Self::External);
        }
        for (called, member, of) in references(records) {
            if name == called {
                return Ok(Self::Reference { member, of, system: None });
            }
            let rest = base.strip_prefix(called).and_then(|rest| rest.strip_prefix('_'));
            if rest == Some(EXTERNAL) && of != Named::Schedule {
                let system = Some(system_of(stated, system)?);
                return Ok(Self::Reference { member, of, system });
            }
        }
        Err(NoTarget::Unknown)
    }

    /// Whether its cells are lists.
    pub(crate) const fn is_list(&self) -> bool {
        matches!(self, Self::Member(Column { shape: Shape::List | Shape::Jobs, .. }))
    }

    /// Whether its cells are taken as they are.
    pub(crate) const fn is_text(&self) -> bool {
        matches!(self, Self::Member(Column { shape: Shape::Text | Shape::Prose | Shape::Id, .. }))
    }

    /// The members of the body that it may fill, the likeliest first; for an external id of a record its place within.
    pub(crate) fn members(&self, records: Records) -> Vec<String> {
        match self {
            Self::Member(column) if column.name == "occurred_at" => {
                ["occurred_at", "occurred_on", "occurred_precision"].map(str::to_owned).to_vec()
            }
            Self::Member(column) => vec![column.name.to_owned()],
            Self::Details => Vec::new(),
            Self::External(_) if records.are_events() => vec!["id".to_owned()],
            Self::External(system) => vec![format!("external_ids/{system}")],
            Self::Reference { member, .. } => vec![(*member).to_owned()],
        }
    }
}

/// Every canonical name of a kind of file, for suggestions.
pub(crate) fn names(records: Records) -> impl Iterator<Item = String> {
    let members = columns(records).iter().map(|column| column.name.to_owned());
    let others = references(records).flat_map(|(called, _, of)| {
        let external = (of != Named::Schedule).then(|| format!("{called}_{EXTERNAL}"));
        [Some(called.to_owned()), external].into_iter().flatten()
    });
    members.chain(others).chain([EXTERNAL.to_owned()])
}

fn references(records: Records) -> impl Iterator<Item = (&'static str, &'static str, Named)> {
    let there = move |member: &str| columns(records).iter().any(|column| column.name == member);
    REFERENCES.into_iter().filter(move |(_, member, _)| there(member))
}

fn system_of(stated: Option<&str>, system: Option<&Code>) -> Result<String, NoTarget> {
    match stated {
        Some(stated) => Code::parse(stated).map(|code| code.to_string()).map_err(|_| NoTarget::NoCode),
        None => system.map(ToString::to_string).ok_or(NoTarget::NoSystem),
    }
}
