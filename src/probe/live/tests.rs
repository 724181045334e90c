//! Orders at given times, without real time: what the ports send, and what the measures make of it.

use std::{collections::BTreeMap, task::Waker};

use super::{
    Fault, Told,
    world::{Reads, World},
};
use crate::{
    inspect::{Finding, Input, Row, Session, Source, Stated, Test, settings},
    measure::guard::Guard,
    physics::PLOVER_8,
    reading::Verdict,
    vehicle::Vehicle,
    wire::{Framer, Message, parse},
};

#[derive(Clone, Debug)]
enum Do {
    Tell(Told),
    Switch(Fault),
}

/// A host that looks at all ports every `step_us`, and asks a silent one who it is.
struct Host {
    world: World,
    step_us: u64,
    now_us: u64,
    ports: [Option<(usize, u64)>; 3],
    came: [Vec<(u64, Vec<u8>)>; 3],
    ends: [u32; 3],
}

impl Host {
    fn new(seed: u64, step_us: u64) -> Self {
        let world = World::new(Vehicle::parse(PLOVER_8).unwrap(), PLOVER_8, seed);
        let mut host = Self {
            world,
            step_us,
            now_us: 1_000_000,
            ports: [None; 3],
            came: [const { Vec::new() }; 3],
            ends: [0; 3],
        };
        host.open_all();
        host
    }

    fn open_all(&mut self) {
        for n in 0..3 {
            if self.ports[n].is_none() {
                let path = format!("virtual-{}", n + 1);
                self.ports[n] = self.world.open(&path, self.now_us).ok();
                if let Some(port) = self.ports[n]
                    && n == 0
                {
                    assert!(self.world.write(port, self.now_us, b"i\n"));
                }
            }
        }
    }

    fn until(&mut self, to_us: u64) {
        while self.now_us < to_us {
            self.now_us = (self.now_us + self.step_us).min(to_us);
            for n in 0..3 {
                self.read(n);
            }
        }
    }

    fn read(&mut self, n: usize) {
        while let Some(port) = self.ports[n] {
            match self.world.read(port, self.now_us, 4096, Waker::noop()) {
                Reads::Bytes(bytes) => self.came[n].push((self.now_us, bytes)),
                Reads::Wait(until_us) => {
                    assert!(until_us > self.now_us, "a wait is one");
                    return;
                }
                Reads::End => {
                    self.ends[n] += 1;
                    self.ports[n] = None;
                }
            }
        }
    }

    fn run(mut self, script: &[(f64, Do)], end_s: f64) -> Self {
        let us = |s: f64| super::world::us(s);
        for (at_s, what) in script {
            self.until(us(*at_s));
            match what {
                Do::Tell(told) => self.world.tell(told, self.now_us),
                Do::Switch(fault) => self.world.switch(fault, self.now_us).unwrap(),
            }
            // a bench finds a probe that is plugged in again
            if matches!(what, Do::Switch(Fault::Unplugged(_, false))) {
                self.open_all();
            }
        }
        self.until(us(end_s));
        self
    }

    fn bytes(&self, n: usize) -> Vec<u8> {
        self.came[n].iter().flat_map(|(_, b)| b.clone()).collect()
    }

    /// What the session of a test makes of the rows of its port from `from_s` to `to_s`.
    fn finding(&self, test: Test, setup: &str, (from_s, to_s): (f64, f64)) -> Finding {
        let n = Test::ALL.iter().position(|t| *t == test).unwrap();
        let rows = self.rows(n);
        let identity = rows.iter().find_map(|row| match parse(&row.bytes) {
            Ok(line) => match line.message {
                Message::Identity(identity) => Some(identity),
                _ => None,
            },
            Err(_) => None,
        });
        let sources = vec![Source::Wire(identity)];
        let stated = Stated {
            setup: Some(setup.into()),
            ..Stated::default()
        };
        let car = Vehicle::parse(PLOVER_8).unwrap();
        let settings = settings(test, &stated, Some(&car), &sources).unwrap();
        let mut session = Session::new(settings, sources);
        let span = super::world::us(from_s)..super::world::us(to_s);
        for row in rows.into_iter().filter(|r| span.contains(&r.host_us)) {
            session.push(&Input::Row(0, row), &mut |_| {});
        }
        session.finish(&BTreeMap::new(), &[])
    }

    fn rows(&self, n: usize) -> Vec<Row> {
        let mut framer = Framer::default();
        let mut rows = Vec::new();
        for (host_us, bytes) in &self.came[n] {
            let mut bytes = bytes.as_slice();
            while let Some(frame) = framer.next(&mut bytes) {
                rows.push(Row {
                    host_us: *host_us,
                    bytes: frame.bytes.to_vec(),
                    part: frame.part,
                });
            }
        }
        rows
    }
}

fn begun(test: Test, setup: &str) -> Do {
    Do::Tell(Told::Begun {
        test,
        setup: Some(setup.into()),
        mark_pa: Some(10_000.0),
    })
}

