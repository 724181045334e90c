//! Leak: a plugged tank is pumped up by hand and left alone; how large is the leak at a stated gauge pressure?
//!
//! The raw fall of the pressure is not the leak: pumping heat leaves the gas, the wall is warm from hands, plastic
//! creeps, the room and the sensor drift. They enter as columns with priors; the leak enters as the integral of its
//! flow law along the measured pressure, so everything is linear and solved once. Not knowing the law is a mixture
//! over laws. The interval comes from what is not known about drift and heat, not from the scatter of the readings.
//!
//! `Leak::push` takes readings as they come (a fixed number of operations each), `Leak::finish` solves.

mod blocks;
mod compare;
mod conclude;
mod derived;
mod finding;
mod hold;
mod knocks;
mod laws;
mod live;
mod mixture;
mod model;
mod parts;
mod samples;
mod sealed;
mod shares;
mod solve;
mod stats;
mod strokes;
mod syringe;
mod thermometer;
mod whiten;

pub use blocks::Noise;
pub use compare::{LeakComparison, common_p_ref, compare, difference_and_ratio};
pub use conclude::{EARLY_EVERY_S, EARLY_FROM_S, EARLY_RISK, PLANNED_HOLD_S};
pub use derived::hole_diameter_m;
pub use finding::{
    EarlierHold, LeakEvidence, LeakFinding, LeakQuality, LeakRateUnits, LeakSettings, LeakTrace,
    Range, Regime, SyringeVolume,
};
pub use laws::{Shares, laminar, linear, orifice};
pub use live::{HoldSoFar, SETTLE_STEP_S, Settling, Standing};
pub use parts::{
    KnownSum, LeakParts, LeakRow, NextSetup, OfferedSetup, PartShare, rule_out, rule_out_offered,
};
pub use shares::parts_of_sums;
pub use whiten::gram;

use crate::reading::{CalibrationShare, Estimate, LimitSource, PressureReading, Quality, Refusal};
use crate::units::STANDARD_ATMOSPHERE_PA;
use blocks::{BLOCK_S, Blocks, SKIPPED};
use derived::T_REF_K;
use hold::Hold;
use knocks::Knocks;
use model::{Model, Surroundings};
use samples::{BIN_S, BINS_PER_TENTH, Samples};
use solve::Fit;
use thermometer::Thermometer;

/// Relative uncertainty of the volume when none is stated.
const VOLUME_U: f64 = 0.10;
/// Stretch of a plastic tank and a silicone hose, 1/Pa, and its uncertainty (assumed, not measured on a tank).
const STRETCH_PER_PA: f64 = 1.7e-7;
const STRETCH_U_PER_PA: f64 = 0.9e-7;
/// Uncertainty of the gas temperature without a thermometer, K.
const GAS_U_K: f64 = 4.0;
/// Reference pressure when none is stated, part of the pressure at the start.
const P_REF: f64 = 0.75;
/// Bounds of the reference pressure: parts of the first and of the last pressure held, and Pa.
const P_REF_HIGH: f64 = 1.05;
const P_REF_LOW: f64 = 0.3;
const P_REF_LEAST_PA: f64 = 100.0;
/// Shortest hold, shortest hold without a remark, and how much of a long one is used, s.
const SHORTEST_HOLD_S: f64 = 20.0;
const SHORT_HOLD_S: f64 = 45.0;
const LONGEST_HOLD_S: f64 = 120.0;
/// Fewest blocks with readings.
const FEWEST_BLOCKS: usize = 40;
/// The same two for a first look: the fit leaves out the first second, the first and the last pressure take two each.
const FIRST_LOOK_S: f64 = 5.0;
const FIRST_LOOK_BLOCKS: usize = 16;
/// A hold that stands exactly at the record's highest reading for this long behind its first second stands at the end of
/// the sensor, s. The settling takes an honest one off it: of 300 simulated tight tanks none did with steps up to 0.4 kPa,
/// 1 with steps of 0.8 kPa. Of records that were cut off so for 1 s or longer, one in five or more left outside of their
/// interval what the whole record says.
const AT_TOP_S: f64 = 1.0;
/// Readings that are one, Pa.
const SAME_PA: f64 = 1e-6;
/// A syringe and a stated volume that differ by more than so many of their combined uncertainties contradict each other.
const CONTRADICTS: f64 = 4.0;
/// Most earlier holds of a record that are fitted.
const MOST_EARLIER: usize = 8;
/// Pressure below which nothing was held, Pa.
const LEAST_HELD_PA: f64 = 500.0;
/// Ambient pressures that are one, Pa.
const AMBIENT_PA: std::ops::RangeInclusive<f64> = 50e3..=115e3;

