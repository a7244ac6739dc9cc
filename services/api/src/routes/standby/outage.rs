//! What is asked about an outage, and how a site's load is shared.

use model::{
    Hours, Instant, Kilowatts, Litres,
    mail::TimeOfDay,
    quantity::{Percent, more_than_nought},
    read::Flaw,
};
use standby::{
    load::{Band, Load, Profile, Share},
    outage::{OnSite, Outage, OutagePolicy},
    record::{OutageAsked, Record},
};

use super::story::number;
use crate::extract::{Params, instant};

/// The outage and what is there for it.
#[derive(utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand, parameter by parameter")]
pub(crate) struct OutageParams {
    /// How long the outage lasts, in hours; absent means 72, and 366 days are the most.
    #[param(value_type = Option<f64>, example = 72)]
    hours: Option<f64>,
    /// When it begins; absent means now, and an hour ago is the earliest. Units that run already go on with their run; what will be
    /// left in their tanks later on is not known.
    #[param(value_type = Option<String>, format = DateTime)]
    from: Option<String>,
    /// What a unit carries: a percentage of its rated output (`60`), kilowatts (`3.3kW`), or either by the clock on the wall of the
    /// site, in times that cover the day once (`06:00-22:00=60,22:00-06:00=30`). Absent means what the site needs: all
    /// of it where one unit is asked about, else shared by the ratings of the units that stand there and may run.
    #[param(example = "06:00-22:00=60,22:00-06:00=30")]
    load: Option<String>,
    /// Fuel on each site beside the tanks, in litres, for all of its units; left out, and told, where they burn several fuels.
    #[param(value_type = Option<f64>, minimum = 0, example = 60)]
    stock_litres: Option<f64>,
    /// What a can holds in which fuel stands there and is brought, in litres; a cylinder of 9 kg of propane holds 17.7.
    #[param(value_type = Option<f64>, example = 20)]
    can_litres: Option<f64>,
    /// Running hours from one oil check to the next; absent means those of the unit's record, else 8.
    #[param(value_type = Option<f64>, example = 8)]
    check_hours: Option<f64>,
}

/// How long an outage lasts if nobody says so: for so long an office that routes emergency calls has to go on (47 CFR 9.19).
const USUAL: Hours = Hours::from_seconds(72 * 3600);

/// The same, read.
#[derive(Clone, Debug)]
pub(super) struct AskedOutage {
    pub(super) from: Instant,
    pub(super) lasts: Hours,
    pub(super) load: Option<Profile>,
    pub(super) on_site: OnSite,
    pub(super) check_every: Option<Hours>,
}

impl AskedOutage {
    /// Takes the parameters; what is wrong with them is told when they are closed.
    pub(super) fn of(params: &mut Params, now: Instant) -> Self {
        let nothing = Litres::from_hundredths(0);
        Self {
            lasts: params.take("hours", number(Hours::read_positive)).unwrap_or(USUAL),
            from: from(params, now).unwrap_or(now),
            load: params.take("load", profile),
            on_site: OnSite {
                litres: params.take("stock_litres", number(Litres::read)).unwrap_or(nothing),
                can_size: params.take("can_litres", number(more_than_nought(Litres::read))),
            },
            check_every: params.take("check_hours", number(Hours::read_positive)),
        }
    }

    /// The outage at a site in that zone.
    pub(super) fn at(&self, zone: &model::Zone) -> Outage {
        Outage {
            start: self.from,
            duration: self.lasts,
            zone: zone.clone(),
            policy: OutagePolicy::standard(),
        }
    }

    /// What is asked of a unit by itself: the stock is its own.
    pub(super) fn of_unit(&self) -> OutageAsked {
        OutageAsked {
            load: self.load.clone(),
            fuel: None,
            on_site: self.on_site,
            check_every: self.check_every,
            from: self.from,
            site_tank: false,
        }
    }

    /// What is asked of one of the units of a site: the stock is that of the site. Where the load cannot be shared, since a rating
    /// is missing, it carries all of it, as far as it can.
    pub(super) fn of_unit_at_site(&self, record: &Record<'_>, shared: Option<Load>) -> OutageAsked {
        let load = shared.or_else(|| record.expected_load()).map(Profile::Constant);
        OutageAsked {
            load: self.load.clone().or(load),
            on_site: OnSite { litres: Litres::from_hundredths(0), ..self.on_site },
            site_tank: record.fields.tank_litres.is_none() && record.site.tank_litres.is_some(),
            ..self.of_unit()
        }
    }
}

/// An outage that began longer ago is not asked about: what is in the tanks is known as of now, and would be counted as of then.
const LATE: Hours = Hours::from_seconds(3600);

/// From when on it is asked; no earlier than an hour ago.
pub(super) fn from(params: &mut Params, now: Instant) -> Option<Instant> {
    let earliest = now.plus_seconds(-LATE.seconds());
    let flaw =
        || Flaw::new("in_the_past", "What is in the tanks is known as of now: ask from now on, or later.");
    params.take("from", |text| {
        let from = instant(text)?;
        if from < earliest { Err(flaw()) } else { Ok(from) }
    })
}

/// What each unit of a site carries of what the site needs, as a share of its rating; none where the need or a rating is not known.
pub(super) fn shared_load(records: &[Record<'_>]) -> Option<Load> {
    let needs = records.first()?.site.needs_kw?;
    let ratings: Option<Vec<i64>> = records
        .iter()
        .map(|record| record.fields.rated_kw.map(|rated: Kilowatts| rated.hundredths()))
        .collect();
    let rated = Kilowatts::from_hundredths(ratings?.into_iter().sum());
    Share::of(needs, rated).map(Load::Share)
}

/// The parameter that a field of the library is filled from; the others come from records.
pub(super) fn parameter(pointer: &str) -> Option<&'static str> {
    Some(match pointer {
        "/duration_hours" => "hours",
        "/on_site/litres" => "stock_litres",
        "/on_site/can_litres" => "can_litres",
        "/check_every_hours" => "check_hours",
        load if load.starts_with("/load") => "load",
        _ => return None,
    })
}

fn profile(text: &str) -> Result<Profile, Flaw> {
    if text.contains('=') {
        return text.split(',').map(band).collect::<Result<_, _>>().map(Profile::Bands);
    }
    load(text).map(Profile::Constant)
}

/// A load: a percentage of the rating, or kilowatts.
pub(super) fn load(text: &str) -> Result<Load, Flaw> {
    if let Some(kilowatts) = text.strip_suffix("kW") {
        return number(Kilowatts::read)(kilowatts).map(Load::Kilowatts);
    }
    let percent = number(Percent::read)(text)?;
    // A hundredth of a percent is a hundred millionths of the whole.
    Ok(Load::Share(Share::from_millionths(percent.hundredths().saturating_mul(100))))
}

fn band(text: &str) -> Result<Band, Flaw> {
    let wrong = || Flaw::new("invalid_band", "A part of the day is written like 06:00-22:00=60.");
    let (times, of_load) = text.split_once('=').ok_or_else(wrong)?;
    let (from, until) = times.split_once('-').ok_or_else(wrong)?;
    let time = |text: &str| TimeOfDay::parse(text).map_err(|_| wrong());
    Ok(Band { from: time(from)?, until: time(until)?, load: load(of_load)? })
}

/// A number of pieces.
pub(super) fn whole(least: i64, most: i64) -> impl Fn(&str) -> Result<i64, Flaw> {
    move |text| {
        let number = text.parse().ok().filter(|number| (least..=most).contains(number));
        number.ok_or_else(|| Flaw::new("out_of_range", format!("A whole number from {least} to {most}.")))
    }
}
