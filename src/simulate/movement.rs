//! The path of the hand: steps of known shape, sampled with their exact speed.

#[derive(Debug, Clone, Copy)]
enum StepShape {
    /// Minimum jerk from one displacement to another (equal ones are a rest).
    To,
    /// A/2·(1 − cos 2πt/T) on top of where it starts.
    Haversine(f64),
}

#[derive(Debug, Clone, Copy)]
struct MovementStep {
    start_s: f64,
    duration_s: f64,
    from_mm: f64,
    to_mm: f64,
    shape: StepShape,
}

/// MovementPlan being put together.
#[derive(Default)]
pub(super) struct MovementPlan {
    list: Vec<MovementStep>,
    now_s: f64,
    at_mm: f64,
}

impl MovementPlan {
    fn push(&mut self, duration_s: f64, to_mm: f64, shape: StepShape) {
        if duration_s <= 0.0 {
            return;
        }
        self.list.push(MovementStep {
            start_s: self.now_s,
            duration_s,
            from_mm: self.at_mm,
            to_mm,
            shape,
        });
        self.now_s += duration_s;
        self.at_mm = to_mm;
    }
    pub fn hold(&mut self, duration_s: f64) {
        self.push(duration_s, self.at_mm, StepShape::To);
    }
    pub fn to(&mut self, duration_s: f64, mm: f64) {
        self.push(duration_s, mm, StepShape::To);
    }
    pub fn spring(&mut self, duration_s: f64, excursion_mm: f64) {
        self.push(duration_s, self.at_mm, StepShape::Haversine(excursion_mm));
    }
}

/// A drawn movement, ready to be sampled.
#[derive(Debug, Clone)]
pub(super) struct Movement {
    steps: Vec<MovementStep>,
    /// Amplitude (mm), angular frequency (1/s), phase.
    waves: Vec<(f64, f64, f64)>,
}

/// A sampled movement.
#[derive(Debug, Clone, Default)]
pub(super) struct SampledMovement {
    pub x_mm: Vec<f64>,
    pub v_mm_per_s: Vec<f64>,
    /// First and one-past-last sample of each spring.
    pub springs: Vec<(usize, usize)>,
    /// First sample of the lean and last of the release.
    pub contact: (usize, usize),
}

impl Movement {
    /// `waves` are amplitude (mm), angular frequency (1/s) and phase.
    pub fn new(steps: MovementPlan, waves: Vec<(f64, f64, f64)>) -> Self {
        Movement {
            steps: steps.list,
            waves,
        }
    }

    pub fn duration_s(&self) -> f64 {
        self.steps.last().map_or(0.0, |s| s.start_s + s.duration_s)
    }

    /// Displacement and speed at `step_s` spacing, both from the same formulas.
    ///
    /// Tremor, breathing and wander fade in with the lean and out with the release: an unloaded hand rests.
    pub fn sample(&self, step_s: f64) -> SampledMovement {
        let count = (self.duration_s() / step_s) as usize + 1;
        let mut path = SampledMovement::default();
        let mut waves: Vec<Wave> = self.waves.iter().map(|&w| Wave::new(w, step_s)).collect();
        let (lean, release) = self.touching();
        let mut current = 0;
        for i in 0..count {
            let t = i as f64 * step_s;
            while current + 1 < self.steps.len() && t >= self.steps[current + 1].start_s {
                current += 1;
            }
            let Some(step) = self.steps.get(current) else {
                break;
            };
            let (base, base_v) = step.at(t);
            let (share, share_v) = match current {
                c if c == lean => minimum_jerk((t - step.start_s) / step.duration_s, step.duration_s),
                c if c == release => {
                    let (s, v) = minimum_jerk((t - step.start_s) / step.duration_s, step.duration_s);
                    (1.0 - s, -v)
                }
                c if c > lean && c < release => (1.0, 0.0),
                _ => (0.0, 0.0),
            };
            let (mut wave, mut wave_v) = (0.0, 0.0);
            for w in &mut waves {
                let (x, v) = w.next();
                wave += x;
                wave_v += v;
            }
            let x = base + share * wave;
            let v = base_v + share * wave_v + share_v * wave;
            path.x_mm.push(x.max(0.0));
            path.v_mm_per_s.push(if x > 0.0 { v } else { 0.0 });
        }
        let index = |s: f64| ((s / step_s) as usize).min(count.saturating_sub(1));
        path.springs = self
            .steps
            .iter()
            .filter(|s| matches!(s.shape, StepShape::Haversine(_)))
            .map(|s| (index(s.start_s), index(s.start_s + s.duration_s) + 1))
            .collect();
        path.contact = (
            self.steps.get(lean).map_or(0, |s| index(s.start_s)),
            self.steps
                .get(release)
                .map_or(0, |s| index(s.start_s + s.duration_s)),
        );
        path
    }

