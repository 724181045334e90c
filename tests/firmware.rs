//! The reference firmware, compiled and run on an emulated chip, against what its pins were made to do.
#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod sim;

use feelgauge::physics::noise::Noise;
use sim::{Probe, SERIAL, schedule};

/// A line as the firmware sent it. This decoder is the test's own, so that firmware and program cannot share a mistake.
#[derive(Debug, Clone, PartialEq)]
struct Line {
    kind: char,
    seq: u16,
    fields: Vec<String>,
}

impl Line {
    fn number(&self, i: usize) -> u64 {
        self.fields[i].parse().unwrap()
    }
    fn numbers(&self, from: usize) -> Vec<u64> {
        (from..self.fields.len()).map(|i| self.number(i)).collect()
    }
}

/// CRC-16/MCRF4XX bit by bit (the catalogue's parameters; check value asserted below).
fn crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, &byte| {
        (0..8).fold(crc ^ u16::from(byte), |c, _| {
            if c & 1 == 1 {
                (c >> 1) ^ 0x8408
            } else {
                c >> 1
            }
        })
    })
}

fn parse(bytes: &[u8]) -> Option<Line> {
    let text = std::str::from_utf8(bytes).ok()?;
    let (payload, sum) = text.rsplit_once('*')?;
    if sum != format!("{:04X}", crc(payload.as_bytes())) {
        return None;
    }
    let mut words = payload.split(' ').map(String::from);
    let (kind, seq) = (words.next()?, words.next()?);
    Some(Line {
        kind: kind.parse().ok()?,
        seq: seq.parse().ok()?,
        fields: words.collect(),
    })
}

/// Good lines and the number of bad ones; what follows the last LF counts for nothing.
fn decode(bytes: &[u8]) -> (Vec<Line>, usize) {
    assert_eq!(crc(b"123456789"), 0x6F91);
    let whole = &bytes[..bytes.iter().rposition(|&b| b == b'\n').map_or(0, |i| i + 1)];
    let all: Vec<_> = whole.split_terminator_lf().map(parse).collect();
    let bad = all.iter().filter(|line| line.is_none()).count();
    (all.into_iter().flatten().collect(), bad)
}

trait Lines {
    fn split_terminator_lf(&self) -> impl Iterator<Item = &[u8]>;
}
impl Lines for [u8] {
    fn split_terminator_lf(&self) -> impl Iterator<Item = &[u8]> {
        self.split_inclusive(|&b| b == b'\n')
            .map(|line| &line[..line.len() - 1])
    }
}

/// Lines of an undisturbed link: no bad one, no sequence number left out.
fn clean(bytes: &[u8]) -> Vec<Line> {
    let (lines, bad) = decode(bytes);
    assert_eq!(bad, 0);
    for pair in lines.windows(2) {
        assert_eq!(pair[1].seq, pair[0].seq.wrapping_add(1), "{pair:?}");
    }
    lines
}

fn of_kind(lines: &[Line], kind: char) -> Vec<&Line> {
    lines.iter().filter(|line| line.kind == kind).collect()
}

/// Microseconds of a 32-bit clock made continuous.
fn unwrapped(times: impl IntoIterator<Item = u64>) -> Vec<u64> {
    let (mut high, mut last) = (0, 0);
    times
        .into_iter()
        .map(|t| {
            if t + (1 << 31) < last {
                high += 1 << 32;
            }
            last = t;
            t + high
        })
        .collect()
}

/// (end of averaging us, dt us, count) of every sample.
fn samples(lines: &[Line]) -> Vec<(u64, u64, u64)> {
    let found = of_kind(lines, 'S');
    let starts = unwrapped(found.iter().map(|line| line.number(1)));
    let with_starts = found.iter().zip(starts);
    with_starts
        .flat_map(|(line, t0)| {
            let dt = line.number(2);
            (0u64..)
                .zip(line.numbers(3))
                .map(move |(i, count)| (t0 + i * dt, dt, count))
        })
        .collect()
}

/// Stamps of one hall channel.
fn edges(lines: &[Line], channel: u64) -> Vec<u64> {
    let found = of_kind(lines, 'E');
    let ours = found.iter().filter(|line| line.number(0) == channel);
    unwrapped(ours.flat_map(|line| line.numbers(1)))
}

