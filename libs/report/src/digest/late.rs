//! How late an item is, or how much is left, on both of its axes.

use model::Hours;

use super::{
    facts::{DaysAxis, HoursAxis, Line},
    words::State,
};

/// By running hours: one number where it is known, or the range that it lies in.
pub(crate) fn by_hours(axis: HoursAxis) -> String {
    let (low, high) = (axis.late_low.min(axis.late_high), axis.late_low.max(axis.late_high));
    if low.hundredths() == high.hundredths() {
        return if low < Hours::ZERO { format!("{} h left", -low) } else { format!("{low} h late") };
    }
    if high <= Hours::ZERO {
        format!("{} to {} h left", -high, -low)
    } else if low >= Hours::ZERO {
        format!("{low} to {high} h late")
    } else {
        format!("between {} h left and {high} h late", -low)
    }
}

/// By date.
pub(crate) fn by_days(axis: DaysAxis) -> String {
    let DaysAxis { due, late, .. } = axis;
    match late {
        0 => format!("due today ({due})"),
        1.. => format!("{late} d late (due {due})"),
        _ => format!("{} d left (due {due})", late.unsigned_abs()),
    }
}

/// On the axis of which more is used up, for the subject: `+9.0 h`.
pub(crate) fn short(line: &Line) -> Option<String> {
    let hours = line.hours.filter(|axis| axis.late_high > Hours::ZERO);
    let days = line.days.filter(|axis| axis.late > 0);
    match (hours, days) {
        (Some(hours), Some(days)) if days.used > hours.used => Some(format!("+{} d", days.late)),
        (Some(hours), _) => Some(short_hours(hours)),
        (None, Some(days)) => Some(format!("+{} d", days.late)),
        (None, None) => None,
    }
}

fn short_hours(axis: HoursAxis) -> String {
    let (low, high) = (axis.late_low.min(axis.late_high), axis.late_low.max(axis.late_high));
    if low.hundredths() == high.hundredths() {
        format!("+{high} h")
    } else if low >= Hours::ZERO {
        format!("+{low} to {high} h")
    } else {
        format!("up to +{high} h")
    }
}

/// All that is said of how an item stands.
pub(crate) fn standing(line: &Line) -> Vec<String> {
    let mut said: Vec<String> = Vec::new();
    said.extend(line.reason.map(|reason| reason.words().to_owned()));
    said.extend(line.deferred.map(|deferred| {
        let date = deferred.until_date.map(|date| date.to_string());
        let hours = deferred.until_hours.map(|hours| format!("{hours} engine hours"));
        let until: Vec<String> = date.into_iter().chain(hours).collect();
        if until.is_empty() {
            "deferred".to_owned()
        } else {
            format!("deferred until {}", until.join(" or "))
        }
    }));
    said.extend(line.hours.map(by_hours));
    said.extend(line.days.map(by_days));
    let tells_day = line.days.is_some_and(|axis| Some(axis.due) == line.due_on);
    let comes = line.due_on.filter(|_| matches!(line.state, State::ComingDue) && !tells_day);
    said.extend(comes.map(|day| format!("comes due {day}")));
    said.extend(line.since.map(|since| format!("{} since {since}", line.state.words())));
    said.push(line.grade.words().to_owned());
    said
}

#[cfg(test)]
mod tests {
    use model::LocalDate;

    use super::*;

    #[test]
    fn ranges_are_shown_where_bounds_differ() {
        let cases = [
            // Worked examples: 9 h late of 100, 27.6 h left; A42, the limit lies in the range of hours.
            (900, 900, "9.0 h late", "+9.0 h"),
            (-2760, -2760, "27.6 h left", "-"),
            (-2760, 3990, "between 27.6 h left and 39.9 h late", "up to +39.9 h"),
            (350, 905, "3.5 to 9.05 h late", "+3.5 to 9.05 h"),
            (905, 350, "3.5 to 9.05 h late", "+3.5 to 9.05 h"),
            (-2000, -1000, "10.0 to 20.0 h left", "-"),
            (-2000, 0, "0.0 to 20.0 h left", "-"),
            (0, 2000, "0.0 to 20.0 h late", "+0.0 to 20.0 h"),
            (0, 0, "0.0 h late", "-"),
        ];
        for (low, high, expected, _) in cases {
            let axis = HoursAxis {
                late_low: Hours::from_hundredths(low),
                late_high: Hours::from_hundredths(high),
                used: 0,
            };
            assert_eq!(by_hours(axis), expected, "{low} {high}");
        }
        for (low, high, _, expected) in cases.iter().filter(|case| case.1 > 0 && case.3 != "-") {
            let (late_low, late_high) = (Hours::from_hundredths(*low), Hours::from_hundredths(*high));
            assert_eq!(short_hours(HoursAxis { late_low, late_high, used: 0 }), *expected, "{low} {high}");
        }
    }

    #[test]
    fn the_day_itself_is_not_late() {
        // A63: at 19:00 on the day it is due today; after midnight there it is a day late.
        let due = LocalDate::parse("2025-09-10").unwrap();
        let cases = [
            (0, "due today (2025-09-10)"),
            (1, "1 d late (due 2025-09-10)"),
            (-40, "40 d left (due 2025-09-10)"),
        ];
        for (late, expected) in cases {
            assert_eq!(by_days(DaysAxis { due, late, used: 0 }), expected);
        }
    }
}
