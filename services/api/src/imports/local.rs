//! Files of this machine, which the command line and the demonstration bring in the way requests do.

use std::{fs::File, io::Read, path::Path};

use anyhow::{Context, Result, anyhow};
use import::FILE_BYTES_MOST;
use model::ImportId;
use store::imports::NewImport;

use super::{Bench, Incoming, TOGETHER_BYTES_MOST, Unkept};

/// Bytes of a file that are read at a time.
const CHUNK: usize = 64 << 10;

/// Makes a job, and keeps its file in the database.
pub(crate) async fn keep(bench: &Bench, new: NewImport, file: &Path) -> Result<ImportId> {
    let (organization, id) = (new.organization, new.id);
    let most = if new.all_or_none { TOGETHER_BYTES_MOST } else { FILE_BYTES_MOST };
    let name = file.display();
    let mut opened = File::open(file).with_context(|| format!("cannot read {name}"))?;
    bench.store.make_import(new).await?;
    let mut incoming = Incoming::begin(bench, organization, false, most).await?;
    let mut chunk = vec![0; CHUNK];
    let unkept = |why: Unkept| match why {
        Unkept::TooLarge => anyhow!("{name} is too large: at most {} MiB are taken", most >> 20),
        Unkept::LineTooLong => anyhow!("{name} has a line of more than 1 MiB: this is no table of rows"),
        Unkept::Broken => anyhow!("{name} cannot be read"),
        Unkept::Failed(error) => error.into(),
    };
    loop {
        let count = opened.read(&mut chunk).with_context(|| format!("cannot read {name}"))?;
        if count == 0 {
            break;
        }
        incoming.take(chunk.get(..count).unwrap_or_default()).await.map_err(unkept)?;
    }
    let kept = incoming.end().await.map_err(unkept)?;
    bench.store.give_file(organization, id, kept).await?;
    Ok(id)
}
