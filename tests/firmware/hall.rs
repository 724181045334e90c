//! Stamps of edges, and the clock's wrap, against the schedule.

use feelgauge::physics::noise::Noise;

use crate::lines::{clean, edges, samples};
use crate::samples::Curve;
use crate::sim::{Probe, schedule};

/// Edge times and the events of a pin (idle high) that falls at each of them.
pub fn falling(pin: &str, times_us: &[f64], low_us: f64) -> Vec<(f64, String)> {
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
pub fn uneven(seed: u64, mean_us: f64, from_us: f64, to_us: f64) -> Vec<f64> {
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