// ---- Talk

const CHANNELS: [(&str, &str); 3] = [
    ("pressure", "0:Pa:3.05176:1638.4:0:16368:200:1"),
    ("force", "0:N:0.0610352:409.6:0:4092:1000:1"),
    (
        "hall",
        "0:edge:1:0:0:4294967295:0:0 1:edge:1:0:0:4294967295:0:0 2:edge:1:0:0:4294967295:0:0",
    ),
];

#[test]
fn first_line_after_boot_is_the_identity() {
    for (kind, channels) in CHANNELS {
        let Some(probe) = Probe::flat_out(kind, "", 0.2) else {
            return;
        };
        let lines = clean(&probe.converse(""));
        assert_eq!((lines[0].kind, lines[0].seq), ('I', 0));
        let (head, tail) = lines[0].fields.split_at(6);
        assert_eq!(head[..5], ["1", kind, SERIAL, "1.0", "0"].map(String::from));
        assert!(
            head[5].parse::<u32>().unwrap() < 20_000,
            "time of the identity: {}",
            head[5]
        );
        assert_eq!(tail.join(" "), channels);
    }
}

#[test]
fn commands_are_answered_in_order() {
    let commands = "i\np 65535\nr 100\nr 123\nhello\r\np 65536\nr 100x\n";
    let events = format!("500000 await {}\n", commands.len());
    let Some(probe) = Probe::flat_out("pressure", &events, 1.5) else {
        return;
    };
    let lines = clean(&probe.converse(commands));
    let answers: Vec<String> = lines[1..]
        .iter()
        .filter(|l| "INP".contains(l.kind))
        .map(|l| format!("{} {}", l.kind, l.fields.join(" ")))
        .collect();
    let identity = |rate: u32| format!("0:Pa:3.05176:1638.4:0:16368:{rate}:1");
    assert!(
        answers[0].starts_with("I ") && answers[0].ends_with(&identity(200)),
        "{answers:?}"
    );
    assert!(answers[1].starts_with("P 65535 50"), "{answers:?}");
    assert!(answers[2].ends_with(&identity(100)), "{answers:?}");
    assert_eq!(answers[3], "N rate");
    assert!(answers[4].ends_with(&identity(100)), "{answers:?}");
    // Three commands that mean nothing; those that came before the notice had room share one, the rest is counted.
    let notices = answers[5..].iter().filter(|a| *a == "N command").count();
    assert_eq!(notices, answers.len() - 5);
    let beat = *of_kind(&lines, 'H').last().unwrap();
    assert_eq!(notices + usize::try_from(beat.number(1)).unwrap(), 3);
    // and the samples really come at the new rate, without a hole at the change
    let found = samples(&lines);
    assert_eq!(
        (found.first().unwrap().1, found.last().unwrap().1),
        (5000, 10_000)
    );
    for pair in found.windows(2) {
        let step = pair[1].0 - pair[0].0;
        assert!(
            step == pair[1].1 || pair[1].1 != pair[0].1 && step.abs_diff(pair[1].1) < 400,
            "{pair:?}"
        );
    }
}

#[test]
fn hall_refuses_a_rate_and_names_the_command_it_does_not_know() {
    let events = "100000 await 8\n";
    let Some(probe) = Probe::flat_out("hall", events, 0.4) else {
        return;
    };
    let lines = clean(&probe.converse("r 100\nq\n"));
    let kinds: Vec<_> = lines[1..]
        .iter()
        .map(|l| (l.kind, l.fields[0].as_str()))
        .collect();
    assert_eq!(kinds, [('N', "rate"), ('I', "1"), ('N', "command")]);
}

#[test]
fn a_heartbeat_comes_every_second() {
    let Some(probe) = Probe::flat_out("hall", "", 5.5) else {
        return;
    };
    let lines = clean(&probe.converse(""));
    let beats = of_kind(&lines, 'H');
    let times: Vec<u64> = beats.iter().map(|line| line.number(0)).collect();
    assert_eq!(times.len(), 5);
    for (i, t) in (1u64..).zip(times) {
        // the main loop wakes every 32.8 ms when nothing happens
        assert!(
            (i * 1_000_000..i * 1_000_000 + 40_000).contains(&t),
            "{i}: {t}"
        );
    }
    assert!(beats.iter().all(|line| line.numbers(1) == [0, 0]));
}

