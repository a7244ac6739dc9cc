//! What is shown: short lines that fit the screen, the answer first.

use std::{env, io::IsTerminal};

use anstyle::{AnsiColor, Style};
use textwrap::{Options, WordSplitter, WrapAlgorithm};

/// The screen of a phone held upright.
const SMALL: usize = 40;
/// Longer lines are hard to read.
const WIDEST: usize = 80;

/// What is shown on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Screen {
    /// How many characters fit on a line.
    pub(crate) width: usize,
    /// Whether it has colours, and they are wanted.
    pub(crate) colour: bool,
}

impl Screen {
    /// The terminal that the program runs on.
    pub(crate) fn of_the_terminal() -> Self {
        let stdout = std::io::stdout();
        let asked = env::var("COLUMNS").ok().and_then(|columns| columns.parse().ok());
        let told = || terminal_size::terminal_size_of(&stdout).map(|(width, _)| usize::from(width.0));
        let is_wanted = env::var_os("NO_COLOR").is_none_or(|no| no.is_empty());
        let width = asked.or_else(told).unwrap_or(WIDEST);
        Self { width: width.clamp(SMALL / 2, WIDEST), colour: stdout.is_terminal() && is_wanted }
    }
}

/// How much a line matters; its words say it, too.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Tone {
    /// It says what it says.
    #[default]
    Plain,
    /// What the lines below are about.
    Title,
    /// Somebody has to do something at once, or may be hurt.
    Alarm,
    /// Something is to be done.
    Warning,
    /// All is well.
    Good,
    /// Worth knowing.
    Quiet,
}

impl Tone {
    fn style(self) -> Style {
        let colour = |colour: AnsiColor| Style::new().fg_color(Some(colour.into()));
        match self {
            Self::Plain => Style::new(),
            Self::Title => Style::new().bold(),
            Self::Alarm => colour(AnsiColor::Red).bold(),
            Self::Warning => colour(AnsiColor::Yellow),
            Self::Good => colour(AnsiColor::Green),
            Self::Quiet => Style::new().dimmed(),
        }
    }
}

/// Lines to be shown.
#[derive(Clone, Debug)]
pub(crate) struct Page {
    screen: Screen,
    text: String,
}

impl Page {
    pub(crate) fn new(screen: Screen) -> Self {
        Self { screen, text: String::new() }
    }

    /// A title, set off from what is above.
    pub(crate) fn title(&mut self, text: &str) {
        if !self.text.is_empty() {
            self.text.push('\n');
        }
        self.line(Tone::Title, text);
    }

    /// A sentence.
    pub(crate) fn line(&mut self, tone: Tone, text: &str) {
        self.put(tone, "", "", text);
    }

    /// One of a list, with what it is known by.
    pub(crate) fn item(&mut self, mark: &str, tone: Tone, text: &str) {
        let mark = format!("{mark} ");
        self.put(tone, &mark, &" ".repeat(mark.chars().count()), text);
    }

    /// What belongs to the line above.
    pub(crate) fn under(&mut self, tone: Tone, text: &str) {
        self.put(tone, "  ", "  ", text);
    }

    /// All of it.
    pub(crate) fn text(&self) -> &str {
        &self.text
    }

    fn put(&mut self, tone: Tone, first: &str, others: &str, text: &str) {
        let options = Options::new(self.screen.width)
            .initial_indent(first)
            .subsequent_indent(others)
            .word_splitter(WordSplitter::NoHyphenation)
            .wrap_algorithm(WrapAlgorithm::FirstFit);
        let style = if self.screen.colour { tone.style() } else { Style::new() };
        for line in textwrap::wrap(&shown(text), options) {
            self.text.push_str(&format!("{style}{}{style:#}\n", line.trim_end()));
        }
    }
}

/// Text as it may be shown: what somebody typed elsewhere must not move the cursor or turn the line round.
fn shown(text: &str) -> String {
    let is_hidden = |c: char| {
        c.is_control()
            || matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    text.chars().map(|c| if is_hidden(c) { ' ' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn small() -> Page {
        Page::new(Screen { width: 40, colour: false })
    }

    #[test]
    fn no_line_is_wider_than_the_screen() {
        let mut page = small();
        let long = "Run a portable set outdoors only, at least 20 ft (6 m) from every door. ".repeat(3);
        page.line(Tone::Alarm, &long);
        page.item("12", Tone::Plain, &long);
        page.under(Tone::Quiet, &"x".repeat(100));
        page.item("*", Tone::Plain, &"電".repeat(50));
        assert!(page.text().lines().all(|line| textwrap::core::display_width(line) <= 40), "{}", page.text());
        assert!(page.text().contains("\n12 Run a portable"));
        assert!(page.text().contains("\n   least 20 ft"), "{}", page.text());
    }

    #[test]
    fn what_was_typed_elsewhere_moves_no_cursor() {
        let mut page = small();
        page.line(Tone::Plain, "Pump\u{1b}[2J\n\u{202e}1\u{7}");
        assert_eq!(page.text(), "Pump [2J  1\n");
    }

    #[test]
    fn colour_only_where_it_is_wanted() {
        let mut page = Page::new(Screen { width: 40, colour: true });
        page.line(Tone::Alarm, "OVERDUE");
        assert!(page.text().starts_with('\u{1b}') && page.text().contains("OVERDUE"));
        let mut page = small();
        page.line(Tone::Alarm, "OVERDUE");
        assert_eq!(page.text(), "OVERDUE\n");
    }
}
