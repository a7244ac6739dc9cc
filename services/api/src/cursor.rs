//! Cursors: opaque, authenticated places in a list, bound to the list they belong to.

use access::Seal;
use model::OrganizationId;
use serde::{Serialize, de::DeserializeOwned};

use crate::problem::{ApiError, ApiResult};

/// Makes cursors and reads them back.
#[derive(Clone)]
pub(crate) struct Cursors(Seal);

impl Cursors {
    /// With a secret that all instances share.
    pub(crate) fn new(secret: &[u8]) -> Self {
        Self(Seal::new(secret))
    }

    /// The cursor for `place` in the list `list` (its address with every filter) of an organization.
    pub(crate) fn make<T: Serialize>(
        &self,
        organization: OrganizationId,
        list: &str,
        place: &T,
    ) -> ApiResult<String> {
        let content = serde_json::to_vec(place).map_err(ApiError::internal)?;
        Ok(self.0.close(&[organization.uuid().as_bytes(), list.as_bytes()], &content))
    }

    /// The place that a cursor names, if it was made here for this very list.
    pub(crate) fn read<T: DeserializeOwned>(
        &self,
        organization: OrganizationId,
        list: &str,
        cursor: &str,
    ) -> ApiResult<T> {
        let broken = || ApiError::cursor("The cursor is broken, or belongs to another list.");
        let organization = organization.uuid();
        let purpose: [&[u8]; 2] = [organization.as_bytes(), list.as_bytes()];
        let content = self.0.open(&purpose, cursor).ok_or_else(broken)?;
        serde_json::from_slice(&content).map_err(|_| broken())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::problem::Kind;

    #[test]
    fn a_cursor_is_good_for_its_own_list_only() {
        let cursors = Cursors::new(b"secret");
        let [ours, theirs] = [1, 2].map(|n| OrganizationId::from_uuid(uuid::Uuid::from_u128(n)));
        let cursor = cursors.make(ours, "/v1/units?site=2", &7).unwrap();
        assert_eq!(cursors.read::<i32>(ours, "/v1/units?site=2", &cursor).unwrap(), 7);
        let mut changed = cursor.clone();
        changed.replace_range(3..4, if cursor.as_bytes()[3] == b'A' { "B" } else { "A" });
        let refused = [
            (theirs, "/v1/units?site=2", &cursor),
            (ours, "/v1/units?site=3", &cursor),
            (ours, "/v1/units?site=2", &changed),
        ];
        for (organization, list, cursor) in refused {
            assert_eq!(
                cursors.read::<i32>(organization, list, cursor).unwrap_err().kind(),
                Kind::InvalidCursor
            );
        }
        for garbage in ["", "!", "AAAA", &"A".repeat(5000)] {
            assert_eq!(
                cursors.read::<i32>(ours, "/v1/units", garbage).unwrap_err().kind(),
                Kind::InvalidCursor
            );
        }
    }
}
