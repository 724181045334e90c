//! A virtual board: simulated readings become counts, wire lines and packets of bytes with the times at which a
//! host would receive them. Pure: same readings and seed, same bytes.

use std::collections::VecDeque;

use crate::{
    calibration::Nominal,
    physics::noise::Noise,
    reading::Edge,
    wire::{Channel, Command, Edges, Encoder, Identity, Message, Samples},
};

/// Most bytes in a packet: what the usual USB chips put into one (64 less two status bytes).
const PACKET_BYTES: usize = 62;
/// Bits on the line for a byte, start and stop included.
const BITS_A_BYTE: u64 = 10;
/// The USB chip hands bytes over after 1 to 3 ms (common practice, no source).
const LATENCY_US: (f64, f64) = (1000.0, 3000.0);
/// Samples of a line: far below the longest line at six characters a count.
const BATCH: usize = 20;
/// Below this rate every reading has a line of its own, Hz.
const SLOW_HZ: f64 = 10.0;
/// Edges of a line.
pub(super) const EDGE_BATCH: usize = 8;
/// An edge waits at most so long for its line, microseconds.
pub(super) const EDGE_WAIT_US: u64 = 100_000;
/// Microseconds between heartbeats.
pub(super) const HEARTBEAT_US: u64 = 1_000_000;
/// A board that is reset by opening its port says hello after so long, microseconds.
pub(super) const HELLO_US: u64 = 120_000;

/// What a channel delivers, times in microseconds from the start of the readings.
#[derive(Clone, Debug, PartialEq)]
pub enum Signal {
    /// Time (the end of its averaging) and value of every reading, in the channel's unit.
    Samples(Vec<(u64, f64)>),
    /// Edges of the channel; `sensor` is the channel's index.
    Edges(Vec<Edge>),
}

/// A board as it is plugged in.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardPlan {
    /// Identity; its channels say what the signals mean.
    pub identity: Identity,
    /// What each channel delivers, in the order of the identity's channels.
    pub signals: Vec<Signal>,
    /// Baud rate.
    pub baud: u32,
    /// Opening the port resets it: it says hello and its clock starts at 0. Otherwise its clock stands at the
    /// identity's `t_us` and it waits to be asked.
    pub resets_on_open: bool,
    /// From opening to the start of the readings, microseconds.
    pub lead_us: u64,
    /// The host's clock gains so much on the board's, share.
    pub host_gain: f64,
    /// Seed of the latencies.
    pub seed: u64,
}

/// Bytes that arrive together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Packet {
    /// Microseconds from opening, on the host's clock.
    pub at_us: u64,
    /// The bytes.
    pub bytes: Vec<u8>,
}

/// A line that is to be sent; times in microseconds since opening, board's clock.
#[derive(Clone, Debug)]
pub(super) enum Due {
    /// Who the board is.
    Hello,
    /// Evenly spaced counts.
    Samples {
        channel: u8,
        t0_us: u64,
        dt_us: u32,
        counts: Vec<i32>,
    },
    /// Edges.
    Edges { channel: u8, times_us: Vec<u64> },
    /// A sign of life.
    Heartbeat,
}

/// The board while it runs.
#[derive(Clone, Debug)]
pub struct Board {
    identity: Identity,
    /// Raw clock at opening.
    clock_at_open: u32,
    /// Lines to send with the time since opening at which each is ready, board's clock; by time.
    due: VecDeque<(u64, Due)>,
    /// Answers to commands; they go before the next line.
    answers: VecDeque<Message<'static>>,
    /// Bytes of the command that is being received.
    command: Vec<u8>,
    encoder: Encoder,
    byte_us: f64,
    host_gain: f64,
    latency: Noise,
    /// The line being sent and when its first byte left, microseconds since opening.
    sending: VecDeque<u8>,
    line_free_us: f64,
    last_at_us: u64,
}

