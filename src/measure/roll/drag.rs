//! Drag of a car that runs free: how fast it slows, against its speed, from every coast of a record.
//!
//! `dE/dx = -(A + B w)` and `E = w^2/2` make `A + B w` the deceleration itself. Each coast is cut into pieces of about a
//! wheel turn; a line through energy over angle gives the deceleration of a piece. Plain least squares over all pieces
//! gives A and B; their uncertainty comes from leaving out one coast after the other (delete-a-group jackknife: B. Efron,
//! The Jackknife, the Bootstrap and Other Resampling Plans, SIAM 1982, chapter 3), so that a floor that slopes, a bearing that
//! warms and whatever else differs from coast to coast is in it.

use schemars::JsonSchema;
use serde::Serialize;
use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::reading::{Estimate, Z95};
use crate::vehicle::Train;

use super::coast::slope;
use super::filter::Track;
use super::whole;

/// Fewer coasts than this tell no uncertainty.
const LEAST_COASTS: usize = 5;
/// Shortest piece, turns of the sensed shaft: two turns average its own ripple.
const LEAST_PIECE: f64 = 2.0;
/// Fewest nodes in a piece: a line through energies that each stand on two intervals.
const LEAST_NODES: usize = 6;
/// Points of the picture: pieces are averaged in this many classes of speed.
const POINTS: usize = 12;
/// Standard acceleration of free fall, m/s^2 (3rd CGPM, 1901).
const GRAVITY_M_S2: f64 = 9.806_65;
/// What turns in a rolling car carries up to this share of its mass once more (judgement for four wheels and a geared
/// train, no source). It is not in the value; it is in the uncertainty, as an even distribution from none to all of it.
pub(super) const INERTIA_ALLOWANCE: f64 = 0.15;

/// Drag of the free-running car against its speed.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct RollDrag {
    /// Loss of speed next to standstill, turns of the wheel per second, per second.
    pub standstill_rev_s2: Estimate,
    /// What every turn per second of the wheel adds to it, 1/s.
    pub slope_per_s: Estimate,
    /// Rolling: drag next to standstill in units of the car's weight; null on a stand or without a wheel diameter.
    pub standstill_over_weight: Option<Estimate>,
    /// Rolling: what every m/s adds to it, s/m; null like `standstill_over_weight`.
    pub slope_over_weight_s_m: Option<Estimate>,
    /// Share of the car's mass that what turns may carry once more; in `u` of the two numbers before; null like them.
    pub inertia_allowance: Option<f64>,
    /// Coasts that it comes from.
    pub coasts: u64,
    /// Drag by speed, slowest first.
    pub points: Vec<DragPoint>,
}

/// Drag at one speed: the mean of the pieces of coasts about it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct DragPoint {
    /// Speed of the wheel, turns per second.
    pub speed_rev_s: f64,
    /// Its loss per second.
    pub drag_rev_s2: f64,
    /// Speed of the car, m/s; null on a stand or without a wheel diameter.
    pub speed_m_s: Option<f64>,
    /// Drag in units of the car's weight; null like `speed_m_s`.
    pub drag_over_weight: Option<f64>,
}

/// A piece of a coast: mean speed (turns/s of the sensed shaft) and deceleration (turns/s^2).
#[derive(Clone, Copy, Debug)]
struct Piece {
    coast: usize,
    speed: f64,
    drag: f64,
}

