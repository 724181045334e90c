//! From the readings of one pull to its strokes: zigzag peaks, the cord's end cut off, the main train,
//! and the top of each stroke with the converter's averaging put back.

use super::segment::{Base, NOISE_FLOOR_N, Segment, median};
use crate::reading::Estimate;

/// Sampling as far as the strokes depend on it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sampling {
    /// Time between readings, s.
    pub dt_s: f64,
    /// Order of the converter's averaging filter.
    pub order: u32,
    /// Readings in the running mean.
    pub w: usize,
}

impl Sampling {
    /// Sampling every `dt_s` seconds through a filter of order K; a running mean keeps the noise of fast converters away.
    pub fn new(dt_s: f64, order: u32) -> Self {
        Self {
            dt_s,
            order,
            w: smoothing(dt_s),
        }
    }

    /// Delay of a reading's stamp (the END of its averaging) behind its middle, s.
    pub fn delay_s(self) -> f64 {
        f64::from(self.order) * self.dt_s / 2.0
    }

    /// How much of the second difference a parabola's top loses to the averaging; a boxcar as wide as the step of
    /// the difference lowers it by 1/24 (derived: variance of the boxcar times half the curvature).
    fn lost_top(self) -> f64 {
        let w2 = (self.w * self.w) as f64;
        (f64::from(self.order) / w2 + if self.w > 1 { 1.0 - 1.0 / w2 } else { 0.0 }) / 24.0
    }
}

/// Readings a second that one smoothed value stands for.
const SMOOTH_HZ: f64 = 400.0;

/// Readings in the running mean: the whole part of rate / 400 Hz, at least one. The time between readings comes from whole
/// or half microseconds, so the comparison is not at the mercy of rounding.
fn smoothing(dt_s: f64) -> usize {
    let mut w = 1;
    while (w + 1) as f64 * dt_s * SMOOTH_HZ <= 1.0 + 1e-9 {
        w += 1;
    }
    w
}

/// Measured remainder of the fourth order in the parabola's top, share of the second difference.
const QUARTIC: f64 = 0.02;

/// Top of one stroke.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Top {
    /// Time, s.
    pub t_s: f64,
    /// Force, N.
    pub force_n: f64,
    /// Second difference at the top, N; 0 where no parabola could be laid.
    pub bend_n: f64,
    /// Highest reading at the stroke, N.
    pub highest_n: f64,
    /// How long the force stays so close to the top that noise may put the top anywhere in it, s.
    pub blunt_s: f64,
    /// Flatter than a parabola, which therefore stands above it.
    pub flat: bool,
}

/// Strokes of one pull.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Train {
    /// Tops in the order of time.
    pub tops: Vec<Top>,
    /// Highest reading of the pull, the cord's end left out, N.
    pub highest_n: f64,
    /// The cord ran out to its stop.
    pub cord_end: bool,
}

/// Peaks that stand out by more than `d`: index of each, in order.
///
/// ```
/// use feelgauge::measure::pull::strokes::zigzag;
/// assert_eq!(zigzag(&[0.0, 3.0, 2.5, 2.9, 0.0, 1.0, 0.0], 2.0), [1]);
/// ```
pub fn zigzag(z: &[f64], d: f64) -> Vec<usize> {
    let mut peaks = Vec::new();
    let Some(first) = z.first() else { return peaks };
    let mut lo = *first;
    let mut open: Option<usize> = None;
    for (i, v) in z.iter().enumerate() {
        match open {
            Some(top) if *v > z[top] => open = Some(i),
            Some(top) if *v < z[top] - d => {
                peaks.push(top);
                open = None;
                lo = *v;
            }
            Some(_) => {}
            None => {
                lo = lo.min(*v);
                if *v > lo + d {
                    open = Some(i);
                }
            }
        }
    }
    peaks.extend(open);
    peaks
}

/// Running mean of `w` readings and its times.
fn smoothed(segment: &Segment, w: usize) -> (Vec<f64>, Vec<f64>) {
    let mean = |window: &[crate::reading::ForceReading],
                f: fn(&crate::reading::ForceReading) -> f64| {
        window.iter().map(f).sum::<f64>() / w as f64
    };
    // Times relative to the first reading: their sum stays exact however long the record is.
    let t0 = segment.readings[0].t_us;
    segment
        .readings
        .windows(w)
        .map(|window| {
            let ticks: u64 = window.iter().map(|r| r.t_us - t0).sum();
            (
                mean(window, |r| r.force_n),
                t0 as f64 * 1e-6 + ticks as f64 * 1e-6 / w as f64,
            )
        })
        .unzip()
}