    /// The first step that leaves zero and the last that comes back to it.
    fn touching(&self) -> (usize, usize) {
        let lean = self.steps.iter().position(|s| s.to_mm > 0.0).unwrap_or(0);
        let release = self.steps.iter().rposition(|s| s.from_mm > 0.0).unwrap_or(0);
        (lean, release)
    }
}

impl MovementStep {
    fn at(&self, t: f64) -> (f64, f64) {
        let share = (t - self.start_s) / self.duration_s;
        match self.shape {
            StepShape::To => {
                let (s, v) = minimum_jerk(share, self.duration_s);
                let way = self.to_mm - self.from_mm;
                (self.from_mm + way * s, way * v)
            }
            StepShape::Haversine(excursion) => {
                if share >= 1.0 {
                    return (self.to_mm, 0.0);
                }
                let w = 2.0 * std::f64::consts::PI / self.duration_s;
                let angle = w * (t - self.start_s);
                let x = excursion / 2.0 * (1.0 - libm::cos(angle));
                (self.from_mm + x, excursion / 2.0 * w * libm::sin(angle))
            }
        }
    }
}

/// Minimum jerk, 10s³ − 15s⁴ + 6s⁵, and its rate in 1/s (Flash & Hogan 1985, J Neurosci 5:1688-1703).
fn minimum_jerk(share: f64, duration_s: f64) -> (f64, f64) {
    let s = share.clamp(0.0, 1.0);
    let value = s * s * s * (10.0 + s * (6.0 * s - 15.0));
    let rate = 30.0 * s * s * (1.0 - s) * (1.0 - s) / duration_s;
    (value, rate)
}

/// A sine stepped by rotation: two products a sample instead of two library calls.
struct Wave {
    amplitude: f64,
    angular: f64,
    sin: f64,
    cos: f64,
    step_sin: f64,
    step_cos: f64,
}

impl Wave {
    fn new((amplitude, angular, phase): (f64, f64, f64), step_s: f64) -> Self {
        Wave {
            amplitude,
            angular,
            sin: libm::sin(phase),
            cos: libm::cos(phase),
            step_sin: libm::sin(angular * step_s),
            step_cos: libm::cos(angular * step_s),
        }
    }

    /// Value and rate now; then one step on.
    fn next(&mut self) -> (f64, f64) {
        let out = (
            self.amplitude * self.sin,
            self.amplitude * self.angular * self.cos,
        );
        (self.sin, self.cos) = (
            self.sin * self.step_cos + self.cos * self.step_sin,
            self.cos * self.step_cos - self.sin * self.step_sin,
        );
        out
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Examiner, ExaminerFault, Rng, Tissue};

    #[test]
    fn speed_is_the_rate_of_displacement() {
        let movement = Examiner::default()
            .with(ExaminerFault::UnsteadyHold, &Tissue::default().elastic)
            .movement(8.2, &mut Rng::new(3));
        let path = movement.sample(1e-3);
        for i in 1..path.x_mm.len() - 1 {
            let rate = (path.x_mm[i + 1] - path.x_mm[i - 1]) / 2e-3;
            // Acceleration jumps by 253 mm/s² where a spring begins: central differences err by a quarter of a step of it.
            assert!(
                (rate - path.v_mm_per_s[i]).abs() < 0.1,
                "{i}: {rate} {}",
                path.v_mm_per_s[i]
            );
        }
    }
}
