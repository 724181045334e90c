//! What is on the virtual bench: a car with its faults, three probes, and time.

use std::task::Waker;

use super::{
    super::{
        board::{Board, BoardPlan, Packet, whole_us},
        boards,
        serial::OpenError,
    },
    Fault, NoSwitch, Told, Virtual,
    cord::Cord,
    lines::Lines,
    tank::Tank,
    wheel::Wheel,
};
use crate::{
    inspect::Test,
    reading::{Edge, ForceReading, PressureReading},
    vehicle::{SetupTest, Vehicle},
    wire::ProbeKind,
};

/// Readings of a line: 50 ms of pressure, 20 ms of force.
const PRESSURES: usize = 5;
const FORCES: usize = 20;
/// Where nobody can say when the next line is ready, a look so often, microseconds.
const TICK_US: u64 = 5_000;
/// Seeds of tests that follow each other lie so far apart.
const NEXT_SEED: u64 = 7919;

/// The car on the bench.
#[derive(Debug)]
pub(super) struct Car {
    pub vehicle: Vehicle,
    /// Its file.
    pub text: String,
    pub faults: Virtual,
}

impl Car {
    /// What the setup of that name says, if it is of that test; the file's first without a name.
    pub fn setup(&self, test: &str, name: Option<&str>) -> Option<&SetupTest> {
        let mut setups = self.vehicle.setups_of(test);
        let found = match name {
            None => setups.next(),
            Some(name) => setups.find(|s| s.name == name),
        };
        found.map(|s| &s.test)
    }
}

#[derive(Debug)]
enum Feel {
    Tank(Tank),
    Cord(Cord),
    Wheel(Wheel),
}

/// A probe at its port.
#[derive(Debug)]
struct Probe {
    path: &'static str,
    feel: Feel,
    /// Identity and habits; no signals, they come while it runs.
    plan: BoardPlan,
    is_plugged: bool,
    /// Board's time at which its clock stood at `clock_us`.
    powered_us: u64,
    clock_us: u32,
    open: Option<Open>,
}

/// An open port.
#[derive(Debug)]
struct Open {
    opening: u64,
    at_us: u64,
    board_us: u64,
    board: Board,
    lines: Lines,
    /// On its way to the host.
    packet: Option<Packet>,
    /// Came, and was not read yet.
    rest: Vec<u8>,
    waker: Option<Waker>,
}

/// What a look at a port gives.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Reads {
    /// Bytes that have come.
    Bytes(Vec<u8>),
    /// Nothing before that host time, microseconds.
    Wait(u64),
    /// The probe is gone.
    End,
}

/// Everything on the bench.
#[derive(Debug)]
pub(super) struct World {
    car: Car,
    seed: u64,
    probes: [Probe; 3],
    openings: u64,
    /// Tests that began.
    tests: u64,
}

impl World {
    pub fn new(vehicle: Vehicle, text: &str, seed: u64) -> Self {
        let faults = Virtual {
            parts: parts(&vehicle),
            ..Virtual::default()
        };
        let sensor = vehicle.sensors.first().map_or(0, |s| s.index);
        let probe = |path, feel, plan: BoardPlan| Probe {
            path,
            feel,
            is_plugged: true,
            powered_us: 0,
            clock_us: plan.identity.t_us,
            plan: BoardPlan {
                signals: Vec::new(),
                lead_us: 0,
                ..plan
            },
            open: None,
        };
        let probes = [
            probe("virtual-1", Feel::Tank(Tank::new(seed)), pressure(seed)),
            probe("virtual-2", Feel::Cord(Cord::new(seed)), force(seed)),
            probe("virtual-3", Feel::Wheel(Wheel::default()), {
                boards::hall(
                    &[Edge {
                        t_us: 0,
                        sensor,
                        after_gap: false,
                    }],
                    seed,
                )
            }),
        ];
        Self {
            car: Car {
                vehicle,
                text: text.into(),
                faults,
            },
            seed,
            probes,
            openings: 0,
            tests: 0,
        }
    }

    /// Ports of the probes that are plugged in.
    pub fn paths(&self) -> impl Iterator<Item = &str> {
        let plugged = self.probes.iter().filter(|p| p.is_plugged);
        plugged.map(|p| p.path)
    }

    pub fn switches(&self) -> &Virtual {
        &self.car.faults
    }

    pub fn open(&mut self, path: &str, now_us: u64) -> Result<(usize, u64), OpenError> {
        let plugged = |p: &Probe| p.path == path && p.is_plugged;
        let n = self.probes.iter().position(plugged);
        let n = n.ok_or(OpenError::Missing)?;
        self.advance(n, now_us);
        let probe = &mut self.probes[n];
        if probe.open.is_some() {
            return Err(OpenError::Busy);
        }
        self.openings += 1;
        probe.open(now_us, self.openings);
        Ok((n, self.openings))
    }

