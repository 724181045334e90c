//! What the points are held against: masses, a water column, a syringe; and how well each is known.

use super::gather::Taken;
use crate::{
    calibration::{
        CalibrationKind, Columns, Common, Conditions, Factor, Gravity, buoyancy, column_density,
    },
    cli::{
        Failure,
        args::{CalibrateCommon, CalibrateVerb, PlaceOptions},
        plan,
    },
    inspect::NEVER_CALIBRATED,
    units::{Kind, STANDARD_ATMOSPHERE_PA, parse},
};

/// Masses that were weighed on a household scale: relative standard uncertainty, all masses alike (judgement; half a per
/// cent at most, rectangular).
const MASS_U: f64 = 0.003;
/// Marks of a ruler or tape, and a hose that does not hang straight: relative standard uncertainty (judgement).
const RULER_U: f64 = 0.001;
/// Scale of a syringe, relative standard uncertainty (tolerance 4 % for 5 ml and more, ISO 7886-1, from memory;
/// rectangular).
const SYRINGE_U: f64 = 0.023;
/// Pressure of the air where nobody states it: weather and half a kilometre of height, relative standard uncertainty.
const AIR_U: f64 = 0.03;
/// A barometer or a weather report for the place: relative standard uncertainty.
const BARO_U: f64 = 0.002;
const CM3: f64 = 1e-6;
const MM: f64 = 1e-3;

/// How known values follow from what is written down.
#[derive(Clone, Debug)]
pub(in crate::cli) enum Ruler {
    /// Hanging masses.
    Force { gravity: Gravity, u_kg: Option<f64> },
    /// A water column.
    Pressure {
        gravity: Gravity,
        density: Factor,
        u_m: Option<f64>,
    },
    /// Air from a syringe into a closed space.
    Volume {
        ambient: Factor,
        u_m3: Option<f64>,
        /// Of the pressure sensor's gain.
        u_gain: f64,
    },
}

impl Ruler {
    /// From the command line.
    pub fn of(verb: CalibrateVerb) -> Result<(Self, CalibrateCommon), Failure> {
        match verb {
            CalibrateVerb::Force(args) => Ok((
                Self::Force {
                    gravity: gravity(&args.place),
                    u_kg: args.mass_u,
                },
                args.common,
            )),
            CalibrateVerb::Pressure(args) => Ok((
                Self::Pressure {
                    gravity: gravity(&args.place),
                    density: column_density(args.water),
                    u_m: args.height_u,
                },
                args.common,
            )),
            CalibrateVerb::Volume(args) => {
                let u_gain = match &args.calibration {
                    None => NEVER_CALIBRATED,
                    Some(path) => gain_u(path)?,
                };
                let ambient = match args.baro {
                    Some(pa) => Factor {
                        value: pa,
                        u_relative: BARO_U,
                    },
                    None => Factor {
                        value: STANDARD_ATMOSPHERE_PA,
                        u_relative: AIR_U,
                    },
                };
                Ok((
                    Self::Volume {
                        ambient,
                        u_m3: args.syringe_u,
                        u_gain,
                    },
                    args.common,
                ))
            }
        }
    }

    /// Of what.
    pub fn kind(&self) -> CalibrationKind {
        match self {
            Self::Force { .. } => CalibrationKind::Force,
            Self::Pressure { .. } => CalibrationKind::Pressure,
            Self::Volume { .. } => CalibrationKind::Volume,
        }
    }

    /// Columns of a file of points. The first known column is what one usually has; the second the value itself.
    pub fn columns(&self) -> Columns {
        match self {
            Self::Force { .. } => Columns {
                known: &["mass_kg", "force_n"],
                indication: "indication",
            },
            Self::Pressure { .. } => Columns {
                known: &["height_mm", "p_pa"],
                indication: "indication",
            },
            Self::Volume { .. } => Columns {
                known: &["injected_cm3"],
                indication: "p_pa",
            },
        }
    }

    /// SI of a unit of the column.
    pub fn scale(&self, direct: bool) -> f64 {
        match self {
            Self::Pressure { .. } if !direct => MM,
            Self::Volume { .. } => CM3,
            _ => 1.0,
        }
    }