// ---- Samples against the schedule

/// A curve in millivolts by time, as the emulated converter sees it: whole millivolts, changed every `step_us`.
struct Curve {
    step_us: f64,
    millivolts: Vec<u32>,
}

impl Curve {
    fn new(step_us: f64, seconds: f64, at: impl Fn(f64) -> f64) -> Self {
        let mut dither = Noise::new(7, 0);
        let n = (seconds * 1e6 / step_us).ceil();
        let mut millivolts = Vec::new();
        let mut i = 0.0;
        while i < n {
            // The emulated input is free of noise and whole millivolts: without dither the mean of many could not resolve less.
            let volt = at(i * step_us * 1e-6) + dither.uniform(0.0, 1.0);
            millivolts.push(
                format!("{:.0}", volt.clamp(0.0, 5000.0).floor())
                    .parse()
                    .unwrap(),
            );
            i += 1.0;
        }
        Self {
            step_us,
            millivolts,
        }
    }

    fn events(&self) -> Vec<(f64, String)> {
        let times = std::iter::successors(Some(0.0), |t| Some(t + self.step_us));
        times
            .zip(&self.millivolts)
            .map(|(t, mv)| (t, format!("adc 0 {mv}")))
            .collect()
    }

    /// Lowest and highest count of one conversion (1023 counts for 5 V, as the emulator converts) in a window of time.
    fn counts(&self, from_us: f64, to_us: f64) -> (u32, u32) {
        let n = self.millivolts.len();
        let index = |t: f64| {
            format!("{:.0}", (t / self.step_us).max(0.0).floor())
                .parse::<usize>()
                .unwrap()
                .min(n - 1)
        };
        let window = &self.millivolts[index(from_us)..=index(to_us)];
        let counts = window.iter().map(|mv| mv * 1023 / 5000);
        (counts.clone().min().unwrap(), counts.max().unwrap())
    }
}

/// The probe's clock starts 0.1 to 0.7 ms after the chip (boot counter); the emulator reads the pin when the conversion ends.
const BEHIND_US: (f64, f64) = (100.0, 850.0);

/// Every sample must be what `conversions` readings spread over its interval can give. Returns how many were checked and
/// the largest slack (counts) that the window of time left.
fn check_samples(found: &[(u64, u64, u64)], curve: &Curve, conversions: u32) -> (usize, u64) {
    let mut slack = 0;
    for &(t, dt, count) in found {
        let (mut lo, mut hi) = (0, 0);
        for k in 0..conversions {
            let at = t as f64 - dt as f64 * (1.0 - (f64::from(k) + 0.5) / f64::from(conversions));
            let (a, b) = curve.counts(at + BEHIND_US.0, at + BEHIND_US.1);
            lo += u64::from(a);
            hi += u64::from(b);
        }
        assert!(
            (lo..=hi).contains(&count),
            "at {t} us: {count} not in {lo}..={hi}"
        );
        slack = slack.max(hi - lo);
    }
    (found.len(), slack)
}

#[test]
fn pressure_counts_are_those_of_the_schedule() {
    // a tank that leaks much too fast: the slope shows an error of time, the level one of value
    let curve = Curve::new(1000.0, 6.5, |t| 500.0 + 3800.0 * libm::exp(-t / 2.0));
    let Some(probe) = Probe::flat_out("pressure", &schedule(curve.events()), 6.0) else {
        return;
    };
    let found = samples(&clean(&probe.converse("")));
    let (n, slack) = check_samples(&found, &curve, 16);
    assert!((1180..=1200).contains(&n), "{n} samples in 6 s at 200 Hz");
    assert!(
        slack < 50,
        "the window of time leaves {slack} of 16368 counts open"
    );
    assert!(found.windows(2).all(|w| w[1].0 - w[0].0 == 5000));
}

