//! Counting edges: which magnet each edge belongs to, when some are missing and some bounce.
//!
//! A beam of hypotheses predicts the time to the next magnet from the last interval's energy and its
//! slope over the angle, and pays for what does not fit. With calibrated spacing the magnets are a
//! fingerprint, so a wrong count finds its way back.

use std::f64::consts::LN_2;
use std::ops::Range;

/// Hypotheses kept in the first pass, equal spacing.
const BEAM_FIRST: usize = 16;
/// Hypotheses kept in a pass with calibrated spacing.
const BEAM_CALIBRATED: usize = 32;
/// Relative scatter of an interval in the first pass (magnets glued by hand) and in the others.
const SCATTER: [f64; 2] = [0.06, 0.02];
/// Passes with calibrated spacing, at most. Where edges are missed the first pass slips by a magnet here and there, and the spacing
/// that it leaves is blurred. Two passes agree after one with calibrated spacing where the first does not slip, after at most six on
/// 240 records of which some missed one edge in twenty.
const MOST_CALIBRATED: usize = 8;
/// An edge sooner than this after the last one may be bounce, s.
const BOUNCE_S: f64 = 2e-3;
const BOUNCE_COST: f64 = 5.0;
/// Cost of every magnet that passed without an edge; a lone magnet is rarely missed.
const MISS_COST: f64 = 8.0;
const MISS_COST_SINGLE: f64 = 12.0;
/// Magnets that one interval may span, 0 for bounce. One magnet first: it fills the beam, so that the dearer ways are
/// mostly cut off unseen.
const ADVANCES: [usize; 4] = [1, 0, 2, 3];
/// A hypothesis this much dearer than the cheapest is given up: to lead, it would have to win back more than three missed magnets
/// cost. The most that one edge adds to the true one beside its scatter is two missed magnets and a bounce, 21. On simulated
/// records, disturbed ones among them, the counts are those without a limit.
const BEHIND: f64 = 25.0;
/// How far the slope may carry the energy from one interval to the next.
const ENERGY_CLAMP: (f64, f64) = (0.15, 3.0);

/// Counted edges ("nodes") with the angle of each.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Nodes {
    /// Time after the first edge, s, strictly increasing.
    pub t: Vec<f64>,
    /// Angle, turns of the sensed shaft, strictly increasing.
    pub x: Vec<f64>,
    /// Magnet of each node, `0..magnets`.
    pub magnet: Vec<usize>,
    /// Turns from magnet m to magnet m+1; sum 1.
    pub spacing: Vec<f64>,
    /// Edges taken for bounce.
    pub bounced: u64,
    /// Magnets that passed without an edge.
    pub missed: u64,
    /// The same edges counted as if all magnets were alike, where that fits them better: their number may be wrong.
    pub plainly: Option<Box<Nodes>>,
}

impl Nodes {
    /// Turns from the first node to the last.
    pub fn turns(&self) -> f64 {
        self.x[self.x.len() - 1] - self.x[0]
    }

    /// Some of the nodes, where and when they are.
    pub fn leg(&self, nodes: Range<usize>) -> Self {
        Self {
            t: self.t[nodes.clone()].to_vec(),
            x: self.x[nodes.clone()].to_vec(),
            magnet: self.magnet[nodes].to_vec(),
            spacing: self.spacing.clone(),
            ..Self::default()
        }
    }
}

#[derive(Clone, Copy, Debug)]
struct Hypothesis {
    cost: f64,
    /// Energy and length of the last interval, and slope of the energy; meaningful from one interval on.
    energy: f64,
    length: f64,
    slope: f64,
    /// Time of the last counted edge, s.
    t: f64,
    magnet: usize,
    /// Intervals counted so far, at most 2 (what the prediction may use).
    intervals: u8,
}

impl Hypothesis {
    /// One that begins with an edge at `t`.
    fn at(t: f64, magnet: usize) -> Self {
        Self {
            cost: 0.0,
            energy: 0.0,
            length: 0.0,
            slope: 0.0,
            t,
            magnet,
            intervals: 0,
        }
    }