impl Board {
    /// Plugs the board in.
    pub fn new(plan: &BoardPlan) -> Self {
        let mut due = Vec::new();
        if plan.resets_on_open {
            due.push((HELLO_US, Due::Hello));
        }
        let mut end_us = plan.lead_us;
        for (channel, signal) in plan.identity.channels.iter().zip(&plan.signals) {
            lines_of(channel, signal, plan.lead_us, &mut due);
        }
        for (ready_us, _) in &due {
            end_us = end_us.max(*ready_us);
        }
        let beats = (1..).map(|n| n * HEARTBEAT_US);
        due.extend(
            beats
                .take_while(|t| *t <= end_us)
                .map(|t| (t, Due::Heartbeat)),
        );
        // Stable: lines that are ready together go out in the order of the channels.
        due.sort_by_key(|(ready_us, _)| *ready_us);
        Self {
            clock_at_open: if plan.resets_on_open {
                0
            } else {
                plan.identity.t_us
            },
            identity: plan.identity.clone(),
            due: due.into(),
            answers: VecDeque::new(),
            command: Vec::new(),
            encoder: Encoder::default(),
            byte_us: (BITS_A_BYTE * 1_000_000) as f64 / f64::from(plan.baud),
            host_gain: plan.host_gain,
            latency: Noise::new(plan.seed, LATENCY_STREAM),
            sending: VecDeque::new(),
            line_free_us: 0.0,
            last_at_us: 0,
        }
    }

    /// Hands the running board its next line, ready so long after opening: not before the last one.
    pub(super) fn append(&mut self, ready_us: u64, due: Due) {
        self.due.push_back((ready_us, due));
    }

    /// So long after opening the board is still there: what it answers now, it answers now.
    pub(super) fn live_until(&mut self, since_open_us: u64) {
        if self.due.is_empty() && self.sending.is_empty() {
            self.line_free_us = self.line_free_us.max(since_open_us as f64);
        }
    }

    /// Takes what the host sends.
    pub fn receive(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            if byte == b'\n' {
                let line = std::mem::take(&mut self.command);
                let t_us = self.clock(self.line_free_us);
                self.answers.push_back(match Command::read(&line) {
                    Some(Command::Identify) => Message::Identity(Box::new(Identity {
                        t_us,
                        ..self.identity.clone()
                    })),
                    Some(Command::Ping(token)) => Message::Pong { token, t_us },
                    Some(Command::Rate(_)) => Message::Notice("rate"),
                    None => Message::Notice("command"),
                });
            } else if self.command.len() < PACKET_BYTES {
                self.command.push(byte);
            }
        }
    }

    /// The next bytes that the host receives; `None` when the readings are over.
    pub fn next_packet(&mut self) -> Option<Packet> {
        if self.sending.is_empty() {
            self.begin_line()?;
        }
        let n = self.sending.len().min(PACKET_BYTES);
        let bytes: Vec<u8> = self.sending.drain(..n).collect();
        self.line_free_us += n as f64 * self.byte_us;
        let latency = self.latency.uniform(LATENCY_US.0, LATENCY_US.1);
        let at = self.line_free_us * (1.0 + self.host_gain) + latency;
        // Bytes arrive in order: a packet never overtakes the one before.
        self.last_at_us = whole_us(at).max(self.last_at_us);
        Some(Packet {
            at_us: self.last_at_us,
            bytes,
        })
    }

    fn begin_line(&mut self) -> Option<()> {
        let message = if let Some(answer) = self.answers.pop_front() {
            answer
        } else {
            let (ready_us, due) = self.due.pop_front()?;
            self.line_free_us = self.line_free_us.max(ready_us as f64);
            self.message(ready_us, due)
        };
        let line = self
            .encoder
            .line(&message)
            .expect("batches are far below the longest line");
        self.sending = line.into();
        Some(())
    }

    fn message(&self, ready_us: u64, due: Due) -> Message<'static> {
        let raw = |t_us: u64| self.clock(t_us as f64);
        match due {
            Due::Hello => Message::Identity(Box::new(Identity {
                t_us: raw(ready_us),
                ..self.identity.clone()
            })),
            Due::Samples {
                channel,
                t0_us,
                dt_us,
                counts,
            } => Message::Samples(
                Samples::new(channel, raw(t0_us), dt_us, &counts)
                    .expect("the plan keeps the ranges"),
            ),
            Due::Edges { channel, times_us } => {
                let times: Vec<u32> = times_us.iter().map(|&t| raw(t)).collect();
                Message::Edges(Edges::new(channel, &times).expect("1..=EDGE_BATCH edges"))
            }
            Due::Heartbeat => Message::Heartbeat {
                t_us: raw(ready_us),
                lost_lines: 0,
                lost_readings: 0,
            },
        }
    }

    /// Raw clock so long after opening; it wraps.
    fn clock(&self, since_open_us: f64) -> u32 {
        let raw = u64::from(self.clock_at_open) + whole_us(since_open_us);
        u32::try_from(raw & u64::from(u32::MAX)).expect("masked to 32 bits")
    }
}

/// Stream of the latencies among the seed's random numbers.
const LATENCY_STREAM: u64 = 0x6c61_7465;

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // rounded; `as` stops at the type's ends
pub(super) fn whole_us(us: f64) -> u64 {
    us.round() as u64
}