/// A leak test: readings in, finding out.
///
/// ```
/// use feelgauge::measure::leak::{Leak, LeakSettings};
/// let finding = Leak::new(LeakSettings::of_volume(133e-6)).finish(Default::default());
/// assert_eq!(finding.refused.unwrap()[0].code, "no_readings");
/// ```
#[derive(Clone, Debug)]
pub struct Leak {
    settings: LeakSettings,
    samples: Samples,
    least: Least,
}

/// What a hold needs at least to be fitted.
#[derive(Clone, Copy, Debug)]
struct Least {
    /// Its length, s.
    hold_s: f64,
    /// Blocks with readings.
    blocks: usize,
}

impl Least {
    /// For a finding.
    const FOR_A_FINDING: Self = Self {
        hold_s: SHORTEST_HOLD_S,
        blocks: FEWEST_BLOCKS,
    };
    /// For a first look while the hold goes on.
    const FOR_THE_EYE: Self = Self {
        hold_s: FIRST_LOOK_S,
        blocks: FIRST_LOOK_BLOCKS,
    };
}

impl Leak {
    /// A test without readings yet.
    pub fn new(settings: LeakSettings) -> Self {
        Self {
            settings,
            samples: Samples::default(),
            least: Least::FOR_A_FINDING,
        }
    }

    /// Takes one reading, in the order of time. Readings that are not later than the one before, not finite or
    /// above 10 bar are counted and left out.
    pub fn push(&mut self, reading: PressureReading) {
        self.samples.push(reading);
    }

    /// States, while the record runs, from when to when (seconds of the record) the tank was sealed at zero gauge
    /// pressure. What the settings say about it already stands.
    pub fn sealed_zero(&mut self, from_s: f64, to_s: f64) {
        self.settings.sealed_zero_s.get_or_insert((from_s, to_s));
    }

    /// Solves on what was pushed. `quality` is what the shell knows of the record; the measure adds to it.
    /// While recording, `leak.clone().finish(..)` gives the finding so far.
    pub fn finish(self, quality: Quality) -> LeakFinding {
        let mut finding = LeakFinding::empty(self.with_counts(quality));
        finding.calibration = self.settings.calibration;
        if let Err(refusal) = self.solve(&mut finding) {
            finding.refused = Some(vec![refusal]);
        }
        finding
    }

    fn with_counts(&self, mut quality: Quality) -> Quality {
        let s = &self.samples;
        quality.rows = quality.rows.max(s.rows);
        quality.gaps = quality.gaps.max(s.gaps());
        for (kind, count) in [
            ("not_finite", s.not_finite),
            ("backward_time", s.backward),
            ("beyond_six_hours", s.beyond),
        ] {
            if count > 0 {
                *quality.faults.entry(kind.into()).or_default() += count;
            }
        }
        quality
    }

