//! A roll while it runs: which edge is which magnet, whether the car coasts, and a strip for every turn. For looking on
//! only: what is found is found by the whole measure on all edges.
//!
//! Every edge is counted at once and never again. Whether an interval coasts is decided by the measure's own rule (slope of
//! the energy against the coast line), on the same stretch of 35 ms either side, so the answer is that late. Line, bounds,
//! noise and spacing are those of the last whole search ([`Live::after`]). Before the first one a car coasts while each magnet
//! takes longer than a turn ago, which ripple and unknown spacing leave alone; spacing, drag and noise are those of the turns so far.
//!
//! A strip is score over root of information of a unit loss in each of 36 bins, as in a finding's picture, from the same filter run over
//! the turn and two turns before it, less the ripple as the last search saw it at its end (on tyres it runs out of phase within seconds, and the strips get noisier). Before the first search a healthy car's ripple
//! is still in it.

use std::collections::VecDeque;

use crate::reading::Edge;

use super::coast::{BRAKE_INTERVALS, BRAKE_S, DragLine, Rule, SLOPE_HALF_WIDTH_S, runs, slope};
use super::count::{AtOnce, Counted, Nodes, calibrate, places};
use super::filter::{Gain, Noise, Track, reference_energy};
use super::finding::{RollFinding, Strip};
use super::fit::shifted;
use super::kept::Kept;
use super::nuisance::Ripple;
use super::report::STRIP_BINS;
use super::score::{Cell, cells};
use super::whole;

/// Strips that are remembered.
pub const STRIPS: usize = 40;
/// Turns before a strip's turn in which the filter finds its state (by judgement).
const WARM_TURNS: f64 = 2.0;
/// Turns before the first whole search that are looked back on; fewer than the first number tell no spacing.
const OWN_TURNS: (usize, usize) = (3, 16);
/// Step of the search for the noise of those turns, as in the measure's first round.
const NOISE_STEP: f64 = 2.0;

/// Follows the edges of one sensor.
#[derive(Clone, Debug)]
pub struct Live {
    magnets: usize,
    /// The sensor's first edge and its last one, us.
    ends_us: Option<(u64, u64)>,
    counter: Option<AtOnce>,
    /// Turns from each magnet to the next, and from magnet 0 to each.
    spacing: Vec<f64>,
    places: Vec<f64>,
    /// The coast line; `None` while nobody knows.
    line: Option<DragLine>,
    /// How a hand is told from the coast; `None` before a whole search.
    rule: Option<Rule>,
    noise: Noise,
    /// What a healthy car does to the edges; `None` before a whole search.
    ripple: Option<Ripple>,
    /// The above are those of a whole search.
    is_told: bool,
    told_turns: f64,
    nodes: Recent,
    /// Coasting that is no longer among the recent nodes.
    before: Coasted,
    comb: Comb,
    strips: VecDeque<Strip>,
}

/// The last counted edges.
#[derive(Clone, Debug, Default)]
struct Recent {
    /// Seconds after the sensor's first edge, and magnets passed since magnet 0 of the first turn.
    t: Vec<f64>,
    k: Vec<usize>,
    /// Of every interval between two: middle in time (s) and angle (turns), energy (turns^2/s^2).
    mid_t: Vec<f64>,
    mid_x: Vec<f64>,
    energy: Vec<f64>,
    /// Of every interval that is judged: it coasts.
    free: Vec<bool>,
    /// Intervals that a whole search judged: they count elsewhere.
    told: usize,
    /// First interval of those that brake without a gap up to the last judged one; its number where none does.
    brakes_from: usize,
    /// The last judged interval was pushed or braked.
    touched: bool,
}

/// Coasting so far.
#[derive(Clone, Copy, Debug, Default)]
struct Coasted {
    turns: f64,
    s: f64,
    intervals: usize,
}

/// Where one strip ends and the next begins.
#[derive(Clone, Copy, Debug)]
struct Comb {
    /// Strips a turn of the sensed shaft, and angle of the first one's start, turns.
    order: f64,
    origin: f64,
    /// Number of the next strip.
    next: usize,
}

