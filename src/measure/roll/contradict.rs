//! Does the record contradict what the vehicle file says of the sensors? A wrong number of magnets scales every angle and
//! names the wrong part with confidence, and so does a sensor that sits on another shaft.
//!
//! `magnets` asks for the one, `shafts` for the other, both ask the car's own `ripple`.

mod magnets;
mod ripple;
mod shafts;

use crate::reading::Refusal;

use super::sensed::{Counted, Refused, Sensed};
use super::side_by_side::each;
use magnets::Shown;

pub use ripple::SENSOR_DOUBTFUL;
pub(super) use ripple::{DOUBTFUL_SHARE, lacks_ripple};
pub(super) use shafts::{WHEEL_SPEED_UNLIKELY, is_of_unlikely_speed};

/// Whether some other sensor turns as the first one and the gears say. The first sensor is the one that every other is compared
/// with.
///
/// # Errors
/// What the counted edges of all sensors contradict, with the quality of the sensor that does.
pub(super) fn of_edges(all: &[Counted]) -> Result<bool, Refused> {
    let with = |refusal: Refusal, of: &Counted| Box::new((refusal, of.quality.clone()));
    for one in all {
        if let Some(refusal) = magnets::other_count(one) {
            return Err(with(refusal, one));
        }
    }
    let Some((first, others)) = all.split_first() else {
        return Ok(false);
    };
    let mut agree = false;
    for other in others {
        agree |= shafts::agree(first, other).map_err(|refusal| with(refusal, first))?;
    }
    Ok(agree)
}

/// What the fitted records contradict, with the quality of the sensor that does.
pub(super) fn of_fit(all: &[Sensed]) -> Option<Refused> {
    all.iter()
        .find_map(|one| Some(Box::new((of_ripple(one)?, one.quality.clone()))))
}

/// The count or the shaft that explains the car's own ripple best, where it is another one than stated: a wrong place may look a
/// little like a wrong count, and the other way round.
fn of_ripple(one: &Sensed) -> Option<Refusal> {
    let settings = &one.legs[0].kept.settings;
    let train = &settings.train;
    let (counts, shafts) = (magnets::neighbours(train), ripple::others(train));
    let of_counts = counts
        .iter()
        .map(|count| f64::from(*count) / f64::from(train.magnets));
    // with so many magnets a stated turn is so many of the shaft's
    let turns: Vec<f64> = of_counts.chain(shafts.iter().map(|s| s.1)).collect();
    let better = each(&turns, |turn| ripple::ln_better(one, *turn));
    let at = (0..turns.len()).max_by(|a, b| better[*a].total_cmp(&better[*b]))?;
    (better[at] >= ripple::LN_CLEAR).then(|| match counts.get(at) {
        Some(count) => magnets::refused(settings, *count, Shown::Ripple),
        None => shafts::refused(settings, &shafts[at - counts.len()]),
    })
}
