//! Flow laws of a leak: how the loss depends on the gauge pressure. Each is known up to a factor only, so they
//! are used as ratios to their value at the reference pressure.

use crate::units::STANDARD_ATMOSPHERE_PA;

/// Ratio of specific heats of air.
pub(super) const GAMMA: f64 = 1.4;
/// Critical pressure ratio of air, `(2/(g+1))^(g/(g-1))`.
const CRITICAL: f64 = 0.5283;
/// Points of Simpson's rule over a halving of the pressure: the laws are smooth there.
const SIMPSON: u32 = 64;

/// Laminar flow of a gas through a long passage (Hagen-Poiseuille with the mean density): the loss goes with
/// the difference of the squares of the absolute pressures. Gauge and ambient pressure in Pa.
pub fn laminar(gauge_pa: f64, ambient_pa: f64) -> f64 {
    let gauge_pa = gauge_pa.max(0.0);
    gauge_pa * (gauge_pa + 2.0 * ambient_pa) / (2.0 * STANDARD_ATMOSPHERE_PA)
}

/// Isentropic flow through a short hole (de Saint-Venant and Wantzel 1839), choked below the critical ratio.
pub fn orifice(gauge_pa: f64, ambient_pa: f64) -> f64 {
    let inside = ambient_pa + gauge_pa.max(0.0);
    inside * isentropic(ambient_pa / inside)
}

/// `sqrt(r^(2/g) - r^((g+1)/g))` of a pressure ratio, constant below the critical one.
pub(super) fn isentropic(ratio: f64) -> f64 {
    let r = ratio.max(CRITICAL);
    // With a = r^((g-1)/g) and g = 7/5 the two powers are a^5 and a^6: one power to take, and none of its digits lost near 1.
    // From 0.53 to 1 the logarithm is small, and exp and log are as right as pow in a third of its time.
    let a = libm::exp(libm::log(r) * ((GAMMA - 1.0) / GAMMA));
    let a2 = a * a;
    (a2 * a2 * a * (1.0 - a)).max(0.0).sqrt()
}

/// Loss that goes with the gauge pressure (lips, porous walls; the decay law of CARB TP-201.3).
pub fn linear(gauge_pa: f64) -> f64 {
    gauge_pa.max(0.0)
}

/// Shares of the three laws in a leak at the reference pressure; they add up to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shares {
    /// Laminar share.
    pub laminar: f64,
    /// Orifice share.
    pub orifice: f64,
    /// Share linear in the gauge pressure.
    pub linear: f64,
}

impl Shares {
    /// Loss at a gauge pressure relative to the loss at `p_ref_pa` against the standard atmosphere.
    pub fn relative(&self, gauge_pa: f64, ambient_pa: f64, p_ref_pa: f64) -> f64 {
        self.of(RelativeLoss::new(ambient_pa, p_ref_pa).at(gauge_pa))
    }

    /// The losses of the laws in these shares.
    pub(super) fn of(&self, [laminar, orifice, linear]: [f64; 3]) -> f64 {
        self.laminar * laminar + self.orifice * orifice + self.linear * linear
    }

    /// Time in which the gauge pressure falls from `from_pa` to `to_pa`, s, when it loses `slope_pa_s` at
    /// `p_ref_pa` against the standard atmosphere: the integral of `dp / (q f(p)/f_ref)`.
    /// Infinite when the slope is not positive.
    ///
    /// ```
    /// use feelgauge::measure::leak::Shares;
    /// // CARB TP-201.3: 2 inH2O falls to 2 exp(-500.887/V) in five minutes, V = 500 gallons of ullage.
    /// let only_linear = Shares { laminar: 0.0, orifice: 0.0, linear: 1.0 };
    /// let (p, k) = (2.0 * 249.0889, 500.887 / (500.0 * 300.0));
    /// let t = only_linear.fall_time_s((p, p * (-500.887f64 / 500.0).exp()), k * p, p, 101325.0);
    /// assert!((t - 300.0).abs() < 1e-6);
    /// ```
    pub fn fall_time_s(
        &self,
        (from_pa, to_pa): (f64, f64),
        slope_pa_s: f64,
        p_ref_pa: f64,
        ambient_pa: f64,
    ) -> f64 {
        if !(slope_pa_s > 0.0 && to_pa > 0.0 && from_pa > to_pa) {
            return if from_pa > to_pa { f64::INFINITY } else { 0.0 };
        }
        falls_pa(&[*self], (from_pa, to_pa), p_ref_pa, ambient_pa)[0] / slope_pa_s
    }
}

