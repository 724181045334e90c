//! What went wrong on a link, counted by kind, and which lines a measure may use.

use super::{Event, Fault, Line, Message, Part};
use crate::timebase::{Course, ProbeClock};

/// Kinds of fault on a link.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum FaultKind {
    /// A line whose checksum does not hold.
    BadCrc,
    /// A line longer than the cap.
    OverLong,
    /// A record of a kind or version that this software does not know.
    Unknown,
    /// A good checksum around a bad field.
    Malformed,
    /// A line that never came, by the sequence numbers; broken lines that did come are not counted here.
    Lost,
    /// A line whose number was there just before, or that comes again with those around it.
    Repeated,
    /// A line that came after a later one.
    OutOfOrder,
    /// The probe's clock jumped while it went on numbering its lines.
    ClockStep,
    /// The probe started anew.
    Reset,
    /// A line or reading that the probe dropped for want of room, by its own counters.
    Overrun,
    /// A line that the host dropped because its queue was full.
    HostOverrun,
    /// An unfinished line where the stream ended.
    Torn,
}

impl FaultKind {
    /// Every kind.
    pub const ALL: [Self; 12] = [
        Self::BadCrc,
        Self::OverLong,
        Self::Unknown,
        Self::Malformed,
        Self::Lost,
        Self::Repeated,
        Self::OutOfOrder,
        Self::ClockStep,
        Self::Reset,
        Self::Overrun,
        Self::HostOverrun,
        Self::Torn,
    ];

    /// The key in results.
    pub fn key(self) -> &'static str {
        match self {
            Self::BadCrc => "bad_crc",
            Self::OverLong => "over_long",
            Self::Unknown => "unknown",
            Self::Malformed => "malformed",
            Self::Lost => "lost",
            Self::Repeated => "repeated",
            Self::OutOfOrder => "out_of_order",
            Self::ClockStep => "clock_step",
            Self::Reset => "reset",
            Self::Overrun => "overrun",
            Self::HostOverrun => "host_overrun",
            Self::Torn => "torn",
        }
    }
}

impl From<Fault> for FaultKind {
    fn from(fault: Fault) -> Self {
        match fault {
            Fault::BadCrc => Self::BadCrc,
            Fault::OverLong => Self::OverLong,
            Fault::Unknown | Fault::Version(_) => Self::Unknown,
            Fault::Malformed { .. } => Self::Malformed,
        }
    }
}

/// Numbers by which a line may follow another that stood behind, to be taken for the same probe's next.
const GOES_ON: u16 = 16;

/// How late the host may take the last line before a probe starts anew, microseconds.
const LATE_US: u128 = 1_000_000;

/// Counters of a link.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LinkHealth {
    /// Lines received, broken ones included; an over-long one counts once.
    pub lines: u64,
    /// Faults, in the order of [`FaultKind::ALL`].
    faults: [u64; FaultKind::ALL.len()],
}

impl LinkHealth {
    /// Counts `n` faults of a kind.
    pub fn count(&mut self, kind: FaultKind, n: u64) {
        self.faults[kind as usize] += n;
    }

    /// Faults of a kind so far.
    pub fn faults_of(&self, kind: FaultKind) -> u64 {
        self.faults[kind as usize]
    }

    /// Kinds that occurred, with their counts.
    pub fn faults(&self) -> impl Iterator<Item = (FaultKind, u64)> + '_ {
        let all = FaultKind::ALL.into_iter().map(|k| (k, self.faults_of(k)));
        all.filter(|&(_, n)| n > 0)
    }
}

/// How a received event stands to those before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// No message, or part of an over-long line.
    Broken,
    /// The next line, to be used.
    Fresh {
        /// Readings may be missing before this line: lost lines, a reset, a clock step, an overrun.
        gap: bool,
        /// The probe started anew, or its clock was set: its times go on, but with the host's
        /// uncertainty at this place.
        restarted: bool,
    },
    /// A line that was there already, or that came after a later one: not to be used again.
    Stale,
}

/// Follows one probe's lines: numbers, clock, boot counter, drop counters.
///
/// It is told of every event in the order of arrival, live or from a record; the same events at the
/// same host times give the same counts.
#[derive(Clone, Debug, Default)]
pub struct Tracker {
    health: LinkHealth,
    clock: ProbeClock,
    /// Number of the last good line.
    last_seq: Option<u16>,
    /// Lines that came broken since the last good one.
    broken: u64,
    in_over_long: bool,
    /// Number of the last line that stood behind, and how many such came in a row since the last used one.
    behind: Option<(u16, u16)>,
    used: Used,
    boot: Option<u16>,
    /// The probe's own drop counters, lines and readings, at the last heartbeat; 0 after a reset.
    dropped: Option<(u32, u32)>,
    /// A gap was seen at a line without readings; it belongs to the next line with readings.
    gap_pending: bool,
}