    fn solve(&self, out: &mut LeakFinding) -> Result<(), Refusal> {
        let mut settings = self.checked_settings()?;
        out.volume_m3 = settings
            .volume_m3
            .map(|volume| Estimate::normal(volume, settings.volume_u));
        let tenths = self.samples.tenths();
        let strokes = settings
            .syringe_m3
            .map(|stroke| strokes::find(&tenths, stroke, settings.volume_m3));
        let held = match strokes.as_ref().and_then(|s| s.cut_tenth) {
            Some(cut) => self.until(cut).hold(&settings, &tenths[..cut], out)?,
            None => self.hold(&settings, &tenths, out)?,
        };
        out.trace.record = record_trace(&self.samples, &tenths, held.hold.tare_pa);
        out.quality.knocks = held.knocks;
        out.quality.noise_pa = Some(held.model.noise.white_pa);
        out.evidence.step_pa = held.step_pa;
        if let (Some(strokes), Some(stroke_m3)) = (strokes, settings.syringe_m3) {
            let mut syringe = syringe::volume(&self.samples, &strokes, stroke_m3, &held);
            match &syringe.effective_volume_m3 {
                Some(effective) => {
                    syringe.contradicts_m3 = settings.take_measured(effective, held.p_ref_pa);
                    if syringe.contradicts_m3.is_some() {
                        out.quality.common.flag("syringe_contradicts_volume");
                    }
                    out.volume_m3 = settings
                        .volume_m3
                        .map(|volume| Estimate::normal(volume, settings.volume_u));
                }
                None => out.quality.common.flag("syringe_not_used"),
            }
            out.syringe = Some(syringe);
        }
        conclude::conclude(out, &settings, &held)?;
        out.earlier_holds = self.earlier(&tenths, &held, settings);
        Ok(())
    }

    /// The same record up to a tenth.
    fn until(&self, tenth: usize) -> Self {
        Self {
            settings: self.settings,
            samples: self.samples.until(tenth * BINS_PER_TENTH),
            least: self.least,
        }
    }

    /// Fits the last hold of this record.
    fn hold(
        &self,
        settings: &Settings,
        tenths: &[f64],
        out: &mut LeakFinding,
    ) -> Result<Held, Refusal> {
        let hold = self.find_hold(tenths, out)?;
        let ambient_pa = match settings.ambient_pa {
            None if hold.absolute => hold.tare_pa,
            None => STANDARD_ATMOSPHERE_PA,
            Some(pa) => pa,
        };
        let (mut blocks, sums) = self.blocks(&hold, out)?;
        let noise = blocks.noise(SKIPPED);
        // A single reading a block shows no scatter: the range allows for coarse steps, but nobody can say that there are any.
        if blocks.usual > 1.0 && !blocks.is_dithered() {
            out.quality.common.flag("not_dithered");
        }
        let knocks = Knocks::find(&blocks, &noise)?;
        let around = self.surroundings(&mut blocks, &sums, ambient_pa, &hold, out)?;
        let model = Model::new(&blocks, &knocks, noise, &around);
        let p_ref_pa = p_ref(settings.p_ref_pa, &model)?;
        let fit = solve::fit(&model, p_ref_pa).ok_or_else(conclude::not_solvable)?;
        Ok(Held {
            hold,
            around,
            model,
            fit,
            p_ref_pa,
            knocks: knocks.masked.len() as u64,
            step_pa: blocks.step_pa,
        })
    }

    /// Holds before the last one, each fitted on the record cut before the next pumping and stated at the same pressure.
    /// One that cannot be fitted so is left out.
    fn earlier(&self, tenths: &[f64], last: &Held, mut settings: Settings) -> Vec<EarlierHold> {
        settings.p_ref_pa = Some(last.p_ref_pa);
        let pumpings = hold::pumpings(tenths, last.hold.top_pa);
        let cuts = pumpings
            .iter()
            .skip(1)
            .filter(|next| **next < last.hold.start_tenth)
            .take(MOST_EARLIER);
        cuts.filter_map(|cut| {
            let part = self.until(*cut);
            let mut out = LeakFinding::empty(Quality::default());
            let held = part.hold(&settings, &tenths[..*cut], &mut out).ok()?;
            conclude::conclude(&mut out, &settings, &held).ok()?;
            Some(EarlierHold {
                leak_rate_pa_m3_s: out.leak_rate_pa_m3_s,
                slope_pa_s: out.slope_pa_s?,
                hold_start_s: out.hold_start_s?,
                hold_s: out.hold_s?,
            })
        })
        .collect()
    }

