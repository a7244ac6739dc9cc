//! `ready`: whether the units of a site are ready, and what is in the way; worked out on the device.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use device::{SiteReady, UnitReady};
use model::SiteId;
use serde_json::Value;
use standby::{
    asked::Asked,
    readiness::{Reason, Severity, Verdict},
};

use super::{
    Face, Trouble, describe, due,
    page::{Page, Tone},
};

#[derive(Args)]
pub(crate) struct Ready {
    /// The unit; without it all that stand at the site.
    unit: Option<String>,
    /// The site; without it where you stand.
    #[arg(long, conflicts_with = "unit")]
    site: Option<String>,
}

pub(crate) fn run(face: &mut Face<'_>, ready: &Ready) -> Result<ExitCode> {
    let (now, mut page) = (face.now()?, face.page());
    face.put_clock(&mut page)?;
    let line = if let Some(unit) = &ready.unit {
        let unit = face.unit(unit)?;
        let cannot =
            || Trouble::Other(format!("{} cannot be judged: its record cannot be read here.", unit.name));
        let answer = face.records()?.readiness(unit.unit(), now).ok_or_else(cannot)?;
        page.line(Tone::Quiet, &face.as_of()?);
        put(&mut page, &answer, true)?;
        serde_json::to_value(&answer)?
    } else {
        let site = face.site_or_here(ready.site.as_deref())?;
        let site = site
            .ok_or_else(|| Trouble::Other("At which site? Say: at SITE, or: ready --site SITE".to_owned()))?;
        let answer = face.records()?.site_readiness(SiteId::from_uuid(site.id), now);
        page.title(&site.name);
        put_site(&mut page, &answer)?;
        let fit =
            answer.units.iter().filter(|unit| unit.readiness.verdict <= Verdict::ReadyWithLimits).count();
        page.line(Tone::Plain, &format!("{fit} of {} ready.", answer.units.len()));
        page.line(Tone::Quiet, &face.as_of()?);
        for unit in &answer.units {
            put(&mut page, unit, false)?;
        }
        due::put_unplaced(&mut page, &face.labels(&answer.place_unknown)?);
        put_asked(&mut page, answer.readiness.missing.iter());
        serde_json::to_value(&answer)?
    };
    face.say(&page, [line])?;
    Ok(ExitCode::SUCCESS)
}

/// The verdict on the site: what its sets carry together.
fn put_site(page: &mut Page, answer: &SiteReady) -> Result<()> {
    let site = &answer.readiness;
    let (mark, tone, words) = verdict(site.verdict);
    let needed = site.needed.map(|needed| format!("; {needed} of {} sets carry its load", site.of));
    page.item(mark, tone, &format!("The site: {words}{}", needed.unwrap_or_default()));
    if let Some(short) = site.short_kw {
        page.under(
            Tone::Alarm,
            &format!("all sets together are {} kW too weak", serde_json::to_value(short)?),
        );
    }
    if let Some(otherwise) = answer.verdict_otherwise {
        let (_, _, words) = verdict(otherwise);
        page.under(Tone::Plain, &format!("by the units that are known to stand here: {words}"));
    }
    Ok(())
}

/// What has to be entered.
fn put_asked<'a>(page: &mut Page, asked: impl ExactSizeIterator<Item = &'a Asked>) {
    if asked.len() > 0 {
        page.title("To be entered");
    }
    for asked in asked {
        page.item("-", Tone::Plain, asked.enter);
    }
}

/// A unit with what is in the way; `all` says what has to be entered, too, else how much.
fn put(page: &mut Page, unit: &UnitReady, all: bool) -> Result<()> {
    let (mark, tone, words) = verdict(unit.readiness.verdict);
    let label = unit.unit_label.as_deref().unwrap_or("a unit");
    page.item(mark, tone, &format!("{label}: {words}"));
    let matters = unit.readiness.reasons.iter().filter(|reason| reason.severity != Severity::Info);
    let (missing, found): (Vec<&Reason>, Vec<&Reason>) = matters.partition(|reason| reason.enter.is_some());
    for reason in found {
        page.under(Tone::Plain, &why(reason)?);
    }
    if !unit.remarks.are_harmless() {
        page.under(Tone::Warning, "Some of its records cannot be read here.");
    }
    if all && !missing.is_empty() {
        let asked: Vec<&Asked> = missing.iter().filter_map(|reason| reason.enter.as_ref()).collect();
        put_asked(page, asked.into_iter());
    } else if !missing.is_empty() {
        page.under(
            Tone::Quiet,
            &format!("{} to be entered: ready \"{label}\"", describe::many(missing.len(), "fact")),
        );
    }
    Ok(())
}

fn verdict(verdict: Verdict) -> (&'static str, Tone, &'static str) {
    match verdict {
        Verdict::Ready => ("-", Tone::Good, "ready"),
        Verdict::ReadyWithLimits => ("-", Tone::Warning, "ready, with limits"),
        Verdict::Unknown => ("?", Tone::Warning, "not known"),
        Verdict::NotReady => ("!", Tone::Alarm, "NOT READY"),
    }
}

/// What is in the way.
fn why(reason: &Reason) -> Result<String> {
    let code = serde_json::to_value(reason.code)?;
    let code = code.as_str().map(describe::words).unwrap_or_default();
    let job = reason.job.as_ref().map(|job| format!(": {}", describe::words(job.as_str())));
    let value = reason.value.map(serde_json::to_value).transpose()?;
    let days = value.as_ref().filter(|value| value.get("unit") == Some(&Value::from("days")));
    let days = days.and_then(|value| value.get("value")).map(|days| format!(", {days} days"));
    Ok(format!("{code}{}{}", job.unwrap_or_default(), days.unwrap_or_default()))
}
