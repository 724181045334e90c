//! Where a pull starts and ends: base and noise from quiet blocks, then an on/off decision a reading.

use crate::reading::ForceReading;

/// Length of a block that may give the base, s.
const BLOCK_S: f64 = 0.25;
/// Readings a block has at least.
const BLOCK_MIN: usize = 8;
/// Smallest noise that is believed, N.
pub(super) const NOISE_FLOOR_N: f64 = 0.02;
/// A block that scatters more than this is under force, not quiet: strokes scatter so much that they would pass for noise of
/// a probe (ours; a force probe's noise is a tenth of it), N.
const NOISIEST_N: f64 = 3.0;
/// A pull is over when the force has stayed low this long, us.
const OFF_US: u64 = 250_000;
/// The recoil spring pulls 1 to 4 N while the handle is held out.
const SPRING_N: f64 = 3.5;
/// Below this a jerk is no pull, N.
const PULL_N: f64 = 8.0;
/// Longest pull that is kept, us.
const LONGEST_US: u64 = 5_000_000;

/// Base and noise of the readings while the handle hangs free, N.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Base {
    /// Median of the block.
    pub level_n: f64,
    /// Scaled median absolute deviation, at least 0.02 N.
    pub noise_n: f64,
}

/// The readings of one pull and where in them it lies.
#[derive(Clone, Debug, PartialEq)]
pub struct Segment {
    /// Readings from a little before the start to a little after the end.
    pub readings: Vec<ForceReading>,
    /// Index of the last quiet reading before the pull.
    pub start: usize,
    /// Index of the last reading under force.
    pub end: usize,
    /// Base and noise when it began.
    pub base: Base,
    /// Readings are missing.
    pub gap: bool,
}

/// What ended.
#[derive(Clone, Debug, PartialEq)]
pub enum Ended {
    /// A pull.
    Pull(Segment),
    /// A jerk below 8 N (plug out: no stronger than the recoil spring).
    Bump,
    /// More than 5 s under force; nothing of it is kept.
    TooLong,
}

/// A pull that is under way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UnderWay {
    /// Time of the last reading under force, us: where the pull ends if no force follows within 0.25 s.
    pub last_us: u64,
    /// It is strong enough to be a pull and no bump.
    pub is_pull: bool,
}

/// State of the on/off decision.
#[derive(Clone, Copy, Debug, PartialEq)]
enum State {
    Idle,
    /// Under force: absolute index of the start, time of the reading that showed it, absolute index and time of the last
    /// reading under force, highest force over the base.
    Pull {
        start: u64,
        begun_us: u64,
        last: u64,
        last_us: u64,
        most_n: f64,
    },
}

/// The latest readings. Those in front are dropped by moving on; the room is freed now and then.
#[derive(Clone, Debug, Default)]
struct Kept {
    readings: Vec<ForceReading>,
    /// Index of the first one that is still kept.
    head: usize,
}

impl Kept {
    /// Dropped readings from which on the room is freed.
    const FREE_FROM: usize = 4096;

    fn push(&mut self, reading: ForceReading) {
        if self.head >= Self::FREE_FROM && 2 * self.head >= self.readings.len() {
            self.readings.drain(..self.head);
            self.head = 0;
        }
        self.readings.push(reading);
    }

    fn drop_front(&mut self, n: usize) {
        self.head += n;
    }

    fn all(&self) -> &[ForceReading] {
        &self.readings[self.head..]
    }
}

/// Streaming segmentation. Memory is bounded by 5 s of readings.
#[derive(Clone, Debug)]
pub struct Segmenter {
    /// Readings in the running mean of the strokes.
    w: usize,
    /// Readings of a block of 0.25 s.
    block_len: usize,
    block: Vec<f64>,
    base: Option<Base>,
    state: State,
    /// Readings from absolute index `first` on.
    kept: Kept,
    first: u64,
    /// Absolute index of the last quiet reading.
    quiet: u64,
    /// A gap lies in the running pull, or just before the force that follows.
    gap: bool,
    /// Time of the last reading that was not quiet, or of the first one behind a gap.
    loud_us: Option<u64>,
    too_long: bool,
    /// A jerk below this is no pull, N.
    least_n: f64,
    /// Absolute index at which the last pull or bump ended: what begins there, without a quiet reading since, is the cord
    /// that is held out or runs back.
    ended: Option<u64>,
}