/// Numbers used since the probe started, and when.
#[derive(Clone, Copy, Debug, Default)]
struct Used {
    /// Host times of the first and of the last line, microseconds.
    first_us: u64,
    last_us: u64,
    /// Numbers from the first to the last.
    numbers: u64,
    /// Bit `i`: the number `i` below the last one was used.
    came: u128,
}

impl Used {
    /// Notes a line so many numbers `ahead` of the last one; `None`: the first since the start.
    fn note(&mut self, host_us: u64, ahead: Option<u16>) {
        let Some(ahead) = ahead else {
            *self = Self {
                first_us: host_us,
                last_us: host_us,
                numbers: 0,
                came: 1,
            };
            return;
        };
        self.last_us = self.last_us.max(host_us);
        self.numbers += u64::from(ahead);
        self.came = self.came.checked_shl(ahead.into()).unwrap_or(0) | 1;
    }

    /// A number `behind` the last one was used, and comes too soon for a probe that started anew after the last one: that
    /// one would have to count up to it again. Twice the time, as its rate may have changed, and what a host may be late.
    fn comes_again(&self, host_us: u64, seq: u16, behind: u16) -> bool {
        let since_us = 2 * u128::from(host_us.saturating_sub(self.last_us)) + LATE_US;
        let span_us = self.last_us.saturating_sub(self.first_us);
        let needs = u128::from(seq) * u128::from(span_us);
        let had = since_us * u128::from(self.numbers);
        let came = self.came.checked_shr(behind.into()).unwrap_or(0) & 1 == 1;
        came && had < needs
    }
}

/// What a line's number says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Order {
    Next,
    /// So many numbers are missing.
    Skips(u16),
    Again,
    /// So many numbers.
    Behind(u16),
}

impl Tracker {
    /// A tracker before the first line.
    pub fn new() -> Self {
        Self::default()
    }

    /// Counters so far.
    pub fn health(&self) -> &LinkHealth {
        &self.health
    }

    /// The probe's clock, unwrapped: asks for the times of the line just taken.
    pub fn clock(&self) -> &ProbeClock {
        &self.clock
    }

    /// Counts lines that the host itself dropped; the next line then stands after a gap.
    pub fn host_overrun(&mut self, lines: u64) {
        self.health.count(FaultKind::HostOverrun, lines);
        // What the host dropped is not also lost by number.
        self.broken += lines;
        self.gap_pending |= lines > 0;
    }

    /// Takes an event, received at `host_us`.
    pub fn take(&mut self, host_us: u64, event: &Event<'_>) -> Standing {
        match event {
            Event::Piece { part, .. } => {
                self.piece(*part);
                Standing::Broken
            }
            Event::Line { outcome, .. } => {
                self.health.lines += 1;
                match outcome {
                    Ok(line) if self.comes_again(host_us, line.seq) => {
                        self.health.count(FaultKind::Repeated, 1);
                        Standing::Stale
                    }
                    Ok(line) => self.line(host_us, line),
                    Err(fault) => {
                        self.health.count((*fault).into(), 1);
                        self.broken += 1;
                        Standing::Broken
                    }
                }
            }
        }
    }

    fn piece(&mut self, part: Part) {
        let first = !std::mem::replace(&mut self.in_over_long, part == Part::OverLong);
        match part {
            Part::Torn => {
                self.health.lines += 1;
                self.health.count(FaultKind::Torn, 1);
            }
            _ if first => {
                self.health.lines += 1;
                self.health.count(FaultKind::OverLong, 1);
                self.broken += 1;
            }
            _ => {}
        }
    }