    fn checked_settings(&self) -> Result<Settings, Refusal> {
        let s = &self.settings;
        let volume = s.volume_m3.unwrap_or(1.0);
        let volume_u = s.volume_u_m3.unwrap_or(VOLUME_U * volume);
        let refuse = |code: &str, message: &str| Err(Refusal::new(code, message));
        if !(volume > 0.0 && volume.is_finite() && volume_u >= 0.0 && volume_u.is_finite()) {
            return refuse(
                "no_volume",
                "the volume of tank and hose must be a positive number; state it with its uncertainty",
            );
        }
        if s.syringe_m3.is_some_and(|v| !(v > 0.0 && v.is_finite())) {
            return refuse(
                "no_syringe_volume",
                "the volume of a syringe's stroke must be a positive number; read it off the syringe",
            );
        }
        if s.ambient_pa.is_some_and(|pa| !AMBIENT_PA.contains(&pa)) {
            return refuse(
                "ambient_not_absolute",
                "the ambient pressure must be the absolute pressure at the bench, 500 to 1150 hPa; read it off a barometer without reduction to sea level, or leave it out",
            );
        }
        Ok(Settings {
            volume_m3: s.volume_m3,
            volume_u,
            p_ref_pa: s.p_ref_pa,
            ambient_pa: s.ambient_pa,
            syringe_m3: s.syringe_m3,
            stretch_u_per_pa: STRETCH_U_PER_PA,
            limit: s.limit.filter(|(limit, _)| limit.is_finite()),
            calibration: s.calibration,
        })
    }

    /// Where the last hold of the tenths begins.
    fn locate(&self, tenths: &[f64]) -> Result<Hold, Refusal> {
        let open_until = self
            .settings
            .sealed_zero_s
            .map(|(a, _)| sealed::bin_at(a - self.samples.origin_s()) / BINS_PER_TENTH);
        hold::find(tenths, open_until)
    }

    fn find_hold(&self, tenths: &[f64], out: &mut LeakFinding) -> Result<Hold, Refusal> {
        let hold = self.locate(tenths)?;
        if hold.no_tare {
            if tenths[hold.start_tenth.min(tenths.len() - 1)] > hold::ABSOLUTE_PA.start {
                return Err(Refusal::new(
                    "no_open_tank",
                    "the readings are absolute pressures and the record does not show the open tank; record half a second or more before pumping",
                ));
            }
            out.quality.common.flag("no_tare");
        }
        if hold.absolute {
            out.quality.common.flag("absolute_pressure");
        }
        let start_s = hold.start_tenth as f64 * 2.0 * BIN_S;
        let hold_s = (self.samples.span_s() - start_s).max(0.0);
        out.hold_start_s = Some(self.samples.origin_s() + start_s);
        out.hold_s = Some(hold_s);
        self.refuse_short(hold_s)?;
        Ok(hold)
    }

