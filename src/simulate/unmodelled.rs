//! Tissue, hands and sensors that the law of the whole-trace fit (METHODS.md §4.2) does not describe, with known truth.
//!
//! Kept apart from the fit: nothing here is used by it, and the curves are written anew, so that a slip in one does not
//! hide in the other. Ranges are invented to be plausible for a back under a hand; sources of the laws stand with them.

use super::movement::SampledMovement;
use super::recording::{ExtraColumns, FineSide, record};
use super::resting_curve::{KnownLines, RestingCurve};
use super::{Elastic, Examiner, Rng, Sensor, Simulated, Tissue, Truth, quantise};

/// Streams of a seed: what is drawn, how the hand moves, and noise that is not white.
const DRAW: u64 = 21;
const MOVEMENT: u64 = 22;
const COLOURED: u64 = 23;

/// A way in which a press can differ from the fitted law.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum UnmodelledLaw {
    /// The toe is a·x^1.5, then a line of the same slope.
    PowerToe,
    /// The toe is a·x², then a line of the same slope.
    SquareToe,
    /// The toe is an exponential, then a line of the same slope.
    ExponentialToe,
    /// The toe is two lines, the second twice as steep.
    BentToe,
    /// Three lines: toe, a middle region, end.
    TwoKnees,
    /// Beyond the onset the slope goes on rising.
    StiffeningEnd,
    /// Quasi-linear viscoelasticity with an even spectrum of relaxation times (Fung 1993, Biomechanics, section 7.6).
    QuasiLinear,
    /// Two relaxation times.
    TwoTimes,
    /// Hysteresis that does not hang on speed (Dahl 1976, AIAA J 14:1675-1682).
    RateFreeHysteresis,
    /// Damping that grows with depth.
    DeepeningDamping,
    /// Every spring leaves the tissue softer.
    SofteningSprings,
    /// Something that gives lies between sensor and tissue.
    SeriesCompliance,
    /// The contact slides by about a millimetre while it is held.
    Slip,
    /// Muscle tightens after the first spring.
    Guarding,
    /// The trunk rises and falls under the hand.
    Breathing,
    /// The pulse is felt in the force.
    HeartBeat,
    /// 1/f noise and mains hum on both sensors.
    PinkNoise,
    /// Sensors that resolve half a newton and a tenth of a millimetre.
    CoarseSensors,
    /// The hand comes down from above and lands at speed.
    Landing,
    /// A lean of some ten seconds.
    SlowLean,
    /// Springs of half a millimetre.
    SmallSprings,
}

impl UnmodelledLaw {
    /// Every one.
    pub const ALL: [UnmodelledLaw; 21] = [
        UnmodelledLaw::PowerToe,
        UnmodelledLaw::SquareToe,
        UnmodelledLaw::ExponentialToe,
        UnmodelledLaw::BentToe,
        UnmodelledLaw::TwoKnees,
        UnmodelledLaw::StiffeningEnd,
        UnmodelledLaw::QuasiLinear,
        UnmodelledLaw::TwoTimes,
        UnmodelledLaw::RateFreeHysteresis,
        UnmodelledLaw::DeepeningDamping,
        UnmodelledLaw::SofteningSprings,
        UnmodelledLaw::SeriesCompliance,
        UnmodelledLaw::Slip,
        UnmodelledLaw::Guarding,
        UnmodelledLaw::Breathing,
        UnmodelledLaw::HeartBeat,
        UnmodelledLaw::PinkNoise,
        UnmodelledLaw::CoarseSensors,
        UnmodelledLaw::Landing,
        UnmodelledLaw::SlowLean,
        UnmodelledLaw::SmallSprings,
    ];