#[test]
fn force_keeps_up_with_strokes_at_a_kilohertz() {
    // 25 strokes a second, half of each a half-sine of 60 N (1200 mV)
    let stroke = |t: f64| {
        let phase = (t * 25.0).fract();
        500.0
            + if phase < 0.5 {
                1200.0 * libm::sin(2.0 * std::f64::consts::PI * phase)
            } else {
                0.0
            }
    };
    let curve = Curve::new(250.0, 3.2, stroke);
    let Some(probe) = Probe::flat_out("force", &schedule(curve.events()), 3.0) else {
        return;
    };
    let lines = clean(&probe.converse(""));
    let found = samples(&lines);
    let (n, _) = check_samples(&found, &curve, 4);
    assert!((2960..=3000).contains(&n), "{n} samples in 3 s at 1 kHz");
    assert!(found.windows(2).all(|w| w[1].0 - w[0].0 == 1000));
    assert_eq!(of_kind(&lines, 'H').last().unwrap().numbers(1), [0, 0]);
    // A mean over 1 ms lowers a half-sine of 20 ms by (pi 1/20)^2/24 = 0.1 %: the peaks are there, in counts of 1.2207 mV.
    let peak = found.iter().map(|s| s.2).max().unwrap();
    assert!((1385..=1394).contains(&peak), "peak {peak}");
}

// ---- Edges against the schedule

/// Edge times and the events of a pin (idle high) that falls at each of them.
fn falling(pin: &str, times_us: &[f64], low_us: f64) -> Vec<(f64, String)> {
    let idle = std::iter::once((0.0, format!("pin {pin} 1")));
    let pulses = times_us.iter().flat_map(|&t| {
        [
            (t, format!("pin {pin} 0")),
            (t + low_us, format!("pin {pin} 1")),
        ]
    });
    idle.chain(pulses).collect()
}

/// Stamp minus truth of every edge, us, after the clock's start is taken off (found from `zero`, an edge of channel 0).
fn deviations(stamps: &[u64], truth_us: &[f64], start_us: f64) -> Vec<f64> {
    assert_eq!(stamps.len(), truth_us.len());
    stamps
        .iter()
        .zip(truth_us)
        .map(|(&stamp, &t)| stamp as f64 - (t - start_us))
        .collect()
}

/// Start of the probe's clock in emulated time: the middle of what the edges of the capture channel allow.
fn clock_start(stamps: &[u64], truth_us: &[f64]) -> f64 {
    let starts = stamps.iter().zip(truth_us).map(|(&s, &t)| t - s as f64);
    let (lo, hi) = starts.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), x| {
        (lo.min(x), hi.max(x))
    });
    f64::midpoint(lo, hi)
}

fn range(values: &[f64]) -> (f64, f64) {
    values
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), &x| {
            (lo.min(x), hi.max(x))
        })
}

/// Magnets that pass unevenly, at random sixteenths of a microsecond (one cycle of the chip).
fn uneven(seed: u64, mean_us: f64, from_us: f64, to_us: f64) -> Vec<f64> {
    let mut noise = Noise::new(seed, 1);
    let mut t = from_us;
    let mut times = Vec::new();
    while t < to_us {
        times.push((t * 16.0).floor() / 16.0);
        t += mean_us * noise.uniform(0.8, 1.2);
    }
    times
}

/// Checks all three channels of a hall firmware; returns the stamps of channel 0.
fn check_edges(firmware: &str, seed: u64) -> Option<Vec<u64>> {
    let truth =
        [(0, "B0", 4000.0), (1, "D2", 6100.0), (2, "D3", 7300.0)].map(|(channel, pin, mean)| {
            (
                channel,
                pin,
                uneven(seed + channel, mean, 20_000.0, 2_800_000.0),
            )
        });
    let mut events = Vec::new();
    for (_, pin, times) in &truth {
        events.extend(falling(pin, times, 900.0));
    }
    let probe = Probe::flat_out(firmware, &schedule(events), 3.0)?;
    let lines = clean(&probe.converse(""));
    let main = edges(&lines, 0);
    let start = clock_start(&main, &truth[0].2);
    for (channel, pin, times) in &truth {
        let found = deviations(&edges(&lines, *channel), times, start);
        let (lo, hi) = range(&found);
        println!(
            "{firmware} channel {channel} ({pin}): {} edges, {lo:.2}..{hi:.2} us",
            times.len()
        );
        for (&t, d) in times.iter().zip(found) {
            // An interrupt waits for those of edges on the other channels just before it, about 4 us each.
            let before = truth
                .iter()
                .filter(|other| other.0 != *channel)
                .flat_map(|other| &other.2)
                .filter(|&&o| (0.0..12.0).contains(&(t - o)))
                .count();
            let allowed = if *channel == 0 {
                1.0
            } else {
                5.0 + 4.0 * before as f64
            };
            assert!(
                d.abs() <= allowed,
                "{firmware} {pin} at {t}: {d} us, {before} edges just before"
            );
        }
    }
    Some(main)
}

