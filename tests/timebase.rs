//! Probe clocks against simulated truth: wraps, resets, drift, and the latency of a USB serial port.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

use feelgauge::{
    physics::noise::Noise,
    timebase::{Course, HostMap, ProbeClock},
};
use proptest::{prelude::*, test_runner::RngSeed};

/// How a line gets from the probe to the reader.
#[derive(Clone, Copy, Debug)]
enum Latency {
    /// Anything up to 16 ms, each line for itself.
    Uniform,
    /// A USB serial chip that hands over every 16 ms what it has (its usual latency timer), of a probe
    /// whose lines queue up to 2 ms behind each other.
    Tick,
    /// As `Uniform`, and one line in fifty waits up to 200 ms more for a busy host.
    Stalls,
}

#[derive(Debug)]
struct Probe {
    noise: Noise,
    /// Probe microseconds a host microsecond, less 1.
    drift: f64,
    /// Raw clock at host time 0.
    start_us: u64,
    period_us: f64,
    phase_us: f64,
    latency: Latency,
}

impl Probe {
    fn raw_us(&self, host_us: f64) -> u64 {
        self.start_us + exact(host_us * (1.0 + self.drift))
    }

    /// Lines of the first `span_us`: (raw clock in the line, host time of arrival), in order of arrival.
    fn lines(&mut self, span_us: f64) -> Vec<(u32, u64)> {
        let mut out: Vec<(u32, u64)> = Vec::new();
        let mut t = 0.0;
        while t < span_us {
            let sent = t + match self.latency {
                Latency::Tick => self.noise.uniform(0.0, 2_000.0),
                _ => 0.0,
            };
            let arrives = match self.latency {
                Latency::Tick => {
                    ((sent - self.phase_us) / 16_000.0).ceil() * 16_000.0 + self.phase_us
                }
                Latency::Stalls if self.noise.below(50) == 0 => {
                    sent + self.noise.uniform(0.0, 200_000.0)
                }
                Latency::Uniform | Latency::Stalls => sent + self.noise.uniform(0.0, 16_000.0),
            };
            // a later line does not overtake an earlier one
            let arrives = out.last().map_or(0, |l| l.1).max(exact(arrives.max(0.0)));
            let raw = u32::try_from(self.raw_us(t) % (1 << 32)).unwrap();
            out.push((raw, arrives));
            t += self.period_us;
        }
        out
    }

    /// Map and clock after the lines of `span_us`.
    fn followed(&mut self, span_us: f64) -> (HostMap, ProbeClock) {
        let (mut clock, mut map) = (ProbeClock::default(), HostMap::default());
        for (raw, host_us) in self.lines(span_us) {
            assert_eq!(clock.course(host_us, raw), Course::Runs);
            clock.advance(host_us, raw);
            map.push(clock.unwrap(raw), host_us);
        }
        (map, clock)
    }
}

fn exact(us: f64) -> u64 {
    format!("{us:.0}").parse().unwrap()
}

/// Fixed seed: the delays are random, and of many records one misses any bound.
fn config(cases: u32) -> ProptestConfig {
    ProptestConfig {
        cases,
        rng_seed: RngSeed::Fixed(20_310_517),
        failure_persistence: None,
        ..ProptestConfig::default()
    }
}

fn any_probe() -> impl Strategy<Value = Probe> {
    let latency = prop_oneof![Just(Latency::Uniform), Just(Latency::Stalls)];
    (
        any::<u64>(),
        -100.0..100.0f64,
        0u64..1 << 32,
        20.0..100.0f64,
        0.0..16_000.0f64,
        latency,
    )
        .prop_map(
            |(seed, drift_ppm, start_us, lines_per_s, phase_us, latency)| Probe {
                noise: Noise::new(seed, 9),
                drift: drift_ppm * 1e-6,
                start_us,
                period_us: 1e6 / lines_per_s,
                phase_us,
                latency,
            },
        )
}