fn over() -> Do {
    Do::Tell(Told::Ended)
}

/// A minute with every kind of order.
fn script() -> Vec<(f64, Do)> {
    vec![
        (4.0, begun(Test::Pull, "plug_in_cold")),
        (16.0, Do::Switch(Fault::SeizedEngine(true))),
        (22.0, Do::Tell(Told::LetGo)),
        (23.0, over()),
        (23.0, Do::Switch(Fault::SeepingLid(true))),
        (24.0, begun(Test::Leak, "whole")),
        (40.0, Do::Switch(Fault::Unplugged("force".into(), true))),
        (42.0, Do::Switch(Fault::Unplugged("force".into(), false))),
        (50.0, over()),
        (51.0, begun(Test::Roll, "one_fl")),
    ]
}

#[test]
fn same_seed_and_orders_same_bytes_however_often_the_host_looks() {
    let run = |seed, step_us| Host::new(seed, step_us).run(&script(), 60.0);
    let (a, b, other) = (run(5, 1000), run(5, 1000), run(6, 1000));
    assert_eq!(a.came, b.came);
    for n in 0..3 {
        assert!(a.bytes(n).len() > 2000, "{n}");
        assert_ne!(a.bytes(n), other.bytes(n), "{n}");
    }
    // A host that looks less often reads the same bytes later, but for those that are still on their way when it stops
    // or when a plug is pulled.
    let seldom = run(5, 7000);
    for n in [0, 2] {
        let (often, seldom) = (a.bytes(n), seldom.bytes(n));
        let both = often.len().min(seldom.len());
        assert!(often.len().abs_diff(seldom.len()) < 500);
        assert_eq!(often[..both], seldom[..both], "{n}");
    }
    assert_eq!(a.ends, [0, 1, 0]);
}

#[test]
fn a_leak_is_what_was_put_in() {
    for (seeps, verdict) in [(false, Verdict::Within), (true, Verdict::Outside)] {
        let script = [
            (2.0, Do::Switch(Fault::SeepingLid(seeps))),
            (3.0, begun(Test::Leak, "whole")),
            (75.0, over()),
        ];
        let host = Host::new(3, 1000).run(&script, 80.0);
        let finding = host.finding(Test::Leak, "whole", (3.0, 75.0));
        let leak = finding.as_leak().unwrap();
        assert_eq!(leak.verdict, Some(verdict), "{:?}", leak.refused);
        assert_eq!(leak.quality.common.faults.values().sum::<u64>(), 0);
        let found = leak.leak_rate_pa_m3_s.unwrap();
        // What the tank loses at the finding's reference pressure, by the laws that were put in.
        let truth = truth_at(seeps, leak.p_ref_pa.unwrap());
        assert!(
            found.lo95 <= truth && truth <= found.hi95,
            "{found:?} {truth}"
        );
    }
}

/// Laminar flow goes with the difference of the pressures' squares, that of a short hole (to the room, below the sonic
/// limit, isothermal) with the root of that difference times the room's pressure.
fn truth_at(seeps: bool, p_pa: f64) -> f64 {
    use crate::physics::tank::{LeakLaw, TankScenario};
    let tank = if seeps {
        TankScenario::plover()
    } else {
        TankScenario::plover_healthy()
    };
    let room = crate::units::STANDARD_ATMOSPHERE_PA;
    let laminar = |p: f64| (p + room) * (p + room) - room * room;
    let hole = |p: f64| p.sqrt();
    let share = match tank.law {
        LeakLaw::Mixed { orifice_share } => orifice_share,
        _ => 0.0,
    };
    let ratio = |law: fn(f64) -> f64| law(p_pa) / law(tank.p_ref_pa);
    let laminar = (1.0 - share) * laminar(p_pa) / laminar(tank.p_ref_pa);
    tank.leak_rate_pa_m3_s * (laminar + share * ratio(hole))
}

#[test]
fn pulls_lift_the_car_or_not() {
    use crate::physics::engine::{EngineScenario, simulate};
    for (worn, verdict) in [(false, Verdict::Within), (true, Verdict::Outside)] {
        let script = [
            (2.0, Do::Switch(Fault::WornEngine(worn))),
            (3.0, begun(Test::Pull, "plug_in_cold")),
            (40.0, over()),
        ];
        let host = Host::new(3, 1000).run(&script, 42.0);
        let Finding::Pull(pull) = host.finding(Test::Pull, "plug_in_cold", (3.0, 42.0)) else {
            panic!("a pull")
        };
        assert_eq!(pull.verdict, Some(verdict), "{:?}", pull.refused);
        // every 3 to 4 s, from 1.5 s on
        assert!((8..=12).contains(&pull.pulls.len()), "{}", pull.pulls.len());
        let idle = pull.pulls.iter().filter(|p| p.cadence_hz.is_none());
        assert!(pull.guard.is_none() && idle.count() < 4);
        let mut many = if worn {
            EngineScenario::plover_worn()
        } else {
            EngineScenario::plover()
        };
        many.pulls = 60;
        let truth = simulate(&many, 99).truth.lift_ratio;
        let found = pull.lift_ratio.unwrap();
        // The interval is of the mean of these pulls; that of sixty others differs by their scatter.
        assert!((found.value / truth - 1.0).abs() < 0.1, "{found:?} {truth}");
    }
}