#[test]
fn hall_edges_are_stamped_to_the_microsecond() {
    check_edges("hall", 11);
}

#[test]
fn the_clock_wraps_at_32_bits_without_a_step() {
    if let Some(stamps) = check_edges("hall_wrap", 12) {
        assert!(
            stamps[0] < 1 << 32 && *stamps.last().unwrap() > 1 << 32,
            "the record does not lie across the wrap"
        );
    }
    let curve = Curve::new(1000.0, 2.5, |t| 4000.0 - 1000.0 * t);
    let Some(probe) = Probe::flat_out("pressure_wrap", &schedule(curve.events()), 2.0) else {
        return;
    };
    let found = samples(&clean(&probe.converse("")));
    assert!(found[0].0 < 1 << 32 && found.last().unwrap().0 > 1 << 32);
    assert!(found.windows(2).all(|w| w[1].0 - w[0].0 == 5000));
}

#[test]
fn edges_at_an_overflow_of_the_timer_are_not_a_turn_of_it_wrong() {
    // an edge a cycle later at each overflow, from 60 cycles before it to 60 after
    let Some(probe) = Probe::flat_out("hall", &schedule(falling("B0", &[100_000.0], 300.0)), 0.2)
    else {
        return;
    };
    let start = 100_000.0 - edges(&clean(&probe.converse("")), 0)[0] as f64;
    let times: Vec<f64> = (5..125)
        .map(|n| f64::from(n) * 32_768.0 + start + f64::from(n - 65) / 16.0)
        .collect();
    let probe = Probe::flat_out("hall", &schedule(falling("B0", &times, 300.0)), 4.3).unwrap();
    let stamps = edges(&clean(&probe.converse("")), 0);
    let (lo, hi) = range(&deviations(&stamps, &times, clock_start(&stamps, &times)));
    assert!(lo >= -1.0 && hi <= 1.0, "{lo}..{hi} us");
}

// ---- What goes wrong on a bench

#[test]
fn a_reset_counts_a_boot_and_starts_again_at_zero() {
    let Some(probe) = Probe::flat_out("pressure", "0 adc 0 2000\n700000 reset\n", 1.4) else {
        return;
    };
    let (lines, bad) = decode(&probe.converse(""));
    assert!(bad <= 1, "the line that was cut is all that may be bad");
    let boots: Vec<_> = lines
        .iter()
        .enumerate()
        .filter(|(_, l)| l.kind == 'I')
        .map(|(i, l)| (i, l.seq, l.fields[4].as_str(), l.number(5)))
        .collect();
    assert_eq!(boots.len(), 2, "{boots:?}");
    let (at, seq, boot, t_us) = boots[1];
    assert_eq!((seq, boot), (0, "1"));
    assert!(at > 10 && t_us < 20_000, "{boots:?}");
    assert_eq!((lines[at + 1].kind, lines[at + 1].seq), ('S', 1));
}

#[test]
fn the_boot_counter_outlives_the_power() {
    let Some(folder) = sim::tools() else { return };
    let cells = folder.join(format!("{}.eeprom", std::process::id()));
    for boot in 0..3 {
        let options = ["-w", "-x", "0", "-t", "0.1", "-e", cells.to_str().unwrap()];
        let probe = Probe::start("force", "", &options).unwrap();
        let lines = clean(&probe.converse(""));
        assert_eq!(lines[0].number(4), boot);
        probe.statistics(); // the file is written by now
    }
    std::fs::remove_file(cells).unwrap();
}

