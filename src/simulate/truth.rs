//! What really happened in a simulated test.

use super::movement::SampledMovement;
use super::tissue::{Elastic, Tissue};
use crate::stats::moments::median_in_place;
use crate::terms::Side;

/// One spring as it was made, without any sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpringTruth {
    pub start_s: f64,
    pub peak_s: f64,
    pub peak_mm: f64,
    /// Highest force of the spring; damping brings it a little before the peak of displacement.
    pub peak_n: f64,
    pub end_s: f64,
}

/// What really happened in one test. Times in the recording's own seconds.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// From 1 within the recording.
    pub test: u32,
    /// Side of the test, where it has one.
    pub side: Option<Side>,
    /// Where the tissue's knee is, reached or not; `None` for a tissue without one.
    pub onset_mm: Option<f64>,
    /// First passage of the onset on the way in; `None` when the movement never got there.
    pub onset_s: Option<f64>,
    /// True force at that passage.
    pub onset_n: Option<f64>,
    /// Slope of the toe.
    pub take_up_n_per_mm: Option<f64>,
    /// Slope of the end region.
    pub end_feel_n_per_mm: Option<f64>,
    /// Width of the knee.
    pub knee_width_mm: Option<f64>,
    /// Viscous damping.
    pub damping_n_s_per_mm: f64,
    /// Relaxation times of all branches.
    pub relaxation_times_s: Vec<f64>,
    /// Dry friction.
    pub friction_n: f64,
    /// When the hand comes on.
    pub contact_begin_s: f64,
    /// When the hand leaves.
    pub contact_end_s: f64,
    /// Median displacement and force over the 0.3 s before the first spring; `None` without springs.
    pub preload_mm: Option<f64>,
    /// Force held before the first spring.
    pub preload_n: Option<f64>,
    /// Highest force.
    pub peak_n: f64,
    /// Each spring.
    pub springs: Vec<SpringTruth>,
}

impl Truth {
    /// Whether the movement ever passed the onset.
    pub fn crossed(&self) -> bool {
        self.onset_s.is_some()
    }

    pub(super) fn of(tissue: &Tissue, path: &SampledMovement, force_n: &[f64], step_s: f64) -> Truth {
        let x = &path.x_mm;
        let onset_mm = tissue.elastic.onset_mm();
        let passage = onset_mm.and_then(|onset| first_passage(x, onset));
        let springs: Vec<SpringTruth> = path
            .springs
            .iter()
            .map(|&(from, to)| {
                let to = to.min(x.len());
                let (peak, peak_mm) = peak(&x[from..to]);
                SpringTruth {
                    start_s: from as f64 * step_s,
                    peak_s: (from as f64 + peak) * step_s,
                    peak_mm,
                    peak_n: highest(&force_n[from..to]),
                    end_s: to.saturating_sub(1) as f64 * step_s,
                }
            })
            .collect();
        let held = path.springs.first().map(|&(start, _)| {
            let from = start.saturating_sub((0.3 / step_s).round() as usize);
            let level = |y: &[f64]| median_in_place(&mut y[from..start].to_vec()).unwrap_or(0.0);
            (level(x), level(force_n))
        });
        Truth {
            test: 1,
            side: None,
            onset_mm,
            onset_s: passage.map(|at| at * step_s),
            onset_n: passage.map(|at| {
                let i = at as usize;
                force_n[i] + (at - i as f64) * (force_n[i + 1] - force_n[i])
            }),
            take_up_n_per_mm: tissue.elastic.take_up_n_per_mm(),
            end_feel_n_per_mm: tissue.elastic.end_feel_n_per_mm(),
            knee_width_mm: match tissue.elastic {
                Elastic::Knee { width_mm, .. } => Some(width_mm),
                _ => None,
            },
            damping_n_s_per_mm: tissue.damping_n_s_per_mm,
            relaxation_times_s: tissue.relaxation.iter().map(|m| m.time_s).collect(),
            friction_n: tissue.friction_n,
            contact_begin_s: path.contact.0 as f64 * step_s,
            contact_end_s: path.contact.1 as f64 * step_s,
            preload_mm: held.map(|h| h.0),
            preload_n: held.map(|h| h.1),
            peak_n: highest(force_n),
            springs,
        }
    }

    /// The same test, later in a longer recording.
    pub(super) fn later(mut self, by_s: f64) -> Truth {
        self.contact_begin_s += by_s;
        self.contact_end_s += by_s;
        self.onset_s = self.onset_s.map(|t| t + by_s);
        for spring in &mut self.springs {
            spring.start_s += by_s;
            spring.peak_s += by_s;
            spring.end_s += by_s;
        }
        self
    }
}

fn highest(values: &[f64]) -> f64 {
    values.iter().copied().fold(0.0, f64::max)
}

/// Fractional index at which `x` first rises through `level`.
fn first_passage(x: &[f64], level: f64) -> Option<f64> {
    let i = x.windows(2).position(|w| w[0] < level && w[1] >= level)?;
    Some(i as f64 + (level - x[i]) / (x[i + 1] - x[i]))
}

/// Fractional index and height of the maximum, by the parabola through its neighbours.
fn peak(x: &[f64]) -> (f64, f64) {
    let Some((i, &top)) = x.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)) else {
        return (0.0, 0.0);
    };
    if i == 0 || i + 1 == x.len() {
        return (i as f64, top);
    }
    let (before, after) = (x[i - 1], x[i + 1]);
    let bend = before - 2.0 * top + after;
    if bend == 0.0 {
        return (i as f64, top);
    }
    let shift = 0.5 * (before - after) / bend;
    (i as f64 + shift, top - 0.25 * (before - after) * shift)
}