    /// Whether whatever comes will cost the other one the same. `alike`: so are all magnets.
    fn has_future_of(&self, other: &Self, alike: bool) -> bool {
        let state = |h: &Self| [h.t, h.energy, h.length, h.slope].map(f64::to_bits);
        (alike || self.magnet == other.magnet)
            && self.intervals == other.intervals
            && state(self) == state(other)
    }
}

/// What a hypothesis made of an edge: its parent in the beam and the magnets advanced (0: bounce).
#[derive(Clone, Copy, Debug)]
struct Step {
    parent: u8,
    advance: u8,
}

/// Sum of `advance` spacings from `magnet` on.
fn span(spacing: &[f64], magnet: usize, advance: usize) -> f64 {
    (0..advance)
        .map(|i| spacing[(magnet + i) % spacing.len()])
        .sum()
}

/// What the next edge is expected by.
#[derive(Clone, Debug)]
struct Expected {
    spacing: Vec<f64>,
    scatter: f64,
    miss_cost: f64,
}

#[derive(Clone, Debug)]
struct Counter {
    expected: Expected,
    beam: usize,
    /// Equal spacing for good: a way that is one magnet off costs what the other does from its third interval on.
    alike: bool,
    /// The beam before the present edge, cheapest first.
    live: Vec<Hypothesis>,
    /// What may become of it, in no order, and the places there of the cheapest, cheapest first.
    offered: Vec<(Hypothesis, Step)>,
    next: Vec<(f64, usize)>,
}

impl Expected {
    fn new(spacing: Vec<f64>, scatter: f64) -> Self {
        Self {
            miss_cost: if spacing.len() == 1 {
                MISS_COST_SINGLE
            } else {
                MISS_COST
            },
            spacing,
            scatter,
        }
    }

    /// The hypothesis after it counted an edge `advance` magnets on, `dt` after its last one; `None` where it would cost `bar` or
    /// more.
    fn advanced(&self, h: &Hypothesis, advance: usize, dt: f64, bar: f64) -> Option<Hypothesis> {
        let dx = span(&self.spacing, h.magnet, advance);
        let w = dx / dt;
        let energy = w * w / 2.0;
        let mut out = *h;
        out.t = h.t + dt;
        out.magnet = (h.magnet + advance) % self.spacing.len();
        out.cost += self.miss_cost * (advance as f64 - 1.0);
        out.energy = energy;
        out.length = dx;
        if h.intervals > 0 {
            let middle = f64::midpoint(dx, h.length);
            let raw = h.energy + h.slope * middle;
            let low = ENERGY_CLAMP.0 * h.energy;
            let predicted = raw.clamp(low, ENERGY_CLAMP.1 * h.energy);
            let mut scatter = self.scatter + 0.35 * (predicted - h.energy).abs() / predicted;
            if raw < low {
                scatter += 0.5;
            }
            let odds = |rho: f64| {
                let z = rho / scatter;
                let misfit = 1.0 + z * z / 3.0;
                misfit * misfit * scatter / self.scatter
            };
            // most are far beyond the bar, which needs no logarithm to be seen: |ln r| >= 2 |r - 1|/(r + 1)
            let at_least = odds((predicted - energy) / (predicted + energy));
            if out.cost + ln_at_least(at_least) >= bar {
                return None;
            }
            out.cost += libm::log(odds(0.5 * libm::log(predicted / energy)));
            out.slope = (energy - h.energy) / middle;
        }
        out.intervals = (h.intervals + 1).min(2);
        (out.cost < bar).then_some(out)
    }
}

/// At most the logarithm of `x`, a normal number >= 1: its whole powers of two.
fn ln_at_least(x: f64) -> f64 {
    const MANTISSA_BITS: u32 = 52;
    const EXPONENT_BIAS: u64 = 1023;
    let power = (x.to_bits() >> MANTISSA_BITS).saturating_sub(EXPONENT_BIAS);
    // a hair less, for the roundings on the way
    power as f64 * LN_2 * (1.0 - 1e-9)
}