    pub fn close(&mut self, n: usize, opening: u64) {
        let probe = &mut self.probes[n];
        if probe.open.as_ref().is_some_and(|o| o.opening == opening) {
            probe.open = None;
        }
    }

    /// What has come at the port by now.
    pub fn read(
        &mut self,
        (n, opening): (usize, u64),
        now_us: u64,
        most: usize,
        waker: &Waker,
    ) -> Reads {
        loop {
            let Some(open) = self.probes[n].opened(opening) else {
                return Reads::End;
            };
            open.waker = Some(waker.clone());
            if !open.rest.is_empty() {
                let taken = open.rest.len().min(most);
                return Reads::Bytes(open.rest.drain(..taken).collect());
            }
            if let Some(packet) = open.packet.take_if(|p| open.at_us + p.at_us <= now_us) {
                open.rest = packet.bytes;
                continue;
            }
            if let Some(packet) = &open.packet {
                return Reads::Wait(open.at_us + packet.at_us);
            }
            self.advance(n, now_us);
            let probe = &mut self.probes[n];
            let (board_us, gain) = (probe.board_us(now_us), probe.plan.host_gain);
            let Some(open) = probe.opened(opening) else {
                return Reads::End;
            };
            open.packet = open.board.next_packet();
            if open.packet.is_none() {
                let next_us = open.lines.next_us(board_us, TICK_US);
                let ahead = (next_us - board_us) as f64 * (1.0 + gain);
                return Reads::Wait(now_us + whole_us(ahead).max(1));
            }
        }
    }

    /// Takes what the host sends; false: the probe is gone.
    pub fn write(&mut self, (n, opening): (usize, u64), now_us: u64, bytes: &[u8]) -> bool {
        self.advance(n, now_us);
        let probe = &mut self.probes[n];
        let board_us = probe.board_us(now_us);
        let Some(open) = probe.opened(opening) else {
            return false;
        };
        open.board.live_until(board_us - open.board_us);
        open.board.receive(bytes);
        if let Some(waker) = open.waker.take() {
            waker.wake();
        }
        true
    }

    pub fn tell(&mut self, told: &Told, now_us: u64) {
        for n in 0..self.probes.len() {
            self.advance(n, now_us);
        }
        let seed = self.seed.wrapping_add(self.tests.wrapping_mul(NEXT_SEED));
        let car = &self.car;
        for probe in &mut self.probes {
            probe.tell(told, car, seed);
        }
        if matches!(told, Told::Begun { .. }) {
            self.tests += 1;
        }
    }

    pub fn switch(&mut self, fault: &Fault, now_us: u64) -> Result<(), NoSwitch> {
        for n in 0..self.probes.len() {
            self.advance(n, now_us);
        }
        let faults = &mut self.car.faults;
        match fault {
            Fault::SeepingLid(on) => faults.seeping_lid = *on,
            Fault::SeizedEngine(on) => faults.seized_engine = *on,
            Fault::WornEngine(on) => faults.worn_engine = *on,
            Fault::Snag(None) => faults.snag = None,
            Fault::Snag(Some(part)) => {
                if !faults.parts.contains(part) {
                    return Err(NoSwitch(format!(
                        "no part '{part}' turns in a setup of this car; name one of: {}",
                        faults.parts.join(", ")
                    )));
                }
                faults.snag = Some(part.clone());
            }
            Fault::Unplugged(kind, out) => return self.unplug(kind, *out, now_us),
        }
        Ok(())
    }

    fn unplug(&mut self, kind: &str, out: bool, now_us: u64) -> Result<(), NoSwitch> {
        let is_it = |p: &&mut Probe| Some(p.plan.identity.kind) == ProbeKind::from_word(kind);
        let Some(probe) = self.probes.iter_mut().find(is_it) else {
            return Err(NoSwitch(format!(
                "no probe '{kind}' is on this bench; name one of: pressure, force, hall"
            )));
        };
        if probe.is_plugged == out {
            probe.is_plugged = !out;
            probe.powered_us = probe.board_us(now_us);
            probe.clock_us = 0;
            if let Some(waker) = probe.open.take().and_then(|open| open.waker) {
                waker.wake();
            }
            if !out && !probe.plan.resets_on_open {
                probe.plan.identity.boot += 1;
            }
        }
        let unplugged = self.probes.iter().filter(|p| !p.is_plugged);
        let kinds = unplugged.map(|p| p.plan.identity.kind.word().to_owned());
        self.car.faults.unplugged = kinds.collect();
        Ok(())
    }

