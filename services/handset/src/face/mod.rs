//! The terminal's face: what a technician reads and types on a small screen, the answer first. Every command says the same as
//! JSON lines where scripts ask for that.
//!
//! A file for each command; what they share is here, and in [`page`], [`ask`], [`find`], [`when`] and [`entry`].

mod ask;
mod cautions;
mod describe;
mod entry;
mod find;
mod meter;
mod page;
mod patience;
mod records;
mod story;
mod task;
mod trouble;
mod when;

pub(crate) mod at;
pub(crate) mod battery;
pub(crate) mod conflicts;
pub(crate) mod drop;
pub(crate) mod due;
pub(crate) mod enrol;
pub(crate) mod finding;
pub(crate) mod fuel;
pub(crate) mod photos;
pub(crate) mod queue;
pub(crate) mod reading;
pub(crate) mod ready;
pub(crate) mod run;
pub(crate) mod script;
pub(crate) mod service;
pub(crate) mod settle;
pub(crate) mod show;
pub(crate) mod sign_in;
pub(crate) mod sites;
pub(crate) mod sync;
pub(crate) mod tag;
pub(crate) mod take_back;
pub(crate) mod units;

#[cfg(test)]
mod tests;

use std::io::{BufRead, Write};

use anyhow::Result;
use handset::{
    Handset, State,
    outside::{Surroundings, Wire},
};
use model::{Instant, Zone};
use serde::Serialize;

pub(crate) use self::{
    page::{Page, Screen, Tone},
    trouble::Trouble,
};

/// A command's surroundings: the handset, whoever types, and what they look at.
pub(crate) struct Face<'a> {
    pub(crate) handset: &'a mut Handset,
    pub(crate) around: &'a mut dyn Surroundings,
    pub(crate) wire: &'a mut dyn Wire,
    /// What tells this start of the device from others.
    pub(crate) boot_mark: &'a str,
    /// The zone of the device, if it says one.
    pub(crate) zone: Option<Zone>,
    pub(crate) screen: Screen,
    /// Whether scripts read what is said.
    pub(crate) json: bool,
    /// Whether somebody sits there who can be asked.
    pub(crate) asks: bool,
    pub(crate) input: &'a mut dyn BufRead,
    pub(crate) out: &'a mut dyn Write,
    /// What is said to people beside the answer.
    pub(crate) beside: &'a mut dyn Write,
}

impl Face<'_> {
    /// What the device's clock shows, right or wrong.
    fn clock(&mut self) -> Instant {
        self.around.now()
    }

    /// What time it is, by what the service said of the device's clock: all that is worked out, shown or typed goes by that.
    fn now(&mut self) -> Result<Instant> {
        let shown = self.clock();
        Ok(self.handset.device()?.right(shown))
    }

    /// Says on top of what is worked out how far the device's clock is off.
    fn put_clock(&mut self, page: &mut Page) -> Result<()> {
        let device = self.handset.device()?;
        if let Some(words) = when::clock(device.offset_micros, device.synced_at.is_some()) {
            page.item("!", Tone::Warning, &words);
        }
        Ok(())
    }

    fn page(&self) -> Page {
        Page::new(self.screen)
    }

    /// Says something, to people or to scripts, at once: whoever reads it may act on it.
    fn say(&mut self, page: &Page, lines: impl IntoIterator<Item = impl Serialize>) -> Result<()> {
        if self.json {
            for line in lines {
                writeln!(self.out, "{}", serde_json::to_string(&line)?)?;
            }
        } else {
            self.out.write_all(page.text().as_bytes())?;
        }
        Ok(self.out.flush()?)
    }

    /// What is shown before something is asked; scripts are told at the end.
    fn show(&mut self, page: &Page) -> Result<()> {
        if !self.json {
            self.out.write_all(page.text().as_bytes())?;
            self.out.flush()?;
        }
        Ok(())
    }

    /// How old the copy is, and what waits: what stands on top of every list.
    fn as_of(&mut self) -> Result<String> {
        let (device, now) = (self.handset.device()?, self.clock());
        let told = match device.synced_at {
            Some(at) => format!("as of {}", when::ago(at, now)),
            None => "never synced to the end".to_owned(),
        };
        let waits = self.handset.queue()?.iter().filter(|edit| edit.state == State::Queued).count();
        Ok(if waits == 0 { told } else { format!("{told}; {waits} to send") })
    }
}
