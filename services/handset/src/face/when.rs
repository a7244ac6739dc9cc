//! When something happened: told by the device's clock, or typed; and instants as people read them.

use handset::Device;
use model::{Instant, LocalDate, Zone, time::Meaning};
use serde_json::{Map, Value, json};

/// Nothing happens later than so many seconds from now: clocks differ by a little.
const AHEAD_MOST: i64 = 600;
/// A clock that is off by fewer seconds is no trouble.
const OFF_LEAST: i64 = 120;

/// What happened now by the device's clock: it is put right by what the service measures.
pub(crate) fn by_the_clock(now: Instant, zone: &Zone) -> Map<String, Value> {
    Map::from_iter([
        ("occurred_at".to_owned(), json!(written(now, zone))),
        ("occurred_source".to_owned(), json!("clock")),
    ])
}

/// An event that is about to be written, with the time that will count, as it will be told.
pub(crate) fn put_right(event: &Map<String, Value>, device: &Device) -> Map<String, Value> {
    let mut event = event.clone();
    if let Some(at) = device.happened(&event, device.boot) {
        event.insert("happened_at".to_owned(), json!(at));
    }
    event
}

/// The same with all times as they count and nothing that only a service says, for what reads it as strictly.
pub(crate) fn counted(mut event: Map<String, Value>) -> Map<String, Value> {
    let stopped = stopped(&event);
    if let Some(at) = event.remove("happened_at") {
        event.insert("occurred_at".to_owned(), at);
        event.extend(stopped.map(|stopped| ("stopped_at".to_owned(), json!(stopped))));
    }
    event
}

/// When a run ended: by the clock that told when it began, and so put right by as much.
pub(crate) fn stopped(event: &Map<String, Value>) -> Option<Instant> {
    let at = |name: &str| Instant::parse(event.get(name)?.as_str()?).ok();
    let stopped = at("stopped_at")?;
    let by_the_clock = event.get("occurred_source").is_some_and(|source| source == "clock");
    let off = at("happened_at").zip(at("occurred_at")).filter(|_| by_the_clock);
    let off = off.map_or(0, |(counts, told)| counts.micros().saturating_sub(told.micros()));
    Some(Instant::from_micros(stopped.micros().saturating_add(off)))
}

/// What happened when somebody says it did; the service takes that as it is.
pub(crate) fn typed(text: &str, now: Instant, zone: &Zone) -> Result<Map<String, Value>, String> {
    let text = text.trim();
    if let Some(date) = day(text, now, zone) {
        if date > zone.date(now.plus_seconds(AHEAD_MOST)) {
            return Err(format!("{date} lies ahead. Type a day that has been."));
        }
        return Ok(Map::from_iter([("occurred_on".to_owned(), json!(date))]));
    }
    let (instant, to_the_minute) = instant(text, now, zone)?;
    let mut members = Map::from_iter([("occurred_at".to_owned(), json!(written(instant, zone)))]);
    if to_the_minute {
        members.insert("occurred_precision".to_owned(), json!("minute"));
    }
    Ok(members)
}

/// The instant that is meant, and whether it is no more exact than a minute.
pub(crate) fn instant(text: &str, now: Instant, zone: &Zone) -> Result<(Instant, bool), String> {
    if let Ok(instant) = Instant::parse(text) {
        if instant > now.plus_seconds(AHEAD_MOST) {
            return Err(format!("{} lies ahead. Type a time that has been.", written(instant, zone)));
        }
        return Ok((instant, false));
    }
    let (date, time) = match text.rsplit_once([' ', 'T']) {
        Some((date, time)) => (day(date, now, zone).ok_or_else(shape)?, time),
        None => (zone.date(now), text),
    };
    let time = if time.find(':') == Some(1) { format!("0{time}") } else { time.to_owned() };
    let local = format!("{date}T{time}");
    match zone.meaning(&local).map_err(|_| shape())? {
        Meaning::One(instant) if instant > now.plus_seconds(AHEAD_MOST) => {
            Err(format!("{date} {time} lies ahead. Type the day, too: yesterday {time}."))
        }
        Meaning::One(instant) => Ok((instant, true)),
        Meaning::Two(first, second) => {
            Err(format!("Clocks went back then. Type {} or {}.", written(first, zone), written(second, zone)))
        }
        Meaning::None => Err("Clocks were put forward over that time: it never was.".to_owned()),
    }
}