    /// What `--point` states: SI, and whether it is the value itself.
    pub fn parse(&self, text: &str) -> Result<(f64, bool), String> {
        let (first, then) = match self {
            Self::Force { .. } => (Kind::Mass, Some(Kind::Force)),
            Self::Pressure { .. } => (Kind::Length, Some(Kind::Pressure)),
            Self::Volume { .. } => (Kind::Volume, None),
        };
        let tried = parse(first, text).map(|v| (v, false)).or_else(|e| {
            let direct = then.and_then(|kind| parse(kind, text).ok());
            direct.map(|v| (v, true)).ok_or(e)
        });
        tried.map_err(|e| match then {
            Some(kind) => format!("{e}, or {}", kind.unit_list()),
            None => e.to_string(),
        })
    }

    /// Factor from what is written down to the known value.
    fn factor(&self, direct: bool) -> f64 {
        match self {
            _ if direct => 1.0,
            Self::Force { gravity, .. } => gravity.value * buoyancy().value,
            Self::Pressure {
                gravity, density, ..
            } => gravity.value * density.value,
            Self::Volume { ambient, .. } => ambient.value,
        }
    }

    /// Known value of a point, SI.
    pub(super) fn known(&self, taken: &Taken) -> f64 {
        taken.stated * self.factor(taken.direct)
    }

    /// What shifts the known values.
    pub(super) fn common(&self, taken: &[Taken]) -> Vec<Common> {
        let of = |source, shift: &dyn Fn(&Taken) -> f64| Common {
            source,
            shift: taken.iter().map(shift).collect(),
        };
        // Standard uncertainty of what is written down, as a shift of the known value.
        let written = |source, own: Option<f64>, relative: f64| {
            of(source, &|t| {
                let usual = if t.direct { 0.0 } else { relative * t.stated };
                let u = t.u_stated.or(own.filter(|_| !t.direct)).unwrap_or(usual);
                u * self.factor(t.direct)
            })
        };
        // Relative standard uncertainty of a factor.
        let factor = |source, u_relative: f64| {
            of(source, &|t| {
                if t.direct {
                    0.0
                } else {
                    u_relative * self.known(t)
                }
            })
        };
        match self {
            Self::Force { gravity, u_kg } => vec![
                written("masses", *u_kg, MASS_U),
                factor("gravity", gravity.u / gravity.value),
                factor("air_buoyancy", buoyancy().u_relative),
            ],
            Self::Pressure {
                gravity,
                density,
                u_m,
            } => vec![
                written("heights", *u_m, RULER_U),
                factor("gravity", gravity.u / gravity.value),
                factor("water_density", density.u_relative),
            ],
            Self::Volume {
                ambient,
                u_m3,
                u_gain,
            } => vec![
                written("syringe", *u_m3, SYRINGE_U),
                factor("air_pressure", ambient.u_relative),
                factor("pressure_gain", *u_gain),
            ],
        }
    }

    /// What was taken for known.
    pub fn conditions(&self) -> Conditions {
        match self {
            Self::Force { gravity, .. } => of_gravity(gravity),
            Self::Pressure {
                gravity, density, ..
            } => Conditions {
                water_kg_m3: Some(density.value),
                ..of_gravity(gravity)
            },
            Self::Volume { ambient, .. } => Conditions {
                ambient_pa: Some(ambient.value),
                ..Conditions::default()
            },
        }
    }
}

fn of_gravity(gravity: &Gravity) -> Conditions {
    Conditions {
        gravity_m_s2: Some(gravity.value),
        gravity_source: Some(gravity.source.clone()),
        ..Conditions::default()
    }
}

fn gravity(place: &PlaceOptions) -> Gravity {
    match (place.gravity, place.latitude) {
        (Some(g), _) => Gravity::stated(g),
        (None, Some(latitude)) => Gravity::at(latitude, place.height),
        (None, None) => Gravity::unknown(),
    }
}

/// Relative standard uncertainty of the pressure sensor that reads the steps of a syringe.
fn gain_u(path: &std::path::Path) -> Result<f64, Failure> {
    let text = plan::text(path, crate::calibration::MAX_TEXT, "calibration")?;
    let name = path.display();
    let found = crate::calibration::Calibration::parse(&text)
        .map_err(|e| Failure::Work(format!("{name}:{e}")))?;
    match (found.kind, &found.line) {
        (CalibrationKind::Pressure, Some(line)) => Ok(line.u_relative),
        _ => Err(Failure::Usage(format!(
            "{name}: this is the calibration of {}; the steps of a syringe are read by a pressure sensor",
            found.of()
        ))),
    }
}