proptest! {
    #![proptest_config(config(200))]

    /// One event, seen by two probes: their times on the host's clock agree within 1 ms, whatever their
    /// offsets, drifts of up to 100 ppm, wraps and 16 ms of latency.
    #[test]
    fn two_probes_agree_within_a_millisecond(
        mut a in any_probe(), mut b in any_probe(), span_s in 30.0..150.0f64, share in 0.0..1.0f64,
    ) {
        let event_us = span_s * 1e6 * share;
        let mut on_host = Vec::new();
        for probe in [&mut a, &mut b] {
            let (map, clock) = probe.followed(span_s * 1e6);
            let fit = map.fit().unwrap();
            let raw = u32::try_from(probe.raw_us(event_us) % (1 << 32)).unwrap();
            let host_us = fit.host_us(clock.unwrap(raw));
            prop_assert!((fit.probe_us(exact(host_us)) - clock.unwrap(raw) as f64).abs() < 1.0);
            on_host.push(host_us);
        }
        prop_assert!((on_host[0] - on_host[1]).abs() < 1_000.0, "{} us apart", on_host[0] - on_host[1]);
    }

    /// The map errs late only, and by no more than a few times what it states; the drift is found.
    #[test]
    fn the_stated_uncertainty_is_that_of_the_map(mut probe in any_probe(), share in 0.0..1.0f64) {
        probe.latency = Latency::Uniform;
        let (map, clock) = probe.followed(60e6);
        let fit = map.fit().unwrap();
        let event_us = 60e6 * share;
        let probe_us = clock.unwrap(u32::try_from(probe.raw_us(event_us) % (1 << 32)).unwrap());
        let late_us = fit.host_us(probe_us) - event_us;
        // the smallest of n/2 is exponential: eight times its mean once in 3000
        prop_assert!(late_us.abs() < 8.0 * fit.u_us(probe_us), "{late_us} us, u {}", fit.u_us(probe_us));
        prop_assert!((fit.rate_ppm() + probe.drift * 1e6).abs() < 30.0);
        prop_assert!((fit.mean_late_us - 8_000.0).abs() < 1_500.0);
    }
}

/// A port that hands over every 16 ms: as good, unless the probe's lines keep step with it. A probe whose lines
/// come every 50 ms by a clock that runs with the port's meets it at every 2 ms only, so that its smallest
/// latency is anything up to 2 ms; which one it is no line can tell.
#[test]
fn two_probes_on_ticking_ports_agree() {
    let (within, worst_us) = on_ticking_ports(|noise| 1e6 / noise.uniform(20.0, 100.0));
    println!("any period: within 1 ms {within} of 400, worst {worst_us:.0} us");
    assert!(within >= 390, "{within} of 400");
    let (within, worst_us) = on_ticking_ports(|_| 50_000.0);
    println!("in step: within 1 ms {within} of 400, worst {worst_us:.0} us");
    assert!(worst_us < 2_500.0, "{worst_us} us");
}

/// Of 400 pairs of probes with such periods: how many agree within 1 ms, and the worst, microseconds.
fn on_ticking_ports(period_us: impl Fn(&mut Noise) -> f64) -> (u32, f64) {
    let mut noise = Noise::new(8, 8);
    let (mut within, mut worst_us) = (0, 0.0f64);
    for _ in 0..400 {
        let event_us = noise.uniform(0.0, 60e6);
        let mut on_host = [0.0; 2];
        for at in &mut on_host {
            let mut probe = Probe {
                noise: Noise::new(noise.below(1 << 40), 2),
                drift: noise.uniform(-1e-4, 1e-4),
                start_us: noise.below(1 << 32),
                period_us: period_us(&mut noise),
                phase_us: noise.uniform(0.0, 16_000.0),
                latency: Latency::Tick,
            };
            let (map, clock) = probe.followed(60e6);
            let raw = u32::try_from(probe.raw_us(event_us) % (1 << 32)).unwrap();
            *at = map.fit().unwrap().host_us(clock.unwrap(raw));
        }
        let apart_us = (on_host[0] - on_host[1]).abs();
        within += u32::from(apart_us < 1_000.0);
        worst_us = worst_us.max(apart_us);
    }
    (within, worst_us)
}