/// Where the cord's end begins: index of the valley before a spike that no stroke explains.
fn cord_end(z: &[f64], base_n: f64) -> Option<usize> {
    let most = z.iter().fold(f64::NEG_INFINITY, |m, v| m.max(*v)) - base_n;
    let peaks = zigzag(z, (0.10 * most).max(4.0));
    let height: Vec<f64> = peaks.iter().map(|p| z[*p] - base_n).collect();
    for q in 3..peaks.len() {
        let m = height[..q].iter().fold(0.0f64, |m, h| m.max(*h));
        let train = height[..q].iter().filter(|h| **h >= 0.6 * m).count();
        let later = height[q + 1..].iter().any(|h| *h >= 0.6 * height[q]);
        if train >= 3 && height[q] > 1.4 * m && !later {
            let (from, to) = (peaks[q - 1], peaks[q]);
            return (from..to).min_by(|a, b| z[*a].total_cmp(&z[*b]));
        }
    }
    None
}

/// Finds the strokes of a pull.
pub fn train(segment: &Segment, sampling: Sampling) -> Train {
    let w = sampling.w;
    let base_n = segment.base.level_n;
    if segment.readings.len() < w {
        return Train {
            tops: Vec::new(),
            highest_n: base_n,
            cord_end: false,
        };
    }
    let (mut z, t) = smoothed(segment, w);
    let cut = cord_end(&z, base_n);
    if let Some(valley) = cut {
        z.truncate(valley + 1);
    }
    let raw: Vec<f64> = segment.readings[..z.len() + w - 1]
        .iter()
        .map(|r| r.force_n)
        .collect();
    let most = z.iter().fold(f64::NEG_INFINITY, |m, v| m.max(*v)) - base_n;
    let tops: Vec<Top> = zigzag(&z, 0.25 * most)
        .into_iter()
        .map(|p| Top {
            blunt_s: blunt(&z, p, segment.base.noise_n, sampling),
            ..top(&z, &t, &raw, p, sampling)
        })
        .collect();
    Train {
        tops: main_train(tops, base_n),
        highest_n: raw.iter().fold(f64::NEG_INFINITY, |m, v| m.max(*v)),
        cord_end: cut.is_some(),
    }
}

/// Lays a parabola through the peak and its neighbours `w` readings away.
fn top(z: &[f64], t: &[f64], raw: &[f64], p: usize, sampling: Sampling) -> Top {
    let w = sampling.w;
    let highest_n = raw[p..p + w]
        .iter()
        .fold(f64::NEG_INFINITY, |m, v| m.max(*v));
    let plain = Top {
        t_s: t[p] - sampling.delay_s(),
        force_n: z[p],
        bend_n: 0.0,
        highest_n,
        blunt_s: 0.0,
        flat: false,
    };
    if p < w || p + w >= z.len() {
        return plain;
    }
    let bend_n = 2.0 * z[p] - z[p - w] - z[p + w];
    if bend_n <= 0.0 {
        return plain;
    }
    let g = (z[p + w] - z[p - w]) / 2.0;
    let shift = (g / bend_n).clamp(-0.5, 0.5);
    Top {
        t_s: plain.t_s + shift * w as f64 * sampling.dt_s,
        force_n: z[p] + g * g / (2.0 * bend_n) + bend_n * (sampling.lost_top() - QUARTIC),
        bend_n,
        flat: is_flat(z, p, bend_n, w),
        ..plain
    }
}

/// Fall of the force two steps to both sides of a flat top, in units of its fall one step away: 4 for a parabola, less for
/// round and pointed strokes, more for a level with flanks. (Ours, 200 readings a second, order 4: above it are 2 of 240 simulated
/// engines' highest strokes, and 105 of 122 level tops that the parabola's interval overshot.)
const FLAT: f64 = 4.75;

/// Is the top at `p` flatter than a parabola?
fn is_flat(z: &[f64], p: usize, bend_n: f64, w: usize) -> bool {
    p >= 2 * w && p + 2 * w < z.len() && 2.0 * z[p] - z[p - 2 * w] - z[p + 2 * w] > FLAT * bend_n
}

/// Standard deviations of the smoothed force below the top within which noise may have put it there.
const BLUNT: f64 = 4.0;

