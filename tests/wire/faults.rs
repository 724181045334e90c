//! Faults are counted by kind.

use feelgauge::wire::{
    Channel, Decoder, Encoder, Event, Identity, Message, Part, ProbeKind, Samples, Standing,
    Tracker, Unit,
};

/// Lines of a probe whose clock and number the test sets, and the tracker that follows them.
struct Bench {
    encoder: Encoder,
    tracker: Tracker,
    host_us: u64,
}

impl Bench {
    fn new() -> Self {
        Self {
            encoder: Encoder::default(),
            tracker: Tracker::new(),
            host_us: 0,
        }
    }

    fn take(&mut self, bytes: &[u8]) -> Standing {
        self.host_us += 50_000;
        self.tracker
            .take(self.host_us, &Event::read(bytes, Part::Whole))
    }

    fn say(&mut self, message: &Message<'_>) -> Standing {
        let mut line = self.encoder.line(message).unwrap();
        line.pop();
        self.take(&line)
    }

    fn samples(&mut self, t0_us: u32) -> Standing {
        self.say(&Message::Samples(
            Samples::new(0, t0_us, 5000, &[1; 10]).unwrap(),
        ))
    }

    fn hello(&mut self, boot: u16, t_us: u32) -> Standing {
        let channel = Channel {
            index: 0,
            unit: Unit::Pascal,
            scale: 1.0,
            zero: 0.0,
            min: 0,
            max: 1023,
            rate_hz: 200.0,
            order: 1,
        };
        self.say(&Message::Identity(Box::new(Identity {
            version: 1,
            kind: ProbeKind::Pressure,
            serial: "P1".into(),
            firmware: "1".into(),
            boot,
            t_us,
            channels: vec![channel],
        })))
    }

    fn counts(&self) -> Vec<(&'static str, u64)> {
        self.tracker
            .health()
            .faults()
            .map(|(k, n)| (k.key(), n))
            .collect()
    }
}

const FRESH: Standing = Standing::Fresh {
    gap: false,
    restarted: false,
};
const AFTER_GAP: Standing = Standing::Fresh {
    gap: true,
    restarted: false,
};
const RESTARTED: Standing = Standing::Fresh {
    gap: true,
    restarted: true,
};

#[test]
fn lost_and_broken_lines_are_counted_once() {
    let mut bench = Bench::new();
    bench.encoder.seq = 65_534;
    assert_eq!(bench.samples(0), FRESH);
    assert_eq!(bench.take(b"S 65535 0 50000 5000 1*0000"), Standing::Broken);
    bench.encoder.seq = 2; // 65535 came broken, 0 and 1 never came
    assert_eq!(bench.samples(200_000), AFTER_GAP);
    assert_eq!(bench.counts(), [("bad_crc", 1), ("lost", 2)]);
    assert_eq!(bench.samples(250_000), FRESH);
}

#[test]
fn repeated_and_late_lines_are_not_used() {
    let mut bench = Bench::new();
    bench.samples(0);
    bench.samples(50_000);
    bench.encoder.seq = 1;
    assert_eq!(bench.samples(50_000), Standing::Stale);
    bench.encoder.seq = 0;
    assert_eq!(bench.samples(0), Standing::Stale);
    bench.encoder.seq = 2;
    assert_eq!(bench.samples(100_000), FRESH);
    assert_eq!(bench.counts(), [("repeated", 1), ("out_of_order", 1)]);
}

/// Lines that come again are no board that started anew: it could not have counted so far yet.
#[test]
fn a_block_of_lines_that_comes_again_is_no_reset() {
    for copied_rows in [false, true] {
        let mut bench = Bench::new();
        bench.hello(7, 2_000);
        let t0_us = |k: u16| 3_000 + u32::from(k) * 50_000;
        for k in 0..300 {
            bench.samples(t0_us(k));
        }
        let (went_on_us, before) = (bench.host_us, bench.tracker.clock().unwrap(t0_us(299)));
        for (behind, lines) in [(10, 10), (40, 30)] {
            if copied_rows {
                bench.host_us -= u64::from(behind) * 50_000;
            }
            for k in 300 - behind..300 - behind + lines {
                bench.encoder.seq = k + 1;
                assert_eq!(bench.samples(t0_us(k)), Standing::Stale);
            }
            bench.host_us = bench.host_us.max(went_on_us);
        }
        bench.encoder.seq = 301;
        assert_eq!(bench.samples(t0_us(300)), FRESH);
        assert_eq!(bench.counts(), [("repeated", 40)]);
        assert_eq!(bench.tracker.clock().unwrap(t0_us(300)) - before, 50_000);
    }
}