/// Drag of a record's legs; `None` with fewer than five coasts or all at one speed. `wheel_diameter_m` counts where the car rolls.
pub(super) fn drag(
    legs: &[&Track],
    train: &Train,
    wheel_diameter_m: Option<f64>,
) -> Option<RollDrag> {
    let wheel = wheel(train);
    let pieces = pieces(legs, (1.0 / wheel).max(LEAST_PIECE));
    let coasts = pieces.last()?.coast + 1;
    if coasts < LEAST_COASTS {
        return None;
    }
    let (all, by_coast) = Sums::of(&pieces, coasts);
    let (a, b) = all.line()?;
    let (mut var_a, mut var_b) = (0.0, 0.0);
    for coast in by_coast {
        let (ai, bi) = all.less(coast).line()?;
        var_a += (ai - a) * (ai - a);
        var_b += (bi - b) * (bi - b);
    }
    let share = (coasts - 1) as f64 / coasts as f64;
    // two numbers were fitted to the coasts
    let t = StudentsT::new(0.0, 1.0, (coasts - 2) as f64)
        .ok()?
        .inverse_cdf(0.975);
    let from_coasts = |value: f64, var: f64| {
        let u = (share * var).sqrt();
        Estimate {
            value,
            u,
            lo95: value - t * u,
            hi95: value + t * u,
        }
    };
    let (standstill, slope) = (from_coasts(a, var_a).scaled(wheel), from_coasts(b, var_b));
    let metres = wheel_diameter_m
        .filter(|_| train.rolling)
        .map(|d| d * std::f64::consts::PI);
    let with_allowance = |e: Estimate| {
        let u = INERTIA_ALLOWANCE / 3.0f64.sqrt() * e.value;
        let half = |end: f64| ((end - e.value) * (end - e.value) + Z95 * Z95 * u * u).sqrt();
        Estimate {
            value: e.value,
            u: (e.u * e.u + u * u).sqrt(),
            lo95: e.value - half(e.lo95),
            hi95: e.value + half(e.hi95),
        }
    };
    Some(RollDrag {
        standstill_rev_s2: standstill,
        slope_per_s: slope,
        standstill_over_weight: metres.map(|m| with_allowance(standstill.scaled(m / GRAVITY_M_S2))),
        slope_over_weight_s_m: metres.map(|_| with_allowance(slope.scaled(1.0 / GRAVITY_M_S2))),
        inertia_allowance: metres.map(|_| INERTIA_ALLOWANCE),
        coasts: coasts as u64,
        points: points(&pieces, wheel, metres),
    })
}

/// Turns of a wheel per turn of the sensed shaft: the mean of the wheels where the car rolls (its own speed), else the
/// fastest one.
fn wheel(train: &Train) -> f64 {
    let named = train.turning.iter().filter(|t| t.named && !t.planet);
    let orders: Vec<f64> = named.map(|t| t.order).collect();
    if train.rolling && !orders.is_empty() {
        orders.iter().sum::<f64>() / orders.len() as f64
    } else {
        train.fastest_wheel
    }
}

/// Pieces of about `length` turns of all coasts. A run that goes on slower than the last one ended is the same coast.
fn pieces(legs: &[&Track], length: f64) -> Vec<Piece> {
    let mut all: Vec<Piece> = Vec::new();
    let (mut coast, mut begun) = (0, false);
    let mut last_energy = f64::NEG_INFINITY;
    let runs = legs
        .iter()
        .flat_map(|track| track.runs.iter().map(move |run| (track, run)));
    for (track, run) in runs {
        // the energies at the ends stand on one interval and the line: leave them out
        let (first, last) = (run.start + 1, run.end - 1);
        if last < first + LEAST_NODES {
            continue;
        }
        if begun && track.er[first] > last_energy {
            coast += 1;
        }
        begun = true;
        last_energy = track.er[last - 1];
        let turns = track.x[last - 1] - track.x[first];
        let most = (last - first) / LEAST_NODES;
        let count = whole(turns / length).clamp(1, most);
        for n in 0..count {
            let from = first + (last - first) * n / count;
            let to = first + (last - first) * (n + 1) / count;
            all.push(piece(coast, &track.x[from..to], &track.er[from..to]));
        }
    }
    all
}

