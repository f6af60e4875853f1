//! Where the hand first meets the tissue, and at what displacement a force is passed on the lean (METHODS.md §3.7).

use super::fit::series::{speed, speed_transposed};
use super::onset::FittedContact;
use super::view::{SideView, UncertainValue};

/// First contact lies on the line of the take-up up to so many times the force that tells of contact, in N and in standard
/// deviations of its noise.
const FIRST_PART: f64 = 3.0;
const CONTACT_N: f64 = 1.0;
const CONTACT_SDS: f64 = 5.0;
/// A hand that lands at speed meets damping at once, a step that the low pass smears over this long.
const SETTLED_S: f64 = 0.06;

/// Displacement at first contact, and what the fitted law leaves open of it (standard uncertainty, mm).
#[derive(Debug, Clone, Copy)]
pub struct FirstContact {
    pub mm: UncertainValue,
    pub by_law: f64,
}

/// The lean of a test: its samples from contact on, and what the fit says of where they begin.
#[derive(Debug, Clone, Copy)]
pub struct LeanOn<'a> {
    pub view: &'a SideView<'a>,
    pub displacement_mm: &'a [f64],
    /// First sample of the contact, and the one that the lean ends with.
    pub begin: usize,
    pub end: usize,
    pub fitted: Option<FittedContact>,
}

impl LeanOn<'_> {
    /// Displacement at the first crossing of a force on the lean.
    pub fn crossing(&self, force_n: f64) -> Option<UncertainValue> {
        let (v, f, x) = (self.view, self.view.force_n, self.displacement_mm);
        let i = (self.begin..=self.end).find(|i| f[*i] >= force_n)?;
        let (mm, slope) = if i == 0 || f[i] <= f[i - 1] {
            (x[i], f64::INFINITY)
        } else {
            let share = (force_n - f[i - 1]) / (f[i] - f[i - 1]);
            // Stiffness there, from a stretch wide against noise.
            let k = ((0.05 * v.rate_hz) as usize).max(1);
            let (a, b) = (i.saturating_sub(k), (i + k).min(f.len() - 1));
            let stiffness = (f[b] - f[a]) / (x[b] - x[a]);
            (
                x[i - 1] + share.clamp(0.0, 1.0) * (x[i] - x[i - 1]),
                if stiffness > 0.0 { stiffness } else { f64::INFINITY },
            )
        };
        Some(UncertainValue {
            value: mm,
            from_force: v.noise.sample_sd(v.force_noise_n) / slope,
            from_displacement: v.noise.sample_sd(v.displacement_noise_mm),
            per_zero_n: -1.0 / slope,
        })
    }

    /// Displacement at first contact: the contact limit is passed a little late, so the first of the take-up, less the force
    /// of damping where a fit gave it, is followed back along its own line to no force. Of a hand that lands at speed the low pass
    /// smears that part: there the fitted toe is followed.
    pub fn first_contact(&self) -> Option<FirstContact> {
        let (v, f, x) = (self.view, self.view.force_n, self.displacement_mm);
        let (begin, fitted) = (self.begin, self.fitted);
        let seen = self.crossing(f[begin])?;
        let damping = fitted.map_or(0.0, |c| c.damping_n_s_per_mm);
        let speeds = speed(x.get(begin..self.end)?, v.rate_hz);
        let at_rest: Vec<f64> = f[begin..].iter().zip(&speeds).map(|(f, v)| f - damping * v).collect();
        // Of a hand that lands at speed the limit is passed by newtons within a sample.
        let limit_n = f[begin].min(CONTACT_N.max(CONTACT_SDS * v.noise.sample_sd(v.force_noise_n)));
        let end = at_rest.iter().position(|n| *n > FIRST_PART * limit_n)?;
        let settled = (SETTLED_S * v.rate_hz).ceil() as usize;
        let line = (end >= settled + 5)
            .then(|| self.contact_by_line(&x[begin + settled..begin + end], &at_rest[settled..end], &speeds[settled..end]))
            .flatten();
        let lands = speeds.first().is_some_and(|v| damping * v > limit_n);
        match (line, fitted) {
            (Some(line), None) => Some(line),
            (Some(line), Some(_)) if !lands => Some(line),
            (_, None) => Some(FirstContact { mm: seen, by_law: 0.0 }),
            (line, Some(toe)) => {
                let apart = |mm: f64| (toe.unloaded_mm - mm).abs() / 3.0_f64.sqrt();
                let by_law = line.map_or(f64::INFINITY, |l| apart(l.mm.value)).min(apart(seen.value));
                let mm = UncertainValue { value: toe.unloaded_mm, ..seen };
                by_law.is_finite().then_some(FirstContact { mm, by_law })
            }
        }
    }

    /// Where a part of the take-up, less the force of damping, has no force along its own line; `None` where there is no line.
    ///
    /// # Formula
    /// x₀ = x̄ − F̄/b, F less c·v; wᵢ = ∂x₀/∂Fᵢ = −1/(nb) + F̄(xᵢ − x̄)/(b²Sxx), ∂x₀/∂xᵢ = −b·wᵢ − c·(Dᵀw)ᵢ with D the
    /// differences that make v.
    fn contact_by_line(&self, xs: &[f64], at_rest: &[f64], speeds: &[f64]) -> Option<FirstContact> {
        let (v, fitted) = (self.view, self.fitted);
        let damping = fitted.map_or(0.0, |c| c.damping_n_s_per_mm);
        let n = xs.len() as f64;
        let (mx, mf) = (xs.iter().sum::<f64>() / n, at_rest.iter().sum::<f64>() / n);
        let sxx: f64 = xs.iter().map(|x| (x - mx).powi(2)).sum();
        let slope = xs.iter().zip(at_rest).map(|(x, f)| (x - mx) * (f - mf)).sum::<f64>() / sxx;
        let back = mf / slope;
        let reach = 3.0 * (xs[xs.len() - 1] - xs[0]);
        // A start that is a jump or a dent has no line to follow.
        if !slope.is_finite() || slope <= 0.0 || back.abs() > reach {
            return None;
        }
        let by_force: Vec<f64> = xs
            .iter()
            .map(|x| back / slope * (x - mx) / sxx - 1.0 / (n * slope))
            .collect();
        let of_speed = speed_transposed(&by_force, v.rate_hz);
        let by_displacement: Vec<f64> = by_force
            .iter()
            .zip(&of_speed)
            .map(|(w, s)| slope * w + damping * s)
            .collect();
        let value = mx - back;
        // Both ways to first contact, along its own line and along the fitted toe, should meet.
        let by_law = fitted.map_or(0.0, |c| {
            let by_damping = by_force.iter().zip(speeds).map(|(w, v)| w * v).sum::<f64>() * c.damping_u;
            let apart = (c.unloaded_mm - value).abs().min(reach) / 12.0_f64.sqrt();
            by_damping.hypot(if apart.is_finite() { apart } else { reach })
        });
        let mm = UncertainValue {
            value,
            from_force: v.noise.combination_sd(v.force_noise_n, &by_force),
            from_displacement: v.noise.combination_sd(v.displacement_noise_mm, &by_displacement),
            per_zero_n: -1.0 / slope,
        };
        Some(FirstContact { mm, by_law })
    }
}

