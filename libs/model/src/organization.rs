//! Organizations: the tenants.

use serde::Serialize;

use crate::{read::Object, text::Label};

/// The fields of an organization.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct OrganizationFields {
    /// What it is called.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<Label>,
}

impl OrganizationFields {
    /// Reads the fields that are there.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        Some(Self { name: o.required("name", Label::read) })
    }
}
