//! Whether an edit is new, a repeat, or refused.

/// What an edit wants of the record or fact it names.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wish {
    /// That it be there: a new record, or a fact, which never changes afterwards.
    Add,
    /// That fields of it be set.
    Set,
}

/// An edit that is not refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Admitted {
    /// It was not seen before.
    New,
    /// It was accepted before, with this very content; it gets its first answer again and changes nothing.
    Repeat,
}

/// Why an edit is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// An edit with this id was accepted before and wants something else.
    #[error("an edit with this id was accepted before, with other content")]
    OtherContent,
    /// It would add what another edit has added.
    #[error("there is a record with this id already")]
    Exists,
    /// It would set fields of what is not there (yet).
    #[error("there is no record with this id")]
    Absent,
}

/// Judges an edit by its id, its content and what is there.
///
/// `earlier` is the content hash under which an edit of the same id was accepted, `sent` that of this one;
/// `exists` says whether the record or fact it names is there. A repeat is recognised first: what an edit added
/// exists, of course, when the edit comes again.
pub fn admit<H: PartialEq + ?Sized>(
    earlier: Option<&H>,
    sent: &H,
    wish: Wish,
    exists: bool,
) -> Result<Admitted, Refused> {
    match (earlier, wish, exists) {
        (Some(earlier), ..) if earlier == sent => Ok(Admitted::Repeat),
        (Some(_), ..) => Err(Refused::OtherContent),
        (None, Wish::Add, true) => Err(Refused::Exists),
        (None, Wish::Set, false) => Err(Refused::Absent),
        (None, Wish::Add, false) | (None, Wish::Set, true) => Ok(Admitted::New),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_case() {
        use Admitted::{New, Repeat};
        use Refused::{Absent, Exists, OtherContent};
        use Wish::{Add, Set};
        let table = [
            (None, Add, false, Ok(New)),
            (None, Add, true, Err(Exists)),
            (None, Set, false, Err(Absent)),
            (None, Set, true, Ok(New)),
            (Some("a"), Add, false, Ok(Repeat)),
            (Some("a"), Add, true, Ok(Repeat)),
            (Some("a"), Set, false, Ok(Repeat)),
            (Some("a"), Set, true, Ok(Repeat)),
            (Some("b"), Add, false, Err(OtherContent)),
            (Some("b"), Add, true, Err(OtherContent)),
            (Some("b"), Set, false, Err(OtherContent)),
            (Some("b"), Set, true, Err(OtherContent)),
        ];
        for (earlier, wish, exists, expected) in table {
            assert_eq!(admit(earlier, "a", wish, exists), expected, "{earlier:?} {wish:?} {exists}");
        }
    }
    /// Facts a, b and c, of which a comes twice and b once more with other content, in every order: the same facts are
    /// there, each once, and each edit gets the answer that it gets whichever comes first.
    #[test]
    fn facts_in_all_orders() {
        let sent = [('a', 1), ('a', 1), ('b', 1), ('b', 2), ('c', 1)];
        for order in 0..120_usize {
            let mut left: Vec<(char, u8)> = sent.to_vec();
            let mut facts = std::collections::BTreeMap::new();
            let mut answers = Vec::new();
            for place in [order / 24, order / 6 % 4, order / 2 % 3, order % 2, 0] {
                let (id, content) = left.remove(place);
                let earlier = facts.get(&id).copied();
                answers.push(admit(earlier.as_ref(), &content, Wish::Add, earlier.is_some()));
                facts.entry(id).or_insert(content);
            }
            let count = |answer| answers.iter().filter(|found| **found == answer).count();
            assert_eq!(facts.keys().collect::<String>(), "abc", "{order}");
            let counts = [Ok(Admitted::New), Ok(Admitted::Repeat), Err(Refused::OtherContent)].map(count);
            assert_eq!(counts, [3, 1, 1], "{order}");
        }
    }
}