    /// What tables call it.
    pub fn word(self) -> &'static str {
        match self {
            UnmodelledLaw::PowerToe => "power-toe",
            UnmodelledLaw::SquareToe => "square-toe",
            UnmodelledLaw::ExponentialToe => "exponential-toe",
            UnmodelledLaw::BentToe => "bent-toe",
            UnmodelledLaw::TwoKnees => "two-knees",
            UnmodelledLaw::StiffeningEnd => "stiffening-end",
            UnmodelledLaw::QuasiLinear => "quasi-linear",
            UnmodelledLaw::TwoTimes => "two-times",
            UnmodelledLaw::RateFreeHysteresis => "rate-free-hysteresis",
            UnmodelledLaw::DeepeningDamping => "deepening-damping",
            UnmodelledLaw::SofteningSprings => "softening-springs",
            UnmodelledLaw::SeriesCompliance => "series-compliance",
            UnmodelledLaw::Slip => "slip",
            UnmodelledLaw::Guarding => "guarding",
            UnmodelledLaw::Breathing => "breathing-trunk",
            UnmodelledLaw::HeartBeat => "heart-beat",
            UnmodelledLaw::PinkNoise => "pink-noise",
            UnmodelledLaw::CoarseSensors => "coarse-sensors",
            UnmodelledLaw::Landing => "landing",
            UnmodelledLaw::SlowLean => "slow-lean",
            UnmodelledLaw::SmallSprings => "small-springs",
        }
    }

    /// Whether the take-up is a line with damping from first contact on, so that first contact is where the tissue begins.
    pub fn begins_as_a_line(self) -> bool {
        match self {
            UnmodelledLaw::TwoKnees
            | UnmodelledLaw::StiffeningEnd
            | UnmodelledLaw::SofteningSprings
            | UnmodelledLaw::Slip
            | UnmodelledLaw::Guarding
            | UnmodelledLaw::PinkNoise
            | UnmodelledLaw::CoarseSensors
            | UnmodelledLaw::Landing
            | UnmodelledLaw::SlowLean
            | UnmodelledLaw::SmallSprings => true,
            UnmodelledLaw::PowerToe
            | UnmodelledLaw::SquareToe
            | UnmodelledLaw::ExponentialToe
            | UnmodelledLaw::BentToe
            | UnmodelledLaw::QuasiLinear
            | UnmodelledLaw::TwoTimes
            | UnmodelledLaw::RateFreeHysteresis
            | UnmodelledLaw::DeepeningDamping
            | UnmodelledLaw::SeriesCompliance
            | UnmodelledLaw::Breathing
            | UnmodelledLaw::HeartBeat => false,
        }
    }

    /// One trace of this kind with its truth: onset, slopes and damping by METHODS.md §4.2 from the curve at rest.
    pub fn simulate(self, seed: u64) -> Simulated {
        self.simulate_again(seed, seed, PressChange::default())
    }

    /// Another press on the tissue and by the hand that one seed draws, changed; the other seed draws movement and noise.
    pub fn simulate_again(self, drawn_by: u64, seed: u64, change: PressChange) -> Simulated {
        let mut press = self.draw(&mut Rng::stream(drawn_by, DRAW), change.times_as_stiff);
        press.examiner.preload_beyond_onset_mm += change.deeper_mm;
        let step_s = press.sensor.fine_step_s();
        let reached = press.gap_mm + press.known.onset_mm;
        let movement = press.examiner.movement(reached, &mut Rng::stream(seed, MOVEMENT));
        let mut path = movement.sample(step_s);
        let force_n = press.forces_n(&mut path, step_s);
        let known = &press.known;
        let as_lines = Tissue {
            elastic: Elastic::Knee {
                take_up_n_per_mm: known.toe_n_per_mm,
                end_feel_n_per_mm: known.end_n_per_mm,
                onset_mm: reached,
                width_mm: 0.0,
            },
            damping_n_s_per_mm: press.damping,
            ..Tissue::default()
        };
        let truth = Truth::of(&as_lines, &path, &force_n, step_s);
        let side = FineSide {
            x_mm: path.x_mm,
            force_n,
        };
        let (mut trace, noise_free) = record(&[side], false, &press.sensor, ExtraColumns::default(), seed);
        if self == UnmodelledLaw::PinkNoise {
            let mut noise = Rng::stream(seed, COLOURED);
            for channel in &mut trace.channels {
                let rate_hz = press.sensor.rate_hz;
                add_coloured(&mut channel.force_n, [0.3, 0.3], rate_hz, 0.01, &mut noise);
                if let Some(x) = &mut channel.displacement_mm {
                    add_coloured(x, [0.015, 0.01], rate_hz, 0.001, &mut noise);
                }
            }
        }
        Simulated {
            trace,
            noise_free,
            truth,
        }
    }

    fn draw(self, rng: &mut Rng, stiffer: f64) -> UnmodelledPress {
        let (toe, end) = (stiffer * rng.between(0.8, 3.0), stiffer * rng.between(7.0, 16.0));
        let (onset_mm, width_mm) = (rng.between(5.0, 11.0), rng.between(0.08, 0.25));
        let mut press = UnmodelledPress::plain(toe, end, onset_mm, width_mm);
        press.damping = stiffer * rng.between(0.08, 0.25);
        press.examiner = Examiner::drawn(rng);
        match self {
            UnmodelledLaw::PowerToe => press.set_curve(RestingCurve::power(1.5, onset_mm, end)),
            UnmodelledLaw::SquareToe => press.set_curve(RestingCurve::power(2.0, onset_mm, end)),
            UnmodelledLaw::ExponentialToe => press.set_curve(RestingCurve::Exponential {
                rate_per_mm: rng.between(0.25, 0.5),
                end_mm: onset_mm,
                slope: end,
            }),
            UnmodelledLaw::BentToe => press.set_curve(RestingCurve::Lines {
                slopes: [0.7 * toe, 1.4 * toe, end],
                bends_mm: [rng.between(0.4, 0.6) * onset_mm, onset_mm],
                toe_is_first: false,
            }),
            UnmodelledLaw::TwoKnees => press.set_curve(RestingCurve::Lines {
                slopes: [toe, rng.between(0.35, 0.6) * end + 0.3 * toe, end],
                bends_mm: [onset_mm, onset_mm + rng.between(0.6, 1.4)],
                toe_is_first: true,
            }),
            UnmodelledLaw::StiffeningEnd => press.stiffening_per_mm = rng.between(0.03, 0.1),
            UnmodelledLaw::QuasiLinear => {
                let strength = rng.between(0.04, 0.1);
                press.relaxation = [0.05, 0.125, 0.3, 0.8, 2.0, 5.0].map(|t| (t, strength)).to_vec();
            }
            UnmodelledLaw::TwoTimes => {
                press.relaxation = vec![(rng.between(0.1, 0.3), 0.15), (rng.between(1.0, 3.0), 0.15)];
            }
            UnmodelledLaw::RateFreeHysteresis => {
                press.hysteresis = Some((rng.between(1.0, 4.0), rng.between(0.15, 0.4)));
            }
            UnmodelledLaw::DeepeningDamping => press.damping_deepens = true,
            UnmodelledLaw::SofteningSprings => {
                press.softening = rng.between(0.03, 0.08);
                // Springs share the loss evenly: what a fit over all of them can find is their mean.
                let mean = 1.0 - press.softening * (f64::from(press.examiner.springs) - 1.0) / 2.0;
                press.known.end_n_per_mm *= mean;
            }
            UnmodelledLaw::SeriesCompliance => press.in_series(rng.between(15.0, 40.0)),
            UnmodelledLaw::Slip => press.slip_mm = rng.between(0.5, 1.5),
            UnmodelledLaw::Guarding => {
                let share = rng.between(0.1, 0.25);
                press.guarding = Some((rng.between(4.0, 10.0), share));
                // All springs but the first meet the tightened tissue.
                let springs = f64::from(press.examiner.springs);
                press.known.end_n_per_mm *= 1.0 + share * (springs - 1.0) / springs;
            }
            UnmodelledLaw::Breathing => press.breathing_mm = rng.between(0.3, 0.8),
            UnmodelledLaw::HeartBeat => press.pulse_n = rng.between(0.5, 1.5),
            UnmodelledLaw::PinkNoise => {
                press.sensor.force_noise_n = 0.1;
                press.sensor.displacement_noise_mm = 0.005;
            }
            UnmodelledLaw::CoarseSensors => {
                press.sensor.force_resolution_n = 0.5;
                press.sensor.displacement_resolution_mm = 0.1;
                press.sensor.force_noise_n = 0.1;
                press.sensor.displacement_noise_mm = 0.01;
            }
            UnmodelledLaw::Landing => {
                press.gap_mm = rng.between(5.0, 12.0);
                press.examiner.lean_s = rng.between(0.7, 1.2);
            }
            UnmodelledLaw::SlowLean => press.examiner.lean_s = rng.between(8.0, 12.0),
            UnmodelledLaw::SmallSprings => press.examiner.excursion_mm = rng.between(0.45, 0.6),
        }
        press
    }
}