/// A day, as it is typed.
pub(crate) fn day(text: &str, now: Instant, zone: &Zone) -> Option<LocalDate> {
    match text {
        "today" => Some(zone.date(now)),
        "yesterday" => Some(zone.date(now).plus_days(-1)),
        _ => LocalDate::parse(text).ok(),
    }
}

fn shape() -> String {
    "Type a time like 14:30, yesterday 14:30, 2026-06-15 14:30, or a day like 2026-06-15.".to_owned()
}

/// RFC 3339 with the offset that held then.
pub(crate) fn written(instant: Instant, zone: &Zone) -> String {
    let (wall, ahead) = wall(instant, zone);
    let (sign, minutes) = (if ahead < 0 { '-' } else { '+' }, ahead.abs() / 60);
    format!("{wall}{sign}{:02}:{:02}", minutes / 60, minutes % 60)
}

/// An instant as people read it.
pub(crate) fn shown(instant: Instant, now: Instant, zone: &Zone) -> String {
    let (wall, _) = wall(instant, zone);
    let (today, time) = (zone.date(now), wall.get(11..16).unwrap_or_default());
    match zone.date(instant).days_since(today) {
        0 => format!("today {time}"),
        -1 => format!("yesterday {time}"),
        _ => format!("{} {time}", zone.date(instant)),
    }
}

/// How long ago that is.
pub(crate) fn ago(instant: Instant, now: Instant) -> String {
    let minutes = now.seconds_since(instant) / 60;
    match minutes {
        ..-1 => "before the clock was set".to_owned(),
        -1..=0 => "just now".to_owned(),
        1..=119 => format!("{minutes} min ago"),
        120..=2879 => format!("{} hours ago", minutes / 60),
        _ => format!("{} days ago", minutes / 1440),
    }
}

/// What is wrong with the device's clock, by the microseconds that it lacks.
pub(crate) fn clock(lacks: Option<i64>, was_synced: bool) -> Option<String> {
    let Some(seconds) = lacks.map(|micros| micros / 1_000_000) else {
        return was_synced.then(|| "This device's clock was not checked since its start: sync.".to_owned());
    };
    let way = if seconds > 0 { "slow" } else { "fast" };
    let minutes = seconds.abs() / 60;
    let off = match minutes {
        ..=119 => format!("{minutes} min"),
        120..=2879 => format!("{} hours", minutes / 60),
        _ => format!("{} days", minutes / 1440),
    };
    (seconds.abs() >= OFF_LEAST)
        .then(|| format!("This device's clock is {off} {way}: times here are put right."))
}