impl Counter {
    fn new(expected: Expected, beam: usize, live: Vec<Hypothesis>) -> Self {
        Self {
            expected,
            beam,
            alike: false,
            live,
            offered: Vec::with_capacity(4 * beam),
            next: Vec::with_capacity(beam + 1),
        }
    }

    /// Most that a hypothesis may cost and still be kept, as far as is known.
    fn bar(&self) -> f64 {
        let behind = self.next.first().map_or(f64::INFINITY, |n| n.0 + BEHIND);
        self.next
            .get(self.beam - 1)
            .map_or(behind, |n| n.0.min(behind))
    }

    fn offer(&mut self, h: Hypothesis, step: Step) {
        let at = self.next.partition_point(|(cost, _)| *cost <= h.cost);
        self.next.insert(at, (h.cost, self.offered.len()));
        self.next.truncate(self.beam);
        self.offered.push((h, step));
    }

    /// Counts the edge at `t`; returns what the kept hypotheses did, cheapest first.
    fn edge(&mut self, t: f64, steps: &mut Vec<Step>) {
        self.next.clear();
        self.offered.clear();
        for advance in ADVANCES {
            let least = match advance {
                0 => BOUNCE_COST,
                _ => self.expected.miss_cost * (advance as f64 - 1.0),
            };
            for i in 0..self.live.len() {
                let h = self.live[i];
                // the others are dearer still, and no way costs less than its least
                let bar = self.bar();
                if h.cost + least >= bar {
                    break;
                }
                let dt = t - h.t;
                let step = Step {
                    parent: u8::try_from(i).expect("a beam is shorter than 256"),
                    advance: u8::try_from(advance).expect("at most 3"),
                };
                if advance == 0 {
                    if dt < BOUNCE_S {
                        let cost = h.cost + BOUNCE_COST;
                        self.offer(Hypothesis { cost, ..h }, step);
                    }
                } else if advance == 1 || h.intervals > 0 {
                    let advanced = self.expected.advanced(&h, advance, dt, bar);
                    if let Some(advanced) = advanced {
                        self.offer(advanced, step);
                    }
                }
            }
        }
        // kept before the cheapest was known
        let most = self.next[0].0 + BEHIND;
        self.next.retain(|(cost, _)| *cost < most);
        self.live.clear();
        for (_, at) in &self.next {
            let (h, step) = self.offered[*at];
            let mut cheaper = self.live.iter();
            if !cheaper.any(|c| c.has_future_of(&h, self.alike)) {
                self.live.push(h);
                steps.push(step);
            }
        }
    }
}

/// A way of counting all edges.
#[derive(Clone, Debug)]
struct Way {
    /// The first edge's magnet.
    first: usize,
    /// Magnets advanced to every edge after the first, 0 for bounce.
    advance: Vec<u8>,
    cost: f64,
}

impl Way {
    /// Times of the counted edges and the magnets advanced over each interval between them.
    fn counted(&self, t: &[f64]) -> (Vec<f64>, Vec<usize>) {
        let mut times = vec![t[0]];
        let mut steps = Vec::with_capacity(self.advance.len());
        for (&ti, &a) in t[1..].iter().zip(&self.advance) {
            if a > 0 {
                times.push(ti);
                steps.push(usize::from(a));
            }
        }
        (times, steps)
    }

    /// The counted edges with their angles.
    fn nodes(&self, t: &[f64], magnets: usize) -> Nodes {
        let (times, steps) = self.counted(t);
        let spacing = calibrate(&times, &steps, self.first, magnets);
        let before = places(&spacing);
        let mut k = self.first;
        let mut nodes = Nodes {
            bounced: (t.len() - times.len()) as u64,
            missed: steps.iter().map(|s| *s as u64 - 1).sum(),
            spacing,
            ..Nodes::default()
        };
        for i in 0..times.len() {
            nodes.x.push((k / magnets) as f64 + before[k % magnets]);
            nodes.magnet.push(k % magnets);
            k += steps.get(i).copied().unwrap_or(0);
        }
        nodes.t = times;
        nodes
    }

