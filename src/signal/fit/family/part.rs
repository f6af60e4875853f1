//! Parts of a law beside its resting curve: what speed, time and earlier springs do.

use super::super::law::memory;
use super::super::series::speed_of_five;
use super::press::Press;
use crate::trace::LawPart;

/// Muscle tightens within this time.
const TIGHTENED_S: f64 = 0.3;
/// A slip takes this long.
const SLIP_S: f64 = 0.1;
/// A slip may begin this often, for the search.
const SLIP_EVERY_S: f64 = 0.25;
/// The hand follows the trunk fully from this depth on.
const FOLLOWED_MM: f64 = 1.0;

/// What is searched (`q` below): of relaxation (ln τ), of two times (ln τ₁, ln τ₂), of friction (ln travel in mm; Dahl 1976, AIAA
/// J 14:1675-1682), of softening (share a spring), of tightening (share, when in s), of a slip (mm, when in s), of a swaying
/// trunk (mm of sine, of cosine, rad/s).
impl LawPart {
    /// Every one.
    pub const ALL: [LawPart; 9] = [
        LawPart::Relaxation,
        LawPart::TwoTimes,
        LawPart::Friction,
        LawPart::DeepeningDamping,
        LawPart::KneeDamping,
        LawPart::SofteningSprings,
        LawPart::Tightening,
        LawPart::Slip,
        LawPart::Sway,
    ];

    /// Whether a law may have both.
    pub fn goes_with(self, other: LawPart) -> bool {
        let times = |p| matches!(p, LawPart::Relaxation | LawPart::TwoTimes);
        self != other && !(times(self) && times(other))
    }

    /// How many numbers are searched.
    pub fn searched(self) -> usize {
        match self {
            LawPart::Relaxation | LawPart::Friction | LawPart::SofteningSprings => 1,
            LawPart::TwoTimes | LawPart::Slip | LawPart::Tightening => 2,
            LawPart::Sway => 3,
            LawPart::DeepeningDamping | LawPart::KneeDamping => 0,
        }
    }

    /// Limits of the searched numbers.
    pub fn bounds(self, press: &Press) -> Vec<[f64; 2]> {
        let ln = |low: f64, high: f64| [low.ln(), high.ln()];
        match self {
            LawPart::Relaxation => vec![ln(0.02, 10.0)],
            LawPart::TwoTimes => vec![ln(0.02, 0.6), ln(0.4, 15.0)],
            LawPart::Friction => vec![ln(0.08, 1.5)],
            LawPart::SofteningSprings => vec![[-0.2, 0.2]],
            LawPart::Tightening => vec![[-0.5, 1.0], [0.0, press.last_s()]],
            LawPart::Slip => vec![[-4.0, 4.0], [0.0, press.last_s()]],
            LawPart::Sway => vec![[-2.0, 2.0], [-2.0, 2.0], [0.6, 4.0]],
            LawPart::DeepeningDamping | LawPart::KneeDamping => Vec::new(),
        }
    }

    /// Where searches begin.
    pub fn starts(self, press: &Press) -> Vec<Vec<f64>> {
        match self {
            LawPart::Relaxation | LawPart::Friction => vec![vec![0.3_f64.ln()]],
            LawPart::TwoTimes => vec![vec![0.1_f64.ln(), 1.5_f64.ln()]],
            LawPart::SofteningSprings => vec![vec![0.0]],
            LawPart::Tightening => vec![vec![0.0, press.first_spring_done_s]],
            LawPart::DeepeningDamping | LawPart::KneeDamping => vec![Vec::new()],
            LawPart::Slip => (1..(press.last_s() / SLIP_EVERY_S) as u32)
                .map(|k| vec![0.7, SLIP_EVERY_S * f64::from(k)])
                .collect(),
            LawPart::Sway => [0.9, 1.3, 1.8, 2.5]
                .iter()
                .flat_map(|w| [[0.3, 0.0], [0.0, 0.3], [-0.3, 0.0], [0.0, -0.3]].map(|[a, b]| vec![a, b, *w]))
                .collect(),
        }
    }

    /// What it takes off the displacement before the resting curve sees it.
    pub fn shift(self, q: &[f64], press: &Press) -> Option<Vec<f64>> {
        let rate = press.series.rate_hz;
        let x = &press.series.displacement_mm;
        match self {
            LawPart::Slip => {
                let slid = |i: usize| q[0] * ((i as f64 / rate - q[1]) / SLIP_S).clamp(0.0, 1.0);
                Some((0..x.len()).map(slid).collect())
            }
            LawPart::Sway => {
                let moved = |(i, x): (usize, &f64)| {
                    let turn = q[2] * i as f64 / rate;
                    let followed = ((x - press.touch_mm) / FOLLOWED_MM).clamp(0.0, 1.0);
                    -followed * (q[0] * turn.sin() + q[1] * turn.cos())
                };
                Some(x.iter().enumerate().map(moved).collect())
            }
            _ => None,
        }
    }