/// Line through the energies of one piece, and its mean speed, weighted as the line weighs what is lost on the way.
///
/// An energy is known from the mean speeds of the intervals beside it. While the speed falls evenly by `d`, half the square of the
/// mean speed is `d^2/8` less than the energy halfway: that is put back.
fn piece(coast: usize, x: &[f64], energy: &[f64]) -> Piece {
    let roughly = -slope(x, energy);
    let interval = (x[x.len() - 1] - x[0]) / (x.len() - 1) as f64;
    let lost = roughly * interval;
    let energy: Vec<f64> = energy
        .iter()
        .map(|e| e + lost * lost / (2.0 * e) / 8.0)
        .collect();
    let mean = x.iter().sum::<f64>() / x.len() as f64;
    let sxx: f64 = x.iter().map(|x| (x - mean) * (x - mean)).sum();
    let (mut behind, mut speed) = (0.0, 0.0);
    for (x, e) in x.windows(2).zip(energy.windows(2)).rev() {
        behind += x[1] - mean;
        speed += behind / sxx * (x[1] - x[0]) * (e[0] + e[1]).sqrt();
    }
    Piece {
        coast,
        speed,
        drag: -slope(x, &energy),
    }
}

/// What least squares of the drag on (1, speed) need; speeds and drags are about those of the first piece, so that sums can be taken off.
#[derive(Clone, Copy, Default)]
struct Sums {
    about: (f64, f64),
    n: f64,
    w: f64,
    d: f64,
    ww: f64,
    wd: f64,
}

impl Sums {
    /// Of all pieces, and of those of every coast.
    fn of(pieces: &[Piece], coasts: usize) -> (Self, Vec<Self>) {
        let about = pieces.first().map_or((0.0, 0.0), |p| (p.speed, p.drag));
        let none = Self {
            about,
            ..Self::default()
        };
        let (mut all, mut by_coast) = (none, vec![none; coasts]);
        for piece in pieces {
            all.add(piece);
            by_coast[piece.coast].add(piece);
        }
        (all, by_coast)
    }

    fn add(&mut self, piece: &Piece) {
        let (w, d) = (piece.speed - self.about.0, piece.drag - self.about.1);
        self.n += 1.0;
        self.w += w;
        self.d += d;
        self.ww += w * w;
        self.wd += w * d;
    }

    fn less(&self, other: Self) -> Self {
        Self {
            about: self.about,
            n: self.n - other.n,
            w: self.w - other.w,
            d: self.d - other.d,
            ww: self.ww - other.ww,
            wd: self.wd - other.wd,
        }
    }

    /// Drag at standstill and what every turn per second adds; `None` when all speeds are one.
    fn line(&self) -> Option<(f64, f64)> {
        let (w, d) = (self.w / self.n, self.d / self.n);
        let b = (self.wd - self.n * w * d) / (self.ww - self.n * w * w);
        let a = self.about.1 + d - b * (self.about.0 + w);
        (a.is_finite() && b.is_finite()).then_some((a, b))
    }
}

