//! Waiting for an answer: whoever looks on is told, and may stop.

use std::{io::Write, time::Duration};

use handset::outside::Surroundings;
use model::Instant;
use uuid::Uuid;

use super::{Page, Screen, Tone};

/// Time and chance, with words for whoever waits.
pub(super) struct Patience<'a> {
    pub(super) around: &'a mut dyn Surroundings,
    pub(super) screen: Screen,
    /// Where the words go; nowhere for scripts.
    pub(super) beside: Option<&'a mut dyn Write>,
}

impl Surroundings for Patience<'_> {
    fn now(&mut self) -> Instant {
        self.around.now()
    }

    fn fresh_id(&mut self) -> Uuid {
        self.around.fresh_id()
    }

    fn chance(&mut self) -> f64 {
        self.around.chance()
    }

    fn wait(&mut self, wait: Duration) -> bool {
        self.around.wait(wait)
    }

    fn wanted(&mut self) -> bool {
        self.around.wanted()
    }

    fn no_answer(&mut self) {
        // What is beside the answer may go elsewhere than to the terminal.
        let mut page = Page::new(Screen { colour: false, ..self.screen });
        page.line(Tone::Plain, "No answer; trying again. Ctrl-C stops, nothing is lost.");
        if let Some(beside) = &mut self.beside {
            // Who cannot be told goes on all the same.
            let _ = beside.write_all(page.text().as_bytes());
        }
    }
}