/// How a press differs from another one on the same tissue.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PressChange {
    /// Slopes and damping of the tissue are so many times as high.
    pub times_as_stiff: f64,
    /// The hand goes so much deeper, springs and all.
    pub deeper_mm: f64,
}

impl Default for PressChange {
    fn default() -> Self {
        PressChange { times_as_stiff: 1.0, deeper_mm: 0.0 }
    }
}

/// All that is drawn for one press.
struct UnmodelledPress {
    curve: RestingCurve,
    known: KnownLines,
    examiner: Examiner,
    sensor: Sensor,
    damping: f64,
    damping_deepens: bool,
    /// How the slope beyond the onset rises, as a share of it per mm.
    stiffening_per_mm: f64,
    /// Times (s) and shares of the force at rest.
    relaxation: Vec<(f64, f64)>,
    /// Force (N) and the travel (mm) over which it turns.
    hysteresis: Option<(f64, f64)>,
    /// Share of its stiffness that each spring takes away.
    softening: f64,
    series_n_per_mm: Option<f64>,
    slip_mm: f64,
    /// Force (N) and share of stiffness that muscle adds.
    guarding: Option<(f64, f64)>,
    breathing_mm: f64,
    pulse_n: f64,
    /// Free way above the skin.
    gap_mm: f64,
}