/// Means of the pieces in classes of speed with equally many of them.
fn points(pieces: &[Piece], wheel: f64, metres: Option<f64>) -> Vec<DragPoint> {
    let mut sorted = pieces.to_vec();
    sorted.sort_by(|a, b| a.speed.total_cmp(&b.speed));
    let n = sorted.len();
    let count = POINTS.min(n);
    (0..count)
        .map(|c| {
            let class = &sorted[n * c / count..n * (c + 1) / count];
            let mean = |f: fn(&Piece) -> f64| {
                class.iter().map(f).sum::<f64>() / class.len() as f64 * wheel
            };
            let (speed, drag) = (mean(|p| p.speed), mean(|p| p.drag));
            DragPoint {
                speed_rev_s: speed,
                drag_rev_s2: drag,
                speed_m_s: metres.map(|m| m * speed),
                drag_over_weight: metres.map(|m| m * drag / GRAVITY_M_S2),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{Random, train};
    use super::*;

    /// Coasts from various speeds down at `a + b w` of this coast; energies by the mean speeds of two intervals, and `noise`.
    fn track(coasts: usize, (a, b): (f64, f64), uneven: f64, noise: f64, seed: u64) -> Track {
        let mut random = Random::new(seed);
        let mut track = Track::default();
        let mut x = 0.0;
        for _ in 0..coasts {
            let factor = 1.0 + uneven * random.normal();
            let mut energy = random.uniform(30.0, 80.0);
            let first = track.x.len();
            let dx = 0.25;
            let mut speeds = vec![(2.0 * energy).sqrt()];
            while energy > 2.0 {
                let half = energy - factor * (a + b * (2.0 * energy).sqrt()) * dx / 2.0;
                energy -= factor * (a + b * (2.0 * half.max(0.0)).sqrt()) * dx;
                speeds.push((2.0 * energy.max(0.0)).sqrt());
            }
            let of = |w: &[f64]| f64::midpoint(w[0], w[1]) * f64::midpoint(w[0], w[1]) / 2.0;
            for w in speeds.windows(3) {
                track.x.push(x);
                let energy = f64::midpoint(of(&w[..2]), of(&w[1..]));
                track.er.push(energy + noise * random.normal());
                x += dx;
            }
            track.runs.push(first..track.x.len());
        }
        track
    }

    #[test]
    fn a_line_without_noise_comes_back() {
        let train = train(4);
        let drag = drag(&[&track(8, (2.0, 0.1), 0.0, 0.0, 1)], &train, Some(0.1)).unwrap();
        // speeds and drags are weighed alike
        assert!(
            (drag.standstill_rev_s2.value / (2.0 * 0.27) - 1.0).abs() < 3e-4,
            "{drag:?}"
        );
        assert!(
            (drag.slope_per_s.value / 0.1 - 1.0).abs() < 6e-4,
            "{drag:?}"
        );
        assert_eq!(drag.coasts, 8);
        // the car's own units: a turn is pi d, weight is 9.80665 a kilogram
        let metres = 0.1 * std::f64::consts::PI;
        let over_weight = drag.standstill_over_weight.unwrap();
        let want = drag.standstill_rev_s2.value * metres / 9.80665;
        assert!((over_weight.value / want - 1.0).abs() < 1e-12);
        let allowance = 0.15 / 3.0f64.sqrt() * over_weight.value;
        let own = drag.standstill_rev_s2.u / drag.standstill_rev_s2.value * over_weight.value;
        assert!((over_weight.u - (allowance * allowance + own * own).sqrt()).abs() < 1e-12);
        for p in &drag.points {
            let line = drag.standstill_rev_s2.value + drag.slope_per_s.value * p.speed_rev_s;
            assert!((p.drag_rev_s2 / line - 1.0).abs() < 1e-3);
            assert!((p.speed_m_s.unwrap() / p.speed_rev_s - metres).abs() < 1e-12);
        }
        assert!(
            drag.points
                .is_sorted_by(|a, b| a.speed_rev_s < b.speed_rev_s)
        );
    }

    /// 95 % intervals of 300 records of nine coasts whose drag differs by 4 % from coast to coast.
    #[test]
    fn intervals_cover_what_differs_from_coast_to_coast() {
        let train = train(4);
        let (mut standstill, mut slope) = (0, 0);
        for seed in 0..300 {
            let drag = drag(&[&track(9, (2.0, 0.1), 0.04, 0.05, seed)], &train, None).unwrap();
            let covers = |e: Estimate, truth: f64| e.lo95 <= truth && truth <= e.hi95;
            standstill += i32::from(covers(drag.standstill_rev_s2, 2.0 * 0.27));
            slope += i32::from(covers(drag.slope_per_s, 0.1));
        }
        println!("covered of 300: standstill {standstill}, slope {slope}");
        // 285 expected with a binomial error of 3.8; the jackknife is a little wide
        assert!(standstill >= 274 && slope >= 274, "{standstill} {slope}");
    }

    #[test]
    fn too_few_coasts_tell_nothing_and_a_stand_has_no_weight() {
        let train = train(4);
        assert!(drag(&[&track(4, (2.0, 0.1), 0.0, 0.0, 1)], &train, None).is_none());
        assert!(drag(&[&Track::default()], &train, None).is_none());
        let stand = Train {
            rolling: false,
            ..train
        };
        let drag = drag(&[&track(6, (2.0, 0.1), 0.0, 0.0, 1)], &stand, Some(0.1)).unwrap();
        assert!(drag.standstill_over_weight.is_none() && drag.inertia_allowance.is_none());
    }
}