/// Time around the peak `p` in which the force stays within the noise of it, s; 0 where the next readings lie below, or
/// where no noise was seen.
fn blunt(z: &[f64], p: usize, noise_n: f64, sampling: Sampling) -> f64 {
    let seen = ((noise_n - NOISE_FLOOR_N) * (noise_n + NOISE_FLOOR_N)).max(0.0);
    let floor = z[p] - BLUNT * (seen / sampling.w as f64).sqrt();
    let near = |z: &f64| *z > floor;
    let before = z[..p].iter().rev().take_while(|z| near(z)).count();
    let after = z[p + 1..].iter().take_while(|z| near(z)).count();
    (before + after) as f64 * sampling.dt_s
}

/// Keeps the strokes of the main train: high enough, and no two closer than half a stroke.
fn main_train(mut tops: Vec<Top>, base_n: f64) -> Vec<Top> {
    let mut heights: Vec<f64> = tops.iter().map(|p| p.force_n - base_n).collect();
    heights.sort_by(|a, b| b.total_cmp(a));
    let n = heights.len().min(((heights.len() + 1) / 3).max(2));
    if n == 0 {
        return tops;
    }
    let reference = heights[..n].iter().sum::<f64>() / n as f64;
    tops.retain(|p| p.force_n - base_n >= 0.6 * reference);
    without_echoes(&mut tops, base_n);
    while tops.len() >= 3 {
        let gaps = intervals(&tops);
        let typical = median(&mut gaps.clone());
        let (i, smallest) = gaps
            .iter()
            .copied()
            .enumerate()
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .expect("two intervals");
        if smallest >= 0.55 * typical {
            break;
        }
        tops.remove(if tops[i].force_n < tops[i + 1].force_n {
            i
        } else {
            i + 1
        });
    }
    tops
}

/// Height of an echo over the lower of its two neighbours, and where it lies between them, at most: the nearer it is to the
/// earlier one the higher it may be.
const ECHO: [(f64, f64); 2] = [(0.9, 0.46), (1.1, 0.42)];
/// An echo is a habit: as many at least.
const ECHOES: usize = 3;

/// Leaves out the jerk with which a stiff cord catches the crank again that ran ahead behind top dead centre. Where it comes
/// behind every stroke the typical interval is a mixture of two, and no interval is short beside it; but every other top is
/// nearer to the one before, and mostly lower than both its neighbours. One such top alone is a weak stroke. (Ours, fresh
/// seeds, 200 readings a second: it counts 1791 instead of 1786 of 1800 simulated pulls exactly on sound engines, 894 instead
/// of 887 of 900 at three tenths of wear, 888 instead of 731 at six tenths; of worn-out ones 821, and 13 have a wrong cadence.)
fn without_echoes(tops: &mut Vec<Top>, base_n: f64) {
    let is_echo = |three: &[Top]| {
        let [before, top, after] = [three[0], three[1], three[2]];
        let lower = before.force_n.min(after.force_n) - base_n;
        ECHO.iter().any(|(height, phase)| {
            top.force_n - base_n < height * lower
                && top.t_s - before.t_s < phase * (after.t_s - before.t_s)
        })
    };
    let echoes: Vec<usize> = (1..)
        .zip(tops.windows(3))
        .filter(|(_, three)| is_echo(three))
        .map(|(i, _)| i)
        .collect();
    if echoes.len() < ECHOES || 3 * echoes.len() < tops.len() {
        return;
    }
    let mut i = 0;
    tops.retain(|_| {
        i += 1;
        echoes.binary_search(&(i - 1)).is_err()
    });
}

fn intervals(tops: &[Top]) -> Vec<f64> {
    tops.windows(2)
        .map(|pair| pair[1].t_s - pair[0].t_s)
        .collect()
}

/// Strokes a second where a bound needs one whatever was seen: of the median interval, 25 for a single stroke.
pub fn cadence_or_usual(tops: &[Top]) -> f64 {
    let typical = median(&mut intervals(tops));
    if typical > 0.0 { 1.0 / typical } else { 25.0 }
}

/// Share of a top's blunt time by which noise misplaces the interval between two tops. Set on eight shapes of simulated
/// pulses, 80 to 1000 readings a second. On fresh seeds (5600 to 5700 pulls each) 95 % intervals of the cadence so cover 94
/// to 97 % at 0.5 N and 200 readings a second or more, and 97 to 99 % at 0.1 N (with 0.1 instead of 0.15: 86 to 93 and 94 to
/// 97 %); of level tops alone, which have no place, 81 to 94 %.
const MISPLACED: f64 = 0.15;

