//! Nuisance columns: what a healthy car does to the edges. Magnets that are not where they should be, torque
//! and angle ripple of everything that turns, with windows where tyres let a phase drift.

use std::f64::consts::TAU;
use std::ops::Range;

use crate::measure::wide::{Aligned, LANES, wide};
use crate::vehicle::Train;

use super::count::Nodes;
use super::filter::{Gain, Step, Track};
use super::orders::{REACH_SD, SLIP_SD};
use super::products::Table;
use super::side_by_side::each;
use super::whole;

/// Prior sd of a magnet's place, turns.
pub(super) const MAGNET_SD: f64 = 0.003;
/// Prior amplitude of a torque ripple, share of the drag.
const TORQUE_SD: f64 = 0.025;
/// Prior amplitude of an angle ripple, turns, and the order below which a slower shaft may show more.
const ANGLE_SD: f64 = 0.003;
const ANGLE_ORDER: f64 = 0.3;
/// Turns of the fastest wheel between two knots, and most spans: usual windows, and the 2x angle of wheels.
const SPAN: (f64, f64) = (60.0, 8.0);
const SPAN_JOINT: (f64, f64) = (12.0, 24.0);
/// Factor on the prior of a column that must not take part.
const SHUT: f64 = 1e-6;
/// Orders nearer than this are one.
pub(super) const SAME_ORDER: f64 = 1e-3;

/// How a wave enters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// Energy is put in and taken out.
    Torque,
    /// The sensed angle runs ahead and behind.
    Angle,
}

/// A ripple at one order: a sine and a cosine column for each of its windows.
#[derive(Clone, Debug)]
pub(super) struct Wave {
    pub kind: Kind,
    pub order: f64,
    /// Windows: 1 = none, otherwise hats with equal knots over the record.
    pub hats: usize,
}

impl Wave {
    /// Prior sd of its columns: torque in turns^2/s^2 per turn, angle in turns.
    pub fn prior(&self, level: f64) -> f64 {
        match self.kind {
            Kind::Torque => TORQUE_SD * level,
            Kind::Angle => ANGLE_SD * (ANGLE_ORDER / self.order).max(1.0),
        }
    }
}

/// Sine and cosine of a wave at every node.
pub(super) fn trig(order: f64, x: &[f64]) -> Vec<[f64; 2]> {
    x.iter()
        .map(|x| {
            let turns = order * x;
            let (s, c) = libm::sincos(TAU * (turns - turns.floor()));
            [s, c]
        })
        .collect()
}

/// The waves of a healthy train over a record of `turns` sensed turns.
pub(super) fn waves(train: &Train, turns: f64) -> Vec<Wave> {
    let wheel_turns = turns * train.fastest_wheel;
    let hats = |(span, most): (f64, f64)| {
        let spans = (wheel_turns / span).round().clamp(1.0, most);
        whole(spans) + 1
    };
    let mut all: Vec<Wave> = Vec::new();
    for shaft in &train.turning {
        let drifts = train.rolling && !shaft.rigid;
        let usual = if drifts { hats(SPAN) } else { 1 };
        let joint = if drifts && shaft.named {
            hats(SPAN_JOINT)
        } else {
            usual
        };
        // The wheels carry the mass: a sensed one hears the angles of nothing, but on a stand each carries its own, and
        // another one that turns moves it. At whole orders that is part of the magnets' places.
        let beside = !train.rolling && shaft.named;
        for (harmonic, kind, hats) in [
            (1.0, Kind::Torque, usual),
            (2.0, Kind::Torque, usual),
            (1.0, Kind::Angle, usual),
            (2.0, Kind::Angle, joint),
            (3.0, Kind::Angle, usual),
            (4.0, Kind::Angle, usual),
        ] {
            let order = harmonic * shaft.order;
            let off_whole = (order - order.round()).abs() > SAME_ORDER;
            let reaches = !train.sensed_named || beside && off_whole;
            let shows = kind == Kind::Torque
                || reaches
                    && !(shaft.planet || shaft.sensed)
                    && (harmonic < 3.0 || shaft.named && order <= f64::from(train.magnets));
            if shows {
                add(&mut all, Wave { kind, order, hats });
            }
        }
    }
    all
}

/// Adds a wave; one of the same kind and order keeps the larger number of windows.
fn add(all: &mut Vec<Wave>, wave: Wave) {
    let same = all
        .iter_mut()
        .find(|w| w.kind == wave.kind && (w.order - wave.order).abs() < SAME_ORDER);
    match same {
        Some(same) => same.hats = same.hats.max(wave.hats),
        None => all.push(wave),
    }
}