impl Segmenter {
    /// For readings every `dt_s` seconds, of which `w` are averaged where the strokes are looked for.
    pub fn new(dt_s: f64, w: usize) -> Self {
        Self {
            w,
            block_len: block_len(dt_s),
            block: Vec::new(),
            base: None,
            state: State::Idle,
            kept: Kept::default(),
            first: 0,
            quiet: 0,
            gap: false,
            loud_us: None,
            too_long: false,
            least_n: PULL_N,
            ended: None,
        }
    }

    /// For an engine whose plug is out: every jerk that is stronger than the recoil spring is a pull, unless it follows
    /// on a pull without a quiet reading between the two.
    #[must_use]
    pub fn plug_out(mut self) -> Self {
        self.least_n = SPRING_N;
        self
    }

    /// Base and noise of the last quiet block.
    pub fn base(&self) -> Option<Base> {
        self.base
    }

    /// Level on which the newest readings stand still, under force or not; else that of the last quiet block.
    pub fn end_level(&self) -> Option<f64> {
        let kept = self.kept.all();
        let from = kept.len().checked_sub(self.block_len);
        let newest = from.map(|from| kept[from..].iter().map(|r| r.force_n).collect());
        newest
            .and_then(|mut block: Vec<f64>| quiet_block(&mut block))
            .or(self.base)
            .map(|base| base.level_n)
    }

    /// The pull that is under way, if there is one.
    pub fn under_way(&self) -> Option<UnderWay> {
        match self.state {
            State::Idle => None,
            State::Pull {
                last_us, most_n, ..
            } => Some(UnderWay {
                last_us,
                is_pull: most_n >= self.least_n,
            }),
        }
    }

    /// Takes the next reading; says what ended with it.
    #[inline]
    pub fn push(&mut self, reading: ForceReading) -> Option<Ended> {
        let k = self.first + self.kept.all().len() as u64;
        self.kept.push(reading);
        match self.state {
            State::Idle => {
                self.idle(k, reading);
                if self.state == State::Idle {
                    self.forget(reading.t_us);
                }
                None
            }
            State::Pull { .. } => {
                let ended = self.pulling(k, reading);
                if ended.is_some() {
                    self.forget(reading.t_us);
                }
                ended
            }
        }
    }

    /// Readings are missing before the next one: a running pull ends here.
    pub fn gap(&mut self) -> Option<Ended> {
        self.block.clear();
        self.gap = true;
        let ended = self.finish();
        // What goes on under force behind the gap belongs to the same pull.
        self.gap = true;
        self.loud_us = None;
        ended
    }

    /// The record ends: a running pull ends with it.
    pub fn finish(&mut self) -> Option<Ended> {
        let k = self.first + (self.kept.all().len() as u64).saturating_sub(1);
        self.end(k)
    }

    fn idle(&mut self, k: u64, reading: ForceReading) {
        if let Some(base) = self.base {
            let x = reading.force_n - base.level_n;
            if x <= (3.0 * base.noise_n).max(0.4) {
                self.quiet = k;
                self.settle(reading.t_us);
            } else {
                self.loud_us = Some(reading.t_us);
            }
            if x > (6.0 * base.noise_n).max(2.0) {
                self.block.clear();
                self.state = State::Pull {
                    start: self.quiet,
                    begun_us: reading.t_us,
                    last: k,
                    last_us: reading.t_us,
                    most_n: x,
                };
                return;
            }
        }
        self.block.push(reading.force_n);
        if self.block.len() >= self.block_len {
            if let Some(base) = quiet_block(&mut self.block) {
                if self.base.is_none() {
                    self.quiet = k;
                }
                self.base = Some(base);
            }
            self.block.clear();
        }
    }

    /// A quiet reading behind a gap: only as long a silence as ends a pull parts what follows from what the gap cut; the valley
    /// between two strokes is quiet too.
    fn settle(&mut self, t_us: u64) {
        let since = *self.loud_us.get_or_insert(t_us);
        if t_us - since > OFF_US {
            self.gap = false;
        }
    }

    fn pulling(&mut self, k: u64, reading: ForceReading) -> Option<Ended> {
        let base = self.base.expect("no pull begins without a base");
        let State::Pull {
            begun_us,
            last,
            last_us,
            most_n,
            ..
        } = &mut self.state
        else {
            return None;
        };
        let x = reading.force_n - base.level_n;
        *most_n = most_n.max(x);
        if x > (0.12 * *most_n).max(SPRING_N).max(6.0 * base.noise_n) {
            (*last, *last_us) = (k, reading.t_us);
            self.too_long |= reading.t_us - *begun_us > LONGEST_US + OFF_US;
            if self.too_long {
                // Nothing of it will be reported: only what comes now matters, and where it stands.
                self.forget_before(k.saturating_sub(self.block_len as u64));
            }
            return None;
        }
        let (last, off_us) = (*last, reading.t_us - *last_us);
        self.too_long |= reading.t_us - *begun_us > LONGEST_US + OFF_US;
        if self.too_long {
            self.forget_before(last.saturating_sub(self.block_len as u64));
        }
        (off_us > OFF_US).then(|| self.end(k)).flatten()
    }

