use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    id::EventId,
    private::PrivateText,
    read::{Object, word},
};

/// An earlier event counts no more, or counts again.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Correction {
    /// What is done.
    pub action: CorrectionAction,
    /// The event it is done to, of the same unit; never itself a correction.
    #[schema(value_type = String, format = "uuid")]
    pub target_id: EventId,
    /// Why; private, erasable.
    #[schema(value_type = String, max_length = 4000)]
    pub reason: PrivateText,
}

/// What a correction does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CorrectionAction {
    /// The target counts no more.
    Void,
    /// The target counts again.
    Reinstate,
}

const ACTIONS: &[(&str, CorrectionAction)] =
    &[("void", CorrectionAction::Void), ("reinstate", CorrectionAction::Reinstate)];

impl Correction {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let action = o.required("action", word(ACTIONS));
        let target_id = o.required("target_id", EventId::read);
        let reason = o.required_private("reason");
        Some(Self { action: action?, target_id: target_id?, reason: reason? })
    }
}