/// All columns of a record: magnets first, then every wave's windows, sine before cosine.
#[derive(Clone, Debug)]
pub(super) struct Columns {
    magnets: usize,
    waves: Vec<Wave>,
    /// First column of every wave.
    offset: Vec<usize>,
    /// Sine and cosine of every wave at every node.
    trig: Vec<Vec<[f64; 2]>>,
    /// First and last angle of the record, turns.
    reach: (f64, f64),
    /// Number of columns.
    pub count: usize,
}

/// Waves as they were at the end of a record, for the nodes that come after it.
#[derive(Clone, Debug)]
pub(super) struct Ripple {
    /// Without windows.
    waves: Vec<Wave>,
    /// Coefficients: magnets, then sine and cosine of every wave.
    b: Vec<f64>,
}

impl Ripple {
    /// Time shift of every node and energy put in over every interval; angles and magnets as in the record.
    pub fn effect(&self, nodes: &Nodes, er: &[f64]) -> (Vec<f64>, Vec<f64>) {
        Columns::new(nodes, self.waves.clone()).effect(nodes, er, &self.b)
    }
}

/// The waves of which some window touches a run.
#[derive(Clone, Debug)]
struct Active {
    wave: usize,
    first_hat: usize,
    hats: usize,
    /// Place of its first column among the run's columns.
    local: usize,
}

/// Whitened columns over one run; only those that some window lets in.
#[derive(Clone, Debug)]
pub(super) struct Block {
    /// The record's number of each of the block's columns.
    pub columns: Vec<usize>,
    /// Row-major, rows of the run by [`Self::width`]: innovation over its sd, 0 where a row carries no weight, and 0 in the columns
    /// that fill up the last lanes.
    pub x: Aligned<f64>,
}

impl Block {
    /// Number of columns, filled up to whole lanes: a loop over the rest one by one would take as long as all the others.
    pub fn width(&self) -> usize {
        self.columns.len().next_multiple_of(LANES)
    }

    /// The block as a factor of products.
    pub fn table(&self) -> Table<'_> {
        Table {
            values: &self.x,
            width: self.width(),
        }
    }

    /// The block's rows, without what fills them up.
    pub fn rows(&self) -> impl Iterator<Item = &[f64]> {
        let rows = self.x.chunks_exact(self.width().max(1));
        rows.map(|row| &row[..self.columns.len()])
    }
}

/// Where an angle falls among the hats: the hat that ends next and its share; the one after it has the rest.
struct Window {
    first: usize,
    share: f64,
}

impl Columns {
    /// Columns of `waves` for a record.
    pub fn new(nodes: &Nodes, waves: Vec<Wave>) -> Self {
        let magnets = nodes.spacing.len();
        let mut columns = Self {
            magnets,
            waves: Vec::new(),
            offset: Vec::new(),
            trig: Vec::new(),
            reach: (nodes.x[0], nodes.x[nodes.x.len() - 1]),
            count: magnets - 1,
        };
        columns.extend(nodes, waves);
        columns
    }

    /// Adds waves behind the present ones.
    pub fn extend(&mut self, nodes: &Nodes, waves: Vec<Wave>) {
        for wave in waves {
            self.trig.push(trig(wave.order, &nodes.x));
            self.offset.push(self.count);
            self.count += 2 * wave.hats;
            self.waves.push(wave);
        }
    }

    /// Every wave with the numbers of its columns.
    pub fn waves(&self) -> Vec<(Wave, Range<usize>)> {
        let of = |(wave, from): (&Wave, &usize)| (wave.clone(), *from..from + 2 * wave.hats);
        self.waves.iter().zip(&self.offset).map(of).collect()
    }

    /// What the last windows say, with coefficients `b`.
    pub fn at_end(&self, b: &[f64]) -> Ripple {
        let mut last = b[..self.magnets - 1].to_vec();
        let mut waves = self.waves.clone();
        for (wave, offset) in waves.iter_mut().zip(&self.offset) {
            let at = offset + 2 * (wave.hats - 1);
            last.extend_from_slice(&b[at..at + 2]);
            wave.hats = 1;
        }
        Ripple { waves, b: last }
    }