fn lines_of(channel: &Channel, signal: &Signal, lead_us: u64, due: &mut Vec<(u64, Due)>) {
    match signal {
        Signal::Samples(readings) => {
            let mut rest = readings.as_slice();
            while let Some((&(t0_us, _), dt_us, n)) = batch(channel, rest) {
                let (now, later) = rest.split_at(n);
                rest = later;
                let line = Due::Samples {
                    channel: channel.index,
                    t0_us: lead_us + t0_us,
                    dt_us,
                    counts: now
                        .iter()
                        .map(|(_, value)| count(channel, *value))
                        .collect(),
                };
                due.push((lead_us + now[n - 1].0, line));
            }
        }
        Signal::Edges(edges) => {
            let mut waiting: Vec<u64> = Vec::new();
            for edge in edges {
                let t_us = lead_us + edge.t_us;
                if waiting
                    .first()
                    .is_some_and(|first| t_us > first + EDGE_WAIT_US)
                {
                    send_edges(channel, &mut waiting, due);
                }
                waiting.push(t_us);
                if waiting.len() == EDGE_BATCH {
                    send_edges(channel, &mut waiting, due);
                }
            }
            send_edges(channel, &mut waiting, due);
        }
    }
}

/// The next line of samples: its first reading, its spacing, how many; `None` when there are none.
fn batch<'a>(
    channel: &Channel,
    readings: &'a [(u64, f64)],
) -> Option<(&'a (u64, f64), u32, usize)> {
    let first = readings.first()?;
    let step = |pair: &[(u64, f64)]| pair[1].0 - pair[0].0;
    let slow = channel.rate_hz < SLOW_HZ;
    let dt_us = match readings.windows(2).next().map(step) {
        Some(dt) if !slow => u32::try_from(dt)
            .ok()
            .filter(|dt| *dt <= Samples::LONGEST_DT_US),
        _ => None,
    };
    let Some(dt_us) = dt_us else {
        return Some((first, 1, 1));
    };
    let even = readings
        .windows(2)
        .take(BATCH - 1)
        .take_while(|pair| step(pair) == u64::from(dt_us));
    Some((first, dt_us, 1 + even.count()))
}

fn send_edges(channel: &Channel, waiting: &mut Vec<u64>, due: &mut Vec<(u64, Due)>) {
    let (Some(&first), Some(&last)) = (waiting.first(), waiting.last()) else {
        return;
    };
    let full = waiting.len() == EDGE_BATCH;
    let ready_us = if full { last } else { first + EDGE_WAIT_US };
    let line = Due::Edges {
        channel: channel.index,
        times_us: std::mem::take(waiting),
    };
    due.push((ready_us, line));
}

