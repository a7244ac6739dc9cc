//! What `rebuild --check` finds.

use model::OrganizationId;

/// Something stored that the log does not bear out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Difference {
    /// Which fold.
    pub what: &'static str,
    /// What about it.
    pub detail: String,
}

/// The report about one organization.
#[derive(Clone, Debug)]
pub struct Report {
    /// Which organization.
    pub organization: OrganizationId,
    /// How many rows its log has.
    pub rows: i64,
    /// How many units were folded anew.
    pub units: usize,
    /// Every difference.
    pub differences: Vec<Difference>,
}