    /// The magnets' spacing by it.
    fn spacing(&self, t: &[f64], magnets: usize) -> Vec<f64> {
        let (times, steps) = self.counted(t);
        calibrate(&times, &steps, self.first, magnets)
    }
}

/// The cheapest way.
fn beam(t: &[f64], spacing: &[f64], scatter: f64, width: usize, starts: usize) -> Way {
    let start = |magnet| Hypothesis::at(t[0], magnet);
    let expected = Expected::new(spacing.to_vec(), scatter);
    let live = (0..starts.min(width)).map(start).collect();
    let mut counter = Counter::new(expected, width, live);
    counter.alike = spacing.iter().all(|s| s.to_bits() == spacing[0].to_bits());
    let mut steps = Vec::with_capacity(t.len() * width);
    let mut ends = Vec::with_capacity(t.len());
    for &ti in &t[1..] {
        counter.edge(ti, &mut steps);
        ends.push(steps.len());
    }
    let mut advance = vec![0; ends.len()];
    let mut at = 0;
    for i in (0..ends.len()).rev() {
        let first = if i == 0 { 0 } else { ends[i - 1] };
        let step = steps[first + at];
        advance[i] = step.advance;
        at = usize::from(step.parent);
    }
    Way {
        first: at,
        advance,
        cost: counter.live[0].cost,
    }
}

/// Counts edge by edge: every edge is at once what it is in the cheapest way so far. For looking on: the whole record is counted
/// anew when it is searched.
#[derive(Clone, Debug)]
pub(super) struct AtOnce {
    counter: Counter,
    steps: Vec<Step>,
    /// Magnets that every hypothesis has passed since magnet 0 of the first turn.
    passed: Vec<usize>,
}

/// An edge as it is counted at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Counted {
    /// Magnets passed since magnet 0 of the first turn, by the cheapest way.
    pub k: usize,
    /// Magnets since the last edge that counts, 0 for bounce.
    pub advance: usize,
}

impl AtOnce {
    /// Begins with an edge at `t` (s) of magnet number `k`. `spacing`: turns from each magnet to the next, calibrated or not.
    pub fn new(t: f64, k: usize, spacing: Vec<f64>, calibrated: bool) -> Self {
        let first = Hypothesis::at(t, k % spacing.len());
        let expected = Expected::new(spacing, SCATTER[usize::from(calibrated)]);
        Self {
            counter: Counter::new(expected, BEAM_FIRST, vec![first]),
            steps: Vec::with_capacity(BEAM_FIRST),
            passed: vec![k],
        }
    }

    /// Goes on with spacing that has become known.
    pub fn calibrate(&mut self, spacing: Vec<f64>) {
        self.counter.expected = Expected::new(spacing, SCATTER[1]);
    }

    /// Takes the next edge, later than all before.
    pub fn edge(&mut self, t: f64) -> Counted {
        self.steps.clear();
        self.counter.edge(t, &mut self.steps);
        let passed = &self.passed;
        let now = self
            .steps
            .iter()
            .map(|s| passed[usize::from(s.parent)] + usize::from(s.advance));
        self.passed = now.collect();
        Counted {
            k: self.passed[0],
            advance: usize::from(self.steps[0].advance),
        }
    }
}

/// Turns from magnet 0 to every magnet.
pub(super) fn places(spacing: &[f64]) -> Vec<f64> {
    let mut before = vec![0.0; spacing.len()];
    for m in 1..spacing.len() {
        before[m] = before[m - 1] + spacing[m - 1];
    }
    before
}