/// The integral of `dp / (f(p)/f_ref)` for several laws, Pa: the time in which the gauge pressure falls from `from_pa` to
/// `to_pa` (above 0), times the slope at `p_ref_pa`.
pub(super) fn falls_pa(
    laws: &[Shares],
    (from_pa, to_pa): (f64, f64),
    p_ref_pa: f64,
    ambient_pa: f64,
) -> Vec<f64> {
    // In ln p, where the integrand p/f is nearly flat for every law.
    let (a, b) = (libm::log(to_pa), libm::log(from_pa));
    let h = (b - a) / f64::from(SIMPSON);
    let losses = RelativeLoss::new(ambient_pa, p_ref_pa);
    let mut sums = vec![0.0; laws.len()];
    for i in 0..=SIMPSON {
        let p = libm::exp(a + h * f64::from(i));
        let weight = match i {
            0 | SIMPSON => 1.0,
            _ if i % 2 == 1 => 4.0,
            _ => 2.0,
        };
        let loss = losses.at(p);
        for (sum, law) in sums.iter_mut().zip(laws) {
            *sum += weight * p / law.of(loss);
        }
    }
    sums.into_iter().map(|sum| sum * h / 3.0).collect()
}

/// Laminar, orifice and linear loss, each relative to that at a reference pressure against the standard atmosphere.
#[derive(Clone, Copy, Debug)]
pub(super) struct RelativeLoss {
    ambient_pa: f64,
    at_ref: [f64; 3],
}

impl RelativeLoss {
    pub fn new(ambient_pa: f64, p_ref_pa: f64) -> Self {
        Self {
            ambient_pa,
            at_ref: losses(p_ref_pa, STANDARD_ATMOSPHERE_PA),
        }
    }

    /// The three at a gauge pressure.
    pub fn at(&self, gauge_pa: f64) -> [f64; 3] {
        let loss = losses(gauge_pa, self.ambient_pa);
        [0, 1, 2].map(|law| loss[law] / self.at_ref[law])
    }
}

fn losses(gauge_pa: f64, ambient_pa: f64) -> [f64; 3] {
    [
        laminar(gauge_pa, ambient_pa),
        orifice(gauge_pa, ambient_pa),
        linear(gauge_pa),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// dp/dt = -c p (p + 2 pa) gives p/(p + 2 pa) = p0/(p0 + 2 pa) exp(-2 pa c t): with c = 5e-9, p0 = 15000 and
    /// pa = 101325, p(60 s) = 14053.8835 Pa (closed form, computed by hand).
    #[test]
    fn laminar_fall_time_is_the_closed_form() {
        let only = Shares {
            laminar: 1.0,
            orifice: 0.0,
            linear: 0.0,
        };
        let (c, p0, pa) = (5e-9, 15_000.0, 101_325.0);
        let ratio = p0 / (p0 + 2.0 * pa) * libm::exp(-2.0 * pa * c * 60.0);
        let end = 2.0 * pa * ratio / (1.0 - ratio);
        assert!((end - 14_053.883_5).abs() < 5e-5);
        let q = c * p0 * (p0 + 2.0 * pa);
        let t = only.fall_time_s((p0, end), q, p0, pa);
        assert!((t - 60.0).abs() < 1e-8, "{t}");
    }

    #[test]
    fn orifice_is_choked_beyond_the_critical_ratio() {
        // Below the critical ratio the mass flow goes with the absolute pressure inside alone.
        let (a, b) = (orifice(150e3, 101_325.0), orifice(250e3, 101_325.0));
        assert!((b / a - 351_325.0 / 251_325.0).abs() < 1e-12);
        assert!(orifice(-5.0, 101_325.0).abs() < 1e-300);
    }

    #[test]
    fn no_leak_never_falls() {
        let s = Shares {
            laminar: 0.5,
            orifice: 0.5,
            linear: 0.0,
        };
        assert!(s.fall_time_s((2.0, 1.0), 0.0, 2.0, 1e5).is_infinite());
        assert!(s.fall_time_s((2.0, 1.0), -1.0, 2.0, 1e5).is_infinite());
        assert!(s.fall_time_s((1.0, 1.0), 1.0, 2.0, 1e5).abs() < 1e-300);
    }
}