    /// Lets time go on for one probe.
    fn advance(&mut self, n: usize, now_us: u64) {
        let probe = &mut self.probes[n];
        let to_us = probe.board_us(now_us);
        let Some(open) = &mut probe.open else {
            match &mut probe.feel {
                Feel::Tank(tank) => tank.skip(to_us),
                Feel::Cord(cord) => cord.skip(to_us),
                Feel::Wheel(wheel) => wheel.skip(to_us),
            }
            return;
        };
        let mut readings = Vec::new();
        match &mut probe.feel {
            Feel::Tank(tank) => tank.until(to_us, &mut readings),
            Feel::Cord(cord) => cord.until(to_us, &self.car, &mut readings),
            Feel::Wheel(wheel) => wheel.until(to_us, &mut readings),
        }
        for (ready_us, due) in open.lines.cut(to_us, &readings) {
            open.board.append(ready_us, due);
        }
    }
}

impl Probe {
    /// The board's time at a host time, since the bench began, microseconds.
    fn board_us(&self, host_us: u64) -> u64 {
        whole_us(host_us as f64 / (1.0 + self.plan.host_gain))
    }

    fn opened(&mut self, opening: u64) -> Option<&mut Open> {
        self.open.as_mut().filter(|o| o.opening == opening)
    }

    fn open(&mut self, now_us: u64, opening: u64) {
        let board_us = self.board_us(now_us);
        let identity = &mut self.plan.identity;
        if self.plan.resets_on_open {
            identity.boot += 1;
        } else {
            let since = (board_us - self.powered_us) & u64::from(u32::MAX);
            let since = u32::try_from(since).expect("masked to 32 bits");
            identity.t_us = self.clock_us.wrapping_add(since);
        }
        let full = match self.feel {
            Feel::Tank(_) => PRESSURES,
            Feel::Cord(_) | Feel::Wheel(_) => FORCES,
        };
        let channel = identity.channels[0];
        // The hello is one of the lines that come while it runs.
        let silent = BoardPlan {
            resets_on_open: false,
            identity: crate::wire::Identity {
                t_us: if self.plan.resets_on_open {
                    0
                } else {
                    identity.t_us
                },
                ..identity.clone()
            },
            seed: self.plan.seed.wrapping_add(opening),
            ..self.plan.clone()
        };
        self.open = Some(Open {
            opening,
            at_us: now_us,
            board_us,
            board: Board::new(&silent),
            lines: Lines::new(channel, full, board_us, self.plan.resets_on_open),
            packet: None,
            rest: Vec::new(),
            waker: None,
        });
    }

    fn tell(&mut self, told: &Told, car: &Car, seed: u64) {
        match (told, &mut self.feel) {
            (
                Told::Begun {
                    test,
                    setup,
                    mark_pa,
                },
                feel,
            ) => {
                let setup = setup.as_deref();
                match (test, feel) {
                    (Test::Leak, Feel::Tank(tank)) => tank.begin(car, setup, *mark_pa, seed),
                    (Test::Pull, Feel::Cord(cord)) => cord.begin(car, setup, seed),
                    (Test::Roll, Feel::Wheel(wheel)) => wheel.begin(car, setup, seed),
                    _ => {}
                }
            }
            (Told::Ended, Feel::Tank(tank)) => tank.end(),
            (Told::Ended, Feel::Cord(cord)) => cord.end(),
            (Told::Ended, Feel::Wheel(wheel)) => wheel.end(),
            (Told::LetGo, Feel::Cord(cord)) => cord.let_go(),
            (Told::LetGo, _) => {}
        }
    }
}

/// Seconds as whole microseconds.
pub(super) fn us(seconds: f64) -> u64 {
    whole_us(seconds * 1e6)
}

fn pressure(seed: u64) -> BoardPlan {
    let reading = |n: u64| PressureReading {
        t_us: n * 10_000,
        pressure_pa: 0.0,
        tank_k: None,
    };
    boards::pressure(&[reading(0), reading(1)], seed)
}

fn force(seed: u64) -> BoardPlan {
    let probe = crate::physics::engine::EngineScenario::plover().probe;
    let reading = |n: u64| ForceReading {
        t_us: n * 1_000_000 / u64::from(probe.rate_hz),
        force_n: 0.0,
    };
    boards::force(&[reading(0), reading(1)], probe.filter_order, seed)
}

/// Parts that turn in a setup of the car's file, in the order of the setups.
fn parts(vehicle: &Vehicle) -> Vec<String> {
    let mut parts: Vec<String> = Vec::new();
    for setup in vehicle.setups_of("roll") {
        let Ok(train) = vehicle.train(Some(&setup.name), None) else {
            continue;
        };
        for part in train.parts {
            if !parts.contains(&part.name) {
                parts.push(part.name);
            }
        }
    }
    parts
}