/// What clocks show there, `YYYY-MM-DDTHH:MM:SS`, and by how many seconds they are ahead of UTC.
fn wall(instant: Instant, zone: &Zone) -> (String, i64) {
    let ahead = zone.offsets(instant, instant).first().map_or(0, |(_, ahead)| *ahead);
    let shown = instant.plus_seconds(ahead).to_string();
    (shown.get(..19).unwrap_or(&shown).to_owned(), ahead)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn denver() -> Zone {
        Zone::parse("America/Denver").unwrap()
    }

    /// Monday noon in Denver.
    fn now() -> Instant {
        Instant::parse("2026-06-15T18:00:00Z").unwrap()
    }

    #[test]
    fn what_is_typed() {
        let typed = |text: &str| typed(text, now(), &denver()).map(Value::Object);
        let minute = |at: &str| Ok(json!({"occurred_at": at, "occurred_precision": "minute"}));
        assert_eq!(typed("11:30"), minute("2026-06-15T11:30:00-06:00"));
        assert_eq!(typed("8:05"), minute("2026-06-15T08:05:00-06:00"));
        assert_eq!(typed("yesterday 14:30"), minute("2026-06-14T14:30:00-06:00"));
        assert_eq!(typed("2026-01-15 14:30"), minute("2026-01-15T14:30:00-07:00"));
        assert_eq!(
            typed("2026-06-15T11:30:05-06:00"),
            Ok(json!({"occurred_at": "2026-06-15T11:30:05-06:00"}))
        );
        assert_eq!(typed("yesterday"), Ok(json!({"occurred_on": "2026-06-14"})));
        assert_eq!(typed("2026-06-01"), Ok(json!({"occurred_on": "2026-06-01"})));
        assert!(typed("14:30").unwrap_err().contains("lies ahead"));
        for ahead in ["2026-06-16", "2026-06-15T12:10:01-06:00", "2027-01-01 08:00"] {
            assert!(typed(ahead).unwrap_err().contains("lies ahead"), "{ahead}");
        }
        assert!(typed("2026-06-15T12:09:00-06:00").is_ok());
        assert!(typed("2026-03-08 02:30").unwrap_err().contains("never was"));
        let twice = typed("2025-11-02 01:30").unwrap_err();
        assert!(twice.contains("2025-11-02T01:30:00-06:00 or 2025-11-02T01:30:00-07:00"), "{twice}");
        for bad in ["", "noon", "25:00", "2026-02-30", "11.30"] {
            assert!(typed(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn the_end_of_a_run_goes_by_its_beginning() {
        let stopped = |source: &str, counts: Option<&str>| {
            let event = json!({"occurred_at": "2026-06-15T10:00:00-06:00", "stopped_at": "2026-06-15T11:30:00-06:00",
                "occurred_source": source, "happened_at": counts});
            stopped(event.as_object().unwrap()).unwrap().to_string()
        };
        assert_eq!(stopped("clock", Some("2026-06-15T14:00:00Z")), "2026-06-15T15:30:00Z");
        assert_eq!(stopped("typed", Some("2026-06-15T14:00:00Z")), "2026-06-15T17:30:00Z");
        assert_eq!(stopped("clock", None), "2026-06-15T17:30:00Z");
    }

    #[test]
    fn what_is_said_of_the_clock() {
        let said = |seconds: i64| clock(Some(seconds * 1_000_000), true);
        assert_eq!((said(0), said(119), said(-119), clock(None, false)), (None, None, None, None));
        let starts = |said: Option<String>, with: &str| assert!(said.unwrap().starts_with(with), "{with}");
        starts(said(120), "This device's clock is 2 min slow");
        starts(said(-7200), "This device's clock is 2 hours fast");
        starts(said(-172_800), "This device's clock is 2 days fast");
        starts(clock(None, true), "This device's clock was not checked");
    }

    #[test]
    fn what_is_shown() {
        let at = |text: &str| Instant::parse(text).unwrap();
        assert_eq!(shown(at("2026-06-15T06:30:00Z"), now(), &denver()), "today 00:30");
        assert_eq!(shown(at("2026-06-15T05:30:00Z"), now(), &denver()), "yesterday 23:30");
        assert_eq!(shown(at("2026-06-01T18:00:00Z"), now(), &denver()), "2026-06-01 12:00");
        let ago = |seconds: i64| ago(now().plus_seconds(-seconds), now());
        assert_eq!(ago(30), "just now");
        assert_eq!(ago(60 * 90), "90 min ago");
        assert_eq!(ago(3600 * 30), "30 hours ago");
        assert_eq!(ago(3600 * 80), "3 days ago");
        assert_eq!(ago(-3600), "before the clock was set");
    }
}