impl UnmodelledPress {
    fn plain(toe: f64, slope: f64, onset_mm: f64, width_mm: f64) -> Self {
        let curve = RestingCurve::Knee { toe, slope, onset_mm, width_mm };
        UnmodelledPress {
            known: curve.known(),
            curve,
            examiner: Examiner::default(),
            sensor: Sensor::default(),
            damping: 0.0,
            damping_deepens: false,
            stiffening_per_mm: 0.0,
            relaxation: Vec::new(),
            hysteresis: None,
            softening: 0.0,
            series_n_per_mm: None,
            slip_mm: 0.0,
            guarding: None,
            breathing_mm: 0.0,
            pulse_n: 0.0,
            gap_mm: 0.0,
        }
    }

    fn set_curve(&mut self, curve: RestingCurve) {
        self.curve = curve;
        self.known = curve.known();
    }

    /// What gives before the tissue does adds its own way to every displacement.
    fn in_series(&mut self, stiffness: f64) {
        let with = |k: f64| k * stiffness / (k + stiffness);
        let known = &mut self.known;
        known.onset_mm += known.toe_n_per_mm * known.onset_mm / stiffness;
        known.toe_n_per_mm = with(known.toe_n_per_mm);
        known.end_n_per_mm = with(known.end_n_per_mm);
        self.series_n_per_mm = Some(stiffness);
    }