fn median(v: &mut [f64]) -> f64 {
    let n = v.len();
    let (_, &mut hi, _) = v.select_nth_unstable_by(n / 2, f64::total_cmp);
    if n % 2 == 1 {
        return hi;
    }
    let (_, &mut lo, _) = v.select_nth_unstable_by(n / 2 - 1, f64::total_cmp);
    f64::midpoint(lo, hi)
}

/// Spacing of the magnets: every interval over the time of the turn centred on it, median of each magnet.
/// Equal spacing where a magnet has no undisturbed turn.
pub(super) fn calibrate(times: &[f64], steps: &[usize], first: usize, magnets: usize) -> Vec<f64> {
    let equal = vec![1.0 / magnets as f64; magnets];
    let half = magnets / 2;
    let n = steps.len();
    let mut shares = vec![Vec::new(); magnets];
    // Intervals since the last one that skipped a magnet.
    let mut sound = 0usize;
    let mut magnet = first;
    let mut magnet_of = Vec::with_capacity(n);
    for &s in steps {
        magnet_of.push(magnet);
        magnet = (magnet + s) % magnets;
    }
    for end in 0..n {
        sound = if steps[end] == 1 { sound + 1 } else { 0 };
        if sound < 2 * half + 1 {
            continue;
        }
        let (lo, i) = (end - 2 * half, end - half);
        let mut turn = times[end + 1] - times[lo];
        if magnets.is_multiple_of(2) {
            turn -= (times[lo + 1] - times[lo] + times[end + 1] - times[end]) / 2.0;
        }
        shares[magnet_of[i]].push((times[i + 1] - times[i]) / turn);
    }
    if shares.iter().any(Vec::is_empty) {
        return equal;
    }
    let raw: Vec<f64> = shares.iter_mut().map(|s| median(s)).collect();
    let sum: f64 = raw.iter().sum();
    raw.iter().map(|s| s / sum).collect()
}