    /// Blocks of the hold and the sums they come from, cut where the pressure was let off or at 120 s.
    fn blocks(
        &self,
        hold: &Hold,
        out: &mut LeakFinding,
    ) -> Result<(Blocks, Vec<samples::Sums>), Refusal> {
        let hold_s = out.hold_s.unwrap_or_default().min(LONGEST_HOLD_S);
        // The last block may lack one late reading.
        let count = sealed::bin_at((hold_s + 0.5 * BIN_S) / samples::BINS_PER_BLOCK as f64);
        let mut sums = self
            .samples
            .blocks(hold.start_tenth * BINS_PER_TENTH, count);
        let mut blocks = Blocks::new(&sums, self.samples.base_pa() - hold.tare_pa);
        let mut used_s = BLOCK_S * count as f64;
        if let Some(at) = knocks::release(&blocks, hold.top_pa) {
            out.quality.common.flag("pressure_let_off");
            blocks.truncate(at.saturating_sub(1));
            sums.truncate(blocks.len());
            used_s = BLOCK_S * blocks.len() as f64;
            out.hold_s = Some(used_s);
            self.refuse_short(used_s)?;
        }
        out.quality.hold_used_s = Some(used_s);
        if used_s < SHORT_HOLD_S {
            out.quality.common.flag("short_hold");
        }
        let filled = blocks.filled.iter().filter(|f| **f).count();
        if filled < self.least.blocks {
            return Err(Refusal::new(
                "too_few_readings",
                "the hold has readings in too few quarters of a second; sample ten times a second or more, without gaps",
            )
            .with(filled as f64, self.least.blocks as f64));
        }
        self.refuse_clipped(&sums)?;
        Ok((blocks, sums))
    }

    /// A sensor at its end shows no leak: what the tank loses above that end is not seen. Where the probe states the end,
    /// every reading there counts, else only blocks that stand still at the record's highest one.
    fn refuse_clipped(&self, sums: &[samples::Sums]) -> Result<(), Refusal> {
        let top = self.samples.top();
        let top_pa = self.samples.base_pa() + top;
        let range_pa = self.settings.range_pa;
        let is_end = range_pa.is_some_and(|end| top_pa >= end - SAME_PA);
        let (skipped, least_share) = if is_end { (0, 0.0) } else { (SKIPPED, 1.0) };
        let held = sums.iter().skip(skipped).map(|s| s.share_at(top));
        let at_top_s = BLOCK_S * held.filter(|share| *share >= least_share).sum::<f64>();
        if at_top_s < AT_TOP_S {
            return Ok(());
        }
        Err(Refusal::new(
            "clipped",
            "for seconds of the hold every reading is the record's highest one, as when the pressure is above the sensor's range; no leak shows there: pump less, or use a sensor with more range or finer steps",
        )
        .with(at_top_s, AT_TOP_S))
    }

    fn refuse_short(&self, hold_s: f64) -> Result<(), Refusal> {
        let least_s = self.least.hold_s;
        if hold_s >= least_s {
            return Ok(());
        }
        Err(Refusal::new(
            "hold_too_short",
            format!("the hold after the last pump stroke is shorter than {least_s} s; leave the tank alone for 60 s"),
        )
        .with(hold_s, least_s))
    }

    fn surroundings(
        &self,
        blocks: &mut Blocks,
        sums: &[samples::Sums],
        ambient_pa: f64,
        hold: &Hold,
        out: &mut LeakFinding,
    ) -> Result<Surroundings, Refusal> {
        let mut around = Surroundings {
            ambient_pa,
            gas_k: T_REF_K,
            thermometer: None,
            slow_k: 0.0,
            zero_slope: None,
        };
        if sums.iter().any(|s| s.tank_n > 0) {
            match Thermometer::fit(sums, &blocks.t) {
                Ok(thermometer) => {
                    thermometer.reduce(blocks, ambient_pa);
                    around.gas_k = thermometer.mean_k;
                    around.thermometer = Some(thermometer.left);
                    around.slow_k = thermometer.slow_k;
                    if thermometer.slow_k > 0.0 {
                        out.quality.common.flag("thermometer_not_smooth");
                    }
                }
                Err(not_used) => out.quality.common.flag(not_used.flag()),
            }
        }
        if let Some(times) = self.settings.sealed_zero_s {
            let pumped_s = hold.pump_tenth as f64 * 2.0 * BIN_S;
            let slope = sealed::slope(&self.samples, times, pumped_s)?;
            // The thermometer already takes the drift off; nobody measured the two together.
            if around.thermometer.is_some() {
                out.quality.common.flag("sealed_zero_not_used");
            } else {
                around.zero_slope = Some(slope);
            }
        }
        out.quality.thermometer = around.thermometer.is_some();
        out.quality.sealed_zero = around.zero_slope.is_some();
        Ok(around)
    }
}

