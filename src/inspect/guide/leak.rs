//! The guide of a leak: pump to the mark, hands off, the settling levels, the hold shrinks its interval until the stop
//! rule decides.

use schemars::JsonSchema;
use serde::Serialize;

use super::{forecast, thin::Thin};
use crate::{
    inspect::Phases,
    measure::leak::{
        EARLY_EVERY_S, EARLY_FROM_S, EARLY_RISK, HoldSoFar, Leak, LeakFinding, LeakSettings,
        PLANNED_HOLD_S, SETTLE_STEP_S, Standing,
    },
    reading::{Estimate, LimitSource, PressureReading, Quality, Verdict},
};

/// Mark to pump to where no reference pressure is stated, Pa (ours: the middle of what a hand pump with a relief valve gives
/// easily, and of the pressures on which the measure was tried).
const MARK_PA: f64 = 10_000.0;
/// A stated reference pressure is this part of the mark: what the measure takes by default, so the pressure that is held lies
/// above the reference at the start and the gas may cool on the way to it.
const P_REF_OF_MARK: f64 = 0.75;
/// Above this part of the mark somebody pumps.
const PUMPED: f64 = 0.03;
/// Hands are off when no stroke came for this long: behind the mark, and below it, where a slow hand may pause, s.
const QUIET_S: f64 = 1.5;
const QUIET_BELOW_S: f64 = 3.0;
/// Ends of pumping that lie closer together are one and the same, s.
const SAME_S: f64 = 1.0;
/// A rise in the hold is a new pumping when it has not turned out to be a knock by then, s.
const PUMPED_AGAIN_S: f64 = 1.5;
/// Pumping that raised the pressure by less than a share for this long no longer gains, s.
const STALLED_S: f64 = 10.0;
const GAIN: f64 = 1.02;
/// How often the record is looked through: while somebody may pump, and in a hold that has begun, microseconds.
const LOOK_US: u64 = 100_000;
const LOOK_IN_HOLD_US: u64 = 500_000;
/// A record of many minutes is looked through less often: no sooner than after this part of its length.
const LOOK_SHARE: u64 = 2000;
/// First estimate for the eye, s of the hold, and from one to the next.
const SHOWN_FROM_S: f64 = 5.0;
const SHOWN_EVERY_S: f64 = 1.0;
/// From here on the finding is the measure's own, s.
const MEASURED_FROM_S: f64 = 20.0;
/// Refusals that a longer hold does not mend.
const FOR_GOOD: [&str; 3] = ["no_pressure", "disturbed", "clipped"];

/// What the hands do now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LeakPhase {
    /// The tank is open or just sealed: wait for the first stroke of the pump.
    Rest,
    /// The pressure rises towards the mark.
    Pump,
    /// Hands off; the gas still settles. Display only: the fit looks from 1 s of the hold on.
    Settle,
    /// Hands off; the interval draws in.
    Hold,
    /// The hold is over: let the air out.
    Over,
}

/// What was lost in one step of the settling.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct SettleStep {
    /// End of the step, seconds of the hold.
    pub t_s: f64,
    /// Pressure lost in it, Pa.
    pub lost_pa: f64,
}

/// The estimate at one moment of the hold: one line of the funnel.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Moment {
    /// Seconds of the hold.
    pub t_s: f64,
    /// Leak rate, Pa m3/s: the 99 % interval until the planned end, the 95 % one at it.
    pub lo: f64,
    /// Upper end.
    pub hi: f64,
    /// Value.
    pub value: f64,
}

/// Where a leak test stands.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct LeakView {
    /// What the hands do now.
    pub phase: LeakPhase,
    /// Gauge pressure now, Pa; null before the first reading.
    pub pressure_pa: Option<f64>,
    /// Mark to pump to, Pa.
    pub mark_pa: f64,
    /// Pumping goes on, but the pressure no longer gains: the mark is out of reach (a large leak, or an open valve). Let go
    /// of the pump: what was reached is held and measured all the same.
    pub is_stalled: bool,
    /// The pressure was let off in the hold, or something gave way: pump again.
    pub is_let_off: bool,
    /// End of pumping, seconds of the record; null before it.
    pub hold_start_s: Option<f64>,
    /// Since the end of pumping, s; null before it.
    pub hold_s: Option<f64>,
    /// Planned length of the hold, s.
    pub planned_s: f64,
    /// Steps of the settling, 3 s each.
    pub settling: Vec<SettleStep>,
    /// The last two steps differ by no more than their noise.
    pub is_level: bool,
    /// About how long the settling goes on, s; null when it is level or nobody can say.
    pub settle_more_s: Option<f64>,
    /// Leak rate so far, Pa m3/s: `lo95` and `hi95` hold the 99 % interval until the planned end.
    pub leak_rate_pa_m3_s: Option<Estimate>,
    /// Probability of that interval: 0.99 until the planned end, then 0.95.
    pub level: f64,
    /// Limit, Pa m3/s, and where it comes from.
    pub limit_pa_m3_s: Option<(f64, LimitSource)>,
    /// The verdict by the stop rule; undecided until it decides.
    pub verdict: Verdict,
    /// About how much longer until the rule decides, s; null when nobody can say.
    pub more_s: Option<f64>,
    /// The funnel, earliest first.
    pub funnel: Vec<Moment>,
    /// The readings: seconds of the record and gauge pressure, Pa, thinned to at most 700 with their extremes kept.
    pub readings: Vec<(f64, f64)>,
    /// The recording may end by itself.
    pub is_over: bool,
    /// Why there is no number, in words, once a study was refused.
    pub refused: Option<String>,
}