impl Live {
    /// Before the first edge; strips are turns of the sensed shaft. `magnets`: 1..=64 on the sensed shaft.
    pub fn new(magnets: u32) -> Self {
        let magnets = usize::try_from(magnets).unwrap_or(1).max(1);
        let spacing = vec![1.0 / magnets as f64; magnets];
        Self {
            magnets,
            ends_us: None,
            counter: None,
            places: places(&spacing),
            spacing,
            line: None,
            rule: None,
            noise: Noise::start(1.0),
            ripple: None,
            is_told: false,
            told_turns: 0.0,
            nodes: Recent::default(),
            before: Coasted::default(),
            comb: Comb {
                order: 1.0,
                origin: 0.0,
                next: 0,
            },
            strips: VecDeque::new(),
        }
    }

    /// Goes on from what a whole search found. `edges`: all of the record, those that came after the search too.
    /// `None` when the search says nothing of a record.
    pub fn after(finding: &RollFinding, edges: &[Edge]) -> Option<Self> {
        let evidence = &finding.evidence;
        let sensor = evidence.kept.as_ref().or(evidence.records.first())?.sensor;
        let first_us = edges.iter().find(|e| e.sensor == sensor)?.t_us;
        let mut live = Self::told(finding, &evidence.legs(sensor), first_us)?;
        let from = edges.partition_point(|e| e.t_us <= live.ends_us.map_or(0, |e| e.1));
        for edge in edges[from..].iter().filter(|e| e.sensor == sensor) {
            live.push(edge.t_us);
        }
        Some(live)
    }

    /// From the legs of the sensor's record; the last of them is what goes on.
    fn told(finding: &RollFinding, legs: &[&Kept], first_us: u64) -> Option<Self> {
        let kept = legs.last()?;
        let (nodes, track) = (&kept.nodes, &kept.fit.track);
        let mut live = Self::new(u32::try_from(nodes.spacing.len()).unwrap_or(1));
        live.space(nodes.spacing.clone());
        live.ripple = Some(kept.ripple.clone());
        live.line = track.line();
        live.rule = live.line.map(|line| Rule::of(nodes, line));
        live.noise = kept.fit.noise;
        live.is_told = true;
        let tracks = legs.iter().map(|leg| &leg.fit.track);
        for (track, run) in tracks.flat_map(|track| track.runs.iter().map(move |run| (track, run)))
        {
            live.before.turns += track.x[run.end - 1] - track.x[run.start];
            live.before.s += track.t[run.end - 1] - track.t[run.start];
            live.before.intervals += run.len() - 1;
        }
        live.told_turns = live.before.turns;
        let leading = finding.suspects.as_deref().and_then(<[_]>::first);
        live.comb.order = leading.map_or(1.0, |s| s.order_per_sensor_turn);
        let last = nodes.t.len() - 1;
        live.comb.origin = kept.begins;
        let ahead = live.angle(number(nodes, last)) - live.comb.origin;
        live.comb.next = whole(ahead * live.comb.order);
        let mut from = nodes
            .x
            .partition_point(|x| *x < nodes.x[last] - live.reach());
        from = from.min(last.saturating_sub(1));
        for i in from..=last {
            live.add(nodes.t[i], number(nodes, i));
        }
        live.nodes.free = vec![false; last - from];
        for run in &track.runs {
            let rows = track.node[run.start]..track.node[run.end - 1];
            for free in live
                .nodes
                .free
                .iter_mut()
                .take(rows.end.saturating_sub(from))
                .skip(rows.start.saturating_sub(from))
            {
                *free = true;
            }
        }
        live.nodes.told = live.nodes.free.len();
        live.nodes.brakes_from = live.nodes.told;
        let us = |s: f64| first_us + whole(s * 1e6 + 0.5) as u64;
        live.ends_us = Some((first_us, us(nodes.t[last])));
        let spacing = live.spacing.clone();
        live.counter = Some(AtOnce::new(
            nodes.t[last],
            number(nodes, last),
            spacing,
            true,
        ));
        Some(live)
    }