    /// Prior sd of every column.
    pub fn priors(&self, level: f64) -> Vec<f64> {
        let mut priors = vec![MAGNET_SD; self.magnets - 1];
        for wave in &self.waves {
            priors.resize(priors.len() + 2 * wave.hats, wave.prior(level));
        }
        priors
    }

    /// The same for telling the places of the magnets: ripple at a whole order, which the record cannot tell from them,
    /// is theirs.
    pub fn priors_of_places(&self, level: f64, turns: f64) -> Vec<f64> {
        let mut priors = vec![MAGNET_SD; self.magnets - 1];
        for wave in &self.waves {
            let off = (wave.order - wave.order.round()).abs();
            let theirs = off < (1.0 / turns).max(REACH_SD * SLIP_SD * wave.order);
            let prior = wave.prior(level) * if theirs { SHUT } else { 1.0 };
            priors.resize(priors.len() + 2 * wave.hats, prior);
        }
        priors
    }

    /// Window of a wave at an angle: the hat that is falling there and its share; the next hat has the rest.
    fn window(&self, wave: &Wave, x: f64) -> Window {
        if wave.hats == 1 {
            return Window {
                first: 0,
                share: 1.0,
            };
        }
        let spans = wave.hats - 1;
        let at = (x - self.reach.0) / (self.reach.1 - self.reach.0) * spans as f64;
        let first = whole(at).min(spans - 1);
        Window {
            first,
            share: (1.0 - (at - first as f64)).clamp(0.0, 1.0),
        }
    }

    /// The waves' windows that touch `lo..hi` (turns), and the numbers of all columns there.
    fn active(&self, lo: f64, hi: f64) -> (Vec<Active>, Vec<usize>) {
        let mut columns: Vec<usize> = (0..self.magnets - 1).collect();
        let mut active = Vec::new();
        for (w, wave) in self.waves.iter().enumerate() {
            let first_hat = self.window(wave, lo).first;
            let last_hat = (self.window(wave, hi).first + 1).min(wave.hats - 1);
            let hats = last_hat - first_hat + 1;
            active.push(Active {
                wave: w,
                first_hat,
                hats,
                local: columns.len(),
            });
            let from = self.offset[w] + 2 * first_hat;
            columns.extend(from..from + 2 * hats);
        }
        (active, columns)
    }

    /// Puts `value` (sine, cosine) through a wave's window at `x` into the run's columns.
    fn spread(&self, a: &Active, x: f64, value: [f64; 2], out: &mut [f64]) {
        let wave = &self.waves[a.wave];
        let window = self.window(wave, x);
        let at = a.local + 2 * (window.first - a.first_hat);
        for (k, v) in value.into_iter().enumerate() {
            out[at + k] = v * window.share;
            if window.first + 1 < a.first_hat + a.hats {
                out[at + 2 + k] = v * (1.0 - window.share);
            }
        }
    }

    /// Time shift at node `i` (speed `w`, turns/s) of a unit of each column.
    fn times(&self, active: &[Active], nodes: &Nodes, i: usize, w: f64, y: &mut [f64]) {
        y.fill(0.0);
        let m = nodes.magnet[i];
        if m + 1 < self.magnets {
            y[m] = 1.0 / w;
        } else {
            y[..self.magnets - 1].fill(-1.0 / w);
        }
        for a in active
            .iter()
            .filter(|a| self.waves[a.wave].kind == Kind::Angle)
        {
            let [s, c] = self.trig[a.wave][i];
            self.spread(a, nodes.x[i], [s / w, c / w], y);
        }
    }

    /// Energy that a unit of each column puts in over the interval from node `i` to the next.
    fn energies(&self, active: &[Active], nodes: &Nodes, i: usize, u: &mut [f64]) {
        u.fill(0.0);
        for a in active
            .iter()
            .filter(|a| self.waves[a.wave].kind == Kind::Torque)
        {
            let wave = &self.waves[a.wave];
            let value = torque(wave.order, &self.trig[a.wave], i);
            self.spread(a, f64::midpoint(nodes.x[i], nodes.x[i + 1]), value, u);
        }
    }

    /// Sends all columns through the filter over every run.
    pub fn whiten(&self, nodes: &Nodes, track: &Track, gains: &[Gain]) -> Vec<Block> {
        each(&track.runs, |run| {
            whitened(self, nodes, track, gains, run.clone())
        })
    }