    /// Force over the movement; a slip is added to the path as the sensor sees it.
    fn forces_n(&self, path: &mut SampledMovement, step_s: f64) -> Vec<f64> {
        let first_spring = path.springs.first().map_or(path.x_mm.len(), |s| s.0);
        let after_first = path.springs.first().map_or(path.x_mm.len(), |s| s.1);
        // In the hold before the first spring, over a tenth of a second.
        let slipping = (first_spring.saturating_sub((0.4 / step_s) as usize), (0.1 / step_s) as usize);
        let depths: Vec<f64> = path
            .x_mm
            .iter()
            .enumerate()
            .map(|(i, x)| {
                let depth = (x - self.gap_mm).max(0.0);
                let trunk = self.breathing_mm * libm::sin(1.7 * i as f64 * step_s);
                (depth + trunk * depth.min(1.0)).max(0.0)
            })
            .collect();
        let mut state = PressState::new(self.relaxation.len());
        let mut forces = Vec::with_capacity(depths.len());
        for (i, &x) in depths.iter().enumerate() {
            let t = i as f64 * step_s;
            let on = path.x_mm[i] > self.gap_mm;
            let force = if on {
                let softer = 1.0 - self.softening * springs_done(&path.springs, i);
                let guarded = ramp(i, after_first, (0.3 / step_s) as usize);
                let fixed = self.guarding.map_or(0.0, |(n, _)| n * guarded);
                let factor = softer * (1.0 + self.guarding.map_or(0.0, |(_, share)| share * guarded));
                let beat = self.pulse_n * libm::pow(libm::sin(3.6 * t).abs(), 6.0) * x.min(1.0);
                // About the sample itself: the speed of half a step ago would pass for stiffness in every spring.
                let (before, after) = (depths[i.saturating_sub(1)], depths[(i + 1).min(depths.len() - 1)]);
                let speed = (after - before) / (2.0 * step_s);
                (self.at_depth(x, speed, factor, &mut state, step_s) + fixed + beat).max(0.0)
            } else {
                state.leave();
                0.0
            };
            forces.push(force);
        }
        for i in 0..path.x_mm.len() {
            // The hand stays off the tissue by what it slid, until it leaves.
            let slid = self.slip_mm * ramp(i, slipping.0, slipping.1);
            path.x_mm[i] += slid * (path.x_mm[i] / 2.0).min(1.0);
        }
        forces
    }

    fn at_depth(&self, x: f64, speed: f64, factor: f64, state: &mut PressState, step_s: f64) -> f64 {
        let Some(series) = self.series_n_per_mm else {
            return self.tissue_n(x, speed, factor, state, step_s);
        };
        // The tissue's own depth is where its damping takes up, over a step on average, what the force of that which lies
        // above it has over the tissue's at rest; by bisection.
        let surplus = |depth: f64| series * (x - depth) - self.curve.force_n(depth);
        let (mut low, mut high) = (0.0, x);
        for _ in 0..50 {
            let middle = 0.5 * (low + high);
            let damped = self.damping * (middle - state.x) / step_s;
            if damped < 0.5 * (surplus(middle) + state.surplus_n) {
                low = middle;
            } else {
                high = middle;
            }
        }
        state.x = 0.5 * (low + high);
        state.surplus_n = surplus(state.x);
        series * (x - state.x)
    }

    fn tissue_n(&self, x: f64, speed: f64, factor: f64, state: &mut PressState, step_s: f64) -> f64 {
        let moved = x - state.x;
        state.x = x;
        let beyond = (x - self.known.onset_mm).max(0.0);
        let stiffening = 0.5 * self.stiffening_per_mm * self.known.end_n_per_mm * beyond * beyond;
        let at_rest = factor * (self.curve.force_n(x) + stiffening);
        let depth_share = if self.damping_deepens { x / self.known.onset_mm } else { 1.0 };
        let mut force = at_rest + self.damping * depth_share * speed;
        for (branch, &(time_s, share)) in state.branches.iter_mut().zip(&self.relaxation) {
            let decay = libm::exp(-step_s / time_s);
            *branch = *branch * decay + share * (at_rest - state.at_rest) * (1.0 - decay) * time_s / step_s;
            force += *branch;
        }
        state.at_rest = at_rest;
        if let Some((most, over_mm)) = self.hysteresis {
            // dz = (1 − sign(dx)·z)·dx/δ, taken exactly over a step.
            let towards = moved.signum();
            let decay = libm::exp(-moved.abs() / over_mm);
            state.turned = towards + (state.turned - towards) * decay;
            force += most * state.turned * (x / 2.0).min(1.0);
        }
        force
    }
}

