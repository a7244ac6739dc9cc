//! What a meter shows, looked at before it is saved: whether it fits what is known, and what was probably meant.

use anyhow::Result;
use clap::Args;
use device::EventCheck;
use interval::MeterRange;
use model::{Hours, Instant, Zone};
use serde_json::{Map, Value, json};

use super::{
    Face, Trouble,
    entry::{self, sent},
    find::Named,
    page::{Page, Tone},
    when,
};

/// What is done about a reading that does not fit.
#[derive(Args, Default)]
pub(crate) struct Doubtful {
    /// If the reading does not fit: take what was probably meant, or the unit that it was probably read of.
    #[arg(long, conflicts_with = "keep")]
    take: bool,
    /// If the reading does not fit: it is right all the same, and saved with the doubt.
    #[arg(long)]
    keep: bool,
}

/// A reading that was looked at.
pub(super) struct Looked {
    pub(super) hours: Hours,
    /// The unit whose meter it was, if another one.
    pub(super) of: Option<Named>,
}

/// What can be done about a doubt.
enum Way {
    Take(Hours),
    Move(Named),
    Keep,
    Again,
    Stop,
}

impl Face<'_> {
    /// Holds a reading against what is known, and has somebody decide where it does not fit.
    pub(super) fn looked_at(
        &mut self,
        unit: &Named,
        event: &Map<String, Value>,
        mut hours: Hours,
        doubtful: &Doubtful,
        may_move: bool,
    ) -> Result<Looked> {
        let member = if event.contains_key("stopped_at") { "stop_meter_hours" } else { "meter_hours" };
        let (device, records) = (self.handset.device()?, self.records()?);
        loop {
            let mut read = when::counted(when::put_right(event, &device));
            read.insert(member.to_owned(), sent(hours));
            // What is wrong with the event by itself is said when it is saved.
            let checked = records.check(&entry::with_an_id(read)).ok();
            let Some(doubt) = checked.filter(is_set_aside) else { return Ok(Looked { hours, of: None }) };
            let other = if may_move { self.other(&doubt)? } else { None };
            match self.way(unit, hours, &doubt, other, doubtful)? {
                Way::Take(meant) => return Ok(Looked { hours: meant, of: None }),
                Way::Move(other) => return Ok(Looked { hours, of: Some(other) }),
                Way::Keep => return Ok(Looked { hours, of: None }),
                Way::Again => {
                    hours = self.answer(None, "--take or --keep", "What does it show?", entry::hours)?
                }
                Way::Stop => return Err(Trouble::Stopped.into()),
            }
        }
    }

    fn other(&mut self, doubt: &EventCheck) -> Result<Option<Named>> {
        let Some(other) = &doubt.belongs_to else { return Ok(None) };
        Ok(self.units()?.into_iter().find(|unit| unit.unit() == other.unit_id))
    }

    fn way(
        &mut self,
        unit: &Named,
        hours: Hours,
        doubt: &EventCheck,
        other: Option<Named>,
        doubtful: &Doubtful,
    ) -> Result<Way> {
        let meant = doubt.warnings.iter().find_map(|warning| warning.suggested_meter_hours);
        let (now, zone) = (self.now()?, self.zone_at(Some(unit))?);
        let mut page = self.page();
        put(&mut page, unit, hours, doubt.meter, now, &zone);
        let mut ways: Vec<(String, Way)> = Vec::new();
        ways.extend(meant.map(|meant| (format!("{meant}? Take that"), Way::Take(meant))));
        ways.extend(other.map(|other| (format!("{}'s meter? Enter it there", other.name), Way::Move(other))));
        let is_guess = !ways.is_empty();
        match (doubtful.take, doubtful.keep) {
            (_, true) => return Ok(Way::Keep),
            (true, _) if is_guess => return Ok(ways.swap_remove(0).1),
            (true, _) => {
                return Err(Trouble::Other(format!(
                    "{} Nothing was saved: nobody knows what was meant.",
                    flat(&page)
                ))
                .into());
            }
            _ => {}
        }
        if !self.asks {
            let guess = ways.first().map(|(words, _)| format!(" {words}: --take.")).unwrap_or_default();
            let words = format!("{}{guess} If it is right: --keep. Nothing was saved.", flat(&page));
            return Err(Trouble::Other(words).into());
        }
        ways.push((format!("{hours} is right: save it with the doubt"), Way::Keep));
        ways.push(("type it again".to_owned(), Way::Again));
        ways.push(("stop".to_owned(), Way::Stop));
        self.show(&page)?;
        let among: Vec<&str> = ways.iter().map(|(words, _)| words.as_str()).collect();
        let place = self.choice(None, "--take or --keep", "Which?", &among)?;
        Ok(ways.swap_remove(place).1)
    }
}

fn is_set_aside(check: &EventCheck) -> bool {
    check.warnings.iter().any(|warning| warning.code == "reading_set_aside")
}

fn put(page: &mut Page, unit: &Named, hours: Hours, range: Option<MeterRange>, now: Instant, zone: &Zone) {
    page.item("!", Tone::Alarm, &format!("{hours} h does not fit {}.", unit.name));
    let Some(range) = range else { return };
    let read = when::shown(range.read_at, now, zone);
    let likely = range.likely_meter_hours.map(|likely| format!(", probably {likely}")).unwrap_or_default();
    let can = format!(
        "It can show {} to {}{likely}; it was read {read}.",
        range.least_meter_hours, range.most_meter_hours
    );
    page.under(Tone::Plain, &can);
}

/// The same in one line.
fn flat(page: &Page) -> String {
    page.text().split_whitespace().skip(1).collect::<Vec<_>>().join(" ")
}

/// Doubts about anything that was entered, as whoever entered it reads them.
pub(super) fn doubts(face: &mut Face<'_>, event: Map<String, Value>) -> Result<Vec<Value>> {
    let checked = face.records()?.check(&entry::with_an_id(event)).ok();
    Ok(checked.iter().flat_map(|check| &check.warnings).map(|warning| json!(warning)).collect())
}