    /// What the columns with coefficients `b` did to the record: time shift of every node (speed from the reference
    /// energy `er`) and energy put in over every interval.
    pub fn effect(&self, nodes: &Nodes, er: &[f64], b: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let n = nodes.x.len();
        let (magnets, rest) = b.split_at(self.magnets - 1);
        // the last magnet is where the others together are not
        let last = -magnets.iter().sum::<f64>();
        let place = |m: &usize| magnets.get(*m).copied().unwrap_or(last);
        let mut t: Vec<f64> = nodes.magnet.iter().map(place).collect();
        let mut u = vec![0.0; n];
        for (w, wave) in self.waves.iter().enumerate() {
            let b = &rest[self.offset[w] + 1 - self.magnets..];
            let along = |x: f64, [s, c]: [f64; 2]| {
                let at = |hat: usize| b[2 * hat] * s + b[2 * hat + 1] * c;
                let Window { first, share } = self.window(wave, x);
                if wave.hats == 1 {
                    at(first)
                } else {
                    share * at(first) + (1.0 - share) * at(first + 1)
                }
            };
            match wave.kind {
                Kind::Angle => {
                    for (t, (x, trig)) in t.iter_mut().zip(nodes.x.iter().zip(&self.trig[w])) {
                        *t += along(*x, *trig);
                    }
                }
                Kind::Torque => {
                    for i in 0..n - 1 {
                        let middle = f64::midpoint(nodes.x[i], nodes.x[i + 1]);
                        u[i] += along(middle, torque(wave.order, &self.trig[w], i));
                    }
                }
            }
        }
        for (t, er) in t.iter_mut().zip(er) {
            *t /= (2.0 * er).sqrt();
        }
        (t, u)
    }
}

wide!(fn whitened<'a>(columns: &'a Columns, nodes: &'a Nodes, track: &'a Track, gains: &'a [Gain], run: Range<usize>) -> Block = whitened_of);

/// All columns after the filter over one run.
#[inline(always)]
fn whitened_of(
    all: &Columns,
    nodes: &Nodes,
    track: &Track,
    gains: &[Gain],
    run: Range<usize>,
) -> Block {
    let (active, columns) = all.active(track.x[run.start], track.x[run.end - 1]);
    let mut block = Block {
        columns,
        x: Aligned::zeros(0),
    };
    let n = block.width();
    block.x = Aligned::zeros(n * run.len());
    let (mut y, mut u) = (vec![0.0; n], vec![0.0; n]);
    let mut states = States::new(n);
    for (i, out) in run.clone().zip(block.x.chunks_exact_mut(n.max(1))) {
        let node = track.node[i];
        let w = (2.0 * track.er[i]).sqrt();
        all.times(&active, nodes, node, w, &mut y);
        if i + 1 < run.end {
            all.energies(&active, nodes, node, &mut u);
        }
        states.advance(&track.steps[i], &gains[i], &y, &u, out);
    }
    block
}

/// Energy of a unit torque ripple (sine, cosine) over the interval from node `i` to the next.
pub(super) fn torque(order: f64, trig: &[[f64; 2]], i: usize) -> [f64; 2] {
    let ([s0, c0], [s1, c1]) = (trig[i], trig[i + 1]);
    let per = 1.0 / (TAU * order);
    [(s1 - s0) * per, (c1 - c0) * per]
}

/// Filter states of several columns side by side.
pub(super) struct States {
    s0: Vec<f64>,
    s1: Vec<f64>,
    s2: Vec<f64>,
}

impl States {
    /// Zero states of `n` columns.
    pub fn new(n: usize) -> Self {
        Self {
            s0: vec![0.0; n],
            s1: vec![0.0; n],
            s2: vec![0.0; n],
        }
    }

    /// One row of the filter: whitened innovations of the columns go to `out`. `y` are their times at the row and `u`
    /// their energies over the interval that follows.
    #[inline(always)]
    pub fn advance(&mut self, step: &Step, gain: &Gain, y: &[f64], u: &[f64], out: &mut [f64]) {
        let n = out.len();
        let (s0, s1, s2) = (&mut self.s0[..n], &mut self.s1[..n], &mut self.s2[..n]);
        let (y, u) = (&y[..n], &u[..n]);
        let [k0, k1, k2] = gain.k;
        for j in 0..n {
            let v = y[j] - s0[j];
            out[j] = v * gain.inv_sd;
            s0[j] += step.e * s1[j] + step.d * s2[j] + k0 * v + step.h * u[j];
            s1[j] += step.dx * s2[j] + k1 * v + u[j];
            s2[j] += k2 * v;
        }
    }
}
