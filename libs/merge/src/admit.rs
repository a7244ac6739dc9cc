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
}
