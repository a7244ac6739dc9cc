//! What brings the share past its limit down to what is allowed: burn or drain and refill, or only fill up.

use interval::Fraction;
use model::quantity::Litres;
use serde::Serialize;
use utoipa::ToSchema;

use super::shares;
use crate::amount::Volume;

/// A hundredth of a litre in microlitres: remedies are told to this step, rounded up.
const STEP: i128 = 10_000;
const WHOLE: i128 = 10_000;

/// Take so much out of the mixed tank, then fill in as much fresh fuel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = FuelToReplace)]
pub struct Replacement {
    /// Litres to burn or drain, and then to fill in fresh.
    #[schema(value_type = f64, example = 5.84)]
    pub litres: Litres,
    /// The share past its limit after that.
    #[schema(value_type = f64, example = 0.2497)]
    pub share_after: Fraction,
}

/// Fill in so much fresh fuel, taking nothing out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = FuelTopUp)]
pub struct TopUp {
    /// Litres to fill in.
    #[schema(value_type = f64, example = 10.0)]
    pub litres: Litres,
    /// The share past its limit after that.
    #[schema(value_type = f64, example = 0.25)]
    pub share_after: Fraction,
    /// Whether the tank has room for it; absent where its capacity is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fits: Option<bool>,
}

/// Of `parcels`, some past their limit; the least to replace so that no more than `allowed` of the tank is. None where it is
/// so already.
pub(super) fn replacement(parcels: &[(Volume, bool)], allowed: Fraction) -> Option<Replacement> {
    let held = parcels.iter().fold(Volume::ZERO, |sum, (volume, _)| sum + *volume);
    let past = past_after(parcels, held);
    let (whole, past, share) = inputs(held, past, allowed)?;
    // After taking x of t, past·(t − x)/t is left, and the tank is full again: x = t − a·t²/p.
    let exact = up(whole - share * whole * whole / (WHOLE * past));
    // Shares that are taken are rounded to the microlitre: look whether it is enough, else take a step more.
    let tried = [exact, exact + STEP].map(|litres| microlitres(litres).or_less(held));
    let taken = tried
        .into_iter()
        .find(|taken| inputs(held, past_after(parcels, held - *taken), allowed).is_none())?;
    let left = past_after(parcels, held - taken);
    Some(Replacement {
        litres: taken.litres(),
        share_after: Fraction::of(left.microlitres(), held.microlitres()),
    })
}

/// How much of what is left of a mixed tank is past its limit.
fn past_after(parcels: &[(Volume, bool)], left: Volume) -> Volume {
    let volumes: Vec<Volume> = parcels.iter().map(|(volume, _)| *volume).collect();
    let kept = shares(&volumes, left).into_iter().zip(parcels);
    kept.filter(|(_, (_, past))| *past).fold(Volume::ZERO, |sum, (volume, _)| sum + volume)
}

/// The same by filling up only.
pub(super) fn top_up(
    held: Volume,
    past: Volume,
    allowed: Fraction,
    capacity: Option<Volume>,
) -> Option<TopUp> {
    let room = capacity.map(|capacity| i128::from((capacity - held).microlitres()));
    let (held, past, allowed) = inputs(held, past, allowed)?;
    if allowed <= 0 {
        return None;
    }
    // p ÷ (t + y) = a: y = p ÷ a − t, rounded up.
    let litres = up((past * WHOLE + allowed - 1) / allowed - held);
    let share_after = share(past, held + litres)?;
    Some(TopUp { litres: told(litres), share_after, fits: room.map(|room| litres <= room) })
}

fn inputs(held: Volume, past: Volume, allowed: Fraction) -> Option<(i128, i128, i128)> {
    let (held, past) = (i128::from(held.microlitres()), i128::from(past.microlitres()));
    let allowed = i128::from(allowed.ten_thousandths());
    (past * WHOLE > allowed * held).then_some((held, past, allowed))
}

fn microlitres(of: i128) -> Volume {
    Volume::from_microlitres(i64::try_from(of).unwrap_or(i64::MAX))
}

fn up(microlitres: i128) -> i128 {
    (microlitres + STEP - 1) / STEP * STEP
}

fn told(microlitres: i128) -> Litres {
    Litres::from_hundredths(i64::try_from(microlitres / STEP).unwrap_or(i64::MAX))
}

fn share(part: i128, whole: i128) -> Option<Fraction> {
    let ten_thousandths = (part * WHOLE * 2 + whole) / (2 * whole.max(1));
    i64::try_from(ten_thousandths).ok().map(|share| Fraction::of(share, 10_000))
}