#[test]
fn pulling_the_plug_ends_the_stream() {
    let Some(probe) = Probe::flat_out("force", "0 adc 0 1000\n500000 unplug\n", 60.0) else {
        return;
    };
    let bytes = probe.converse("");
    let (lines, bad) = decode(&bytes);
    assert_eq!(bad, 0);
    assert!(lines.len() > 5 && *samples(&lines).last().map(|(t, _, _)| t).unwrap() < 510_000);
    let end = probe.statistics().emulated_s;
    assert!((0.5..0.51).contains(&end), "{end}");
}

#[test]
fn killing_the_probe_hangs_up_the_port() {
    let Some(probe) = Probe::start("pressure", "0 adc 0 1000\n", &["-w", "-x", "0"]) else {
        return;
    };
    let mut port = probe.open();
    let mut part = [0; 512];
    assert!(std::io::Read::read(&mut port, &mut part).unwrap() > 0);
    drop(probe);
    let rest = sim::read_to_hang_up(&mut port);
    assert!(rest.len() < 1 << 17, "the stream goes on without a probe");
}

#[test]
fn three_flipped_bytes_spoil_one_line() {
    for at_us in [400_000, 411_111, 422_222, 433_333, 444_444] {
        let Some(probe) = Probe::flat_out("force", &format!("0 adc 0 1000\n{at_us} flip 3\n"), 0.8)
        else {
            return;
        };
        let (lines, bad) = decode(&probe.converse(""));
        assert_eq!(bad, 1, "flipped at {at_us} us");
        let gaps: Vec<u16> = lines
            .windows(2)
            .map(|w| w[1].seq - w[0].seq)
            .filter(|&step| step != 1)
            .collect();
        // a flipped LF joins two lines into the one bad one
        assert!(gaps == [2] || gaps == [3], "{gaps:?}");
    }
}

#[test]
fn edges_beyond_the_bandwidth_are_counted_as_lost() {
    for (hz, may_lose) in [(800.0, false), (3000.0, true)] {
        let n = (hz * 1.5f64).floor();
        let times: Vec<f64> = std::iter::successors(Some(0.0), |i| Some(i + 1.0))
            .take_while(|&i| i < n)
            .map(|i| 50_000.0 + i * 1e6 / hz)
            .collect();
        let Some(probe) = Probe::flat_out("hall", &schedule(falling("B0", &times, 100.0)), 3.2)
        else {
            return;
        };
        let lines = clean(&probe.converse(""));
        let got = edges(&lines, 0);
        let lost = of_kind(&lines, 'H').last().unwrap().number(2);
        println!(
            "{hz} edges/s: {} sent, {} received, {lost} reported lost",
            times.len(),
            got.len()
        );
        assert_eq!(got.len() as u64 + lost, times.len() as u64);
        assert_eq!(lost > 0, may_lose);
        assert!(got.is_sorted());
    }
}

#[test]
fn two_probes_at_once_do_not_mix() {
    let pressure = Curve::new(1000.0, 2.2, |t| 1000.0 + 500.0 * t);
    let force = Curve::new(1000.0, 2.2, |t| 3000.0 - 500.0 * t);
    let Some(first) = Probe::flat_out("pressure", &schedule(pressure.events()), 2.0) else {
        return;
    };
    let second = Probe::flat_out("force", &schedule(force.events()), 2.0).unwrap();
    let other = std::thread::spawn(move || second.converse(""));
    let lines = clean(&first.converse(""));
    assert!(check_samples(&samples(&lines), &pressure, 16).0 > 380);
    assert!(check_samples(&samples(&clean(&other.join().unwrap())), &force, 4).0 > 1950);
}

#[test]
fn the_same_schedule_gives_the_same_bytes_at_any_pace() {
    let commands = "i\np 7\n";
    let mut events = falling("B0", &uneven(5, 5000.0, 10_000.0, 250_000.0), 900.0);
    events.push((100_000.0, "await 2".into()));
    events.push((200_000.0, "await 4".into()));
    let text = schedule(events);
    let mut runs = Vec::new();
    for pace in ["0", "1", "3"] {
        let Some(probe) = Probe::start("hall", &text, &["-w", "-x", pace, "-t", "0.4"]) else {
            return;
        };
        runs.push(probe.converse(commands));
    }
    assert!(runs[0].len() > 500 && runs.iter().all(|run| *run == runs[0]));
}
