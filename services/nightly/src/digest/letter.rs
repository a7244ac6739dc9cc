//! The bytes of a mail to one recipient, the same on every attempt.

use anyhow::{Context, Result};
use model::OrganizationId;
use report::digest::{Address, Envelope, MessageId, Picture, Rendered, WebAddress, message};
use store::digests::Mail;

use super::Maker;

/// The bytes of a mail.
pub(crate) fn letter(maker: &Maker, organization: OrganizationId, mail: &Mail, to: &str) -> Result<Vec<u8>> {
    let sender = &maker.sender;
    let token = maker.leaving.text(organization, mail.recipient.id);
    let unsubscribe = format!("{}/v1/unsubscribe/{token}", sender.public);
    let envelope = Envelope {
        from_name: Some(sender.from_name.clone()),
        from: sender.from.clone(),
        to: Address::parse(to)?,
        message_id: MessageId::parse(&mail.message_id)?,
        date: mail.made_at,
        references: mail.follows.as_deref().map(MessageId::parse).transpose()?,
        organization_id: organization,
        list_id: mail.list.id.uuid(),
        domain: sender.domain.clone(),
        unsubscribe_url: WebAddress::parse(&unsubscribe)?,
        unsubscribe_mailto: sender.unsubscribe_to.clone(),
    };
    let body = &mail.body;
    let rendered = Rendered {
        subject: body.subject.clone(),
        text: body.plain.clone(),
        html: body.html.clone(),
        picture: body
            .picture
            .as_ref()
            .map(|picture| Picture { content_id: picture.content_id.clone(), png: picture.png.clone() }),
    };
    message(&rendered, &envelope).context("the mail cannot be put together")
}