    /// Takes the next edge of the sensor; one that is not later than the last is left out.
    pub fn push(&mut self, t_us: u64) {
        let Some((first_us, last_us)) = self.ends_us else {
            self.ends_us = Some((t_us, t_us));
            self.counter = Some(AtOnce::new(0.0, 0, self.spacing.clone(), false));
            self.add(0.0, 0);
            return;
        };
        if t_us <= last_us {
            return;
        }
        self.ends_us = Some((first_us, t_us));
        let t = (t_us - first_us) as f64 * 1e-6;
        let counter = self.counter.as_mut().expect("it began with the first edge");
        let Counted { k, advance } = counter.edge(t);
        if advance == 0 {
            return;
        }
        let before = *self.nodes.k.last().expect("it began with a node");
        self.recount(before, k - advance);
        let turned = (k - advance) / self.magnets != k / self.magnets;
        self.add(t, k);
        if turned && !self.is_told {
            self.look_back();
        }
        self.judge();
        self.draw();
        self.trim();
    }

    /// The last interval that could be judged coasts: no hand, no brake, not nearly still.
    pub fn is_coasting(&self) -> bool {
        self.nodes.free.last().is_some_and(|free| *free)
    }

    /// Speed over the last turn, or what there is of it, turns of the sensed shaft a second; `None` below two edges.
    pub fn turns_per_s(&self) -> Option<f64> {
        let last = self.nodes.t.len().checked_sub(2)? + 1;
        let from = last.saturating_sub(self.magnets);
        let turns = self.angle(self.nodes.k[last]) - self.angle(self.nodes.k[from]);
        Some(turns / (self.nodes.t[last] - self.nodes.t[from]))
    }

    /// Coasting turns of the sensed shaft so far.
    pub fn turns(&self) -> f64 {
        self.coasted().turns.max(0.0)
    }

    /// Those of them that the last whole search judged; 0 before one.
    pub fn told_turns(&self) -> f64 {
        self.told_turns
    }

    /// Time of coasting so far, s.
    pub fn coasted_s(&self) -> f64 {
        self.coasted().s.max(0.0)
    }

    /// Intervals between magnets that coasted so far.
    pub fn intervals(&self) -> usize {
        self.coasted().intervals
    }

    /// Strips of the turns since the last whole search (of those so far, before one), oldest first, at most [`STRIPS`].
    /// Turns are numbered as in the search's picture.
    pub fn strips(&self) -> impl Iterator<Item = &Strip> {
        self.strips.iter()
    }

    /// The same with the strips that another one has drawn before: of turns of the same shaft.
    #[must_use]
    pub fn with_strips_of(mut self, before: &Self) -> Self {
        let own = self
            .strips
            .front()
            .map_or(self.comb.next as u64, |s| s.turn);
        let older = before.strips.iter().filter(|s| s.turn < own).cloned();
        let all: VecDeque<Strip> = older.chain(self.strips).collect();
        let many = all.len().saturating_sub(STRIPS);
        self.strips = all.into_iter().skip(many).collect();
        self
    }

    /// Bins a strip.
    pub fn bins(&self) -> usize {
        STRIP_BINS
    }

    /// Angle of magnet number `k`, turns.
    fn angle(&self, k: usize) -> f64 {
        (k / self.magnets) as f64 + self.places[k % self.magnets]
    }

    /// Turns behind the last edge that a strip may need.
    fn reach(&self) -> f64 {
        1.0 / self.comb.order + WARM_TURNS + 1.0
    }

    fn space(&mut self, spacing: Vec<f64>) {
        self.places = places(&spacing);
        self.spacing = spacing;
    }

    fn coasted(&self) -> Coasted {
        let mut sum = self.before;
        let nodes = &self.nodes;
        let own = nodes.told.min(nodes.free.len());
        for j in (own..nodes.free.len()).filter(|j| nodes.free[*j]) {
            sum.turns += self.angle(nodes.k[j + 1]) - self.angle(nodes.k[j]);
            sum.s += nodes.t[j + 1] - nodes.t[j];
            sum.intervals += 1;
        }
        sum
    }

