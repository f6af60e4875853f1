//! One press by a law that the whole-trace fit does not describe: what tissue, hand and sensor are, and the force of a movement.

use super::movement::SampledMovement;
use super::resting_curve::{KnownLines, RestingCurve};
use super::{Examiner, Sensor};

/// All that is drawn for one press.
pub(super) struct UnmodelledPress {
    pub(super) curve: RestingCurve,
    pub(super) known: KnownLines,
    pub(super) examiner: Examiner,
    pub(super) sensor: Sensor,
    pub(super) damping: f64,
    pub(super) damping_deepens: bool,
    /// How the slope beyond the onset rises, as a share of it per mm.
    pub(super) stiffening_per_mm: f64,
    /// Times (s) and shares of the force at rest.
    pub(super) relaxation: Vec<(f64, f64)>,
    /// Force (N) and the travel (mm) over which it turns.
    pub(super) hysteresis: Option<(f64, f64)>,
    /// Share of its stiffness that each spring takes away.
    pub(super) softening: f64,
    pub(super) series_n_per_mm: Option<f64>,
    pub(super) slip_mm: f64,
    /// Force (N) and share of stiffness that muscle adds.
    pub(super) guarding: Option<(f64, f64)>,
    pub(super) breathing_mm: f64,
    pub(super) pulse_n: f64,
    /// Free way above the skin.
    pub(super) gap_mm: f64,
}

impl UnmodelledPress {
    pub(super) fn plain(toe: f64, slope: f64, onset_mm: f64, width_mm: f64) -> Self {
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

    pub(super) fn set_curve(&mut self, curve: RestingCurve) {
        self.curve = curve;
        self.known = curve.known();
    }

    /// What gives before the tissue does adds its own way to every displacement.
    pub(super) fn in_series(&mut self, stiffness: f64) {
        let with = |k: f64| k * stiffness / (k + stiffness);
        let known = &mut self.known;
        known.onset_mm += known.toe_n_per_mm * known.onset_mm / stiffness;
        known.toe_n_per_mm = with(known.toe_n_per_mm);
        known.end_n_per_mm = with(known.end_n_per_mm);
        self.series_n_per_mm = Some(stiffness);
    }

    /// Force over the movement; a slip is added to the path as the sensor sees it.
    pub(super) fn forces_n(&self, path: &mut SampledMovement, step_s: f64) -> Vec<f64> {
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
