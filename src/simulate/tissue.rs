//! Tissue under the contact: force from displacement and speed.

/// Force that depends on displacement only (one model adds a speed term that grows with displacement).
///
/// Displacements in mm from first touch, forces in N; nothing pulls back: below zero displacement there is no force.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Elastic {
    /// Toe and end region joined by a knee: k1·x + (k2 − k1)·w·[softplus((x − xk)/w) − softplus(−xk/w)]
    /// (METHODS.md §4.2). Two equal slopes make a plain spring.
    Knee {
        /// Slope of the toe.
        take_up_n_per_mm: f64,
        /// Slope of the end region.
        end_feel_n_per_mm: f64,
        /// Where both would meet.
        onset_mm: f64,
        /// Width of the knee; towards 0 two straight lines.
        width_mm: f64,
    },
    /// Toe and end line with the slope rising evenly from one to the other over `span_mm` around the onset.
    DrawnOut {
        /// Slope of the toe.
        take_up_n_per_mm: f64,
        /// Slope of the end region.
        end_feel_n_per_mm: f64,
        /// Where both would meet.
        onset_mm: f64,
        /// Displacement over which the slope rises.
        span_mm: f64,
    },
    /// A(e^{Bx} − 1) up to `toe_end_mm`, then a line of that slope: A = k·e^{−B·x_t}/B makes the slope continuous.
    ExponentialToe {
        /// Rate of the exponential.
        curvature_per_mm: f64,
        /// Where the line begins.
        toe_end_mm: f64,
        /// Slope of the end region.
        end_feel_n_per_mm: f64,
    },
    /// K·xⁿ + λ·xⁿ·v (Hunt & Crossley 1975, J Appl Mech 42:440-445).
    HuntCrossley {
        /// K, in N/mmⁿ.
        stiffness: f64,
        /// n.
        power: f64,
        /// λ, in N·s/mmⁿ⁺¹.
        damping: f64,
    },
}

/// One relaxing branch: a spring and a dashpot in series beside the rest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Maxwell {
    /// Relaxation time.
    pub time_s: f64,
    /// Stiffness of the branch, driven by displacement.
    pub on_displacement_n_per_mm: f64,
    /// Stiffness of the branch, driven by the knee's softplus term.
    pub on_knee_n_per_mm: f64,
}

/// One place on a back or on a model.
#[derive(Debug, Clone, PartialEq)]
pub struct Tissue {
    /// Force against displacement at rest.
    pub elastic: Elastic,
    /// Viscous damping.
    pub damping_n_s_per_mm: f64,
    /// Branches that relax.
    pub relaxation: Vec<Maxwell>,
    /// Force that opposes movement whatever its speed; it grows in over the first half millimetre.
    pub friction_n: f64,
    /// Speed at which friction has reached 76 % (tanh 1).
    pub friction_speed_mm_per_s: f64,
}

impl Default for Tissue {
    fn default() -> Self {
        Tissue {
            elastic: Elastic::Knee {
                take_up_n_per_mm: 1.6,
                end_feel_n_per_mm: 11.0,
                onset_mm: 8.2,
                width_mm: 0.15,
            },
            damping_n_s_per_mm: 0.15,
            relaxation: Vec::new(),
            friction_n: 0.0,
            friction_speed_mm_per_s: 2.0,
        }
    }
}

/// ln(1 + e^u) without overflow.
fn softplus(u: f64) -> f64 {
    u.max(0.0) + libm::log1p(libm::exp(-u.abs()))
}

impl Elastic {
    /// Force at a displacement and speed, in N.
    pub fn force_n(&self, x: f64, v: f64) -> f64 {
        if x <= 0.0 {
            return 0.0;
        }
        match *self {
            Elastic::Knee {
                take_up_n_per_mm: k1,
                end_feel_n_per_mm: k2,
                ..
            } => k1 * x + (k2 - k1) * self.knee_mm(x),
            Elastic::DrawnOut {
                take_up_n_per_mm: k1,
                end_feel_n_per_mm: k2,
                ..
            } => k1 * x + (k2 - k1) * self.knee_mm(x),
            Elastic::ExponentialToe {
                curvature_per_mm: b,
                toe_end_mm,
                end_feel_n_per_mm: k,
            } => {
                let a = k * libm::exp(-b * toe_end_mm) / b;
                a * libm::expm1(b * x.min(toe_end_mm)) + k * (x - toe_end_mm).max(0.0)
            }
            Elastic::HuntCrossley {
                stiffness,
                power,
                damping,
            } => libm::pow(x, power) * (stiffness + damping * v),
        }
    }