/// Follows a leak test.
#[derive(Debug)]
pub struct LeakGuide {
    settings: LeakSettings,
    leak: Leak,
    phases: Phases,
    trace: Thin,
    /// Time, microseconds, and value, Pa, of the newest reading.
    now: Option<(u64, f64)>,
    begun_us: u64,
    standing: Standing,
    /// When the record is looked through next, microseconds.
    next_look_us: u64,
    /// The hold that is shown.
    hold: Option<Hold>,
    /// Since when the measure sees another end of pumping than that of the hold shown, s.
    other_since_s: Option<f64>,
    /// Highest pressure of this pumping, Pa, and when it was reached, s.
    top: (f64, f64),
    /// When the pressure was last that of a tank that is pumped up, s.
    pumped_s: Option<f64>,
    /// A study is out.
    is_out: bool,
    is_over: bool,
}

/// The hold that is shown, and what the studies said of it.
#[derive(Debug)]
struct Hold {
    start_s: f64,
    /// When the next study for the eye and the next look of the stop rule are due, s of the hold.
    shown_s: f64,
    look_s: f64,
    is_level: bool,
    is_let_off: bool,
    rate: Option<Estimate>,
    level: f64,
    limit: Option<(f64, LimitSource)>,
    verdict: Verdict,
    more_s: Option<f64>,
    funnel: Vec<Moment>,
    refused: Option<String>,
}

/// Why a study is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Purpose {
    /// To be looked at.
    Eye,
    /// The stop rule looks.
    Stop,
    /// The planned end.
    End,
}

/// A fit of the hold so far.
#[derive(Debug)]
pub struct LeakStudy {
    leak: Leak,
    purpose: Purpose,
    hold_s: f64,
}

/// What the fit found.
#[derive(Debug)]
pub struct LeakStudied {
    finding: LeakFinding,
    purpose: Purpose,
}

impl LeakGuide {
    /// A guide before the first reading.
    pub fn new(settings: LeakSettings) -> Self {
        Self {
            settings,
            leak: Leak::new(settings),
            phases: Phases::default(),
            trace: Thin::default(),
            now: None,
            begun_us: 0,
            standing: Standing {
                tare_pa: 0.0,
                hold: None,
            },
            next_look_us: 0,
            hold: None,
            other_since_s: None,
            top: (0.0, 0.0),
            pumped_s: None,
            is_out: false,
            is_over: false,
        }
    }

    pub(super) fn push(&mut self, reading: PressureReading) {
        self.leak.push(reading);
        let PressureReading {
            t_us, pressure_pa, ..
        } = reading;
        let is_later = self.now.is_none_or(|(last_us, _)| t_us > last_us);
        if !pressure_pa.is_finite() || !is_later {
            return;
        }
        if self.now.is_none() {
            self.begun_us = t_us;
        }
        self.now = Some((t_us, pressure_pa));
        self.trace.push(t_us, pressure_pa);
        if t_us >= self.next_look_us && !self.is_over {
            self.look();
            let usual_us = if self.hold.is_some() && self.other_since_s.is_none() {
                LOOK_IN_HOLD_US
            } else {
                LOOK_US
            };
            self.next_look_us = t_us + usual_us.max((t_us - self.begun_us) / LOOK_SHARE);
        }
    }

    /// Marks tell when the tank was sealed at zero pressure.
    pub(super) fn mark(&mut self, text: &str) {
        if let Some((from_s, to_s)) = self.phases.mark(text, self.now_s()) {
            self.leak.sealed_zero(from_s, to_s);
        }
    }