/// Strokes a second, from three strokes on: c = 1/median interval. Of its relative uncertainty 0.05 dt c + 0.001 is the
/// sampling's; noise adds 0.15 c times the median blunt time of the tops, in quadrature.
pub fn cadence(tops: &[Top], sampling: Sampling) -> Option<Estimate> {
    (tops.len() >= 3).then(|| {
        let c = cadence_or_usual(tops);
        let blunt_s = median(&mut tops.iter().map(|top| top.blunt_s).collect::<Vec<f64>>());
        let sampled = 0.05 * sampling.dt_s * c + 0.001;
        Estimate::normal(c, c * libm::hypot(sampled, MISPLACED * blunt_s * c))
    })
}

/// Largest share of a stroke's peak that sampling every `dt_s` seconds through a filter of order K can miss. The stroke is a
/// half-sine that lasts `share` of the time from one stroke to the next.
///
/// ```
/// use feelgauge::measure::pull::strokes::under_read;
/// // half-sines of half the stroke, 25 strokes a second: 3.0 % at 320 readings a second
/// assert!((under_read(1.0 / 320.0, 0, 25.0, 0.5) - 0.030).abs() < 5e-4);
/// ```
pub fn under_read(dt_s: f64, order: u32, cadence_hz: f64, share: f64) -> f64 {
    let h =
        (std::f64::consts::PI * dt_s * cadence_hz / (2.0 * share)).min(std::f64::consts::FRAC_PI_2);
    if h <= 0.0 {
        return 0.0;
    }
    let boxcar = libm::sin(h) / h;
    1.0 - libm::cos(h) * (0..order).map(|_| boxcar).product::<f64>()
}

/// Narrowest stroke that was seen, as a share of the time between strokes.
const NARROWEST: f64 = 0.30;

/// Highest force that readings up to `highest_n` leave room for, N.
pub fn highest_possible(highest_n: f64, cadence_hz: f64, noise_n: f64, sampling: Sampling) -> f64 {
    highest_n / (1.0 - under_read(sampling.dt_s, sampling.order, cadence_hz, NARROWEST)).max(0.1)
        + 2.0 * noise_n
}

/// Standard uncertainty of a top from the readings' noise, N.
pub fn noise_of_top(noise_n: f64, sampling: Sampling) -> f64 {
    noise_n * ((1.0 + f64::from(sampling.order) / 6.0) / sampling.w as f64).sqrt()
}

/// A passage without compression is a spike, for the sleeve pinches at the very top only: averaging takes this share of the
/// second difference from it, times 1 + K (set on simulated engines, 200 to 1000 readings a second).
const SPIKE: f64 = 0.075;

/// Highest force of a pull with the plug out, which need not look like a stroke.
pub fn highest_friction(train: &Train, base: Base, sampling: Sampling) -> Estimate {
    let noise_n = noise_of_top(base.noise_n, sampling);
    let highest = train
        .tops
        .iter()
        .max_by(|a, b| a.force_n.total_cmp(&b.force_n));
    let (force_n, bend_n) = highest.map_or((train.highest_n, 0.0), |top| (top.force_n, top.bend_n));
    let force_n = force_n - 0.7 * noise_n;
    let lost = SPIKE * (1.0 + f64::from(sampling.order)) * bend_n;
    let share = 0.0015 * force_n;
    let u = (lost * lost + share * share + noise_n * noise_n).sqrt();
    Estimate {
        value: force_n,
        u,
        lo95: force_n - 2.0 * u,
        hi95: force_n + 2.0 * u,
    }
}

/// Growth of the upper end with bluntness, by filter order 0..4.
const WIDEN: [f64; 5] = [0.45, 0.7, 1.0, 1.2, 1.4];
/// Time between readings above which a usual stroke (16 a second) has fewer than ten, s.
const SLOW_S: f64 = 1.0 / 160.0;
/// What slow averaging hides of a top that still looks broad, in units of its second difference times the share of the
/// stroke's time that the averaging takes. Set on eight shapes of simulated pulses, 80 readings a second, order 4, 4 to 14
/// strokes a second; on fresh seeds it and the lower end cover 98.0 instead of 87.8 % of 12800 (Gaussians 99 instead of 79 %,
/// level tops 100 instead of 61 %).
const HIDDEN: f64 = 0.5;
/// How far noise lifts the highest of a score of level readings, in standard deviations (97.5 % of the normal distribution's).
const HIGHEST_OF_MANY: f64 = 3.0;