    fn add(&mut self, t: f64, k: usize) {
        self.nodes.t.push(t);
        self.nodes.k.push(k);
        if let Some(last) = self.nodes.t.len().checked_sub(2) {
            self.measure_one(last);
        }
    }

    /// Speeds of all recent intervals anew.
    fn measure(&mut self) {
        let Recent {
            mid_t,
            mid_x,
            energy,
            ..
        } = &mut self.nodes;
        for all in [mid_t, mid_x, energy] {
            all.clear();
        }
        for i in 1..self.nodes.t.len() {
            self.measure_one(i - 1);
        }
    }

    fn measure_one(&mut self, i: usize) {
        let (t0, t1) = (self.nodes.t[i], self.nodes.t[i + 1]);
        let (x0, x1) = (self.angle(self.nodes.k[i]), self.angle(self.nodes.k[i + 1]));
        let w = (x1 - x0) / (t1 - t0);
        self.nodes.mid_t.push(f64::midpoint(t0, t1));
        self.nodes.mid_x.push(f64::midpoint(x0, x1));
        self.nodes.energy.push(w * w / 2.0);
    }

    /// The cheapest way of counting has changed: the recent edges have other numbers. What was judged stays.
    fn recount(&mut self, from: usize, to: usize) {
        if from == to {
            return;
        }
        for k in &mut self.nodes.k {
            *k = (*k + to).saturating_sub(from);
        }
        self.measure();
    }

    /// Calibrates spacing and coast line on the turns so far: nobody else has yet.
    fn look_back(&mut self) {
        let (least, _) = OWN_TURNS;
        let k = &self.nodes.k;
        if k[k.len() - 1] - k[0] < least * self.magnets {
            return;
        }
        let steps: Vec<usize> = k.windows(2).map(|k| k[1] - k[0]).collect();
        let spacing = calibrate(&self.nodes.t, &steps, k[0] % self.magnets, self.magnets);
        if let Some(counter) = &mut self.counter {
            counter.calibrate(spacing.clone());
        }
        self.space(spacing);
        self.measure();
        self.nodes.free.clear();
        self.judge();
        let Some(drag) = self.nodes.drag(self.magnets) else {
            return;
        };
        let line = DragLine {
            a: drag,
            b: 0.0,
            level: drag,
        };
        self.line = Some(line);
        self.noise = Noise::start(drag);
        let all = self.counted(0);
        if let Some(track) = self.track(&all, line, 0) {
            let still = vec![0.0; track.len()];
            // spacing known from a few turns adds to the jitter
            self.noise = track.fit_noise(self.noise, NOISE_STEP, &track.t, &still);
        }
    }

    /// Recent nodes from one on, as the measure counts them.
    fn counted(&self, from: usize) -> Nodes {
        let k = &self.nodes.k[from..];
        Nodes {
            t: self.nodes.t[from..].to_vec(),
            x: k.iter().map(|k| self.angle(*k)).collect(),
            magnet: k.iter().map(|k| k % self.magnets).collect(),
            spacing: self.spacing.clone(),
            ..Nodes::default()
        }
    }

    /// Judges every interval whose stretch is complete.
    fn judge(&mut self) {
        let intervals = self.nodes.mid_t.len();
        while self.nodes.free.len() + 1 < intervals {
            let j = self.nodes.free.len();
            if self.nodes.mid_t[intervals - 1] <= self.nodes.mid_t[j] + SLOPE_HALF_WIDTH_S {
                return;
            }
            match self.rule {
                Some(rule) => self.nodes.judge_by(rule),
                None => self.nodes.judge_by_turns(self.magnets),
            }
        }
    }