#[cfg(test)]
mod tests {
    use super::super::fit::made::{noise, press, series, view};
    use super::*;

    /// A lean of 3 N/mm and 0.1 N·s/mm from −0.2 mm on: its own line, damping taken off, is at no force there. With damping of more
    /// than the contact limit at once the hand lands, and the fitted toe is followed.
    #[test]
    fn first_contact_and_crossings_lie_on_the_lean_s_own_line() {
        let (x, springs) = press(100.0, 1);
        let made = series(x, Vec::new(), 100.0);
        let (x, v) = (&made.displacement_mm, &made.speed_mm_per_s);
        let force: Vec<f64> = x.iter().zip(v).map(|(x, v)| 3.0 * (x + 0.2) + 0.1 * v).collect();
        let filtered = noise(100.0);
        let view = view(&force, x, &filtered);
        let lean = LeanOn {
            view: &view,
            displacement_mm: x,
            begin: 10,
            end: springs[0].start,
            fitted: Some(FittedContact { unloaded_mm: -0.2, damping_n_s_per_mm: 0.1, damping_u: 0.0 }),
        };
        let found = lean.first_contact().unwrap();
        assert!((found.mm.value + 0.2).abs() < 0.05, "{found:?}");
        assert!((found.mm.per_zero_n + 1.0 / 3.0).abs() < 0.05, "{found:?}");
        assert!(found.by_law < 0.03, "{found:?}");
        let landing = FittedContact { unloaded_mm: -0.19, damping_n_s_per_mm: 0.35, damping_u: 0.0 };
        let lands = LeanOn { fitted: Some(landing), ..lean }.first_contact().unwrap();
        assert!(lands.mm.value == -0.19 && lands.by_law > 0.0, "{lands:?}");
        let at_12 = lean.crossing(12.0).unwrap();
        let i = force.iter().position(|f| *f >= 12.0).unwrap();
        let share = (12.0 - force[i - 1]) / (force[i] - force[i - 1]);
        assert!((at_12.value - x[i - 1] - share * (x[i] - x[i - 1])).abs() < 1e-9 && share > 0.05, "{at_12:?}");
        // Stiffness there: that of force on displacement over a tenth of a second.
        let stiffness = (force[i + 5] - force[i - 5]) / (x[i + 5] - x[i - 5]);
        assert!((at_12.per_zero_n + 1.0 / stiffness).abs() < 1e-9, "{at_12:?}");
    }
}