#[test]
fn a_reset_is_seen_with_and_without_its_hello_and_times_go_on() {
    for with_hello in [true, false] {
        let mut bench = Bench::new();
        bench.hello(7, 2_000);
        for k in 0..100 {
            bench.samples(k * 50_000);
        }
        let before = bench.tracker.clock().unwrap(99 * 50_000 + 45_000);
        bench.host_us += 1_500_000; // boot loader
        bench.encoder.seq = 0;
        if with_hello {
            assert_eq!(
                bench.hello(8, 2_000),
                Standing::Fresh {
                    gap: false,
                    restarted: true
                }
            );
            assert_eq!(bench.samples(3_000), AFTER_GAP);
        } else {
            bench.encoder.seq = 1;
            assert_eq!(bench.samples(3_000), RESTARTED);
        }
        let lost: &[_] = if with_hello {
            &[("reset", 1)]
        } else {
            &[("lost", 1), ("reset", 1)]
        };
        assert_eq!(bench.counts(), lost);
        let after = bench.tracker.clock().unwrap(3_000);
        let apart = after - before;
        assert!(
            (1_400_000..1_700_000).contains(&apart),
            "{apart} us for a pause of 1.5 s"
        );
    }
}

/// A board without a memory for its boot counter, reset twice within its first second.
#[test]
fn a_quick_reset_is_seen_by_its_number() {
    let mut bench = Bench::new();
    bench.hello(0, 2_000);
    bench.samples(3_000);
    bench.samples(53_000);
    bench.encoder.seq = 0;
    assert_eq!(
        bench.hello(0, 2_000),
        Standing::Fresh {
            gap: false,
            restarted: true
        }
    );
    assert_eq!(bench.counts(), [("reset", 1)]);
    let before = bench.tracker.clock().unwrap(2_000);
    assert_eq!(bench.samples(3_000), AFTER_GAP);
    assert!(bench.tracker.clock().unwrap(3_000) > before);
}

/// The same when the host reads all of it at once, late: what comes so soon is no block that comes again.
#[test]
fn a_reset_read_in_one_go_is_no_block_that_comes_again() {
    let mut bench = Bench::new();
    bench.hello(7, 2_000);
    for k in 0..100 {
        bench.samples(3_000 + k * 50_000);
    }
    let at_once = bench.host_us;
    bench.encoder.seq = 1;
    let mut standings = Vec::new();
    for k in 0..12 {
        bench.host_us = at_once - 50_000;
        standings.push(bench.samples(3_000 + k * 50_000));
    }
    assert_eq!(standings[0], RESTARTED);
    assert!(standings[1..].iter().all(|s| *s == FRESH), "{standings:?}");
}

/// Its hello was lost in a broken line, and its clock went back by less than a line may be late.
#[test]
fn a_quick_reset_without_its_hello_costs_one_line() {
    let mut bench = Bench::new();
    bench.hello(7, 2_000);
    for k in 0..18 {
        bench.samples(3_000 + k * 50_000);
    }
    assert_eq!(bench.take(b"S 19 0 10I 0 1 pressure"), Standing::Broken);
    let before = bench.tracker.clock().unwrap(903_000);
    bench.encoder.seq = 1;
    assert_eq!(bench.samples(3_000), Standing::Stale);
    assert_eq!(bench.samples(53_000), RESTARTED);
    assert!(bench.tracker.clock().unwrap(53_000) > before);
    assert_eq!(bench.samples(103_000), FRESH);
    let counts = [("bad_crc", 1), ("out_of_order", 1), ("reset", 1)];
    assert_eq!(bench.counts(), counts);
}

#[test]
fn a_clock_step_is_told_from_a_reset() {
    let mut bench = Bench::new();
    bench.samples(10_000_000);
    assert_eq!(bench.samples(10_050_000), FRESH);
    let before = bench.tracker.clock().unwrap(10_095_000);
    assert_eq!(bench.samples(4_000_000), RESTARTED);
    assert!(
        bench.tracker.clock().unwrap(4_000_000) > before,
        "no reading goes back"
    );
    assert_eq!(bench.samples(4_050_000), FRESH);
    assert_eq!(bench.samples(900_000_000), RESTARTED);
    assert_eq!(bench.counts(), [("clock_step", 2)]);
}

#[test]
fn the_probes_own_losses_are_counted_from_its_first_heartbeat() {
    let mut bench = Bench::new();
    let beat = |t_us, lost_lines, lost_readings| Message::Heartbeat {
        t_us,
        lost_lines,
        lost_readings,
    };
    bench.say(&beat(0, 5, 7));
    assert_eq!(bench.counts(), [], "before our time");
    bench.say(&beat(50_000, 6, 17));
    assert_eq!(bench.counts(), [("overrun", 11)]);
    assert_eq!(bench.samples(51_000), AFTER_GAP);
    assert_eq!(bench.samples(101_000), FRESH);
}

#[test]
fn over_long_torn_and_dropped_lines_are_counted() {
    let mut tracker = Tracker::new();
    let mut decoder = Decoder::new();
    let stream = [vec![b'x'; 600], b"\nhalf".to_vec()].concat();
    let mut input = &stream[..];
    while let Some(event) = decoder.next(&mut input) {
        tracker.take(0, &event);
    }
    tracker.take(0, &decoder.finish().unwrap());
    tracker.host_overrun(3);
    let counts: Vec<_> = tracker
        .health()
        .faults()
        .map(|(k, n)| (k.key(), n))
        .collect();
    assert_eq!(counts, [("over_long", 1), ("host_overrun", 3), ("torn", 1)]);
    assert_eq!(tracker.health().lines, 2);
}