    /// The knee's own term in mm: 0 in the toe, x − onset in the end region; 0 for models without one.
    pub fn knee_mm(&self, x: f64) -> f64 {
        match *self {
            Elastic::Knee {
                onset_mm, width_mm, ..
            } if width_mm > 0.0 => {
                width_mm * (softplus((x - onset_mm) / width_mm) - softplus(-onset_mm / width_mm))
            }
            Elastic::Knee { onset_mm, .. } => (x - onset_mm).max(0.0),
            Elastic::DrawnOut {
                onset_mm, span_mm, ..
            } => {
                let into = (x - (onset_mm - span_mm / 2.0)).clamp(0.0, span_mm);
                into * into / (2.0 * span_mm) + (x - onset_mm - span_mm / 2.0).max(0.0)
            }
            Elastic::ExponentialToe { .. } | Elastic::HuntCrossley { .. } => 0.0,
        }
    }

    /// Where the asymptotes of toe and end region meet, in mm; for a curved toe, the least-squares line of the
    /// toe and the end line. `None` when there is no knee (equal slopes, a power law).
    pub fn onset_mm(&self) -> Option<f64> {
        match *self {
            Elastic::Knee {
                take_up_n_per_mm,
                end_feel_n_per_mm,
                onset_mm,
                ..
            }
            | Elastic::DrawnOut {
                take_up_n_per_mm,
                end_feel_n_per_mm,
                onset_mm,
                ..
            } => (take_up_n_per_mm != end_feel_n_per_mm).then_some(onset_mm),
            Elastic::ExponentialToe {
                toe_end_mm,
                end_feel_n_per_mm: k,
                ..
            } => {
                let (at_zero, slope) = self.toe_line()?;
                let end_at_zero = self.force_n(toe_end_mm, 0.0) - k * toe_end_mm;
                Some((at_zero - end_at_zero) / (k - slope))
            }
            Elastic::HuntCrossley { .. } => None,
        }
    }

    /// Slope of the toe in N/mm, a curved toe's by least squares; `None` for a power law.
    pub fn take_up_n_per_mm(&self) -> Option<f64> {
        match *self {
            Elastic::Knee { take_up_n_per_mm, .. } | Elastic::DrawnOut { take_up_n_per_mm, .. } => {
                Some(take_up_n_per_mm)
            }
            Elastic::ExponentialToe { .. } => Some(self.toe_line()?.1),
            Elastic::HuntCrossley { .. } => None,
        }
    }

    /// Slope of the end region in N/mm; `None` for a power law.
    pub fn end_feel_n_per_mm(&self) -> Option<f64> {
        match *self {
            Elastic::Knee {
                end_feel_n_per_mm, ..
            }
            | Elastic::DrawnOut {
                end_feel_n_per_mm, ..
            }
            | Elastic::ExponentialToe {
                end_feel_n_per_mm, ..
            } => Some(end_feel_n_per_mm),
            Elastic::HuntCrossley { .. } => None,
        }
    }

    /// Intercept and slope of the least-squares line through the exponential toe, by its exact integrals.
    ///
    /// With L the toe's length: ∫F = A((e^{BL} − 1)/B − L), ∫xF = A(L·e^{BL}/B − (e^{BL} − 1)/B² − L²/2);
    /// slope = 12(∫xF − L/2·∫F)/L³, intercept = ∫F/L − slope·L/2.
    fn toe_line(&self) -> Option<(f64, f64)> {
        let Elastic::ExponentialToe {
            curvature_per_mm: b,
            toe_end_mm: l,
            end_feel_n_per_mm: k,
        } = *self
        else {
            return None;
        };
        let a = k * libm::exp(-b * l) / b;
        let (e, em1) = (libm::exp(b * l), libm::expm1(b * l));
        let area = a * (em1 / b - l);
        let moment = a * (l * e / b - em1 / (b * b) - l * l / 2.0);
        let slope = 12.0 * (moment - l / 2.0 * area) / (l * l * l);
        Some((area / l - slope * l / 2.0, slope))
    }

    /// Displacement at which the resting force is reached, in mm, by bisection; the end of the search at 100 mm.
    pub fn displacement_at_mm(&self, force_n: f64) -> f64 {
        let (mut low, mut high) = (0.0, 100.0);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.force_n(middle, 0.0) < force_n {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }
}

impl Tissue {
    /// The same tissue, e^`log_factor` times as stiff in every respect.
    #[must_use]
    pub fn scaled(&self, log_factor: f64) -> Tissue {
        let factor = libm::exp(log_factor);
        let mut scaled = self.clone();
        match &mut scaled.elastic {
            Elastic::Knee {
                take_up_n_per_mm,
                end_feel_n_per_mm,
                ..
            }
            | Elastic::DrawnOut {
                take_up_n_per_mm,
                end_feel_n_per_mm,
                ..
            } => {
                *take_up_n_per_mm *= factor;
                *end_feel_n_per_mm *= factor;
            }
            Elastic::ExponentialToe {
                end_feel_n_per_mm, ..
            } => *end_feel_n_per_mm *= factor,
            Elastic::HuntCrossley {
                stiffness, damping, ..
            } => {
                *stiffness *= factor;
                *damping *= factor;
            }
        }
        scaled.damping_n_s_per_mm *= factor;
        scaled.friction_n *= factor;
        for branch in &mut scaled.relaxation {
            branch.on_displacement_n_per_mm *= factor;
            branch.on_knee_n_per_mm *= factor;
        }
        scaled
    }