/// Root mean square of the map's error over its stated uncertainty, over 300 records: near 1.
#[test]
fn the_stated_uncertainty_holds_on_average() {
    let mut sum = 0.0;
    let runs = 300;
    for seed in 0..runs {
        let mut noise = Noise::new(seed, 1);
        let mut probe = Probe {
            noise: Noise::new(seed, 2),
            drift: noise.uniform(-1e-4, 1e-4),
            start_us: noise.below(1 << 32),
            period_us: 1e6 / noise.uniform(20.0, 100.0),
            phase_us: 0.0,
            latency: Latency::Uniform,
        };
        let (map, clock) = probe.followed(60e6);
        let event_us = noise.uniform(0.0, 60e6);
        let probe_us = clock.unwrap(u32::try_from(probe.raw_us(event_us) % (1 << 32)).unwrap());
        let fit = map.fit().unwrap();
        let z = (fit.host_us(probe_us) - event_us) / fit.u_us(probe_us);
        sum += z * z;
    }
    let rms = (sum / runs as f64).sqrt();
    println!("error over stated uncertainty: rms {rms:.2}");
    assert!((0.4..1.5).contains(&rms), "{rms}");
}

/// Three hours at 100 ppm with the clock wrapping twice, in little memory, the newest time still right.
#[test]
fn a_long_capture_keeps_its_map() {
    let mut probe = Probe {
        noise: Noise::new(3, 3),
        drift: 1e-4,
        start_us: (1 << 32) - 5_000_000,
        period_us: 50_000.0,
        phase_us: 0.0,
        latency: Latency::Stalls,
    };
    let span_us = 3.0 * 3600e6;
    let (map, clock) = probe.followed(span_us);
    let fit = map.fit().unwrap();
    let raw = u32::try_from(probe.raw_us(span_us) % (1 << 32)).unwrap();
    assert!((fit.host_us(clock.unwrap(raw)) - span_us).abs() < 500.0);
    assert!(
        fit.arrivals <= 20 * 620,
        "it looks back ten minutes: {}",
        fit.arrivals
    );
}

#[test]
fn one_arrival_is_a_map_and_a_restart_forgets() {
    let mut map = HostMap::default();
    assert!(map.fit().is_none());
    map.push(5_000_000, 77);
    assert!((map.fit().unwrap().host_us(5_000_100) - 177.0).abs() < 1e-6);
    map.restart();
    assert!(map.fit().is_none());
}

proptest! {
    #![proptest_config(config(200))]

    /// The unwrapped clock never goes back over a wrap, and a reset is seen wherever it falls.
    #[test]
    fn unwrapped_time_runs_with_the_truth(mut probe in any_probe(), boot_s in 2u64..4000) {
        probe.start_us = boot_s * 1_000_000; // the probe has run so long
        let lines = probe.lines(20e6);
        let mut clock = ProbeClock::default();
        clock.advance(lines[0].1, lines[0].0);
        let first = clock.unwrap(lines[0].0);
        let (raw, host_us) = *lines.last().unwrap();
        for &(raw, host_us) in &lines {
            prop_assert_eq!(clock.course(host_us, raw), Course::Runs);
            clock.advance(host_us, raw);
        }
        let span = clock.unwrap(raw) - first;
        let truth = (probe.raw_us(probe.period_us * (lines.len() - 1) as f64)) - probe.start_us;
        prop_assert_eq!(span, truth);
        // a reset: 1.6 s later the clock shows 3 ms
        prop_assert_ne!(clock.course(host_us + 1_600_000, 3_000), Course::Runs);
        clock.restart(host_us + 1_600_000, 2_000, 3_000);
        prop_assert!(clock.unwrap(2_000) > first + span);
        prop_assert_eq!(clock.unwrap(3_000) - first - span, 1_600_000);
        prop_assert_eq!(clock.course(host_us + 1_650_000, 53_000), Course::Runs);
    }
}