/// Interval of a top's force f, N, with the second difference A there; `possible_n` is the most that the sampling leaves room
/// for, `cadence_hz` the strokes a second (c), s_e the noise of a top.
///
/// u^2 = (0.05 A)^2 + (0.0015 f)^2 + s_e^2; lo, hi = f -+ 2 u. Then, where the parabola cannot be trusted so far:
/// - A/f > 0.5: hi = max(hi, min(possible, f (1 + W_K (A/f - 0.3)))).
/// - A/f <= 0.5 and dt > 1/160 s: hi = max(hi, min(possible, f + 0.5 K dt c A)), for K averages make a narrow stroke look broad.
/// - A top flatter than a parabola, and with dt > 1/160 s any top of A/f <= 0.5 or K <= 1: lo = min(lo, highest - 3 s_e), for
///   no average is above what it averages, whatever the shape.
///
/// u = max(u, (hi - lo)/4).
pub fn top_estimate(
    top: &Top,
    possible_n: f64,
    cadence_hz: f64,
    noise_n: f64,
    sampling: Sampling,
) -> Estimate {
    let (force_n, bend_n) = (top.force_n, top.bend_n);
    let noise_n = noise_of_top(noise_n, sampling);
    let (a, b) = (0.05 * bend_n, 0.0015 * force_n);
    let u = (a * a + b * b + noise_n * noise_n).sqrt();
    let (mut lo95, mut hi95) = (force_n - 2.0 * u, force_n + 2.0 * u);
    let (blunt, slow) = (bend_n / force_n, sampling.dt_s > SLOW_S);
    let hidden = if blunt > 0.5 {
        let widen = WIDEN[usize::try_from(sampling.order).unwrap_or(4).min(4)];
        force_n * widen * (blunt - 0.3)
    } else if slow {
        HIDDEN * f64::from(sampling.order) * sampling.dt_s * cadence_hz * bend_n
    } else {
        0.0
    };
    hi95 = hi95.max(possible_n.min(force_n + hidden));
    if top.flat || slow && (blunt <= 0.5 || sampling.order <= 1) {
        lo95 = lo95.min(top.highest_n - HIGHEST_OF_MANY * noise_n);
    }
    Estimate {
        value: force_n,
        u: u.max((hi95 - lo95) / 4.0),
        lo95,
        hi95,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn times_kept(tops: &[(f64, f64)]) -> Vec<f64> {
        let mut tops: Vec<Top> = tops
            .iter()
            .map(|(t_s, force_n)| Top {
                t_s: *t_s,
                force_n: *force_n,
                bend_n: 0.0,
                highest_n: *force_n,
                blunt_s: 0.0,
                flat: false,
            })
            .collect();
        without_echoes(&mut tops, 0.0);
        tops.iter().map(|top| top.t_s).collect()
    }

    /// A slow pull of a simulated engine: an echo of five sixths behind every stroke, at nine twentieths of the way to the next.
    #[test]
    fn echoes_nearly_in_the_middle_are_no_strokes() {
        let strokes = [1.242, 1.361, 1.480, 1.598, 1.715, 1.832];
        let echoes = [1.293, 1.413, 1.531, 1.649, 1.766];
        let mut all: Vec<(f64, f64)> = strokes.map(|t| (t, 56.0)).to_vec();
        all.extend(echoes.map(|t| (t, 46.0)));
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        assert_eq!(times_kept(&all), strokes);
    }

    /// A worn engine's echoes are as high as its strokes, but a third of the way to the next.
    #[test]
    fn high_echoes_are_near_their_stroke() {
        let strokes: Vec<f64> = (0..8).map(|k| 12.648 + 0.057 * f64::from(k)).collect();
        let all = strokes.iter().flat_map(|t| [(*t, 25.0), (t + 0.02, 25.5)]);
        let all: Vec<(f64, f64)> = all.collect();
        assert_eq!(times_kept(&all[..15]), strokes);
    }

    /// Every other stroke is weak, and one comes early: that is a rhythm of strokes.
    #[test]
    fn weak_strokes_in_step_stay() {
        let train: Vec<(f64, f64)> = (0..8)
            .map(|k| f64::from(k) * 0.06)
            .zip([76.0, 61.0].into_iter().cycle())
            .map(|(t, n)| {
                if (t - 0.18).abs() < 1e-9 {
                    (0.17, n)
                } else {
                    (t, n)
                }
            })
            .collect();
        assert_eq!(times_kept(&train).len(), 8);
    }
}
