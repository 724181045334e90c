//! Small records for the unit tests: one or a few coasting runs, with everything that the fit knows.

use crate::vehicle::{Part, PartKind, Train, Turning};

use super::coast::{DragLine, Run};
use super::count::Nodes;
use super::filter::{Noise, Track, reference_energy};
use super::fit::Fit;
use super::nuisance::{Columns, waves};
use super::score::tests::response;
use super::whole;

/// Seeded random numbers without looking up to the room of the simulations: Knuth's MMIX generator.
pub(super) struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x1234_5678)
    }

    /// Uniform in `[lo, hi)`.
    pub fn uniform(&mut self, lo: f64, hi: f64) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        lo + (hi - lo) * (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Nearly standard normal: twelve uniform numbers.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform(-0.5, 0.5)).sum()
    }
}

/// A sensed spur and a wheel that turns at a quarter of it.
pub(super) fn train(magnets: u32) -> Train {
    let turning = |name: &str, order: f64, sensed: bool| Turning {
        name: name.into(),
        order,
        rigid: sensed,
        named: !sensed,
        sensed,
        planet: false,
    };
    let part = |name: &str, order: f64, order_sd: f64| Part {
        name: name.into(),
        kind: PartKind::Shaft,
        order,
        order_sd,
        mult: 1,
        per_own_turn: 1.0,
        rigid: order_sd <= 0.0,
    };
    Train {
        magnets,
        rolling: true,
        sensed_named: false,
        fastest_wheel: 0.27,
        parts: vec![part("spur", 1.0, 0.0), part("wheel", 0.27, 0.002)],
        turning: vec![turning("spur", 1.0, true), turning("wheel", 0.27, false)],
        not_visible: vec![],
    }
}

/// `n` nodes coasting from 8 turns/s down (at least 45 turns), pushed again below 3; jitter 10 us, unequal magnets.
pub(super) fn nodes(magnets: usize, n: usize, seed: u64) -> Nodes {
    let mut random = Random::new(seed);
    let raw: Vec<f64> = (0..magnets).map(|_| random.uniform(0.9, 1.1)).collect();
    let sum: f64 = raw.iter().sum();
    let spacing: Vec<f64> = raw.iter().map(|s| s / sum).collect();
    let (mut x, mut t, mut energy) = (0.0, 0.0, 32.0f64);
    let mut pushed = false;
    let mut out = Nodes {
        spacing: spacing.clone(),
        ..Nodes::default()
    };
    for k in 0..n {
        out.x.push(x);
        out.t.push(t + 1e-5 * random.normal());
        out.magnet.push(k % magnets);
        let dx = spacing[k % magnets];
        let w0 = (2.0 * energy).sqrt();
        if !(4.5..=32.0).contains(&energy) {
            pushed = energy < 4.5;
        }
        let push = if pushed { 6.0 } else { 0.0 };
        energy += (push - 0.5 - 0.02 * w0) * dx + 0.01 * random.normal() * dx.sqrt();
        t += 2.0 * dx / (w0 + (2.0 * energy).sqrt());
        x += dx;
    }
    out
}

/// Where [`nodes`] roll freely: turn by turn they grow slower.
pub(super) fn coasts(nodes: &Nodes) -> Vec<(usize, usize)> {
    let (m, t) = (nodes.spacing.len(), &nodes.t);
    let slows: Vec<bool> = (m..t.len() - m)
        .map(|k| t[k + m] - t[k] > t[k] - t[k - m])
        .collect();
    let mut runs = Vec::new();
    let mut at = m;
    for stretch in slows.chunk_by(|a, b| a == b) {
        let end = at + stretch.len();
        if stretch[0] && stretch.len() > 10 * m {
            // a turn at either end may be half pushed
            runs.push((at + m, end - m));
        }
        at = end;
    }
    runs
}

/// The drag line that [`nodes`] are made with.
pub(super) const LINE: DragLine = DragLine {
    a: 0.5,
    b: 0.02,
    level: 0.64,
};

pub(super) const NOISE: Noise = Noise {
    jitter_s: 1e-5,
    energy: 1e-4,
};

/// Rows of the runs `first..=last`.
pub(super) fn track(nodes: &Nodes, runs: &[(usize, usize)]) -> Track {
    let runs: Vec<Run> = runs
        .iter()
        .map(|(first, last)| Run {
            first: *first,
            last: *last,
        })
        .collect();
    let er = reference_energy(nodes, &nodes.t, &runs, LINE, false);
    Track::new(nodes, &runs, LINE, &er)
}

/// A fit with known noise: columns solved once, all weights 1 but for every seventh row.
pub(super) fn fit(nodes: &Nodes, runs: &[(usize, usize)]) -> Fit {
    weighed(nodes, runs, |row| if row % 7 == 3 { 0.6 } else { 1.0 })
}

/// The same with these weights of the rows.
pub(super) fn weighed(nodes: &Nodes, runs: &[(usize, usize)], weigh: fn(usize) -> f64) -> Fit {
    let magnets = u32::try_from(nodes.spacing.len()).unwrap();
    let track = track(nodes, runs);
    let columns = Columns::new(nodes, waves(&train(magnets), nodes.turns()));
    Fit::with(nodes, track, &columns, NOISE, |z, _, _| {
        (0..z.len()).map(weigh).collect()
    })
    .unwrap()
}

/// The same record with a train of events that takes so much energy in half of its turns.
pub(super) fn hit(fit: &Fit, order: f64, loss: f64) -> Fit {
    let mut random = Random::new(9);
    let x = &fit.track.x;
    let mut lost = vec![0.0; fit.track.len()];
    for k in 0..whole((x[x.len() - 1] - x[0]) * order) {
        let a = x[0] + (k as f64 + 0.3) / order;
        let row = x.partition_point(|x| *x <= a) - 1;
        let runs = &fit.track.runs;
        let coasts = runs.iter().any(|r| r.contains(&row) && row + 3 < r.end);
        if coasts && random.uniform(0.0, 1.0) < 0.5 {
            for (lost, r) in lost.iter_mut().zip(response(fit, row, a)) {
                *lost -= loss * r;
            }
        }
    }
    fit.less(&lost)
}
