//! `import`: brings in a file straight on the database, as `POST /v1/imports` does it over HTTP.

use std::{
    fs::File,
    io::{IsTerminal, Write},
    path::PathBuf,
    process::ExitCode,
    time::Duration,
};

use access::{Action, Object};
use anyhow::{Context, Result, anyhow, bail};
use clap::Args;
use import::Mapping;
use indicatif::{ProgressBar, ProgressStyle};
use model::{ImportId, OrganizationId, PersonId};
use process::{Clock, ConfigFile, Database};
use report::csv::{Cell, Writer};
use store::{
    Store,
    imports::{ImportJob, ImportState, NewImport, ReportLine},
};
use uuid::Uuid;

use super::{block_on, say, say_wrong};
use crate::{
    extract::Caller,
    imports::{Bench, lease_and_work, local},
    random,
};

/// How often it is looked how far it is.
const LOOK: Duration = Duration::from_millis(100);
/// Lines of the report that are read at a time.
const PAGE: usize = 500;

/// Brings in a file of sites, units, service events or readings, in the name of somebody. Ends with 0 if every row was taken,
/// with 1 if rows or the file were refused, with 2 if it could not be brought in at all.
#[derive(Args)]
pub(super) struct Import {
    #[command(flatten)]
    config: ConfigFile,
    #[command(flatten)]
    database: Database,
    /// The organization.
    #[arg(long)]
    organization: String,
    /// The person in whose name the rows are written; they need a grant as coordinator or integrator.
    #[arg(long)]
    person: String,
    /// The mapping file: what the rows are, and which column is which.
    #[arg(long)]
    mapping: PathBuf,
    /// Judge every row and write nothing.
    #[arg(long)]
    dry_run: bool,
    /// Take all rows, 5,000 at most, or none.
    #[arg(long)]
    refuse_all: bool,
    /// Write what is said of rows to this file as CSV, instead of telling it line by line.
    #[arg(long)]
    report: Option<PathBuf>,
    /// Begin the clock at this instant instead of the machine's; for demonstrations and tests.
    #[arg(long)]
    clock: Option<String>,
    /// The file.
    file: PathBuf,
}

impl Import {
    pub(super) fn run(self) -> Result<ExitCode> {
        match self.bring_in() {
            Ok(true) => Ok(ExitCode::SUCCESS),
            Ok(false) => Ok(ExitCode::from(1)),
            Err(error) => {
                say_wrong(&format!("keepstart-api: {error:#}"));
                Ok(ExitCode::from(2))
            }
        }
    }

    /// Whether every row was taken.
    fn bring_in(self) -> Result<bool> {
        let organization = OrganizationId::parse(&self.organization).map_err(|flaw| anyhow!("{flaw}"))?;
        let person = PersonId::parse(&self.person).map_err(|flaw| anyhow!("{flaw}"))?;
        let text = std::fs::read(&self.mapping)
            .with_context(|| format!("cannot read {}", self.mapping.display()))?;
        let mapping = Mapping::parse(&text).map_err(|errors| {
            let told = errors
                .iter()
                .map(|error| format!("{}: {}", error.pointer.as_deref().unwrap_or_default(), error.detail));
            anyhow!("{} is no mapping file: {}", self.mapping.display(), told.collect::<Vec<_>>().join(" "))
        })?;
        let clock = match &self.clock {
            None => Clock::machine(),
            Some(text) => Clock::parse(text).map_err(|flaw| anyhow!("clock: {flaw}"))?,
        };
        let address = self.database.address()?;
        block_on(async move {
            let bench = Bench { store: Store::open(&address, 4)?, clock };
            let new = self.wish(&bench, organization, person, &mapping, text).await?;
            let job = local::keep(&bench, new, &self.file).await?;
            let job = follow(&bench, organization, job).await?;
            self.tell(&bench, organization, &job).await
        })
    }

    /// The job, if that person may ask for it.
    async fn wish(
        &self,
        bench: &Bench,
        organization: OrganizationId,
        author: PersonId,
        mapping: &Mapping,
        text: Vec<u8>,
    ) -> Result<NewImport> {
        let now = bench.clock.now();
        let grants = bench.store.grants(organization, author).await?;
        let caller = Caller::of(organization, author, grants, now);
        if caller.require(Action::Import, &Object::of(organization)).is_err() {
            bail!("{author} may not bring in files: that takes a grant as coordinator or integrator");
        }
        Ok(NewImport {
            organization,
            id: random::id(now),
            author,
            made_at: now,
            expires_at: bench.expiry(),
            records: mapping.records().as_str(),
            mapping: String::from_utf8(text)?,
            all_or_none: self.refuse_all,
            dry_run: self.dry_run,
            applies: None,
        })
    }

