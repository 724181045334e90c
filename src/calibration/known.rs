//! Values that are known without a sensor: the force of a mass, the pressure of a water column.

use crate::units::{STANDARD_GRAVITY, ZERO_CELSIUS_K};

/// Normal gravity at the equator, m/s2 (WGS 84; value from memory, as the three below).
const EQUATOR: f64 = 9.780_325_335_9;
/// Somigliana's constant of WGS 84.
const SOMIGLIANA: f64 = 0.001_931_852_652_41;
/// First eccentricity squared of WGS 84.
const ECCENTRICITY_2: f64 = 0.006_694_379_990_14;
/// Free-air gradient, 1/s2: so much less gravity a metre of height.
const FREE_AIR: f64 = 3.086e-6;
/// What rock and hills do to normal gravity: 30 mGal, standard uncertainty (common practice, no source; high mountains
/// reach several times that).
const ANOMALY: f64 = 3e-4;
/// Standard uncertainty of an unstated height, m: people mostly live below 500 m (judgement).
const HEIGHT_UNKNOWN_M: f64 = 300.0;
/// Half the way from the equator's gravity to the pole's at sea level, m/s2: anything in between is equally likely where
/// nobody states the place.
const HALF_RANGE: f64 = 0.026;
/// Standard uncertainty of a gravity that a person states to three digits, m/s2 (half a unit of the last, rectangular).
const STATED_GRAVITY: f64 = 0.005 / SQRT_3;

/// Density of the air, kg/m3, and that of the weights by which scales are set: what they show is a conventional mass
/// (values of OIML D 28, from memory).
const AIR: f64 = 1.2;
const WEIGHTS: f64 = 8000.0;
/// Relative standard uncertainty of the air's density at a bench.
const AIR_U: f64 = 0.1;

/// Conventional density of the water in a column, kg/m3: with standard gravity 9.80665 Pa a mm.
const CONVENTIONAL_WATER: f64 = 1000.0;
/// Water between 4 and 30 C, less the air beside it, is 0 to 0.56 % lighter than the conventional value: rectangular,
/// standard uncertainty of the value as it stands.
const CONVENTIONAL_WATER_U: f64 = 0.0056 / SQRT_3;
/// Tap water against pure water at a stated temperature, relative standard uncertainty (judgement: dissolved salts and a
/// degree of doubt about the temperature).
const WATER_U: f64 = 3e-4;

const SQRT_3: f64 = 1.732_050_807_568_877_2;

/// Gravity at the bench.
#[derive(Clone, Debug, PartialEq)]
pub struct Gravity {
    /// m/s2.
    pub value: f64,
    /// Standard uncertainty, m/s2.
    pub u: f64,
    /// Where the value comes from, in a few words.
    pub source: String,
}

impl Gravity {
    /// Nobody states the place: the standard value, uncertain by what there is on Earth.
    pub fn unknown() -> Self {
        Self {
            value: STANDARD_GRAVITY,
            u: HALF_RANGE / SQRT_3,
            source: "standard value, place not stated".into(),
        }
    }

    /// Stated by a person, m/s2.
    pub fn stated(value: f64) -> Self {
        Self {
            value,
            u: STATED_GRAVITY,
            source: "stated".into(),
        }
    }

    /// Normal gravity of a place.
    pub fn at(latitude_deg: f64, height_m: Option<f64>) -> Self {
        let height_u = height_m.map_or(FREE_AIR * HEIGHT_UNKNOWN_M, |_| 0.0);
        let height = height_m.map_or_else(
            || "height not stated".into(),
            |metres| format!("{metres} m high"),
        );
        Self {
            value: normal_gravity(latitude_deg, height_m.unwrap_or(0.0)),
            u: libm::hypot(ANOMALY, height_u),
            source: format!("normal gravity at latitude {latitude_deg} deg, {height}"),
        }
    }
}

/// Normal gravity, m/s2: Somigliana's formula on the ellipsoid of WGS 84, less the free-air gradient times the height.
///
/// ```
/// use feelgauge::calibration::normal_gravity;
/// // Pole and 45 degrees as published for WGS 84 (from memory): 9.8321849378 and 9.806197.
/// assert!((normal_gravity(90.0, 0.0) - 9.832_184_937_8).abs() < 1e-9);
/// assert!((normal_gravity(-45.0, 0.0) - 9.806_197).abs() < 1e-6);
/// ```
pub fn normal_gravity(latitude_deg: f64, height_m: f64) -> f64 {
    let sine = libm::sin(latitude_deg.to_radians());
    let s2 = sine * sine;
    EQUATOR * (1.0 + SOMIGLIANA * s2) / (1.0 - ECCENTRICITY_2 * s2).sqrt() - FREE_AIR * height_m
}

/// Share of its weight that a hanging mass keeps in air. Scales show conventional mass, so that this holds whatever the
/// mass is made of.
pub fn buoyancy() -> Factor {
    Factor {
        value: 1.0 - AIR / WEIGHTS,
        u_relative: AIR_U * AIR / WEIGHTS,
    }
}

/// A factor with its relative standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Factor {
    /// The factor.
    pub value: f64,
    /// Relative standard uncertainty.
    pub u_relative: f64,
}

/// Density that a water column presses with, kg/m3: of pure water at that temperature less that of the air beside it, or
/// the conventional value where nobody states the temperature.
pub fn column_density(water_k: Option<f64>) -> Factor {
    match water_k {
        Some(k) => Factor {
            value: water_density(k) - AIR,
            u_relative: WATER_U,
        },
        None => Factor {
            value: CONVENTIONAL_WATER,
            u_relative: CONVENTIONAL_WATER_U,
        },
    }
}

/// Density of pure water free of air, kg/m3, 0 to 40 C: Tanaka, Girard, Davis, Peuto and Bignell, Metrologia 38 (2001)
/// 301, the formula of page 305.
///
/// ```
/// use feelgauge::calibration::water_density;
/// // Published values (from memory): 999.9749 at 3.983 C, 998.2067 at 20 C.
/// assert!((water_density(293.15) - 998.2067).abs() < 1e-4);
/// ```
pub fn water_density(water_k: f64) -> f64 {
    let t = water_k - ZERO_CELSIUS_K;
    let from_densest = t - 3.983_035;
    999.974_950
        * (1.0 - from_densest * from_densest * (t + 301.797) / (522_528.9 * (t + 69.348_81)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 9.780325 at the equator, and a kilometre up 3.1e-3 less (published values, from memory).
    #[test]
    fn gravity_of_places() {
        assert!((normal_gravity(0.0, 0.0) - 9.780_325_3).abs() < 1e-7);
        assert!((normal_gravity(45.0, 1000.0) - 9.803_111).abs() < 1e-6);
        let unknown = Gravity::unknown();
        for degrees in [0.0, 30.0, 60.0, 90.0] {
            assert!((normal_gravity(degrees, 0.0) - unknown.value).abs() < 2.0 * unknown.u);
        }
        assert!(Gravity::at(50.0, None).u > Gravity::at(50.0, Some(0.0)).u);
    }

    /// The conventional 9.80665 Pa/mm holds within its uncertainty for water of any room.
    #[test]
    fn the_conventional_column_covers_real_ones() {
        let conventional = column_density(None);
        for celsius in [4.0, 18.0, 30.0] {
            let real = column_density(Some(celsius + ZERO_CELSIUS_K));
            let off = (real.value / conventional.value - 1.0).abs();
            assert!(off < 2.0 * conventional.u_relative, "{celsius}: {off}");
        }
    }
}