    /// Force over a uniformly sampled movement, in N: `x` in mm, `v` in mm/s, `step_s` between samples.
    ///
    /// A relaxing branch is stepped exactly for a drive that runs straight between samples:
    /// f ← f·e^{−h/τ} + Δu·(τ/h)(1 − e^{−h/τ}). Contact only pushes: the force is never below zero.
    pub fn forces_n(&self, x: &[f64], v: &[f64], step_s: f64) -> Vec<f64> {
        let decay: Vec<(f64, f64)> = self
            .relaxation
            .iter()
            .map(|m| {
                let e = libm::exp(-step_s / m.time_s);
                (e, (1.0 - e) * m.time_s / step_s)
            })
            .collect();
        let mut branch = vec![0.0; self.relaxation.len()];
        let mut drive = vec![0.0; self.relaxation.len()];
        let mut forces = Vec::with_capacity(x.len());
        for (&x, &v) in x.iter().zip(v) {
            let mut force = self.elastic.force_n(x, v);
            let knee = if self.relaxation.is_empty() {
                0.0
            } else {
                self.elastic.knee_mm(x)
            };
            for (i, m) in self.relaxation.iter().enumerate() {
                let u = m.on_displacement_n_per_mm * x + m.on_knee_n_per_mm * knee;
                branch[i] = branch[i] * decay[i].0 + (u - drive[i]) * decay[i].1;
                drive[i] = u;
                force += branch[i];
            }
            if x > 0.0 {
                force += self.damping_n_s_per_mm * v;
                if self.friction_n > 0.0 {
                    let grown = 1.0 - libm::exp(-x / 0.5);
                    force += self.friction_n * grown * libm::tanh(v / self.friction_speed_mm_per_s);
                }
            }
            forces.push(if x > 0.0 { force.max(0.0) } else { 0.0 });
        }
        forces
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_exponential_toe_meets_its_line_with_the_same_slope() {
        // Closed form, B = 0.45, x_t = 6, k = 10: F_t = 20.72876638, F(10) = 60.72876638, initial slope 0.672055.
        let toe = Elastic::ExponentialToe {
            curvature_per_mm: 0.45,
            toe_end_mm: 6.0,
            end_feel_n_per_mm: 10.0,
        };
        assert!((toe.force_n(6.0, 0.0) - 20.728_766_38).abs() < 1e-7);
        assert!((toe.force_n(10.0, 0.0) - 60.728_766_38).abs() < 1e-7);
        assert!((toe.force_n(1e-7, 0.0) / 1e-7 - 0.672_055).abs() < 1e-5);
    }

    #[test]
    fn the_toe_line_is_the_least_squares_line_of_many_points() {
        let toe = Elastic::ExponentialToe {
            curvature_per_mm: 0.45,
            toe_end_mm: 6.0,
            end_feel_n_per_mm: 10.0,
        };
        let n = 20_000;
        let points = (0..n).map(|i| {
            let x = 6.0 * (f64::from(i) + 0.5) / f64::from(n);
            (x, toe.force_n(x, 0.0))
        });
        let (mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0);
        for (x, y) in points {
            sx += x;
            sy += y;
            sxx += x * x;
            sxy += x * y;
        }
        let n = f64::from(n);
        let slope = (n * sxy - sx * sy) / (n * sxx - sx * sx);
        assert!((toe.take_up_n_per_mm().unwrap() - slope).abs() < 1e-6);
    }

    #[test]
    fn a_knee_without_width_is_two_straight_lines() {
        // Closed form: k1 = 2, k2 = 10, xb = 6 gives 12 N at the knee and 100 N at 14.8 mm.
        let lines = Elastic::Knee {
            take_up_n_per_mm: 2.0,
            end_feel_n_per_mm: 10.0,
            onset_mm: 6.0,
            width_mm: 0.0,
        };
        assert_eq!(lines.force_n(6.0, 0.0), 12.0);
        assert!((lines.displacement_at_mm(100.0) - 14.8).abs() < 1e-9);
    }
}
