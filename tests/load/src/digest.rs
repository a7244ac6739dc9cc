//! The digest of a large town: computing and rendering its mails by `keepstart-nightly preview`, a whole process.

use std::{path::PathBuf, time::Instant as Ticks};

use anyhow::{Context, Result, ensure};
use blackbox::{Database, service::in_folder, world::fresh};
use model::{
    EditId, Instant, MailListId,
    edit::{Action, Channel, Edit, Target},
};
use serde_json::{Value, json};
use store::command::Proposal;

use crate::{
    fleet::{Fleet, Past},
    fresh_store,
    night::shift,
    options::{On, Options, progress},
    reads::settle,
    stats::middle,
    table::{Line, seconds_of},
    town::{self, JOBS, Town, created, happened},
    unit::Unit,
};

const SITES: usize = 1000;
/// With the fleet of 100,000 units that is asked for by itself there are as many due items: units of twelve tasks.
const TASKS: usize = JOBS.len();
const RECIPIENTS: usize = 3;
/// One unit in so many is seen to between one digest and the next.
const SEEN_TO: usize = 10;
/// Edits of one transaction.
const EDITS: usize = 500;
const BAR: f64 = 2.0;

/// When the lists are due on two days, 06:00 where they are, and half a minute before, when the advance was last about.
const FIRST: [&str; 2] = ["2026-06-16T11:59:30Z", "2026-06-16T12:00:00Z"];
const SECOND: [&str; 2] = ["2026-06-17T11:59:30Z", "2026-06-17T12:00:00Z"];
/// When units are seen to in between.
const BETWEEN: &str = "2026-06-16T20:00:00Z";

/// A town, and the night shift on its database.
struct Ground<'o> {
    database: Database,
    town: Town,
    units: Vec<Unit>,
    on: On,
    options: &'o Options,
}

/// The lines about digests on one database.
pub(crate) async fn lines(on: On, options: &Options) -> Result<Vec<Line>> {
    let mut ground = Ground::build(on, options).await?;
    let nothing = ground.previewed(FIRST[1], 0)?;
    let site = *ground.town.places.sites.first().context("no sites")?;
    let one = ground.listed(json!([site])).await?;
    let of_one = ground.digest("digest of one site", FIRST, &nothing)?;
    ground.give_up(one).await?;
    ground.listed(json!("all")).await?;
    let first = ground.digest("first digest of all sites", FIRST, &nothing)?;
    shift(&ground.database, "once", FIRST[1], &["--at", FIRST[1]])?;
    ground.work().await?;
    let second = ground.digest("digest of all sites on the day after", SECOND, &nothing)?;
    Ok(vec![first, second, of_one])
}

impl<'o> Ground<'o> {
    async fn build(on: On, options: &'o Options) -> Result<Self> {
        let (database, store) = fresh_store(on)?;
        let town = Town::of_sites(&store, SITES).await?;
        let count = options.fleet().div_ceil(TASKS);
        let Fleet { units, took } = Fleet::build(&town, count, Past::Mixed).await?;
        settle(&database);
        let told = |state: &str| {
            let items =
                database.number(&format!("SELECT count(*) AS n FROM due_item WHERE state = '{state}'"));
            format!("{items} {state}")
        };
        let told = ["overdue", "due", "coming_due", "unknown", "ok"].map(told).join(", ");
        progress(&format!("{}: built {count} units in {:.0} s: {told}", on.name(), took.as_secs_f64()));
        Ok(Self { database, town, units, on, options })
    }

    /// A new list of these sites, with its recipients.
    async fn listed(&self, sites: Value) -> Result<MailListId> {
        let list: MailListId = fresh();
        let fields = json!({"name": "Duty", "zone": "America/Denver", "sites": sites, "role": "coordinator"});
        let mut edits = vec![created(Target::MailList(list), fields)?];
        for n in 0..RECIPIENTS {
            let address = format!("duty{n}@tarn-valley.example");
            edits.push(created(
                Target::Recipient(fresh()),
                json!({"mail_list_id": list, "address": address}),
            )?);
        }
        self.write(FIRST[0], edits).await?;
        Ok(list)
    }

    async fn give_up(&self, list: MailListId) -> Result<()> {
        let id: EditId = fresh();
        let fields = town::members(json!({"retired": true}))?;
        let action = Action::Set { target: Target::MailList(list), fields };
        self.write(
            FIRST[0],
            vec![Proposal { edit: Edit { id, action }, seen: None, salts: Vec::new(), sent: None }],
        )
        .await
    }

    /// Units that are seen to after the first digest.
    async fn work(&mut self) -> Result<()> {
        let at = Instant::parse(BETWEEN)?;
        let mut edits = Vec::new();
        for (n, unit) in self.units.iter_mut().step_by(SEEN_TO).enumerate() {
            let (job, _, _) = JOBS.get(n % TASKS).context("no jobs")?;
            edits.push(happened(unit.service_of(job, at.seconds_since(unit.last()), 30)?));
        }
        for some in edits.chunks(EDITS) {
            self.write(BETWEEN, some.to_vec()).await?;
        }
        Ok(())
    }

    async fn write(&self, now: &str, edits: Vec<Proposal>) -> Result<()> {
        self.town.write(Channel::Import, Instant::parse(now)?, edits).await
    }

    /// Brings stored states up to just before a digest, and measures it.
    fn digest(&self, what: &str, [before, at]: [&str; 2], nothing: &[f64]) -> Result<Line> {
        shift(&self.database, "once", before, &["--at", before])?;
        settle(&self.database);
        let seconds = self.previewed(at, RECIPIENTS)?;
        let what = format!("{what}, {} due items at {SITES} sites", self.units.len() * TASKS);
        let reached = Some(middle(&seconds) < BAR);
        let mut line = Line::figure(&what, self.on.name(), seconds_of(&seconds), "under 2 s", reached);
        line.bare = format!("{} without a list", seconds_of(nothing));
        progress(&format!("{}: {}: {}, {}", line.on, line.what, line.ours, line.bare));
        Ok(line)
    }

    /// The seconds that a preview of so many mails takes in each round, the shortest first. The first time does not count.
    fn previewed(&self, at: &str, mails: usize) -> Result<Vec<f64>> {
        let mut seconds = Vec::new();
        for round in 0..=self.options.rounds {
            let folder = PathBuf::from(in_folder(&self.database, "preview"));
            let began = Ticks::now();
            let said = shift(&self.database, "preview", at, &["--folder", &folder.display().to_string()])?;
            let took = began.elapsed().as_secs_f64();
            ensure!(said.contains(&format!("Wrote {mails} mail(s)")), "not {mails} mails: {said}");
            std::fs::remove_dir_all(folder)?;
            if round > 0 {
                seconds.push(took);
            }
        }
        seconds.sort_by(f64::total_cmp);
        Ok(seconds)
    }
}