    fn line(&mut self, host_us: u64, line: &Line<'_>) -> Standing {
        let order = self.order(line.seq);
        let latest_us = line.message.latest_us();
        let course = latest_us.map_or(Course::Runs, |t| self.clock.course(host_us, t));
        let reset = self.is_reset(line, order, course);
        let mut gap = false;
        if reset {
            self.health.count(FaultKind::Reset, 1);
            let came = self.behind.map_or(0, |(_, lines)| lines);
            self.lost(u64::from(line.seq.saturating_sub(came)));
            self.dropped = Some((0, 0));
            self.boot = None;
            gap = true;
        } else {
            match order {
                Order::Next => {}
                Order::Skips(n) => {
                    self.lost(u64::from(n));
                    gap = true;
                }
                Order::Again => {
                    self.health.count(FaultKind::Repeated, 1);
                    return Standing::Stale;
                }
                Order::Behind(_) => {
                    let lines = self.behind.map_or(0, |(_, lines)| lines);
                    self.behind = Some((line.seq, lines.saturating_add(1)));
                    self.health.count(FaultKind::OutOfOrder, 1);
                    return Standing::Stale;
                }
            }
        }
        let stepped = !reset && course != Course::Runs;
        if stepped {
            self.health.count(FaultKind::ClockStep, 1);
        }
        if let Some(latest_us) = latest_us {
            if reset || stepped {
                let earliest_us = line.message.earliest_us().unwrap_or(latest_us);
                self.clock.restart(host_us, earliest_us, latest_us);
            } else {
                self.clock.advance(host_us, latest_us);
            }
        }
        let last = self.last_seq.replace(line.seq).filter(|_| !reset);
        self.used
            .note(host_us, last.map(|last| line.seq.wrapping_sub(last)));
        self.broken = 0;
        self.behind = None;
        gap |= stepped | self.overrun(&line.message);
        Standing::Fresh {
            gap: self.pending(gap, &line.message),
            restarted: reset || stepped,
        }
    }

    /// One of a block of lines that comes again, and no probe that started anew.
    fn comes_again(&self, host_us: u64, seq: u16) -> bool {
        matches!(self.order(seq), Order::Behind(behind) if self.used.comes_again(host_us, seq, behind))
    }

    fn order(&self, seq: u16) -> Order {
        let Some(last) = self.last_seq else {
            return Order::Next;
        };
        match seq.wrapping_sub(last) {
            0 => Order::Again,
            1 => Order::Next,
            ahead @ 2..=0x7FFF => Order::Skips(ahead - 1),
            ahead => Order::Behind(ahead.wrapping_neg()),
        }
    }

    /// A new boot counter; a clock that jumped together with the numbers; a hello (number 0) that comes
    /// where an older line would; or a second line in a row that stands behind, after the first one: a line
    /// may come late, but a probe that goes on from there has started anew within its first second.
    fn is_reset(&self, line: &Line<'_>, order: Order, course: Course) -> bool {
        let identity = match &line.message {
            Message::Identity(id) => Some(id),
            _ => None,
        };
        let other_boot = identity.is_some_and(|id| self.boot.is_some_and(|boot| boot != id.boot));
        let is_behind = matches!(order, Order::Behind(_));
        let hello = identity.is_some() && line.seq == 0 && is_behind;
        let jumped = course != Course::Runs && order != Order::Next;
        let goes_on = is_behind
            && self
                .behind
                .is_some_and(|(seq, _)| (1..=GOES_ON).contains(&line.seq.wrapping_sub(seq)));
        other_boot || hello || jumped || goes_on
    }

    /// `missing` numbers did not come as good lines; those that came broken are counted already.
    fn lost(&mut self, missing: u64) {
        let n = missing.saturating_sub(self.broken);
        self.health.count(FaultKind::Lost, n);
    }

    /// Follows the boot counter and the probe's drop counters; true when readings were dropped.
    fn overrun(&mut self, message: &Message<'_>) -> bool {
        match message {
            Message::Identity(id) => {
                self.boot = Some(id.boot);
                false
            }
            Message::Heartbeat {
                lost_lines,
                lost_readings,
                ..
            } => {
                let before = self.dropped.replace((*lost_lines, *lost_readings));
                let (lines, readings) = before.unwrap_or((*lost_lines, *lost_readings));
                // A counter that fell was reset unseen: what it shows now is new.
                let lines = lost_lines.checked_sub(lines).unwrap_or(*lost_lines);
                let readings = lost_readings
                    .checked_sub(readings)
                    .unwrap_or(*lost_readings);
                let n = u64::from(lines) + u64::from(readings);
                self.health.count(FaultKind::Overrun, n);
                n > 0
            }
            _ => false,
        }
    }

    fn pending(&mut self, gap: bool, message: &Message<'_>) -> bool {
        let gap = gap | std::mem::take(&mut self.gap_pending);
        let has_readings = matches!(message, Message::Samples(_) | Message::Edges(_));
        self.gap_pending = gap && !has_readings;
        gap && has_readings
    }
}