    /// Draws every strip whose turn is judged to its end.
    fn draw(&mut self) {
        loop {
            let judged = self.nodes.free.len();
            let from = self.comb.origin + self.comb.next as f64 / self.comb.order;
            let to = from + 1.0 / self.comb.order;
            if judged == 0 || self.angle(self.nodes.k[judged]) < to {
                return;
            }
            if let Some(strip) = self.strip(from) {
                if self.strips.len() == STRIPS {
                    self.strips.pop_front();
                }
                self.strips.push_back(strip);
            }
            self.comb.next += 1;
        }
    }

    /// What coasts of the recent nodes from one on; `None` when nothing does.
    fn track(&self, nodes: &Nodes, line: DragLine, from: usize) -> Option<Track> {
        let touched: Vec<bool> = self.nodes.free[from..].iter().map(|f| !f).collect();
        let runs = runs(&touched);
        let er = reference_energy(nodes, &nodes.t, &runs, line, false);
        (!runs.is_empty()).then(|| Track::new(nodes, &runs, line, &er))
    }

    /// Gains and innovations of what coasts, less the ripple that is known.
    fn innovations(&self, nodes: &Nodes, track: &Track) -> (Vec<Gain>, Vec<f64>) {
        let Some(ripple) = &self.ripple else {
            return track.innovations(self.noise);
        };
        let mut er = vec![f64::INFINITY; nodes.t.len()];
        for (row, node) in track.node.iter().enumerate() {
            er[*node] = track.er[row];
        }
        let (shift, energy) = ripple.effect(nodes, &er);
        let t = shifted(&nodes.t, &shift);
        let at_rows = |all: &dyn Fn(usize) -> f64| track.node.iter().map(|i| all(*i)).collect();
        let (t, u): (Vec<f64>, Vec<f64>) = (
            at_rows(&|i| t[i]),
            at_rows(&|i| -energy.get(i).copied().unwrap_or(0.0)),
        );
        track.innovations_of(self.noise, &t, &u)
    }

    /// The strip of the turn that begins at an angle; `None` when nothing of it coasts.
    fn strip(&self, begin: f64) -> Option<Strip> {
        let line = self.line?;
        let first = self
            .nodes
            .k
            .partition_point(|k| self.angle(*k) < begin - WARM_TURNS);
        let nodes = self.counted(first);
        let track = self.track(&nodes, line, first)?;
        if track.x.last().is_none_or(|x| *x <= begin) {
            return None;
        }
        let (gains, v) = self.innovations(&nodes, &track);
        let residual: Vec<f64> = v.iter().zip(&gains).map(|(v, g)| v * g.inv_sd).collect();
        let mut field: Vec<Cell> = Vec::new();
        for run in &track.runs {
            cells(&track, &gains, &residual, run.clone(), &mut field);
        }
        let bin = |p: usize| {
            let a = begin + p as f64 / STRIP_BINS as f64 / self.comb.order;
            let at = field.partition_point(|cell| cell.end <= a);
            let cell = field.get(at).filter(|cell| cell.start <= a)?;
            let (u, i) = cell.score(cell.share(a));
            (i > 0.0).then(|| u / i.sqrt())
        };
        let loss_sd: Vec<Option<f64>> = (0..STRIP_BINS).map(bin).collect();
        loss_sd.iter().any(Option::is_some).then(|| Strip {
            turn: self.comb.next as u64,
            t_s: self.ends_us.map_or(0.0, |(first, _)| first as f64 * 1e-6)
                + time_at(&nodes, begin),
            loss_sd,
        })
    }

    /// Forgets nodes that no strip needs.
    fn trim(&mut self) {
        let last = self.nodes.k[self.nodes.k.len() - 1];
        let (_, own) = OWN_TURNS;
        let reach = if self.is_told {
            self.magnets * whole(self.reach().ceil())
        } else {
            self.magnets * own
        };
        if last - self.nodes.k[0] < 2 * reach {
            return;
        }
        let cut = self.nodes.k.partition_point(|k| *k + reach < last);
        let cut = cut.min(self.nodes.free.len());
        let kept = self.nodes.free.split_off(cut);
        self.before = self.coasted();
        self.nodes.free = kept;
        self.nodes.forget(cut);
    }
}

