//! Whether stages of rising load were carried one after the other without a break.

use interval::Fraction;
use model::{Hours, quantity::Kilowatts};

use super::run::{Load, Stretch};

/// Whether a stretch carried a load.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Carried {
    Yes,
    No,
    NotKnown,
}

/// The share of the nameplate, if both are known.
pub(super) fn share_of(load: Load, nameplate: Option<Kilowatts>) -> Option<Fraction> {
    match load {
        Load::Off => Some(Fraction::of(0, 1)),
        Load::Share(share) => Some(share),
        Load::Kilowatts(kilowatts) => nameplate
            .filter(|nameplate| nameplate.hundredths() > 0)
            .map(|nameplate| Fraction::of(kilowatts.hundredths(), nameplate.hundredths())),
        Load::NotKnown => None,
    }
}

fn carried(load: Load, least: Fraction, nameplate: Option<Kilowatts>) -> Carried {
    let sure = |yes: bool| if yes { Carried::Yes } else { Carried::No };
    match load {
        Load::Off => Carried::No,
        Load::Share(share) => sure(share >= least && share > Fraction::of(0, 1)),
        Load::Kilowatts(kilowatts) if least == Fraction::of(0, 1) => sure(kilowatts.hundredths() > 0),
        // Exactly, not by the rounded share.
        Load::Kilowatts(kilowatts) => match nameplate.filter(|nameplate| nameplate.hundredths() > 0) {
            Some(nameplate) => sure(
                i128::from(kilowatts.hundredths()) * 10_000
                    >= i128::from(least.ten_thousandths()) * i128::from(nameplate.hundredths()),
            ),
            None => Carried::NotKnown,
        },
        Load::NotKnown => Carried::NotKnown,
    }
}

/// How stages were carried.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Carrying {
    /// All of them.
    All,
    /// Perhaps: it depends on a load that is not known.
    Perhaps,
    /// Not this one, counted from nought; it was carried for so long.
    Not { stage: usize, held: Hours },
}

/// Judges stretches by stages, each a least share and a time, of rising load.
pub(super) fn carrying(
    stretches: &[Stretch],
    stages: &[(Fraction, Hours)],
    nameplate: Option<Kilowatts>,
) -> Carrying {
    match best(stretches, stages, nameplate, false) {
        Ok(()) => Carrying::All,
        Err(_) if best(stretches, stages, nameplate, true).is_ok() => Carrying::Perhaps,
        Err((stage, held)) => Carrying::Not { stage, held: Hours::from_seconds(held) },
    }
}

/// The stage that fails where most of those after it are carried, and for how long it was; what is not known counts as
/// `hoped`.
///
/// Since loads rise, stages are laid back to back before the end of each stretch that carries the last: none can lie better.
fn best(
    stretches: &[Stretch],
    stages: &[(Fraction, Hours)],
    nameplate: Option<Kilowatts>,
    hoped: bool,
) -> Result<(), (usize, i64)> {
    let carries = |stretch: &Stretch, least: Fraction| match carried(stretch.load, least, nameplate) {
        Carried::Yes => true,
        Carried::No => false,
        Carried::NotKnown => hoped,
    };
    // Since when each stage's load is carried without a break, in seconds from the start.
    let mut since: Vec<Option<i64>> = stages.iter().map(|_| None).collect();
    let (mut now, mut nearest) = (0, (stages.len().saturating_sub(1), 0));
    for stretch in stretches {
        for (since, (least, _)) in since.iter_mut().zip(stages) {
            *since = carries(stretch, *least).then_some(since.unwrap_or(now));
        }
        now += stretch.lasted.seconds();
        let mut end = now;
        let mut failed = None;
        for (stage, (since, (_, needed))) in since.iter().zip(stages).enumerate().rev() {
            let held = since.map_or(0, |since| (end - since).max(0));
            if held < needed.seconds() {
                failed = Some((stage, held));
                break;
            }
            end -= needed.seconds();
        }
        match failed {
            None => return Ok(()),
            // Fewer stages left over, or the same one held longer.
            Some((stage, held)) if (stage, -held) < (nearest.0, -nearest.1) => nearest = (stage, held),
            Some(_) => {}
        }
    }
    Err(nearest)
}

/// The longest time without a break under any load; what is not known counts as none.
pub(super) fn longest_loaded(stretches: &[Stretch], nameplate: Option<Kilowatts>) -> Hours {
    let (mut longest, mut lasted) = (Hours::ZERO, Hours::ZERO);
    for stretch in stretches {
        let loaded = carried(stretch.load, Fraction::of(0, 1), nameplate) == Carried::Yes;
        lasted = if loaded { lasted + stretch.lasted } else { Hours::ZERO };
        longest = longest.max(lasted);
    }
    longest
}

/// The least load that was carried while there was any, as a share; none where that is not known or there was none.
pub(super) fn lowest_share(stretches: &[Stretch], nameplate: Option<Kilowatts>) -> Option<Fraction> {
    let loaded = stretches.iter().filter(|stretch| stretch.load != Load::Off);
    let shares: Option<Vec<Fraction>> = loaded.map(|stretch| share_of(stretch.load, nameplate)).collect();
    shares?.into_iter().min()
}

/// Whether of all of it can be told if it was below `least`.
pub(super) fn told(stretches: &[Stretch], least: Fraction, nameplate: Option<Kilowatts>) -> bool {
    stretches.iter().all(|stretch| carried(stretch.load, least, nameplate) != Carried::NotKnown)
}

/// Whether at some time while there was load it was below `least`, exactly.
pub(super) fn dipped(stretches: &[Stretch], least: Fraction, nameplate: Option<Kilowatts>) -> bool {
    let below = |stretch: &&Stretch| carried(stretch.load, least, nameplate) == Carried::No;
    stretches.iter().filter(|stretch| stretch.load != Load::Off).any(|stretch| below(&stretch))
}
