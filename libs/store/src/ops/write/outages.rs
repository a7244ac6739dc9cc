//! What is wrong with what incidents and promises name.

use model::{
    SiteId, UnitId,
    edit::Target,
    outage,
    read::{FieldError, Flaw},
};
use serde_json::{Map, Value};

use super::super::super::Conn;
use super::super::records::Stored;
use super::Work;
use crate::error::Result;

/// Whether records of this kind are placed by their own fields.
pub(super) fn is_placed_by_fields(target: Target) -> bool {
    matches!(target, Target::Incident(_) | Target::Promise(_))
}

/// The fields of a record as they will be.
pub(super) fn fields_after(stored: &Stored, set: &Map<String, Value>) -> Map<String, Value> {
    let mut fields = merge::nest(stored.record.values());
    fields.extend(set.clone());
    fields.retain(|_, value| !value.is_null());
    fields
}

/// What is wrong with an end beside its beginning, of which a patch may have named only one.
pub(super) fn span_error(target: Target, after: &Map<String, Value>) -> Option<FieldError> {
    let (begin, end) = outage::span(target.kind())?;
    let flaw = outage::span_flaw(after.get(begin)?, after.get(end)?)?;
    Some(FieldError::at(format!("/{end}"), flaw))
}

impl Work<'_> {
    /// What is wrong with the references of an incident or a promise.
    pub(super) fn outage_errors(
        &mut self,
        conn: &mut Conn,
        target: Target,
        fields: &Map<String, Value>,
    ) -> Result<Vec<FieldError>> {
        let mut errors = Vec::new();
        match target {
            Target::Incident(_) => {
                for (pointer, site) in named_sites(fields) {
                    errors.extend(self.site_error(conn, &pointer, site)?);
                }
            }
            Target::Promise(_) => {
                if let Some(Ok(unit)) = fields.get("unit_id").map(UnitId::read) {
                    errors.extend(self.unit_error(conn, "/unit_id", unit)?);
                }
                if let Some(Ok(site)) = fields.get("site_id").map(SiteId::read) {
                    errors.extend(self.site_error(conn, "/site_id", site)?);
                }
            }
            _ => {}
        }
        Ok(errors)
    }

    fn unit_error(&mut self, conn: &mut Conn, pointer: &str, unit: UnitId) -> Result<Option<FieldError>> {
        let seen = self.known.scope(conn, unit)?.into_iter().any(|site| self.sees(site));
        Ok((!seen).then(|| FieldError::at(pointer, Flaw::new("unknown_unit", "There is no such unit."))))
    }
}

/// The sites that the fields of an incident name, with where.
fn named_sites(fields: &Map<String, Value>) -> Vec<(String, SiteId)> {
    let list = |name: &str| fields.get(name).and_then(Value::as_array).into_iter().flatten().enumerate();
    let struck = list("site_ids").map(|(at, site)| (format!("/site_ids/{at}"), Some(site)));
    let staged =
        list("staging").map(|(at, staged)| (format!("/staging/{at}/site_id"), staged.get("site_id")));
    let all = struck.chain(staged);
    all.filter_map(|(pointer, site)| Some((pointer, site.and_then(|site| SiteId::read(site).ok())?)))
        .collect()
}
