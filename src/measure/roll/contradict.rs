//! Does the record contradict what the vehicle file says of the sensors? A wrong number of magnets scales every angle and
//! names the wrong part with confidence, and so does a sensor that sits on another shaft.
//!
//! `magnets` asks for the one, `shafts` for the other, both ask the car's own `ripple`.

mod magnets;
mod ripple;
mod shafts;

use crate::reading::Refusal;

use super::sensed::{Counted, Refused, Sensed};

pub use ripple::SENSOR_UNCONFIRMED;
pub(super) use ripple::{UNCONFIRMED_SHARE, is_confirmed};
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
        // a wrong place may look a little like a wrong count, and the other way round: the better answer is given
        let answers = [magnets::neighbour(one), shafts::other(one)];
        let answers = answers.into_iter().flatten();
        let (_, refusal) = answers.reduce(|a, b| if b.0 > a.0 { b } else { a })?;
        Some(Box::new((refusal, one.quality.clone())))
    })
}