    /// Its columns, given the law's elastic columns (displacement among them) as low-passed.
    pub fn columns(self, q: &[f64], elastic: &[Vec<f64>], press: &Press) -> Vec<Vec<f64>> {
        let rate = press.series.rate_hz;
        match self {
            LawPart::Relaxation | LawPart::TwoTimes => q
                .iter()
                .flat_map(|ln_time| {
                    let time_s = ln_time.exp();
                    elastic.iter().take(2).map(move |e| memory(e, rate, time_s))
                })
                .collect(),
            LawPart::Friction => {
                let turned = turned(&press.series.displacement_mm, q[0].exp());
                vec![press.series.low_pass.apply(&turned)]
            }
            LawPart::DeepeningDamping => vec![press.deep.clone()],
            LawPart::KneeDamping => elastic.last().map(|e| speed_of_five(e, rate)).into_iter().collect(),
            LawPart::SofteningSprings | LawPart::Slip | LawPart::Sway => Vec::new(),
            LawPart::Tightening => vec![tightened(q, press)],
        }
    }

    /// Whether its numbers change no columns but its own.
    pub fn stands_beside(self) -> bool {
        matches!(self, LawPart::Relaxation | LawPart::TwoTimes | LawPart::Friction)
    }

    /// Whether its columns are made of the elastic ones.
    pub fn remembers(self) -> bool {
        matches!(self, LawPart::Relaxation | LawPart::TwoTimes | LawPart::KneeDamping)
    }

    /// How many columns it has beside so many elastic ones.
    pub fn columns_beside(self, elastic: usize) -> usize {
        match self {
            LawPart::Relaxation => elastic.min(2),
            LawPart::TwoTimes => 2 * elastic.min(2),
            LawPart::Friction | LawPart::DeepeningDamping | LawPart::KneeDamping | LawPart::Tightening => 1,
            LawPart::SofteningSprings | LawPart::Slip | LawPart::Sway => 0,
        }
    }

    /// What it multiplies the force at rest by, sample by sample.
    pub fn factor(self, q: &[f64], press: &Press) -> Option<Vec<f64>> {
        let by = |over: &[f64]| Some(over.iter().map(|o| 1.0 + q[0] * o).collect());
        match self {
            LawPart::SofteningSprings => by(&press.done),
            LawPart::Tightening => by(&tightened(q, press)),
            _ => None,
        }
    }

    /// The mean of that factor over the springs.
    pub fn mean_factor(self, q: &[f64], press: &Press) -> f64 {
        match self {
            LawPart::SofteningSprings => 1.0 + q[0] * press.mean_done,
            LawPart::Tightening => 1.0 + q[0] * press.mean_loading(&tightened(q, press)),
            _ => 1.0,
        }
    }
}

/// From 0 to 1 since muscle began to tighten.
fn tightened(q: &[f64], press: &Press) -> Vec<f64> {
    let rate = press.series.rate_hz;
    let share = |i: usize| ((i as f64 / rate - q[1]) / TIGHTENED_S).clamp(0.0, 1.0);
    (0..press.series.len()).map(share).collect()
}

/// Friction's share of its full force: towards 1 going in and −1 coming out, within about `travel`.
fn turned(x: &[f64], travel: f64) -> Vec<f64> {
    let mut out = Vec::with_capacity(x.len());
    let (mut state, mut before) = (0.0, x.first().copied().unwrap_or(0.0));
    for x in x {
        let moved = x - before;
        before = *x;
        let towards = moved.signum();
        state = towards + (state - towards) * (-moved.abs() / travel).exp();
        out.push(state);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::super::made::{noise, press, series};
    use super::*;

    #[test]
    fn a_slip_takes_a_tenth_of_a_second() {
        let (x, springs) = press(50.0, 1);
        let n = x.len();
        let made = series(x, vec![0.0; n], 50.0);
        let of = Press::new(&made, &vec![1.0; n], &springs, &noise(50.0));
        let slid = LawPart::Slip.shift(&[0.7, 0.5], &of).unwrap();
        for (i, put) in [(0, 0.0), (25, 0.0), (27, 0.28), (28, 0.42), (30, 0.7), (n - 1, 0.7)] {
            assert!((slid[i] - put).abs() < 1e-9, "{i}: {}", slid[i]);
        }
        // Tightening goes up over 0.3 s in the same way.
        let tight = tightened(&[0.2, 0.5], &of);
        assert!(tight[25].abs() < 1e-9 && (tight[34] - 0.6).abs() < 1e-9 && tight[45] == 1.0);
    }

    /// Dahl's friction goes to its full force as 1 − e^{−d/travel}, from where it stands.
    #[test]
    fn friction_turns_over_its_travel() {
        let friction = turned(&[0.0, 0.3, 0.5, 0.1], 0.4);
        let up = 1.0 - (-0.5_f64 / 0.4).exp();
        let back = (up + 1.0) * (-0.4_f64 / 0.4).exp() - 1.0;
        assert!((friction[2] - up).abs() < 1e-12 && (friction[3] - back).abs() < 1e-12, "{friction:?}");
    }
}
