//! Whether a record may be given ids in other systems.

use model::{
    edit::Target,
    external::{EXTERNAL_IDS, EXTERNAL_IDS_MOST},
    read::{FieldError, Flaw},
};
use serde_json::{Map, Value};

use super::super::super::Conn;
use super::super::{
    external_ids::{self, ExternalId},
    records::Stored,
};
use super::Work;
use crate::{command::Refusal, error::Result};

impl Work<'_> {
    /// Why a record cannot be given the ids among these fields, if it cannot. Those that a handset gives are taken and flagged: it
    /// was out of reach, and its work is not lost over them.
    pub(super) fn external_ids_refused(
        &mut self,
        conn: &mut Conn,
        target: Target,
        stored: Option<&Stored>,
        fields: &Map<String, Value>,
    ) -> Result<Option<Refusal>> {
        let Some(given) = fields.get(EXTERNAL_IDS).and_then(Value::as_object) else { return Ok(None) };
        if self.offline {
            return Ok(None);
        }
        let mut taken = Vec::new();
        for (system, id) in given.iter().filter_map(|(system, id)| Some((system, id.as_str()?))) {
            let holders = self.known.holders(conn, &ExternalId::new(target.kind(), system, id))?;
            if holders.iter().any(|holder| holder.0 != target.uuid()) {
                let detail = format!("Another {} has this id in {system}.", target.kind().as_str());
                let flaw = Flaw::new("external_id_taken", detail);
                taken.push(FieldError::at(format!("/{EXTERNAL_IDS}/{system}"), flaw));
            }
        }
        if !taken.is_empty() {
            return Ok(Some(Refusal::ExternalIdTaken(taken)));
        }
        let before = stored.map(|stored| external_ids::of_record(&stored.record)).unwrap_or_default();
        let kept = before.iter().filter(|(system, _)| !given.contains_key(system)).count();
        let count = kept + given.values().filter(|id| !id.is_null()).count();
        Ok((count > EXTERNAL_IDS_MOST).then(|| {
            let detail = format!("A record has at most {EXTERNAL_IDS_MOST} ids in other systems.");
            let flaw = Flaw::new("too_many", detail);
            Refusal::Invalid(vec![FieldError::at(format!("/{EXTERNAL_IDS}"), flaw)])
        }))
    }

    /// Whether another record has one of the ids that a record has after an edit, and had not before.
    pub(super) fn shares_ids(
        &mut self,
        conn: &mut Conn,
        target: Target,
        before: &[(String, String)],
        after: &[(String, String)],
    ) -> Result<bool> {
        for (system, id) in after.iter().filter(|id| !before.contains(id)) {
            let holders = self.known.holders(conn, &ExternalId::new(target.kind(), system, id))?;
            if holders.iter().any(|holder| holder.0 != target.uuid()) {
                return Ok(true);
            }
        }
        Ok(false)
    }
}
