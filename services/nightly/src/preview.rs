//! The mails that would be sent now, as files to look at.

use std::{fs, path::Path};

use anyhow::{Context, Result};
use model::Instant;
use store::{
    Store,
    digests::{Mail, MailBody},
};

use crate::{
    dates,
    digest::{Maker, letter},
    settings::Sender,
};

/// Writes the mails of every list into a folder; says how many.
pub(crate) async fn write(store: &Store, sender: &Sender, now: Instant, folder: &Path) -> Result<usize> {
    fs::create_dir_all(folder).with_context(|| format!("cannot make {}", folder.display()))?;
    let maker = Maker::new(store.clone(), sender.clone()).await?;
    let mut written = 0;
    for organization in store.organizations().await? {
        for list in store.mail_lists(organization).await? {
            let Some(date) = dates::date_of(&list.fields, now) else { continue };
            let recipients = store.recipients(organization, list.id).await?;
            for (recipient, new, body) in maker.foresee(organization, &list, date, now).await? {
                let Some(recipient) = recipients.iter().find(|known| known.id == recipient) else { continue };
                let Some(address) = recipient.address.clone() else { continue };
                let name = format!("{date}.{}.{}", list.id, recipient.id);
                let mail = Mail {
                    list: list.clone(),
                    date,
                    made_at: now,
                    recipient: recipient.clone(),
                    body,
                    message_id: new.message_id,
                    follows: new.follows,
                };
                save(folder, &name, &mail.body)?;
                let bytes = letter(&maker, organization, &mail, address.as_str())?;
                put(&folder.join(format!("{name}.eml")), &bytes)?;
                written += 1;
            }
        }
    }
    Ok(written)
}

fn save(folder: &Path, name: &str, body: &MailBody) -> Result<()> {
    put(&folder.join(format!("{name}.txt")), body.plain.as_bytes())?;
    put(&folder.join(format!("{name}.html")), body.html.as_bytes())
}

fn put(file: &Path, bytes: &[u8]) -> Result<()> {
    fs::write(file, bytes).with_context(|| format!("cannot write {}", file.display()))
}
