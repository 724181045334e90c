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

#[cfg(test)]
mod tests {
    use super::*;

    /// Counts meshes tooth by tooth until tooth 0 of a meets tooth 0 of b again.
    fn meshes_until_again(teeth_a: u32, teeth_b: u32) -> u32 {
        (1..=teeth_a * teeth_b)
            .find(|n| n % teeth_a == 0 && n % teeth_b == 0)
            .expect("at the product at the latest")
    }

    /// `(z1, z2, rpm of z1, mesh Hz, hunting tooth Hz, meshes until again)`: the count by brute force decides; the
    /// formula f_mesh/lcm is that of gear texts. The page that gives `gcd x rpm/60` would say 30 Hz for the first.
    #[test]
    fn hunting_tooth_agrees_with_counting() {
        for (a, b, rpm, mesh_hz, hunting_hz, meshes) in [
            (23, 67, 1800.0, 690.0, 0.447_761, 1541),
            (15, 18, 1000.0, 250.0, 2.777_778, 90),
            (20, 60, 1800.0, 600.0, 10.0, 60),
        ] {
            let mesh = f64::from(a) * rpm / 60.0;
            assert!((mesh - mesh_hz).abs() < 1e-9);
            assert_eq!(meshes_until_again(a, b), meshes);
            let hz = hunting_tooth_hz(mesh, a, b);
            assert!((hz - mesh / f64::from(meshes)).abs() < 1e-9);
            assert!((hz - hunting_hz).abs() < 0.5e-6, "{hz}");
            assert!(meshes < 100 || (hz - f64::from(gcd(a, b)) * rpm / 60.0).abs() > 1.0);
        }
        for a in 1..40 {
            for b in 1..40 {
                // turns of gear a = meshes / teeth_a
                assert_eq!(pair_turns(a, b), meshes_until_again(a, b) / a, "{a} {b}");
            }
        }
    }

    /// 6205-2RS: 9 balls, d 0.3126 in, D 1.537 in; published 3.585, 5.4152, 0.3983, 2.357 (four digits). The usual
    /// table's "rolling element" 4.7135 counts both races (value from memory): twice ours.
    #[test]
    fn bearing_6205_agrees_with_published_ratios() {
        let r = bearing_rates(9, 0.3126, 1.537, 0.0, false);
        for (got, published) in [
            (r.outer, 3.585),
            (r.inner, 5.4152),
            (r.cage, 0.3983),
            (r.ball, 2.357),
            (2.0 * r.ball, 4.7135),
        ] {
            assert!((got / published - 1.0).abs() < 1.5e-4, "{got} {published}");
        }
        // 7.94 mm on 39.04 mm at 1797 rpm: BPFO 107.36 Hz published
        let hz = bearing_rates(9, 7.94, 39.04, 0.0, false).outer * 1797.0 / 60.0;
        assert!((hz - 107.36).abs() < 0.5e-2, "{hz}");
    }

    /// Whichever race turns, the balls pass both together n times a turn, and inner and outer cage speeds add to 1.
    #[test]
    fn races_and_cages_add_up() {
        let inner = bearing_rates(7, 1.6, 7.5, 0.3, false);
        let outer = bearing_rates(7, 1.6, 7.5, 0.3, true);
        assert!((inner.inner + inner.outer - 7.0).abs() < 1e-12);
        assert!((inner.cage + outer.cage - 1.0).abs() < 1e-12);
        assert!((inner.ball - outer.ball).abs() < 1e-15);
        // a spot of the standing race meets every ball once a turn of the cage
        assert!((7.0 * inner.cage - inner.outer).abs() < 1e-12);
        assert!((7.0 * outer.cage - outer.inner).abs() < 1e-12);
    }

    /// Extremes 1/cos b and cos b at 10, 20, 30 degrees; two cycles a turn; and a textbook task: 1200 rpm with a
    /// total fluctuation of 100 rpm needs cos b = (sqrt(577) - 1)/24 (16.42 degrees; the page prints 16.2, a slip).
    #[test]
    fn hooke_joint_agrees_with_published_extremes() {
        let quarter = std::f64::consts::FRAC_PI_2;
        for (deg, max, min) in [
            (10.0f64, 1.015_427, 0.984_808),
            (20.0, 1.064_178, 0.939_693),
            (30.0, 1.154_701, 0.866_025),
        ] {
            let b = deg.to_radians();
            assert!((hooke_speed_ratio(b, 0.0) - max).abs() < 0.5e-6);
            assert!((hooke_speed_ratio(b, quarter) - min).abs() < 0.5e-6);
            assert!(
                (hooke_speed_ratio(b, 0.7) - hooke_speed_ratio(b, 0.7 + 2.0 * quarter)).abs()
                    < 1e-12
            );
        }
        let b = libm::acos((577f64.sqrt() - 1.0) / 24.0);
        assert!((b.to_degrees() - 16.423).abs() < 0.5e-3);
        let (max, min) = (hooke_speed_ratio(b, 0.0), hooke_speed_ratio(b, quarter));
        assert!((1200.0 * max - 1251.04).abs() < 0.5e-2 && (1200.0 * min - 1151.04).abs() < 0.5e-2);
        // mean speed over a turn is that of the driving shaft: no turns are lost
        let n = 720;
        let turn = 4.0 * quarter;
        let slowness: f64 = (0..n)
            .map(|i| hooke_speed_ratio(b, turn * f64::from(i) / f64::from(n)))
            .sum::<f64>()
            / f64::from(n);
        assert!((slowness - 1.0).abs() < 1e-9, "{slowness}");
    }
}
