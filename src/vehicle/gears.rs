//! How often gears, bearings and joints repeat themselves: published formulas, pure functions.

/// Greatest common divisor (Euclid); `gcd(0, n) = n`.
///
/// ```
/// assert_eq!(feelgauge::vehicle::gears::gcd(15, 18), 3);
/// ```
pub fn gcd(a: u32, b: u32) -> u32 {
    let (mut a, mut b) = (a, b);
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// Turns of gear `a` until one of its teeth meets the same tooth of gear `b` again: `teeth_b / gcd`.
/// `gcd` itself is the number of assembly phases of the pair.
///
/// ```
/// // 23 teeth on 67: no common divisor, so 67 turns of the small one
/// assert_eq!(feelgauge::vehicle::gears::pair_turns(23, 67), 67);
/// ```
pub fn pair_turns(teeth_a: u32, teeth_b: u32) -> u32 {
    teeth_b / gcd(teeth_a, teeth_b).max(1)
}

/// Frequency in Hz at which the same two teeth meet ("hunting tooth"), from the mesh frequency in Hz (teeth times
/// turns per second): `f_mesh gcd/(z1 z2) = f_mesh / lcm`. A formula in circulation, `gcd x turns per second`, is
/// wrong; the test counts meetings tooth by tooth.
///
/// ```
/// let mesh_hz = 23.0 * 1800.0 / 60.0;
/// let hz = feelgauge::vehicle::gears::hunting_tooth_hz(mesh_hz, 23, 67);
/// assert!((hz - 0.447_761).abs() < 1e-6);
/// ```
pub fn hunting_tooth_hz(mesh_hz: f64, teeth_a: u32, teeth_b: u32) -> f64 {
    mesh_hz * f64::from(gcd(teeth_a, teeth_b)) / (f64::from(teeth_a) * f64::from(teeth_b))
}

/// Events per turn of the shaft of a ball bearing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BearingRates {
    /// Turns of the cage.
    pub cage: f64,
    /// Turns of a ball about itself: a spot on a ball meets the inner race this often (and the outer as often).
    pub ball: f64,
    /// Balls passing a spot of the inner race.
    pub inner: f64,
    /// Balls passing a spot of the outer race.
    pub outer: f64,
}

/// Rates of a bearing with `balls` balls of diameter `ball_m` on a pitch circle `pitch_m` (same unit), contact angle
/// `contact_rad`, without slip. `c = (d/D) cos(contact)`; inner race turning: cage `(1-c)/2`, ball
/// `(1-c^2) D/(2d)`, inner `n(1+c)/2`, outer `n(1-c)/2`; with the outer race turning the cage makes `(1+c)/2` turns
/// and the rest stays. (Standard kinematics of rolling bearings: BPFI, BPFO, BSF, FTF of the literature. A table in
/// circulation lists twice BSF as "rolling element": both races count there.)
///
/// ```
/// // 6205: 9 balls 0.3126 in on 1.537 in; published 3.585, 5.415, 0.3983, 2.357
/// let r = feelgauge::vehicle::gears::bearing_rates(9, 0.3126, 1.537, 0.0, false);
/// assert!((r.outer - 3.585).abs() < 5e-4 && (r.inner - 5.415).abs() < 5e-4);
/// ```
pub fn bearing_rates(
    balls: u32,
    ball_m: f64,
    pitch_m: f64,
    contact_rad: f64,
    outer_turns: bool,
) -> BearingRates {
    let n = f64::from(balls);
    let c = ball_m / pitch_m * libm::cos(contact_rad);
    BearingRates {
        cage: if outer_turns { 1.0 + c } else { 1.0 - c } / 2.0,
        ball: (1.0 - c * c) * pitch_m / (2.0 * ball_m),
        inner: n * (1.0 + c) / 2.0,
        outer: n * (1.0 - c) / 2.0,
    }
}

/// Speed ratio driven/driving of one Hooke joint bent by `bend_rad` at driving angle `angle_rad`:
/// `cos b/(1 - sin^2 b cos^2 t)`; two cycles a turn, between `cos b` and `1/cos b`. Valid for |bend| < pi/2.
///
/// ```
/// let b = 30f64.to_radians();
/// let r = feelgauge::vehicle::gears::hooke_speed_ratio(b, 0.0);
/// assert!((r - 1.154_701).abs() < 1e-6);
/// ```
pub fn hooke_speed_ratio(bend_rad: f64, angle_rad: f64) -> f64 {
    let (sin_b, cos_b) = libm::sincos(bend_rad);
    let cos_t = libm::cos(angle_rad);
    cos_b / (1.0 - sin_b * sin_b * cos_t * cos_t)
}
