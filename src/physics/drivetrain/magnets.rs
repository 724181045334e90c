//! A ring of magnets on a shaft and the sensor that watches them pass.

use super::Conditions;
use crate::physics::noise::Noise;

/// Longest bounce, microseconds.
const BOUNCE_US: f64 = 300.0;

/// The ring of magnets and the sensor's habits.
pub(super) struct Magnets {
    /// Places, turns, rising, in [0, 1) give or take the placement.
    places: Vec<f64>,
    /// Number of the next magnet to pass, counted over turns, and the sense in which they pass, 1 or -1.
    next: i32,
    sense: i32,
    /// Angle at which the place 0 would pass in this sense, turns.
    origin: f64,
    first: Option<i32>,
    jitter_us: f64,
    missed_share: f64,
    bounced_share: f64,
    pub missed: u64,
    pub bounced: u64,
    /// Times of the edges, microseconds; jitter and bounce may put neighbours the wrong way round.
    pub times_us: Vec<f64>,
    noise: Noise,
}

impl Magnets {
    pub fn new(conditions: &Conditions, count: u32, (seed, stream): (u64, u64)) -> Self {
        let mut noise = Noise::new(seed, stream);
        let pitch = 1.0 / f64::from(count);
        // Many magnets are placed closer: 15 % of the pitch keeps them in order.
        let sd = (conditions.magnet_sd_deg / 360.0).min(0.15 * pitch);
        let places = (0..count)
            .map(|m| {
                let off = (sd * noise.normal()).clamp(-0.45 * pitch, 0.45 * pitch);
                (f64::from(m) + 0.5) * pitch + off
            })
            .collect();
        Self {
            places,
            next: 0,
            sense: 1,
            origin: 0.0,
            first: None,
            jitter_us: conditions.jitter_us,
            missed_share: conditions.missed,
            bounced_share: conditions.bounced,
            missed: 0,
            bounced: 0,
            times_us: Vec::new(),
            noise,
        }
    }

    /// The shaft stands at `turns` (0..1) when the record begins.
    pub fn start(&mut self, turns: f64) {
        while self.target() <= turns {
            self.next += 1;
        }
    }

    /// Angle at which the next magnet passes, turns.
    pub fn target(&self) -> f64 {
        self.origin + f64::from(self.sense) * self.place(self.next)
    }

    /// From the angle `turns` on the shaft turns the other way.
    pub fn turn_round(&mut self, turns: f64) {
        self.origin = 2.0 * turns - self.origin;
        self.sense = -self.sense;
        self.next += self.sense;
    }

    /// Place of a magnet, turns.
    fn place(&self, number: i32) -> f64 {
        let count = i32::try_from(self.places.len()).expect("at most 64 magnets");
        let magnet = usize::try_from(number.rem_euclid(count)).expect("not below 0");
        f64::from(number.div_euclid(count)) + self.places[magnet]
    }

    pub fn pass(&mut self, t_s: f64) {
        let t_us = t_s * 1e6 + self.jitter_us * self.noise.normal();
        let (miss, bounce) = (self.noise.unit(), self.noise.unit());
        let delay_us = self.noise.uniform(20.0, BOUNCE_US);
        if miss < self.missed_share {
            self.missed += 1;
        } else {
            self.first.get_or_insert(self.next);
            self.times_us.push(t_us);
            if bounce < self.bounced_share {
                self.bounced += 1;
                self.times_us.push(t_us + delay_us);
            }
        }
        self.next += self.sense;
    }

    /// Turns from magnet to magnet, from the first that was seen.
    pub fn spacing(&self) -> Vec<f64> {
        let first = self.first.unwrap_or(0);
        let magnets = (first..).take(self.places.len());
        magnets.map(|k| self.place(k + 1) - self.place(k)).collect()
    }
}
