use serde::Serialize;
use utoipa::ToSchema;

use crate::read::{Object, word};

/// The unit was put into storage, or taken out of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Storage {
    /// Which of the two.
    pub action: StorageAction,
}

/// Into storage or out of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StorageAction {
    /// It is stored from then on.
    PutIn,
    /// It is stored no more.
    TakenOut,
}

const ACTIONS: &[(&str, StorageAction)] =
    &[("put_in", StorageAction::PutIn), ("taken_out", StorageAction::TakenOut)];

impl Storage {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        o.required("action", word(ACTIONS)).map(|action| Self { action })
    }
}