/// Counts edges at times `t` (s, strictly increasing, at least two) of `magnets` magnets.
pub(super) fn count(t: &[f64], magnets: usize) -> Nodes {
    let equal = vec![1.0 / magnets as f64; magnets];
    // With equal spacing every first magnet is the same hypothesis: one start is enough.
    let equally = beam(t, &equal, SCATTER[0], BEAM_FIRST, 1);
    let again = |way: &Way| {
        let spacing = way.spacing(t, magnets);
        beam(t, &spacing, SCATTER[1], BEAM_CALIBRATED, magnets)
    };
    let mut way = again(&equally);
    if way.advance != equally.advance {
        for _ in 1..MOST_CALIBRATED {
            let next = again(&way);
            let before = std::mem::replace(&mut way, next);
            if way.advance == before.advance {
                break;
            }
        }
    }
    // magnets whose number is stated wrongly are no fingerprint: counting them by one invents missed ones
    let blurred = way.advance != equally.advance && way.cost > equally.cost;
    Nodes {
        plainly: blurred.then(|| Box::new(equally.nodes(t, magnets))),
        ..way.nodes(t, magnets)
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{Random, nodes};
    use super::*;

    /// Cost of one way of counting, written down once more. `None` where the way is not allowed.
    fn cost(t: &[f64], spacing: &[f64], first: usize, s0: f64, way: &[usize]) -> Option<f64> {
        let (mut sum, mut last, mut magnet) = (0.0, t[0], first);
        let (mut e1, mut d1, mut slope, mut n) = (0.0, 0.0, 0.0, 0);
        for (&ti, &inc) in t[1..].iter().zip(way) {
            let dt = ti - last;
            if inc == 0 {
                if dt >= 2e-3 {
                    return None;
                }
                sum += 5.0;
                continue;
            }
            if n == 0 && inc > 1 {
                return None;
            }
            let dx: f64 = (0..inc)
                .map(|i| spacing[(magnet + i) % spacing.len()])
                .sum();
            let e = (dx / dt) * (dx / dt) / 2.0;
            sum += 8.0 * (inc as f64 - 1.0);
            if n > 0 {
                let free: f64 = e1 + slope * (dx + d1) / 2.0;
                let ep = free.max(0.15 * e1).min(3.0 * e1);
                let rho = libm::log(dt * (2.0 * ep).sqrt() / dx);
                let mut s = s0 + 0.35 * (ep - e1).abs() / ep;
                if free < 0.15 * e1 {
                    s += 0.5;
                }
                sum += 2.0 * libm::log(1.0 + (rho / s) * (rho / s) / 3.0) + libm::log(s / s0);
                slope = (e - e1) / (dx / 2.0 + d1 / 2.0);
            }
            (e1, d1, last, magnet, n) = (e, dx, ti, (magnet + inc) % spacing.len(), n + 1);
        }
        Some(sum)
    }

    #[test]
    fn beam_finds_the_cheapest_of_all_ways() {
        let mut random = Random::new(8);
        let spacing = [0.2, 0.3, 0.27, 0.23];
        for _ in 0..30 {
            let mut t = vec![0.0];
            for k in 0..6 {
                let skip = if random.uniform(0.0, 1.0) < 0.2 {
                    2.0
                } else {
                    1.0
                };
                let last = t[t.len() - 1];
                let next = last + skip * spacing[k % 4] / 9.0 * random.uniform(0.9, 1.1);
                if random.uniform(0.0, 1.0) < 0.2 {
                    t.push(last + 1e-3);
                }
                t.push(next);
            }
            let ways = t.len() - 1;
            let mut best = (f64::INFINITY, vec![]);
            for code in 0..4usize.pow(u32::try_from(ways).unwrap()) {
                let way: Vec<usize> = (0..ways)
                    .map(|i| code / 4usize.pow(u32::try_from(i).unwrap()) % 4)
                    .collect();
                if let Some(c) = cost(&t, &spacing, 1, 0.02, &way)
                    && c < best.0
                {
                    best = (c, way);
                }
            }
            // magnet 1 alone as a start: rotate the ring so that it is magnet 0
            let ring = [0.3, 0.27, 0.23, 0.2];
            let found = beam(&t, &ring, 0.02, 255, 1).advance;
            let found: Vec<usize> = found.iter().map(|f| usize::from(*f)).collect();
            let c = cost(&t, &spacing, 1, 0.02, &found).unwrap();
            assert!((c - best.0).abs() < 1e-9, "{c} {found:?} {best:?}");
        }
    }

    #[test]
    fn every_edge_is_counted_once_with_missed_doubled_and_bounced_ones() {
        let truth = nodes(6, 1200, 11);
        let edge = |i: usize| truth.t[i] - truth.t[0];
        let mut t = vec![];
        let mut kept = vec![];
        for i in 0..truth.t.len() {
            if i % 97 == 50 {
                continue;
            }
            kept.push(i);
            t.push(edge(i));
            if i % 151 == 30 {
                t.push(edge(i) + 4e-4);
            }
        }
        let found = count(&t, 6);
        assert_eq!(found.t.len(), kept.len());
        let missed = u64::try_from(truth.t.len() - kept.len()).unwrap();
        assert_eq!((found.missed, found.bounced), (missed, 8));
        for (n, i) in kept.iter().enumerate() {
            let x = found.x[n] - found.x[0];
            // spacing is calibrated to some 1e-4 turns
            assert!(
                (x - truth.x[*i]).abs() < 2e-3,
                "node {n}: {x} {}",
                truth.x[*i]
            );
        }
    }

    #[test]
    fn spacing_comes_back_to_the_jitter() {
        for magnets in [1, 2, 5, 6, 64] {
            let truth = nodes(magnets, 40 * magnets.max(4), 12);
            let t: Vec<f64> = truth.t.iter().map(|t| t - truth.t[0]).collect();
            let found = count(&t, magnets);
            assert_eq!(found.t.len(), t.len());
            for (n, x) in found.x.iter().enumerate() {
                assert!(
                    (x - found.x[0] - truth.x[n]).abs() < 3e-3,
                    "{magnets} magnets"
                );
            }
        }
    }
}
