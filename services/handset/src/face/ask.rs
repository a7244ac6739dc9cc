//! Asking, where somebody sits there; each answer can be given by a flag as well.

use anyhow::Result;

use super::{Face, Trouble, page::Tone};

/// So many answers that cannot be read, and it is left.
const TRIES: u32 = 5;

impl Face<'_> {
    /// The answer that a flag gives, or somebody who is asked.
    pub(super) fn answer<T>(
        &mut self,
        given: Option<&str>,
        flag: &str,
        question: &str,
        read: impl Fn(&str) -> Result<T, String>,
    ) -> Result<T> {
        if let Some(text) = given {
            let unreadable = |why| Trouble::Unreadable { flag: flag.to_owned(), why };
            return Ok(read(text).map_err(unreadable)?);
        }
        for _ in 0..TRIES {
            let text = self.asked(flag, question)?;
            match read(&text) {
                Ok(found) => return Ok(found),
                Err(why) => {
                    let mut page = self.page();
                    page.line(Tone::Warning, &why);
                    self.show(&page)?;
                }
            }
        }
        Err(Trouble::Stopped.into())
    }

    /// The same of what need not be answered: nothing where nobody can be asked, or an empty line is.
    pub(super) fn answer_if_any<T>(
        &mut self,
        given: Option<&str>,
        flag: &str,
        question: &str,
        read: impl Fn(&str) -> Result<T, String>,
    ) -> Result<Option<T>> {
        if given.is_none() && !self.asks {
            return Ok(None);
        }
        let question = format!("{question} (or Enter)");
        self.answer(given, flag, &question, |text| {
            if text.trim().is_empty() { Ok(None) } else { read(text).map(Some) }
        })
    }

    /// One of several, by number: its place in the list.
    pub(super) fn choice(
        &mut self,
        given: Option<usize>,
        flag: &str,
        question: &str,
        among: &[&str],
    ) -> Result<usize> {
        let given = given.map(|number| number.to_string());
        if given.is_none() && self.asks {
            let mut page = self.page();
            for (number, what) in (1..).zip(among) {
                page.item(&format!("{number}"), Tone::Plain, what);
            }
            self.show(&page)?;
        }
        self.answer(given.as_deref(), flag, question, |text| number(text, among.len()))
    }

    fn asked(&mut self, flag: &str, question: &str) -> Result<String> {
        if !self.asks {
            return Err(Trouble::Missing { flag: flag.to_owned(), question: question.to_owned() }.into());
        }
        let mut page = self.page();
        page.line(Tone::Plain, question);
        self.out.write_all(page.text().as_bytes())?;
        write!(self.out, "> ")?;
        self.out.flush()?;
        let mut line = String::new();
        if self.input.read_line(&mut line)? == 0 {
            writeln!(self.out)?;
            return Err(Trouble::Stopped.into());
        }
        Ok(line.trim().to_owned())
    }
}

/// A number of a list, as its place in it.
pub(super) fn number(text: &str, of: usize) -> Result<usize, String> {
    let number = text.trim().parse::<usize>().ok().filter(|number| (1..=of).contains(number));
    number.map(|number| number - 1).ok_or_else(|| format!("Type a number from 1 to {of}."))
}