/// The force of the cord, N, as the port told it.
fn forces(host: &Host) -> Vec<crate::reading::ForceReading> {
    let mut forces = Vec::new();
    for row in host.rows(1) {
        if let Ok(line) = parse(&row.bytes)
            && let Message::Samples(samples) = line.message
        {
            let channel = host_channel();
            forces.extend(samples.timed().map(|(t_us, count)| {
                let force_n = f64::from(count) * channel;
                crate::reading::ForceReading {
                    t_us: u64::from(t_us),
                    force_n,
                }
            }));
        }
    }
    forces
}

/// Newtons a count of the virtual force probe.
fn host_channel() -> f64 {
    crate::probe::boards::force(&[], 1, 0).identity.channels[0].scale
}

#[test]
fn a_stuck_cord_calls_the_guard_and_is_let_go_of() {
    let script = [
        (3.0, begun(Test::Pull, "plug_in_cold")),
        (12.0, Do::Switch(Fault::SeizedEngine(true))),
        // the hand has given up by itself and waits
        (30.0, Do::Switch(Fault::SeizedEngine(false))),
        (30.0, Do::Tell(Told::LetGo)),
    ];
    let host = Host::new(4, 1000).run(&script, 40.0);
    let mut guard = Guard::new((None, None), 1e-3, 1);
    let mut alarms = Vec::new();
    let mut last_call = 0;
    let (mut loud, mut waits) = (0_u32, true);
    for reading in forces(&host) {
        if guard.push(reading).alarm.is_some() {
            if reading.t_us > last_call + 1_000_000 {
                alarms.push(reading);
            }
            last_call = reading.t_us;
        }
        // the board's clock began when its port was opened, at 1 s
        let s = reading.t_us as f64 * 1e-6 + 1.0;
        waits &= !(20.0..30.0).contains(&s) || reading.force_n < 2.0;
        loud += u32::from(s > 33.0 && reading.force_n > 20.0);
    }
    assert_eq!(alarms.len(), 1, "{alarms:?}");
    // By the force (125 N at most), or earlier because it is held; the strokes of this engine stay below 80 N.
    let range = 80.0..155.0;
    assert!(range.contains(&alarms[0].force_n), "{alarms:?}");
    assert!(waits, "nobody pulls before the warning was touched");
    assert!(loud > 20, "then they pull again");
}

#[test]
fn a_snag_is_found_where_it_was_put_and_nothing_where_none_is() {
    for snag in [None, Some("ring_f")] {
        let script = [
            (2.0, Do::Switch(Fault::Snag(snag.map(Into::into)))),
            (3.0, begun(Test::Roll, "one_fl")),
            (75.0, over()),
        ];
        let host = Host::new(3, 1000).run(&script, 78.0);
        let Finding::Roll(roll) = host.finding(Test::Roll, "one_fl", (3.0, 78.0)) else {
            panic!("a roll")
        };
        let found = roll.snags.iter().flatten().next();
        assert_eq!(found.map(|s| s.part.as_str()), snag, "{:?}", roll.refused);
        assert_eq!(roll.verdict == Some(Verdict::Outside), snag.is_some());
    }
}

#[test]
fn a_longer_roll_begins_with_the_same_edges() {
    let roll = |end_s| {
        let script = [(3.0, begun(Test::Roll, "straight"))];
        Host::new(8, 5000).run(&script, end_s).bytes(2)
    };
    // 60 s are worked out at first
    let (short, long) = (roll(50.0), roll(130.0));
    assert!(long.len() > 2 * short.len() && long.starts_with(&short[..short.len() - 200]));
}

#[test]
fn switches_that_are_not_there_are_named() {
    let mut world = World::new(Vehicle::parse(PLOVER_8).unwrap(), PLOVER_8, 1);
    let no = world.switch(&Fault::Snag(Some("wing".into())), 0);
    assert!(no.unwrap_err().to_string().contains("ring_f"));
    let no = world.switch(&Fault::Unplugged("scale".into(), true), 0);
    assert!(no.unwrap_err().to_string().contains("pressure"));
    let out = Fault::Unplugged("hall".into(), true);
    world.switch(&out, 0).unwrap();
    assert_eq!(world.switches().unplugged, ["hall"]);
    assert_eq!(world.paths().count(), 2);
    assert!(world.open("virtual-3", 0).is_err());
    assert!(world.switches().parts.contains(&"ring_f".into()));
}