    fn now_s(&self) -> f64 {
        self.now.map_or(0.0, |(t_us, _)| t_us as f64 * 1e-6)
    }

    fn gauge_pa(&self) -> f64 {
        self.now.map_or(0.0, |(_, pa)| pa - self.standing.tare_pa)
    }

    /// Between two strokes a large leak may empty the tank.
    fn is_pumped(&self) -> bool {
        self.pumped_s
            .is_some_and(|pumped_s| self.now_s() - pumped_s < QUIET_BELOW_S)
    }

    fn mark_pa(&self) -> f64 {
        let stated = self.settings.p_ref_pa.filter(|pa| *pa > 0.0);
        stated.map_or(MARK_PA, |pa| pa / P_REF_OF_MARK)
    }

    /// Looks through the record: where the measure sees the end of pumping.
    fn look(&mut self) {
        self.standing = self.leak.standing();
        let (now_s, gauge_pa) = (self.now_s(), self.gauge_pa());
        if gauge_pa > PUMPED * self.mark_pa() {
            self.pumped_s = Some(now_s);
        }
        if !self.is_pumped() {
            self.top = (0.0, now_s);
        } else if gauge_pa > GAIN * self.top.0 {
            self.top = (gauge_pa, now_s);
        }
        let Some(found) = self.standing.hold.clone() else {
            (self.hold, self.other_since_s) = (None, None);
            return;
        };
        if let Some(hold) = &mut self.hold
            && (found.start_s - hold.start_s).abs() <= SAME_S
        {
            hold.follow(&found);
            self.other_since_s = None;
            return;
        }
        if self.hold.is_some() && now_s - *self.other_since_s.get_or_insert(now_s) >= PUMPED_AGAIN_S
        {
            (self.hold, self.other_since_s) = (None, None);
        }
        let quiet_s = if self.top.0 >= self.mark_pa() {
            QUIET_S
        } else {
            QUIET_BELOW_S
        };
        if found.hold_s >= quiet_s && !found.is_let_off {
            self.hold = Some(Hold::new(&found));
            self.other_since_s = None;
        }
    }

    fn phase(&self) -> LeakPhase {
        match &self.hold {
            _ if self.is_over => LeakPhase::Over,
            Some(hold) if hold.is_let_off => LeakPhase::Rest,
            Some(hold) if hold.is_level || self.now_s() - hold.start_s >= EARLY_FROM_S => {
                LeakPhase::Hold
            }
            Some(_) => LeakPhase::Settle,
            None if self.is_pumped() => LeakPhase::Pump,
            None => LeakPhase::Rest,
        }
    }

    pub(super) fn view(&self) -> LeakView {
        let hold = self.hold.as_ref();
        let found = hold.and(self.standing.hold.as_ref());
        let phase = self.phase();
        let settling = found.map(|found| &found.settling);
        LeakView {
            phase,
            pressure_pa: self.now.map(|_| self.gauge_pa()),
            mark_pa: self.mark_pa(),
            is_stalled: phase == LeakPhase::Pump && self.now_s() - self.top.1 >= STALLED_S,
            is_let_off: hold.is_some_and(|hold| hold.is_let_off),
            hold_start_s: hold.map(|hold| hold.start_s),
            hold_s: hold.map(|hold| self.now_s() - hold.start_s),
            planned_s: PLANNED_HOLD_S,
            settling: settling.map_or_else(Vec::new, |s| steps(&s.lost_pa)),
            is_level: hold.is_some_and(|hold| hold.is_level),
            settle_more_s: settling
                .filter(|_| phase == LeakPhase::Settle)
                .and_then(crate::measure::leak::Settling::more_s),
            leak_rate_pa_m3_s: hold.and_then(|hold| hold.rate),
            level: hold.map_or(1.0 - 2.0 * EARLY_RISK, |hold| hold.level),
            limit_pa_m3_s: hold.and_then(|hold| hold.limit).or(self.settings.limit),
            verdict: hold.map_or(Verdict::Undecided, |hold| hold.verdict),
            more_s: hold.and_then(|hold| hold.more_s),
            funnel: hold.map_or_else(Vec::new, |hold| hold.funnel.clone()),
            readings: self.trace.points(self.standing.tare_pa),
            is_over: self.is_over,
            refused: hold.and_then(|hold| hold.refused.clone()),
        }
    }

    pub(super) fn study(&mut self) -> Option<LeakStudy> {
        let now_s = self.now_s();
        let hold = self.hold.as_mut()?;
        let is_still = self.other_since_s.is_none() && !hold.is_let_off;
        if self.is_out || self.is_over || !is_still {
            return None;
        }
        let hold_s = now_s - hold.start_s;
        let purpose = hold.due(hold_s)?;
        self.is_out = true;
        Some(LeakStudy {
            leak: self.leak.clone(),
            purpose,
            hold_s,
        })
    }