/// What a press remembers from one step to the next.
struct PressState {
    x: f64,
    at_rest: f64,
    /// Under something that gives, what its force has over the tissue's at rest.
    surplus_n: f64,
    branches: Vec<f64>,
    /// From −1, coming out, to 1, going in.
    turned: f64,
}

impl PressState {
    fn new(branches: usize) -> Self {
        PressState {
            x: 0.0,
            at_rest: 0.0,
            surplus_n: 0.0,
            branches: vec![0.0; branches],
            turned: 0.0,
        }
    }

    fn leave(&mut self) {
        (self.x, self.at_rest, self.surplus_n) = (0.0, 0.0, 0.0);
    }
}

/// Springs made so far; each counts from its peak on, growing until its end.
fn springs_done(springs: &[(usize, usize)], i: usize) -> f64 {
    let one = |&(from, to): &(usize, usize)| ramp(i, usize::midpoint(from, to), (to - from) / 2);
    springs.iter().map(one).sum()
}

/// 0 up to `from`, then evenly to 1 over `length` samples.
fn ramp(i: usize, from: usize, length: usize) -> f64 {
    (i.saturating_sub(from) as f64 / length.max(1) as f64).min(1.0)
}

/// Adds noise whose power falls as 1/f from 0.1 Hz to a quarter of the rate, as a sum of first-order noises an octave apart
/// (van der Ziel 1950, Physica 16:359-372), and mains hum; `sizes` are the standard deviation and the hum's amplitude.
fn add_coloured(values: &mut [f64], sizes: [f64; 2], rate_hz: f64, resolution: f64, rng: &mut Rng) {
    let octaves = (libm::log2(0.25 * rate_hz / 0.1)).max(1.0) as i32;
    let each = sizes[0] / f64::from(octaves).sqrt();
    let turn = 2.0 * std::f64::consts::PI;
    let keep: Vec<f64> = (0..octaves)
        .map(|k| libm::exp(-turn * 0.1 * libm::pow(2.0, f64::from(k)) / rate_hz))
        .collect();
    let mut now: Vec<f64> = keep.iter().map(|_| each * rng.normal()).collect();
    let phase = turn * rng.uniform();
    for (i, value) in values.iter_mut().enumerate() {
        for (state, keep) in now.iter_mut().zip(&keep) {
            *state = keep * *state + each * (1.0 - keep * keep).sqrt() * rng.normal();
        }
        let hum = sizes[1] * libm::sin(phase + turn * 50.0 * i as f64 / rate_hz);
        *value = quantise(*value + now.iter().sum::<f64>() + hum, resolution);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_law_gives_a_press_with_its_springs_and_the_same_one_again() {
        for law in UnmodelledLaw::ALL {
            let made = law.simulate(3);
            assert_eq!(made.trace, law.simulate(3).trace, "{}", law.word());
            let truth = &made.truth;
            assert!(truth.crossed() && truth.springs.len() >= 3, "{}: {truth:?}", law.word());
            assert!(truth.peak_n > 20.0 && truth.peak_n < 250.0, "{}: {}", law.word(), truth.peak_n);
            let force = &made.noise_free.channels[0].force_n;
            assert!(force.iter().all(|f| f.is_finite() && *f >= 0.0), "{}", law.word());
        }
    }

    #[test]
    fn noise_that_falls_as_one_over_f_has_equal_power_in_every_octave() {
        let mut values = vec![0.0; 1 << 16];
        add_coloured(&mut values, [1.0, 0.0], 1000.0, 0.0, &mut Rng::new(5));
        // Haar differences over doubling lengths: their variance is the same where power falls as 1/f.
        let variance = |length: usize| {
            let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
            let steps: Vec<f64> = values
                .chunks_exact(2 * length)
                .map(|c| mean(&c[length..]) - mean(&c[..length]))
                .collect();
            steps.iter().map(|d| d * d).sum::<f64>() / steps.len() as f64
        };
        let ratio = variance(256) / variance(16);
        assert!((0.6..1.6).contains(&ratio), "{ratio}");
    }
}
