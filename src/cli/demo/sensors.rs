//! The club's calibrations of its virtual probes: masses on the cell and a water column at the sensor, five weeks before
//! the demo's inspection.

use std::fmt::Write as _;

use jiff::civil::{Date, date};

use super::Failure;
use crate::{
    calibration::{Calibration, Factor, Gravity, buoyancy, column_density},
    cli::calibrate,
    inspect::Calibrations,
    inspection::{Checked, Moment},
    physics::noise::Noise,
    probe::{board::BoardPlan, boards},
};

/// Day of the calibrations.
const DAY: Date = date(2031, 4, 12);
/// Where the club is: degrees, m.
const LATITUDE_DEG: f64 = 54.3;
const HEIGHT_M: f64 = 20.0;
/// Water of the column, K.
const WATER_K: f64 = 292.15;
/// What hanging a mass again changes, N, and reading a level again, Pa.
const HANGING_N: f64 = 0.02;
const READING_PA: f64 = 5.0;
/// The club's masses were weighed to 2 g.
const MASS_U_KG: f64 = 0.002;
const MASSES_KG: [f64; 6] = [0.0, 1.0, 2.0, 5.0, 10.0, 15.0];
const HEIGHTS_MM: [f64; 6] = [0.0, 200.0, 400.0, 600.0, 800.0, 1000.0];
/// Streams of the demo's randomness that nothing else uses.
const FORCE_STREAM: u64 = 7001;
const PRESSURE_STREAM: u64 = 7002;
const CHECK_STREAMS: [u64; 2] = [7003, 7004];
/// Mass of the check weight.
const CHECK_KG: f64 = 5.0;

/// One probe's calibration.
pub(super) struct Sensor {
    /// Name of its files without ending: kind and serial.
    pub name: String,
    /// Its serial number.
    pub serial: String,
    /// The rows that were written down.
    pub rows: String,
    /// The calibration file.
    pub file: String,
}

/// The calibrations of the pressure and of the force probe.
pub(super) fn sensors(seed: u64) -> Result<[Sensor; 2], Failure> {
    let gravity = Gravity::at(LATITUDE_DEG, Some(HEIGHT_M));
    let density = column_density(Some(WATER_K));
    let pa = move |mm: f64, g: &Gravity, d: Factor| mm / 1e3 * g.value * d.value;
    let column = written(
        "height_mm",
        &HEIGHTS_MM,
        |mm| pa(mm, &gravity, density),
        READING_PA,
        &boards::pressure(&[], seed),
        &mut Noise::new(seed, PRESSURE_STREAM),
    );
    let hung = written(
        "mass_kg",
        &MASSES_KG,
        |kg| kg * gravity.value * buoyancy().value,
        HANGING_N,
        &boards::force(&[], 1, seed),
        &mut Noise::new(seed, FORCE_STREAM),
    );
    let pressure = calibrate::Ruler::Pressure {
        gravity: gravity.clone(),
        density,
        u_m: None,
    };
    let force = calibrate::Ruler::Force {
        gravity: gravity.clone(),
        u_kg: Some(MASS_U_KG),
    };
    Ok([
        sensor("pressure", &boards::pressure(&[], seed), column, &pressure)?,
        sensor("force", &boards::force(&[], 1, seed), hung, &force)?,
    ])
}

/// Rows up, down and up again: what the board counts when the known value is on its sensor.
fn written(
    column: &str,
    stated: &[f64],
    known: impl Fn(f64) -> f64,
    scatter: f64,
    board: &BoardPlan,
    noise: &mut Noise,
) -> String {
    let scale = board.identity.channels[0].scale;
    let mut rows = format!("{column},indication\n");
    let up = stated.iter();
    for &value in up.clone().chain(up.clone().rev()).chain(up) {
        let count = (known(value) + scatter * noise.normal()) / scale;
        writeln!(rows, "{value},{count:.0}").expect("a String takes every write");
    }
    rows
}

fn sensor(
    kind: &str,
    board: &BoardPlan,
    rows: String,
    ruler: &calibrate::Ruler,
) -> Result<Sensor, Failure> {
    let serial = &board.identity.serial;
    let name = format!("{kind}-{serial}");
    let file = calibrate::of_rows(ruler, (&format!("{name}.csv"), &rows), serial, DAY)?
        .expect("masses and columns over the whole range give a line");
    Ok(Sensor {
        name,
        serial: serial.clone(),
        rows,
        file,
    })
}

impl Sensor {
    /// As an analysis takes it.
    pub fn calibrations(&self) -> Calibrations {
        let calibration = Calibration::parse(&self.file).expect("it was written just now");
        Calibrations::new(vec![(calibration, self.file.clone())])
    }
    /// The check weight on the force probe, before or after the visit, read through its calibration.
    pub fn hung(&self, seed: u64, moment: Moment) -> Checked {
        let gravity = Gravity::at(LATITUDE_DEG, Some(HEIGHT_M));
        let stated = CHECK_KG * gravity.value * buoyancy().value;
        let stream = CHECK_STREAMS[usize::from(moment == Moment::After)];
        let mut noise = Noise::new(seed, stream);
        let scale = boards::force(&[], 1, seed).identity.channels[0].scale;
        let count = ((stated + HANGING_N * noise.normal()) / scale).round();
        let calibration = Calibration::parse(&self.file).expect("it was written just now");
        let line = calibration.line.expect("masses give a line");
        let shown = line.value(count);
        Checked {
            moment,
            by: "weight".into(),
            probe: self.serial.clone(),
            stated,
            stated_u: MASS_U_KG * gravity.value,
            shown,
            shown_u: libm::hypot(line.u_relative * shown, HANGING_N),
            unit: "N".into(),
            capture: None,
        }
    }
}
