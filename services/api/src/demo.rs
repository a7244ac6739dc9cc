//! The demonstration fleet, imported from readable files through the same way in as requests.

use std::{fs, path::Path};

use ::import::Mapping;
use anyhow::{Context, Result, anyhow};
use model::{
    Instant, OrganizationId, PersonId, ScheduleId,
    edit::{Channel, RecordKind},
    json,
};
use serde_json::Value;
use store::{
    command::{Proposal, Written},
    imports::{ImportState, NewImport},
};
use uuid::Uuid;

use crate::{
    extract::Caller,
    imports::{Bench, lease_and_work, local},
    intake,
    problem::ApiError,
    random, setup,
    state::State,
};

/// What the files say about the organization itself.
#[derive(Debug)]
pub(crate) struct Described {
    /// Its id.
    pub id: OrganizationId,
    /// Its name.
    pub name: String,
    /// When the demonstration takes place.
    pub clock: Instant,
    schedules: Vec<String>,
    files: Vec<File>,
}

/// A file of the fleet.
#[derive(Debug)]
struct File {
    name: String,
    /// How it is to be read, as text.
    mapping: String,
}

/// More is not said of a file that is right.
const REPORT_MOST: usize = 1000;
/// What is said of a row that was not taken, and of one that made something.
const REFUSED: &str = "refused";
const CREATED: &str = "created";

/// A person of the demonstration, for whom a token is made.
#[derive(Debug)]
pub(crate) struct Actor {
    /// The person.
    pub id: PersonId,
    /// The name.
    pub name: String,
    /// The role of the first grant.
    pub role: String,
    /// Whether that grant reaches all sites.
    pub everywhere: bool,
}

/// How much the files hold, and how much of it was new.
#[derive(Debug, Default)]
pub(crate) struct Counts {
    /// What was not recorded before.
    pub(crate) new: usize,
    /// Sites.
    pub sites: usize,
    /// Units.
    pub units: usize,
    /// Editions of schedules.
    pub editions: usize,
    /// Service events.
    pub events: usize,
    /// Events that were recorded with a warning.
    pub warnings: usize,
}

/// Reads what the files say about the organization.
pub(crate) fn describe(data: &Path) -> Result<Described> {
    let file = value(&data.join("organization.json"))?;
    let schedules = file.get("schedules").and_then(Value::as_array).into_iter().flatten();
    Ok(Described {
        id: OrganizationId::parse(text(&file, "id")?).map_err(|f| anyhow!("{f}"))?,
        name: text(&file, "name")?.to_owned(),
        clock: Instant::parse(text(&file, "clock")?).map_err(|f| anyhow!("{f}"))?,
        schedules: schedules.filter_map(Value::as_str).map(str::to_owned).collect(),
        files: file
            .get("imports")
            .and_then(Value::as_array)
            .into_iter()
            .flatten()
            .map(described)
            .collect::<Result<_>>()?,
    })
}

fn described(import: &Value) -> Result<File> {
    let mapping = import.get("mapping").ok_or_else(|| anyhow!("a file without a mapping"))?;
    Ok(File { name: text(import, "file")?.to_owned(), mapping: mapping.to_string() })
}

/// The people of the demonstration.
pub(crate) fn actors(data: &Path) -> Result<Vec<Actor>> {
    let actor = |person: &Value| {
        let grant = person.pointer("/grants/0").ok_or_else(|| anyhow!("a person without a grant"))?;
        Ok(Actor {
            id: PersonId::parse(text(person, "id")?).map_err(|f| anyhow!("{f}"))?,
            name: text(person, "name")?.to_owned(),
            role: text(grant, "role")?.to_owned(),
            everywhere: grant.get("sites").is_some_and(Value::is_string),
        })
    };
    array(&data.join("people.json"))?.iter().map(actor).collect()
}

/// Imports the fleet. What is there already is recognised, so an import that broke off goes on where it stopped.
pub(crate) async fn import(state: &State, data: &Path, described: &Described) -> Result<Counts> {
    let actors = actors(data)?;
    let acting = |role: &str| {
        actors.iter().find(|actor| actor.role == role).ok_or_else(|| anyhow!("nobody is {role}"))
    };
    let (admin, coordinator) = (acting("admin")?.id, acting("coordinator")?.id);
    state.store.create_organization(described.id).await?;
    let mut founding = vec![setup::organization(described.id, &described.name)?];
    for person in array(&data.join("people.json"))? {
        founding.extend(setup::person(&person, state.clock.now())?);
    }
    let mut import = Import {
        state,
        importer: setup::coordinator(described.id, coordinator, state.clock.now()),
        counts: Counts {
            new: setup::record(state, described.id, admin, founding).await?,
            ..Counts::default()
        },
    };
    // Sites come first, since schedules are adopted by units of theirs.
    let mut files = described.files.iter();
    if let Some(sites) = files.next() {
        import.file(data, sites).await?;
    }
    for file in &described.schedules {
        import.schedule(&data.join(file)).await?;
        import.counts.editions += 1;
    }
    for file in files {
        import.file(data, file).await?;
    }
    Ok(import.counts)
}

