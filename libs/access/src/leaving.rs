//! The text with which somebody leaves a mail list without a login (RFC 8058): nobody else can make one.

use model::{OrganizationId, RecipientId};
use uuid::Uuid;

use crate::Seal;

/// What such a text is sealed for.
const PURPOSE: &[&[u8]] = &[b"leaving a mail list"];
/// Bytes of an id.
const ID: usize = 16;

/// Makes those texts and reads them back.
#[derive(Clone)]
pub struct Leaving(Seal);

impl Leaving {
    /// The name of the secret that all who make or read them share.
    pub const SECRET: &str = "leaving";

    /// With that secret.
    pub fn new(secret: &[u8]) -> Self {
        Self(Seal::new(secret))
    }

    /// The text for a recipient.
    pub fn text(&self, organization: OrganizationId, recipient: RecipientId) -> String {
        let mut who = organization.uuid().as_bytes().to_vec();
        who.extend(recipient.uuid().as_bytes());
        self.0.close(PURPOSE, &who)
    }

    /// The recipient that a text is for, if it was made with the secret.
    pub fn read(&self, text: &str) -> Option<(OrganizationId, RecipientId)> {
        let who = self.0.open(PURPOSE, text)?;
        let (organization, recipient) = who.split_at_checked(ID)?;
        let uuid = |bytes: &[u8]| Uuid::from_slice(bytes).ok();
        Some((OrganizationId::from_uuid(uuid(organization)?), RecipientId::from_uuid(uuid(recipient)?)))
    }
}

impl std::fmt::Debug for Leaving {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Leaving(..)")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_is_for_one_recipient_and_made_with_the_secret_only() {
        let [ours, theirs] = [1, 2].map(|n| OrganizationId::from_uuid(Uuid::from_u128(n)));
        let recipient = RecipientId::from_uuid(Uuid::from_u128(3));
        let leaving = Leaving::new(b"secret");
        let text = leaving.text(ours, recipient);
        assert_eq!(leaving.read(&text), Some((ours, recipient)));
        assert_ne!(leaving.text(theirs, recipient), text);
        assert_eq!(Leaving::new(b"other").read(&text), None);
        assert_eq!(leaving.read(&text[..text.len() - 4]), None);
        assert_eq!(leaving.read(""), None);
    }
}