    fn forget_before(&mut self, k: u64) {
        let n = k.saturating_sub(self.first);
        self.kept.drop_front(usize::try_from(n).unwrap_or(0));
        self.first += n;
    }

    /// Ends the running pull, if there is one, at reading `k`.
    fn end(&mut self, k: u64) -> Option<Ended> {
        let State::Pull {
            start,
            last,
            most_n,
            ..
        } = self.state
        else {
            return None;
        };
        self.state = State::Idle;
        self.quiet = k;
        let held_out = self.ended.replace(k) == Some(start);
        let gap = std::mem::take(&mut self.gap);
        if std::mem::take(&mut self.too_long) {
            return Some(Ended::TooLong);
        }
        if most_n < self.least_n || (held_out && most_n < PULL_N) {
            return Some(Ended::Bump);
        }
        let index =
            |absolute: u64| usize::try_from(absolute.saturating_sub(self.first)).unwrap_or(0);
        // Readings start - 1 - w up to, but without, end + 3 + w: the running mean reaches past both ends.
        let from = index(start).saturating_sub(1 + self.w);
        let kept = self.kept.all();
        let to = (index(last) + 3 + self.w).min(kept.len());
        Some(Ended::Pull(Segment {
            readings: kept[from..to].to_vec(),
            start: index(start) - from,
            end: index(last) - from,
            base: self.base.expect("no pull begins without a base"),
            gap,
        }))
    }

    /// Drops readings that no later pull can need; `now_us` is the time of the newest.
    fn forget(&mut self, now_us: u64) {
        let margin = 1 + self.w;
        self.forget_before(self.quiet.saturating_sub(margin as u64));
        let kept = self.kept.all();
        let newest = kept.len().saturating_sub(1 + margin);
        let old = kept[..newest]
            .iter()
            .take_while(|r| now_us - r.t_us > LONGEST_US)
            .count();
        self.kept.drop_front(old);
        self.first += old as u64;
        self.quiet = self.quiet.max(self.first);
    }
}

/// Readings of a block of 0.25 s.
fn block_len(dt_s: f64) -> usize {
    let mut n = BLOCK_MIN;
    while (n as f64) * dt_s < BLOCK_S - 0.5 * dt_s {
        n += 1;
    }
    n
}

/// Base of a block if it is quiet: range below 1 N or ten times its noise. The block is reordered.
fn quiet_block(block: &mut [f64]) -> Option<Base> {
    let (lo, hi) = block
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), y| {
            (lo.min(*y), hi.max(*y))
        });
    let level_n = median(block);
    for y in &mut *block {
        *y = (*y - level_n).abs();
    }
    let noise_n = (1.4826 * median(block)).max(NOISE_FLOOR_N);
    let quiet = hi - lo < (10.0 * noise_n).max(1.0) && noise_n <= NOISIEST_N;
    quiet.then_some(Base { level_n, noise_n })
}

/// Median; the slice is reordered. Zero of an empty slice.
pub(super) fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let half = values.len() / 2;
    let odd = values.len() % 2 == 1;
    let (below, &mut upper, _) = values.select_nth_unstable_by(half, f64::total_cmp);
    if odd {
        return upper;
    }
    let lower = below.iter().copied().max_by(f64::total_cmp);
    0.5 * (lower.unwrap_or(upper) + upper)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A pull of strokes whose valleys are quiet, with readings lost in its middle: neither half may claim to be whole.
    #[test]
    fn both_halves_of_a_pull_with_a_gap_say_so() {
        let force = |k: u64| {
            if (1000..2000).contains(&k) && k % 50 < 25 {
                40.0
            } else {
                0.0
            }
        };
        let mut segmenter = Segmenter::new(0.001, 2);
        let mut gaps = Vec::new();
        let mut note = |ended: Option<Ended>| {
            if let Some(Ended::Pull(segment)) = ended {
                gaps.push(segment.gap);
            }
        };
        for k in (0..1480).chain(1530..5500) {
            if k == 1530 {
                note(segmenter.gap());
            }
            note(segmenter.push(ForceReading {
                t_us: k * 1000,
                force_n: force(k % 3000),
            }));
        }
        assert_eq!(gaps, [true, true, false], "the second pull is whole");
    }
}
