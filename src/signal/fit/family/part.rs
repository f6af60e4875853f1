//! Parts of a law beside its resting curve: what speed, time and earlier springs do.

use super::super::law::memory;
use super::press::Press;

/// A part that a law may have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Part {
    /// One Maxwell element: q = (ln τ).
    Relaxation,
    /// Two Maxwell elements: q = (ln τ₁, ln τ₂).
    TwoTimes,
    /// Friction that turns over some travel (Dahl 1976, AIAA J 14:1675-1682): q = (ln travel).
    Friction,
    /// Damping that grows with depth.
    DeepeningDamping,
    /// Every spring leaves the tissue softer or stiffer: q = (share a spring).
    SofteningSprings,
    /// After the first spring the tissue is stiffer by a share, and a force stands beside it: q = (share, when in s).
    Tightening,
    /// The contact slides on the skin once, over a tenth of a second: q = (mm, when in s).
    Slip,
    /// The trunk rises and falls under the hand: q = (mm of sine, of cosine, rad/s).
    Sway,
}

/// Muscle tightens within this time.
const TIGHTENED_S: f64 = 0.3;
/// A slip takes this long.
const SLIP_S: f64 = 0.1;
/// A slip may begin this often, for the search.
const SLIP_EVERY_S: f64 = 0.25;
/// The hand follows the trunk fully from this depth on.
const FOLLOWED_MM: f64 = 1.0;

impl Part {
    /// Every one.
    pub const ALL: [Part; 8] = [
        Part::Relaxation,
        Part::TwoTimes,
        Part::Friction,
        Part::DeepeningDamping,
        Part::SofteningSprings,
        Part::Tightening,
        Part::Slip,
        Part::Sway,
    ];

    /// Whether a law may have both.
    pub fn goes_with(self, other: Part) -> bool {
        let times = |p| matches!(p, Part::Relaxation | Part::TwoTimes);
        self != other && !(times(self) && times(other))
    }

    /// How many numbers are searched.
    pub fn searched(self) -> usize {
        match self {
            Part::Relaxation | Part::Friction | Part::SofteningSprings => 1,
            Part::TwoTimes | Part::Slip | Part::Tightening => 2,
            Part::Sway => 3,
            Part::DeepeningDamping => 0,
        }
    }

    /// Limits of the searched numbers.
    pub fn bounds(self, press: &Press) -> Vec<[f64; 2]> {
        let ln = |low: f64, high: f64| [low.ln(), high.ln()];
        match self {
            Part::Relaxation => vec![ln(0.02, 10.0)],
            Part::TwoTimes => vec![ln(0.02, 0.6), ln(0.4, 15.0)],
            Part::Friction => vec![ln(0.08, 1.5)],
            Part::SofteningSprings => vec![[-0.2, 0.2]],
            Part::Tightening => vec![[-0.5, 1.0], [0.0, press.last_s()]],
            Part::Slip => vec![[-4.0, 4.0], [0.0, press.last_s()]],
            Part::Sway => vec![[-2.0, 2.0], [-2.0, 2.0], [0.6, 4.0]],
            Part::DeepeningDamping => Vec::new(),
        }
    }

    /// Where searches begin.
    pub fn starts(self, press: &Press) -> Vec<Vec<f64>> {
        match self {
            Part::Relaxation | Part::Friction => vec![vec![0.3_f64.ln()]],
            Part::TwoTimes => vec![vec![0.1_f64.ln(), 1.5_f64.ln()]],
            Part::SofteningSprings => vec![vec![0.0]],
            Part::Tightening => vec![vec![0.0, press.first_spring_done_s]],
            Part::DeepeningDamping => vec![Vec::new()],
            Part::Slip => (1..(press.last_s() / SLIP_EVERY_S) as u32)
                .map(|k| vec![0.7, SLIP_EVERY_S * f64::from(k)])
                .collect(),
            Part::Sway => [0.9, 1.3, 1.8, 2.5]
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
            Part::Slip => {
                let slid = |i: usize| q[0] * ((i as f64 / rate - q[1]) / SLIP_S).clamp(0.0, 1.0);
                Some((0..x.len()).map(slid).collect())
            }
            Part::Sway => {
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
    pub fn columns(self, q: &[f64], elastic: &[&[f64]], press: &Press) -> Vec<Vec<f64>> {
        let rate = press.series.rate_hz;
        match self {
            Part::Relaxation | Part::TwoTimes => q
                .iter()
                .flat_map(|ln_time| {
                    let time_s = ln_time.exp();
                    elastic.iter().take(2).map(move |e| memory(e, rate, time_s))
                })
                .collect(),
            Part::Friction => {
                let turned = turned(&press.series.displacement_mm, q[0].exp());
                vec![press.series.low_pass.apply(&turned)]
            }
            Part::DeepeningDamping => vec![press.deep.clone()],
            Part::SofteningSprings | Part::Slip | Part::Sway => Vec::new(),
            Part::Tightening => vec![tightened(q, press)],
        }
    }

    /// How many columns it has beside so many elastic ones.
    pub fn columns_beside(self, elastic: usize) -> usize {
        match self {
            Part::Relaxation => elastic.min(2),
            Part::TwoTimes => 2 * elastic.min(2),
            Part::Friction | Part::DeepeningDamping | Part::Tightening => 1,
            Part::SofteningSprings | Part::Slip | Part::Sway => 0,
        }
    }

    /// What it multiplies the force at rest by, sample by sample.
    pub fn factor(self, q: &[f64], press: &Press) -> Option<Vec<f64>> {
        let by = |over: &[f64]| Some(over.iter().map(|o| 1.0 + q[0] * o).collect());
        match self {
            Part::SofteningSprings => by(&press.done),
            Part::Tightening => by(&tightened(q, press)),
            _ => None,
        }
    }

    /// The mean of that factor over the springs.
    pub fn mean_factor(self, q: &[f64], press: &Press) -> f64 {
        match self {
            Part::SofteningSprings => 1.0 + q[0] * press.mean_done,
            Part::Tightening => 1.0 + q[0] * press.mean_loading(&tightened(q, press)),
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
