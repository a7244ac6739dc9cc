//! What a digest shows, in its order: made once, and told by the plain text and by the HTML alike.

use jiff::tz::TimeZone;
use model::LocalDate;

use super::{
    cautions,
    facts::Facts,
    order::Sorted,
    section::Section,
    sections::sections,
    shown::shown,
    subject::{self, Counts, thousands},
    words,
};

/// Sites without anything to tell that are named.
const CLEAR_SITES: usize = 200;

/// A digest as it is shown.
#[derive(Debug)]
pub(crate) struct View {
    pub(crate) subject: String,
    /// Whose it is, and for which day.
    pub(crate) title: String,
    /// What it comes to, in sentences.
    pub(crate) lead: Vec<String>,
    pub(crate) sections: Vec<Section>,
    pub(crate) weeks: Vec<ShownWeek>,
    pub(crate) clear: Option<String>,
    pub(crate) caution: String,
    /// Why somebody gets this.
    pub(crate) footer: String,
}

/// A week looked back upon.
#[derive(Debug)]
pub(crate) struct ShownWeek {
    pub(crate) monday: String,
    pub(crate) overdue: String,
}

impl View {
    pub(crate) fn of(facts: &Facts) -> Self {
        let sorted = Sorted::of(facts);
        let counts = Counts::of(facts, &sorted);
        let (organization, list) = (shown(facts.organization_name.as_str()), shown(facts.list.name.as_str()));
        Self {
            subject: subject::of(facts, &sorted),
            title: format!("{organization}: {list}, {}", facts.local_date),
            lead: lead(facts, &counts),
            sections: sections(facts, sorted),
            weeks: weeks(facts),
            clear: clear(facts),
            caution: cautions::line(),
            footer: format!(
                "You get this as {} on the list {list} of {organization}. How to leave the list stands in the \
                 headers of this mail; most mail programs show it as \"unsubscribe\".",
                words::role(facts.list.role)
            ),
        }
    }
}

impl View {
    pub(crate) fn weeks_heading(&self) -> String {
        format!("Overdue at the end of each of the last {} weeks", self.weeks.len())
    }
}

fn lead(facts: &Facts, counts: &Counts) -> Vec<String> {
    let mut said = Vec::new();
    let checked = clock(facts);
    let told = counts.words().join(", ");
    if facts.heartbeat {
        let since = facts.previous.map(|day| format!(" since the mail of {day}")).unwrap_or_default();
        said.push(format!("Nothing changed{since}: still {told}; last checked {checked}."));
    } else {
        said.push(format!("{}; as of {checked}.", capitalized(&told)));
    }
    said.push(format!("\"This week\" is up to {}.", facts.due_by));
    let more = [
        (counts.later, "coming due later"),
        (counts.deferred, "deferred"),
        (facts.acknowledged.len(), "acknowledged"),
        (counts.quiet, "quiet"),
    ];
    let more: Vec<String> = more
        .iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, what)| format!("{} {what}", thousands(*count)))
        .collect();
    if !more.is_empty() {
        said.push(format!("Besides: {}.", more.join(", ")));
    }
    if !facts.missed_dates.is_empty() {
        let dates: Vec<String> = facts.missed_dates.iter().map(LocalDate::to_string).collect();
        said.push(format!("No mail went out on {}; this one tells of those days too.", dates.join(", ")));
    }
    if facts.pending {
        said.push(
            "Some units are still being worked out after a change that concerns many: of these, things are told as they were."
                .to_owned(),
        );
    }
    said
}

/// The instant that everything is told of, by the clock of the list.
fn clock(facts: &Facts) -> String {
    let zone = TimeZone::get(facts.zone.name()).unwrap_or(TimeZone::UTC);
    let at = facts.as_of.timestamp();
    let local = zone.to_datetime(at).strftime("%Y-%m-%d %H:%M").to_string();
    format!("{local} ({}, UTC{})", facts.zone.name(), zone.to_offset(at))
}

fn capitalized(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map(|first| first.to_uppercase().chain(chars).collect()).unwrap_or_default()
}

fn weeks(facts: &Facts) -> Vec<ShownWeek> {
    if facts.weeks.iter().all(|week| week.overdue.is_none()) {
        return Vec::new();
    }
    let shown =
        |count: Option<u32>| count.map_or_else(|| "not counted".to_owned(), |count| count.to_string());
    facts
        .weeks
        .iter()
        .map(|week| ShownWeek { monday: week.monday.to_string(), overdue: shown(week.overdue) })
        .collect()
}

fn clear(facts: &Facts) -> Option<String> {
    let mut names: Vec<&str> = facts.clear_sites.iter().map(|site| site.name.as_str()).collect();
    names.sort_unstable();
    let more = names.len().saturating_sub(CLEAR_SITES);
    let mut named: Vec<String> = names.iter().take(CLEAR_SITES).map(|name| shown(name)).collect();
    if more > 0 {
        named.push(format!("and {} more", thousands(more)));
    }
    (!named.is_empty()).then(|| format!("All clear ({}): {}.", thousands(names.len()), named.join(", ")))
}
