//! Is there a knee? An F test alone claims one in traces that never left the toe (METHODS.md §4.9).

use super::project::Bounds;
use crate::stats::quantile::f_upper_tail;
use crate::trace::AgainstKnee;

/// What the decision looks at.
#[derive(Debug, Clone, Copy)]
pub struct Evidence {
    pub onset_mm: f64,
    pub u_onset_mm: f64,
    pub k1: f64,
    pub k2: f64,
    /// How many times k1 k2 must be.
    pub stiffening: f64,
    pub bounds: Bounds,
    pub highest_mm: f64,
    pub lowest_mm: f64,
    pub force_range_n: f64,
    /// Standard deviation of one conditioned force sample.
    pub force_noise_n: f64,
    pub rss: f64,
    pub rss_without_knee: f64,
    pub parameters: usize,
    /// Independent samples.
    pub independent: f64,
}

impl Evidence {
    /// Conditions that fail; none means a knee.
    pub fn against(&self) -> Vec<AgainstKnee> {
        let mut against = Vec::new();
        let range = self.highest_mm - self.lowest_mm;
        let df = (self.independent - self.parameters as f64).max(1.0);
        let f = (self.rss_without_knee - self.rss).max(0.0) / 3.0 / (self.rss / df).max(f64::MIN_POSITIVE);
        if !f_upper_tail(f, 3.0, df).is_ok_and(|p| p < 1e-3) {
            against.push(AgainstKnee::SmoothCurveExplains);
        }
        if self.k1 <= 0.0 || self.k2 < self.stiffening * self.k1 {
            against.push(AgainstKnee::HardlyStiffened);
        }
        if self.highest_mm - self.onset_mm < 0.03 * range || self.onset_mm - self.lowest_mm < 0.03 * range {
            against.push(AgainstKnee::BendAtTheEnd);
        }
        if self.u_onset_mm > 0.03 * range {
            against.push(AgainstKnee::UncertainOnset);
        }
        // What a stiffening that just counts gains over the last 45 % of the force.
        let share = 0.45 * (1.0 - 1.0 / self.stiffening);
        let gained = (self.k2 - self.k1) * (self.highest_mm - self.onset_mm);
        if gained < (10.0 * self.force_noise_n).max(share * self.force_range_n) {
            against.push(AgainstKnee::LittleForceBeyond);
        }
        against
    }
}
