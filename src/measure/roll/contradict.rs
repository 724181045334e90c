//! Does the record contradict what the vehicle file says of the sensors? A wrong number of magnets scales every angle and
//! names the wrong part with confidence, and so does a sensor that sits on another shaft.
//!
//! `magnets` asks for the one, `shafts` for the other.

mod magnets;
mod shafts;

use crate::reading::Refusal;

use super::sensed::{Counted, Refused, Sensed};

pub(super) use shafts::{WHEEL_SPEED_UNLIKELY, is_of_unlikely_speed};

/// What the counted edges of all sensors contradict, with the quality of the sensor that does. The first sensor is the one
/// that every other is compared with.
pub(super) fn of_edges(all: &[Counted]) -> Option<Refused> {
    let with = |refusal: Refusal, of: &Counted| Box::new((refusal, of.quality.clone()));
    for one in all {
        if let Some(refusal) = magnets::other_count(one) {
            return Some(with(refusal, one));
        }
    }
    let (first, others) = all.split_first()?;
    others.iter().find_map(|other| {
        let refusal = shafts::apart(first, other)?;
        Some(with(refusal, first))
    })
}

/// What the fitted records contradict, with the quality of the sensor that does.
pub(super) fn of_fit(all: &[Sensed]) -> Option<Refused> {
    all.iter().find_map(|one| {
        let refusal = magnets::neighbour(one).or_else(|| shafts::other(one))?;
        Some(Box::new((refusal, one.quality.clone())))
    })
}