/// What the converter makes of a value; it stops at its ends.
pub(super) fn count(channel: &Channel, value: f64) -> i32 {
    let nominal = Nominal::new(channel.scale, channel.zero, channel.min, channel.max)
        .expect("channels of virtual boards are given in code");
    let count = nominal.count(value);
    i32::try_from(count).unwrap_or(if count < 0 { i32::MIN } else { i32::MAX })
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::{
        inspect::{Feed, Input, Reading, Row, Source, Test},
        reading::Quality,
        wire::{Framer, ProbeKind, Unit, VERSION},
    };

    fn identity(kind: ProbeKind, channels: Vec<Channel>, t_us: u32) -> Identity {
        Identity {
            version: VERSION,
            kind,
            serial: "V1".into(),
            firmware: "virtual".into(),
            boot: 1,
            t_us,
            channels,
        }
    }

    fn pressure_plan(t_us: u32) -> BoardPlan {
        let sampled = |index, unit, scale, rate_hz| Channel {
            index,
            unit,
            scale,
            zero: 0.0,
            min: -(1 << 23),
            max: 1 << 23,
            rate_hz,
            order: 1,
        };
        let tank = sampled(0, Unit::Pascal, 0.25, 100.0);
        let gas = sampled(1, Unit::Celsius, 0.001, 4.0);
        let wave = |n: u32| f64::from(n % 977) * 12.5;
        BoardPlan {
            identity: identity(ProbeKind::Pressure, vec![tank, gas], t_us),
            signals: vec![
                Signal::Samples(
                    (0..3000)
                        .map(|n| (u64::from(n) * 10_000, wave(n)))
                        .collect(),
                ),
                Signal::Samples((0..120).map(|n| (n * 250_000, 20.0)).collect()),
            ],
            baud: 115_200,
            resets_on_open: false,
            lead_us: 500_000,
            host_gain: 4e-5,
            seed: 7,
        }
    }

    /// What a host makes of a board, and the times at which it read.
    fn host(
        plan: &BoardPlan,
        test: Test,
        sensor: Option<u32>,
    ) -> (Vec<Reading>, Quality, Vec<u64>) {
        let mut board = Board::new(plan);
        board.receive(b"i\n");
        let source = Source::Wire((!plan.resets_on_open).then(|| Box::new(plan.identity.clone())));
        let mut feed = Feed::new(test, vec![source], sensor.into_iter().collect());
        let mut framer = Framer::default();
        let (mut readings, mut reads) = (Vec::new(), Vec::new());
        while let Some(packet) = board.next_packet() {
            reads.push(packet.at_us);
            let mut bytes = packet.bytes.as_slice();
            while let Some(frame) = framer.next(&mut bytes) {
                let row = Row {
                    host_us: packet.at_us,
                    bytes: frame.bytes.to_vec(),
                    part: frame.part,
                };
                feed.push(&Input::Row(0, row), &mut |r| readings.push(r));
            }
        }
        let quality = feed.finish(&BTreeMap::new(), &[], &mut |r| readings.push(r));
        (readings, quality, reads)
    }

    /// The clock wraps in mid-capture and the counts come back as the readings that went in.
    #[test]
    fn readings_come_through_a_wrap_of_the_clock() {
        let plan = pressure_plan(u32::MAX - 12_000_000);
        let (readings, quality, reads) = host(&plan, Test::Leak, None);
        assert_eq!(readings.len(), 3000);
        for (n, reading) in (0_u32..).zip(&readings) {
            let Reading::Pressure(r) = reading else {
                panic!("a leak has pressures")
            };
            assert_eq!(r.t_us, u64::from(n) * 10_000);
            assert!((r.pressure_pa - f64::from(n % 977) * 12.5).abs() < 1e-9);
        }
        assert_eq!(quality.faults, BTreeMap::new());
        assert_eq!((quality.gaps, quality.ignored), (0, 0));
        assert!(reads.is_sorted());
        // 30 s of readings half a second after opening, and the last line's way to the host
        let last = *reads.last().unwrap();
        assert!((30_480_000..30_540_000).contains(&last), "{last}");
    }

    #[test]
    fn edges_of_both_sensors_come_in_order() {
        let hall = crate::probe::boards::hall_channel;
        let edges = |sensor, step: u64| {
            let edge = |n: u64| Edge {
                t_us: 1000 + n * step,
                sensor,
                after_gap: false,
            };
            Signal::Edges((0..400).map(edge).collect())
        };
        let plan = BoardPlan {
            identity: identity(ProbeKind::Hall, vec![hall(0), hall(1)], 0),
            signals: vec![edges(0, 5_000), edges(1, 70_001)],
            resets_on_open: true,
            ..pressure_plan(0)
        };
        let (readings, quality, _) = host(&plan, Test::Roll, Some(1));
        let times: Vec<u64> = readings.iter().map(Reading::t_us).collect();
        let expected: Vec<u64> = (0..400).map(|n| n * 70_001).collect();
        assert_eq!(times, expected);
        assert_eq!((quality.ignored, quality.faults.len()), (400, 0));
    }

    #[test]
    fn same_seed_same_bytes_other_seed_other_times() {
        let packets = |seed| {
            let mut board = Board::new(&BoardPlan {
                seed,
                ..pressure_plan(0)
            });
            std::iter::from_fn(move || board.next_packet()).collect::<Vec<_>>()
        };
        let (a, b, c) = (packets(1), packets(1), packets(2));
        assert_eq!(a, b);
        assert!(a != c && a.iter().map(|p| &p.bytes).eq(c.iter().map(|p| &p.bytes)));
    }

    #[test]
    fn commands_are_answered() {
        let mut board = Board::new(&pressure_plan(77));
        board.receive(b"i\np 9");
        board.receive(b"\r\nr 400\nwhat\n");
        let mut text = String::new();
        while text.lines().count() < 5 {
            text += str::from_utf8(&board.next_packet().unwrap().bytes).unwrap();
        }
        let kinds: Vec<&str> = text.lines().map(|l| l.get(..3).unwrap_or(l)).collect();
        assert_eq!(kinds[..4], ["I 0", "P 1", "N 2", "N 3"]);
        assert!(text.contains(" rate*") && text.contains(" command*"));
    }
}