    /// Says what became of it, and of rows that are not plainly fine; whether every row was taken.
    async fn tell(&self, bench: &Bench, organization: OrganizationId, job: &ImportJob) -> Result<bool> {
        let mut report = match &self.report {
            None => None,
            Some(path) => {
                let file = File::create(path).with_context(|| format!("cannot write {}", path.display()))?;
                Some((file, Writer::new(&["line", "column", "fate", "code", "detail", "suggestion"])?))
            }
        };
        let mut after = 0;
        loop {
            let page = bench.store.import_report(organization, job.id, after, PAGE).await?;
            for line in &page.items {
                after = line.n;
                match &mut report {
                    None => say_wrong(&told(line)),
                    Some((_, writer)) => writer.row(&cells(line))?,
                }
            }
            if let Some((file, writer)) = &mut report {
                file.write_all(&writer.take())?;
            }
            if !page.more {
                break;
            }
        }
        let counts = job.counts;
        let would = if job.dry_run { "A dry run: nothing was written. " } else { "" };
        say(&format!(
            "{would}{}: {} rows, {} created, {} changed, {} unchanged, {} repeated, {} refused.",
            job.state.as_str(),
            job.rows_read,
            counts.created,
            counts.changed,
            counts.unchanged,
            counts.repeated,
            counts.refused
        ));
        if let Some(failure) = &job.failure {
            bail!("it could not go on: {failure}");
        }
        Ok(job.state == ImportState::Done && counts.refused == 0)
    }
}

/// Goes through the job, showing how far it is.
async fn follow(bench: &Bench, organization: OrganizationId, id: ImportId) -> Result<ImportJob> {
    let going = {
        let bench = bench.clone();
        tokio::spawn(async move { lease_and_work(&bench, organization, id, Uuid::new_v4()).await })
    };
    let bar = bar();
    let mut said = -1;
    loop {
        let job = bench.store.import(organization, id).await?.ok_or_else(gone)?;
        if let Some(bar) = &bar {
            bar.set_length(job.rows_total.unwrap_or_default().unsigned_abs());
            bar.set_position(job.rows_read.unsigned_abs());
        } else if let Some(total) = job.rows_total {
            // One line for each tenth.
            let tenth = if total == 0 { 10 } else { job.rows_read * 10 / total };
            if tenth > said {
                said = tenth;
                say_wrong(&format!("{} of {total} rows", job.rows_read));
            }
        }
        if job.state.is_final() {
            if let Some(bar) = bar {
                bar.finish_and_clear();
            }
            return Ok(job);
        }
        if going.is_finished() {
            going.await?.map_err(|error| anyhow!("it could not go on: {error:?}"))?;
            return bench.store.import(organization, id).await?.ok_or_else(gone);
        }
        tokio::time::sleep(LOOK).await;
    }
}

fn gone() -> anyhow::Error {
    anyhow!("the import is not there any more")
}

/// A bar, where somebody looks at a terminal.
fn bar() -> Option<ProgressBar> {
    if !std::io::stderr().is_terminal() {
        return None;
    }
    let bar = ProgressBar::new(0);
    let style = ProgressStyle::with_template("{bar:40} {pos}/{len} rows, {per_sec}, {eta} left");
    if let Ok(style) = style {
        bar.set_style(style);
    }
    Some(bar)
}

fn told(line: &ReportLine) -> String {
    let column = line.column.as_ref().map(|column| format!(", {column}")).unwrap_or_default();
    let instead = line.suggestion.as_ref().map(|text| format!(" Perhaps {text}?")).unwrap_or_default();
    let told = format!("line {}{column}: {} ({}): {}{instead}", line.line, line.fate, line.code, line.detail);
    // What stands in a file commands no terminal.
    told.chars().map(|c| if c.is_control() { char::REPLACEMENT_CHARACTER } else { c }).collect()
}

fn cells(line: &ReportLine) -> [Cell; 6] {
    let maybe = |text: &Option<String>| text.clone().map_or(Cell::Empty, Cell::Text);
    [
        Cell::Number(line.line.to_string()),
        maybe(&line.column),
        Cell::Text(line.fate.clone()),
        Cell::Text(line.code.clone()),
        Cell::Text(line.detail.clone()),
        maybe(&line.suggestion),
    ]
}
