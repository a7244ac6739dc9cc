//! `fuel`: filled in, taken out, treated, or measured.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use serde_json::{Value, json};

use super::{
    Face, Trouble, cautions,
    entry::{Common, insert, number, word},
    page::Tone,
    when,
};

#[derive(Args)]
pub(crate) struct Fuel {
    /// The unit.
    unit: String,
    /// How much: "20 L", "5 gal" (US), or "9 kg".
    amount: Option<String>,
    /// What was done: filled (that is meant without it), taken, treated or measured.
    #[arg(long, default_value = "filled")]
    action: String,
    /// When it was bought: today, or a day.
    #[arg(long)]
    bought: Option<String>,
    /// When stabiliser was added: today, a day, or no. With --action treated the day when that was.
    #[arg(long)]
    treated: Option<String>,
    #[command(flatten)]
    common: Common,
}

const ACTIONS: [&str; 4] = ["filled", "taken", "treated", "measured"];
/// Hundred-millionths of a litre in a US gallon, which is 231 cubic inches.
const GALLON: i64 = 378_541_178;

pub(crate) fn run(face: &mut Face<'_>, mut fuel: Fuel) -> Result<ExitCode> {
    let unit = face.unit_to_write(&fuel.unit)?;
    let action = face.answer(Some(&fuel.action), "--action", "", |text| word(text, &ACTIONS))?;
    belongs(&mut fuel, action)?;
    let heed = if action == "taken" { cautions::DRAINING } else { cautions::FUELLING };
    let mut page = face.page();
    let heeded = cautions::Heeded::put(face, &mut page, &unit, heed)?;
    face.show(&page)?;
    let mut members = json!({"kind": "fuel", "action": action});
    if action != "treated" {
        let (unit, much) =
            face.answer(fuel.amount.as_deref(), "AMOUNT", "How much, such as 20 L or 5 gal?", amount)?;
        insert(&mut members, unit, much);
    }
    if action == "filled" {
        let (now, zone) = (face.now()?, face.zone_at(Some(&unit))?);
        let day = |text: &str| {
            when::day(text.trim(), now, &zone)
                .ok_or_else(|| "Type today, or a day like 2026-06-15.".to_owned())
        };
        let bought = face.answer_if_any(fuel.bought.as_deref(), "--bought", "Bought when?", day)?;
        let treated = |text: &str| if text.trim() == "no" { Ok(None) } else { day(text).map(Some) };
        let treated = face.answer_if_any(
            fuel.treated.as_deref(),
            "--treated",
            "Stabiliser added when, or no?",
            treated,
        )?;
        insert(&mut members, "bought_on", json!(bought));
        insert(&mut members, "treated_on", json!(treated.flatten()));
    }
    let event = face.event(&unit, &fuel.common, members)?;
    let unknown = action == "filled" && !event.contains_key("bought_on");
    let saved = face.save(&unit, event, &fuel.common)?;
    let mut page = face.saved(&saved);
    if unknown {
        page.line(Tone::Warning, "Nobody knows how old it is: say --bought the next time.");
    }
    let mut line = saved.line();
    heeded.tell(&mut line);
    face.say(&page, [line])?;
    Ok(ExitCode::SUCCESS)
}

/// Refuses what would be said of another action; the day of a treatment is when that happened.
fn belongs(fuel: &mut Fuel, action: &str) -> Result<(), Trouble> {
    let with = format!("--action {action}");
    Trouble::if_given(action == "treated" && fuel.amount.is_some(), "AMOUNT", &with)?;
    Trouble::if_given(action != "filled" && fuel.bought.is_some(), "--bought", &with)?;
    match (action, fuel.treated.take()) {
        ("treated", Some(day)) => {
            Trouble::if_given(fuel.common.is_dated(), "--treated", "--when")?;
            Trouble::if_given(day.trim() == "no", "--treated no", &with)?;
            fuel.common.happened(day);
        }
        ("filled", treated) => fuel.treated = treated,
        (_, treated) => Trouble::if_given(treated.is_some(), "--treated", &with)?,
    }
    Ok(())
}

/// How much, as the member that says so and its number.
fn amount(text: &str) -> Result<(&'static str, Value), String> {
    let text = text.trim();
    let end = text.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(text.len());
    let (much, unit) = text.split_at(end);
    let value = number(much)?;
    match unit.trim().to_lowercase().as_str() {
        "l" | "litre" | "litres" | "liter" | "liters" => Ok(("litres", value)),
        "kg" => Ok(("kilograms", value)),
        "gal" | "gallon" | "gallons" => gallons(much).map(|litres| ("litres", litres)),
        _ => Err(format!("Say in what, too: \"{much} L\", \"{much} gal\" or \"{much} kg\".")),
    }
}

/// Litres of so many US gallons, to the hundredth.
fn gallons(text: &str) -> Result<Value, String> {
    let hundredths = model::Litres::read(&number(text)?).map_err(|flaw| flaw.detail)?.hundredths();
    let litres = (i128::from(hundredths) * i128::from(GALLON) + 50_000_000) / 100_000_000;
    let litres = i64::try_from(litres).map_err(|_| "That is more than any tank holds.".to_owned())?;
    Ok(json!(model::Litres::from_hundredths(litres)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts() {
        assert_eq!(amount("20 L"), Ok(("litres", json!(20))));
        assert_eq!(amount("7.5l"), Ok(("litres", json!(7.5))));
        assert_eq!(amount("5 gal").map(|(_, litres)| litres.to_string()), Ok("18.93".to_owned()));
        assert_eq!(amount("12gal").map(|(_, litres)| litres.to_string()), Ok("45.42".to_owned()));
        assert_eq!(amount("9 kg"), Ok(("kilograms", json!(9))));
        for bad in ["", "20", "L", "5 pints", "1,5 L", "-3 L"] {
            assert!(amount(bad).is_err(), "{bad}");
        }
    }
}
