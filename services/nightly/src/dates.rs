//! When a mail list is due: once on each local date, at its time of day, also across daylight saving.

use model::{
    Instant, LocalDate, Zone,
    mail::{MailListFields, TimeOfDay, Weekday},
};
use store::digests::MailList;

/// The next instant strictly after `now` at which a list is due, and its date there.
pub(crate) fn next(list: &MailListFields, now: Instant) -> Option<(LocalDate, Instant)> {
    let (zone, time) = when(list)?;
    let today = zone.date(now);
    // A clock that is put forward over the time of day makes the instant later, never another date.
    [today, today.plus_days(1)].into_iter().map(|date| (date, zone.at(date, time))).find(|(_, at)| *at > now)
}

/// The instant at which a list is due on a date there.
pub(crate) fn due_at(list: &MailListFields, date: LocalDate) -> Option<Instant> {
    when(list).map(|(zone, time)| zone.at(date, time))
}

/// The date of an instant where the list is read.
pub(crate) fn date_of(list: &MailListFields, at: Instant) -> Option<LocalDate> {
    when(list).map(|(zone, _)| zone.date(at))
}

/// The name of the chore of a list on a date.
pub(crate) fn chore_name(list: &MailList, date: LocalDate) -> String {
    format!("{}/{date}", list.id)
}

/// Whether there is a mail on a date though nothing changed.
pub(crate) fn is_heartbeat(list: &MailListFields, date: LocalDate) -> bool {
    date.weekday() == list.heartbeat.unwrap_or(Weekday::Monday)
}

fn when(list: &MailListFields) -> Option<(&Zone, TimeOfDay)> {
    Some((list.zone.as_ref()?, list.send_at.unwrap_or(TimeOfDay::SIX)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn list(zone: &str, time: &str) -> MailListFields {
        MailListFields {
            zone: Zone::parse(zone).ok(),
            send_at: TimeOfDay::parse(time).ok(),
            ..MailListFields::default()
        }
    }

    /// Days of daylight saving in the United States in 2025: 9 March and 2 November, at 02:00 (15 U.S.C. 260a).
    #[test]
    fn each_date_has_one_instant() {
        let cases = [
            ("America/Denver", "06:00", "2025-03-09", "2025-03-09T12:00:00Z"),
            ("America/Denver", "06:00", "2025-11-02", "2025-11-02T13:00:00Z"),
            // 02:30 does not exist: an hour later by the clock. 01:30 comes twice: the first.
            ("America/Denver", "02:30", "2025-03-09", "2025-03-09T09:30:00Z"),
            ("America/Denver", "01:30", "2025-11-02", "2025-11-02T07:30:00Z"),
            ("UTC", "00:00", "2025-11-02", "2025-11-02T00:00:00Z"),
        ];
        for (zone, time, date, expected) in cases {
            let date = LocalDate::parse(date).unwrap();
            let at = due_at(&list(zone, time), date).unwrap();
            assert_eq!(at, Instant::parse(expected).unwrap(), "{zone} {time} {date}");
            let before = at.plus_seconds(-1);
            assert_eq!(next(&list(zone, time), before), Some((date, at)), "{zone} {time} {date}");
            let after = next(&list(zone, time), at).unwrap();
            assert_eq!(after.0, date.plus_days(1), "{zone} {time} {date}: once a date");
        }
    }
}