/// Settings that were looked over.
#[derive(Clone, Copy, Debug)]
struct Settings {
    volume_m3: Option<f64>,
    volume_u: f64,
    p_ref_pa: Option<f64>,
    ambient_pa: Option<f64>,
    syringe_m3: Option<f64>,
    /// Uncertainty of the stretch; none where the effective volume itself was measured.
    stretch_u_per_pa: f64,
    limit: Option<(f64, LimitSource)>,
    calibration: CalibrationShare,
}

impl Settings {
    /// Takes a measured effective volume at the reference pressure in place of the stated volume. Where the two contradict each
    /// other one of them is wrong, and nothing says which: then the middle, with both in its 95 %; returns the stated one.
    fn take_measured(&mut self, effective: &Estimate, p_ref_pa: f64) -> Option<Estimate> {
        let stretch = 1.0 + STRETCH_PER_PA * (STANDARD_ATMOSPHERE_PA + 2.0 * p_ref_pa);
        let (measured, measured_u) = (effective.value / stretch, effective.u / stretch);
        let stated = self.volume_m3.map(|v| Estimate::normal(v, self.volume_u));
        let contradicts = stated.filter(|stated| {
            (stated.value - measured).abs() > CONTRADICTS * libm::hypot(stated.u, measured_u)
        });
        (self.volume_m3, self.volume_u) = match &contradicts {
            Some(stated) => (
                Some(f64::midpoint(measured, stated.value)),
                0.5 * (measured - stated.value).abs(),
            ),
            None => (Some(measured), measured_u),
        };
        self.stretch_u_per_pa = 0.0;
        contradicts
    }
}

/// A hold that was found and fitted.
#[derive(Clone, Debug)]
struct Held {
    hold: Hold,
    around: Surroundings,
    model: Model,
    fit: Fit,
    p_ref_pa: f64,
    knocks: u64,
    /// Smallest step of the readings, Pa.
    step_pa: f64,
}

/// Reference pressure, refused where the record says nothing about it.
fn p_ref(stated: Option<f64>, model: &Model) -> Result<f64, Refusal> {
    let (first, last) = (model.first, model.last);
    if first < LEAST_HELD_PA {
        return Err(Refusal::new(
            "no_pressure",
            "the pressure was gone within 3 s of the last pump stroke: a leak far too large to measure, or an open valve; plug the outlet and the vent and repeat",
        )
        .with(first, LEAST_HELD_PA));
    }
    let p_ref_pa = stated.unwrap_or(P_REF * first);
    let outside = |limit: f64| {
        Err(Refusal::new(
            "p_ref_outside_record",
            format!(
                "the record held {last:.0} to {first:.0} Pa, too far from the reference pressure of {p_ref_pa:.0} Pa; state one in between, or pump to it"
            ),
        )
        .with(p_ref_pa, limit))
    };
    let (high, low) = (P_REF_HIGH * first, (P_REF_LOW * last).max(P_REF_LEAST_PA));
    if p_ref_pa > high {
        outside(high)
    } else if p_ref_pa >= low {
        Ok(p_ref_pa)
    } else {
        outside(low)
    }
}

fn record_trace(samples: &Samples, tenths: &[f64], tare_pa: f64) -> Vec<(f64, f64)> {
    let tenth_s = BIN_S * BINS_PER_TENTH as f64;
    tenths
        .iter()
        .enumerate()
        .map(|(i, p)| (samples.origin_s() + tenth_s * (i as f64 + 0.5), p - tare_pa))
        .collect()
}