    pub(super) fn learn(&mut self, found: LeakStudied) {
        self.is_out = false;
        let LeakStudied { finding, purpose } = found;
        let Some(hold) = &mut self.hold else { return };
        // A study of a hold that was pumped away meanwhile says nothing of this one.
        let is_same = |start_s: f64| (start_s - hold.start_s).abs() <= SAME_S;
        if self.is_over || !finding.hold_start_s.is_some_and(is_same) {
            return;
        }
        self.is_over = hold.learn(&finding, purpose);
    }
}

impl Hold {
    fn new(found: &HoldSoFar) -> Self {
        let mut hold = Self {
            start_s: found.start_s,
            shown_s: SHOWN_FROM_S,
            look_s: EARLY_FROM_S,
            is_level: false,
            is_let_off: false,
            rate: None,
            level: 1.0 - 2.0 * EARLY_RISK,
            limit: None,
            verdict: Verdict::Undecided,
            more_s: None,
            funnel: Vec::new(),
            refused: None,
        };
        hold.follow(found);
        hold
    }

    /// Takes what the measure sees of this hold now. What was level stays level: noise alone would make it flicker.
    fn follow(&mut self, found: &HoldSoFar) {
        self.start_s = found.start_s;
        self.is_level |= found.settling.is_level();
        self.is_let_off = found.is_let_off;
    }

    /// What is due at `hold_s`, which counts as done from now on.
    fn due(&mut self, hold_s: f64) -> Option<Purpose> {
        let purpose = if hold_s >= PLANNED_HOLD_S {
            Purpose::End
        } else if hold_s >= self.look_s {
            self.look_s += EARLY_EVERY_S * (1.0 + ((hold_s - self.look_s) / EARLY_EVERY_S).floor());
            Purpose::Stop
        } else if hold_s >= self.shown_s {
            Purpose::Eye
        } else {
            return None;
        };
        self.shown_s = hold_s.floor() + SHOWN_EVERY_S;
        Some(purpose)
    }

    /// Takes what a study found; true when that ends the test.
    fn learn(&mut self, finding: &LeakFinding, purpose: Purpose) -> bool {
        let hold_s = finding.hold_s.unwrap_or_default();
        if let Some(refusal) = finding.refused.as_ref().and_then(|all| all.first()) {
            self.refused = Some(refusal.message.clone());
            self.more_s = None;
            let for_good = FOR_GOOD.contains(&refusal.code.as_str());
            return purpose == Purpose::End || (hold_s >= MEASURED_FROM_S && for_good);
        }
        self.refused = None;
        let at_end = purpose == Purpose::End;
        self.rate = shown(finding, at_end);
        self.limit = finding.limit_leak_rate_pa_m3_s.zip(finding.limit_source);
        if let Some(rate) = self.rate {
            self.funnel.push(Moment {
                t_s: hold_s,
                lo: rate.lo95,
                hi: rate.hi95,
                value: rate.value,
            });
        }
        let decides = at_end || (purpose == Purpose::Stop && finding.may_stop());
        if at_end {
            self.level = 0.95;
        }
        self.more_s = if decides {
            self.verdict = finding.verdict.unwrap_or(Verdict::Undecided);
            None
        } else {
            forecast::decided_in_s(finding, hold_s)
        };
        decides
    }
}

/// The estimate with the interval that the verdict looks at: 99 % until the planned end, 95 % at it.
fn shown(finding: &LeakFinding, at_end: bool) -> Option<Estimate> {
    let rate = finding.leak_rate_pa_m3_s?;
    if at_end {
        return Some(rate);
    }
    Some(Estimate {
        lo95: finding.leak_rate_quantile(EARLY_RISK)?,
        hi95: finding.leak_rate_quantile(1.0 - EARLY_RISK)?,
        ..rate
    })
}

fn steps(lost_pa: &[f64]) -> Vec<SettleStep> {
    let step = |(i, lost_pa): (u32, &f64)| SettleStep {
        t_s: SETTLE_STEP_S * f64::from(i),
        lost_pa: *lost_pa,
    };
    (1..).zip(lost_pa).map(step).collect()
}

impl LeakStudy {
    pub(super) fn run(self) -> LeakStudied {
        let finding = if self.hold_s < MEASURED_FROM_S {
            self.leak.first_look(Quality::default())
        } else {
            self.leak.finish(Quality::default())
        };
        LeakStudied {
            finding,
            purpose: self.purpose,
        }
    }
}
