//! What can hurt somebody at this work, said before it is done.

use anyhow::Result;
use model::schedule;
use serde_json::{Value, json};
use standby::caution::{self, Caution};

use super::{
    Face,
    entry::insert,
    find::Named,
    page::{Page, Tone},
    story,
};

/// Before an engine runs.
pub(super) const RUNNING: &[Caution] = &[caution::CARBON_MONOXIDE, caution::BACK_FEED, caution::MANUAL_FIRST];
/// Before fuel is handled.
pub(super) const FUELLING: &[Caution] = &[caution::ENGINE_OFF_FOR_FUEL, caution::MANUAL_FIRST];
/// Before fuel is drained.
pub(super) const DRAINING: &[Caution] =
    &[caution::ENGINE_OFF_FOR_FUEL, caution::WASTE_FUEL, caution::MANUAL_FIRST];
/// Before a battery is touched.
pub(super) const AT_THE_BATTERY: &[Caution] =
    &[caution::BATTERY_GAS, caution::BATTERY_ACID, caution::MANUAL_FIRST];
/// Before a set is worked on.
pub(super) const AT_WORK: &[Caution] = &[
    caution::AUTOMATIC_START,
    caution::BATTERY_DISCONNECT,
    caution::HOT_PARTS,
    caution::USED_OIL,
    caution::MANUAL_FIRST,
];
/// Before a lock or tag is touched.
pub(super) const AT_A_TAG: &[Caution] = &[caution::LOCKED_OUT];

/// Puts cautions on a page.
pub(super) fn put(page: &mut Page, cautions: &[Caution]) {
    for caution in cautions {
        page.item("!", Tone::Warning, caution.text);
    }
}

/// Cautions as scripts read them.
pub(super) fn told(cautions: &[Caution]) -> Vec<Value> {
    let told = |caution: &Caution| json!({"caution": caution.caution, "text": caution.text, "source": caution.source});
    cautions.iter().map(told).collect()
}

/// What was shown before the work, for scripts.
pub(super) struct Heeded {
    tags: Vec<Value>,
    cautions: Vec<Value>,
}

impl Heeded {
    /// Puts on a page whether a tag hangs on the unit, and what else can hurt somebody.
    pub(super) fn put(
        face: &mut Face<'_>,
        page: &mut Page,
        unit: &Named,
        cautions: &[Caution],
    ) -> Result<Self> {
        let story = face.story(unit.unit())?;
        let tags: Vec<Value> = story::tags(&story).iter().map(|tag| json!(tag.event)).collect();
        let mut heeded = Self { tags, cautions: Vec::new() };
        if !heeded.tags.is_empty() {
            page.item("!", Tone::Alarm, &format!("A tag hangs on {}: it must not run.", unit.name));
            heeded.say(page, AT_A_TAG);
        }
        heeded.say(page, cautions);
        Ok(heeded)
    }

    fn say(&mut self, page: &mut Page, cautions: &[Caution]) {
        put(page, cautions);
        self.cautions.extend(told(cautions));
    }

    /// Puts what a schedule says beside that, with who says so where that is wanted.
    pub(super) fn add(&mut self, page: &mut Page, cautions: &[schedule::Caution], sources: bool) {
        for caution in cautions {
            let source = if sources { format!(" ({})", caution.source) } else { String::new() };
            page.item("!", Tone::Warning, &format!("{}{source}", caution.text));
        }
        self.cautions.extend(cautions.iter().map(|caution| json!(caution)));
    }

    /// Tells scripts of it.
    pub(super) fn tell(self, line: &mut Value) {
        insert(line, "tags", json!(self.tags));
        insert(line, "cautions", json!(self.cautions));
    }
}