struct Import<'s> {
    state: &'s State,
    importer: Caller,
    counts: Counts,
}

impl Import<'_> {
    async fn schedule(&mut self, file: &Path) -> Result<()> {
        let whole = value(file)?;
        let schedule = whole.get("schedule").cloned().unwrap_or_default();
        let id = ScheduleId::parse(text(&schedule, "id")?).map_err(|f| anyhow!("{f}"))?;
        self.record(RecordKind::Schedule, schedule).await?;
        let edition = whole.get("edition").cloned().unwrap_or_default();
        let proposal = intake::new_edition(id, edition, random::id(self.importer.now()));
        self.submit(proposal).await.with_context(|| file.display().to_string()).map(drop)
    }

    /// Brings in a file in the way everybody's files are, row by row.
    async fn file(&mut self, data: &Path, described: &File) -> Result<()> {
        let name = &described.name;
        let mapping =
            Mapping::parse(described.mapping.as_bytes()).map_err(|errors| anyhow!("{name}: {errors:?}"))?;
        let bench = Bench { store: self.state.store.clone(), clock: self.state.clock };
        let (organization, now) = (self.importer.organization(), bench.clock.now());
        let records = mapping.records().as_str();
        let new = NewImport {
            organization,
            id: random::id(now),
            author: self.importer.person(),
            made_at: now,
            expires_at: bench.expiry(),
            records,
            mapping: described.mapping.clone(),
            all_or_none: false,
            dry_run: false,
            applies: None,
        };
        let id = local::keep(&bench, new, &data.join(name)).await?;
        lease_and_work(&bench, organization, id, Uuid::new_v4())
            .await
            .map_err(|error| anyhow!("{name}: {}", explained(&error)))?;
        let job = bench.store.import(organization, id).await?.ok_or_else(|| anyhow!("{name} is gone"))?;
        let report = bench.store.import_report(organization, id, 0, REPORT_MOST).await?.items;
        let refused = report.iter().find(|line| line.fate == REFUSED);
        if let Some(line) = refused {
            return Err(anyhow!("{name} line {}: {}: {}", line.line, line.code, line.detail));
        }
        anyhow::ensure!(job.state == ImportState::Done, "{name}: {}", job.failure.unwrap_or_default());
        let (rows, new) = (job.rows_read, job.counts.created + job.counts.changed);
        self.counts.new += usize::try_from(new)?;
        let counted = match records {
            "sites" => &mut self.counts.sites,
            "units" => &mut self.counts.units,
            _ => &mut self.counts.events,
        };
        *counted += usize::try_from(rows)?;
        self.counts.warnings += report.iter().filter(|line| line.fate == CREATED).count();
        Ok(())
    }

    async fn record(&mut self, kind: RecordKind, body: Value) -> Result<()> {
        let salts = random::salts().map_err(|_| anyhow!("no randomness"))?;
        let proposal = intake::new_record(kind, body, random::id(self.importer.now()), salts);
        self.submit(proposal).await.with_context(|| kind.as_str()).map(drop)
    }

    async fn submit(&mut self, proposal: intake::Read<Proposal>) -> Result<Written> {
        let explain = |error: ApiError| anyhow!("{}", explained(&error));
        let proposal = intake::keyed(proposal, None).map_err(explain)?;
        let done = intake::submit(self.state, &self.importer, Channel::Import, proposal, false)
            .await
            .map_err(explain)?;
        self.counts.new += usize::from(done.fate == intake::Fate::New);
        Ok(done.written)
    }
}

fn explained(error: &ApiError) -> String {
    serde_json::to_string(&error.problem(None)).unwrap_or_default()
}

fn value(file: &Path) -> Result<Value> {
    let bytes = fs::read(file).with_context(|| format!("cannot read {}", file.display()))?;
    json::parse(&bytes).with_context(|| file.display().to_string())
}

fn array(file: &Path) -> Result<Vec<Value>> {
    match value(file)? {
        Value::Array(items) => Ok(items),
        _ => Err(anyhow!("{} holds no array", file.display())),
    }
}

fn text<'a>(value: &'a Value, member: &str) -> Result<&'a str> {
    value.get(member).and_then(Value::as_str).ok_or_else(|| anyhow!("{member} is missing"))
}
