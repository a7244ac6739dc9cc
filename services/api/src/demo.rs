//! The demonstration fleet, imported from readable files through the same way in as requests.

use std::{fs, path::Path};

use anyhow::{Context, Result, anyhow};
use model::{
    Instant, OrganizationId, PersonId, ScheduleId,
    edit::{Channel, RecordKind},
    json,
};
use serde_json::Value;
use store::command::{Proposal, Written};

use crate::{extract::Caller, intake, problem::ApiError, random, setup, state::State};

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
}

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

/// How much was imported.
#[derive(Debug, Default)]
pub(crate) struct Counts {
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
    })
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

/// Imports the fleet, unless the organization is there already.
pub(crate) async fn import(state: &State, data: &Path, described: &Described) -> Result<Option<Counts>> {
    if !setup::organization(state, described.id, &described.name).await? {
        return Ok(None);
    }
    let actors = actors(data)?;
    let acting = |role: &str| {
        actors.iter().find(|actor| actor.role == role).ok_or_else(|| anyhow!("nobody is {role}"))
    };
    let (admin, coordinator) = (acting("admin")?.id, acting("coordinator")?.id);
    let importer = setup::coordinator(described.id, coordinator, state.clock.now());
    let mut counts = Counts::default();
    for site in array(&data.join("sites.json"))? {
        record(state, &importer, RecordKind::Site, site).await?;
        counts.sites += 1;
    }
    for person in array(&data.join("people.json"))? {
        setup::person(state, described.id, admin, &person).await?;
    }
    for file in &described.schedules {
        schedule(state, &importer, &data.join(file)).await?;
        counts.editions += 1;
    }
    for unit in array(&data.join("units.json"))? {
        record(state, &importer, RecordKind::Unit, unit).await?;
        counts.units += 1;
    }
    events(state, &importer, &data.join("events"), &mut counts).await?;
    Ok(Some(counts))
}

async fn schedule(state: &State, importer: &Caller, file: &Path) -> Result<()> {
    let whole = value(file)?;
    let schedule = whole.get("schedule").cloned().unwrap_or_default();
    let id = ScheduleId::parse(text(&schedule, "id")?).map_err(|f| anyhow!("{f}"))?;
    record(state, importer, RecordKind::Schedule, schedule).await?;
    let edition = whole.get("edition").cloned().unwrap_or_default();
    let proposal = intake::new_edition(id, edition, random::id(importer.now())).map_err(ApiError::invalid);
    submit(state, importer, proposal).await.with_context(|| file.display().to_string()).map(drop)
}

async fn events(state: &State, importer: &Caller, folder: &Path, counts: &mut Counts) -> Result<()> {
    let mut files =
        fs::read_dir(folder)?.map(|entry| entry.map(|entry| entry.path())).collect::<Result<Vec<_>, _>>()?;
    files.sort();
    for file in files {
        let lines = fs::read_to_string(&file)?;
        for (number, line) in lines.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
            let place = || format!("{} line {}", file.display(), number + 1);
            let body = json::parse(line.as_bytes()).with_context(place)?;
            let salts = random::salts().map_err(|_| anyhow!("no randomness"))?;
            let proposal =
                intake::new_event(body, random::id(importer.now()), salts).map_err(ApiError::invalid);
            if let Written::Event(_, warnings) =
                submit(state, importer, proposal).await.with_context(place)?
            {
                counts.warnings += usize::from(!warnings.is_empty());
            }
            counts.events += 1;
        }
    }
    Ok(())
}

async fn record(state: &State, importer: &Caller, kind: RecordKind, body: Value) -> Result<()> {
    let salts = random::salts().map_err(|_| anyhow!("no randomness"))?;
    let proposal =
        intake::new_record(kind, body, random::id(importer.now()), salts).map_err(ApiError::invalid);
    submit(state, importer, proposal).await.with_context(|| kind.as_str()).map(drop)
}

async fn submit(state: &State, importer: &Caller, proposal: Result<Proposal, ApiError>) -> Result<Written> {
    let explain =
        |error: ApiError| anyhow!("{}", serde_json::to_string(&error.problem(None)).unwrap_or_default());
    let proposal = proposal.map_err(explain)?;
    let done = intake::submit(state, importer, Channel::Import, proposal).await.map_err(explain)?;
    Ok(done.written)
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