impl Recent {
    /// Judges the next interval as the measure does.
    fn judge_by(&mut self, rule: Rule) {
        let j = self.free.len();
        let from = self
            .mid_t
            .partition_point(|t| *t < self.mid_t[j] - SLOPE_HALF_WIDTH_S);
        let to = self
            .mid_t
            .partition_point(|t| *t <= self.mid_t[j] + SLOPE_HALF_WIDTH_S);
        let (from, to) = (from.min(j.saturating_sub(1)), to.max(j + 2));
        let w = (2.0 * self.energy[j]).sqrt();
        let off =
            slope(&self.mid_x[from..to], &self.energy[from..to]) + rule.line.a + rule.line.b * w;
        if off >= -rule.bounds.brake {
            self.brakes_from = j + 1;
        }
        let braked = self.t[j + 1] - self.t[self.brakes_from.min(j + 1)];
        let brakes = j + 1 - self.brakes_from.min(j + 1) >= BRAKE_INTERVALS && braked > BRAKE_S;
        let touched = off > rule.bounds.push || brakes;
        let beside = std::mem::replace(&mut self.touched, touched);
        self.free.push(!touched && !beside && w >= rule.bounds.slow);
        if touched {
            // an interval before the hand is its as well; a brake is known for one only after a while
            let since = if brakes { self.brakes_from } else { j };
            let since = since.saturating_sub(1).max(self.told);
            self.free
                .get_mut(since..j)
                .into_iter()
                .flatten()
                .for_each(|f| *f = false);
        }
    }

    /// Energy that a turn takes while it coasts, as the median says, turns^2/s^2; `None` without such a turn.
    fn drag(&self, magnets: usize) -> Option<f64> {
        let free = (0..self.free.len()).filter(|j| self.free[*j]);
        let lost = |j: usize| Some(self.energy[self.turn_ago(j, magnets)?] - self.energy[j]);
        let mut all: Vec<f64> = free.filter_map(lost).collect();
        all.sort_by(f64::total_cmp);
        all.get(all.len() / 2).copied().filter(|drag| *drag > 0.0)
    }

    /// The interval of the same two magnets a turn ago.
    fn turn_ago(&self, j: usize, magnets: usize) -> Option<usize> {
        let i = j.checked_sub(magnets)?;
        let one = |j: usize| self.k[j + 1] - self.k[j] == 1;
        (self.k[j] - self.k[i] == magnets && one(i) && one(j)).then_some(i)
    }

    /// Judges the next interval before anything is known: it coasts when it took longer than a turn ago.
    fn judge_by_turns(&mut self, magnets: usize) {
        let j = self.free.len();
        let dt = |j: usize| self.t[j + 1] - self.t[j];
        let slower = self.turn_ago(j, magnets).is_some_and(|i| dt(j) > dt(i));
        self.free.push(slower);
    }

    /// Drops the first `n` nodes; what was judged of them is gone already.
    fn forget(&mut self, n: usize) {
        self.t.drain(..n);
        self.k.drain(..n);
        for all in [&mut self.mid_t, &mut self.mid_x, &mut self.energy] {
            all.drain(..n);
        }
        self.told = self.told.saturating_sub(n);
        self.brakes_from = self.brakes_from.saturating_sub(n);
    }
}

/// Magnets passed up to a node since magnet 0 of the first turn.
fn number(nodes: &Nodes, i: usize) -> usize {
    // a node's angle is its whole turns and its magnet's place, which is below 1
    whole(nodes.x[i] + 1e-9) * nodes.spacing.len() + nodes.magnet[i]
}

/// Time at an angle, between the nodes beside it, s after the first edge.
fn time_at(nodes: &Nodes, x: f64) -> f64 {
    let i = nodes
        .x
        .partition_point(|n| *n <= x)
        .clamp(1, nodes.x.len() - 1);
    let share = (x - nodes.x[i - 1]) / (nodes.x[i] - nodes.x[i - 1]);
    nodes.t[i - 1] + share * (nodes.t[i] - nodes.t[i - 1])
}
