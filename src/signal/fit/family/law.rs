//! A law of the family: one shape with its parts, its columns, and its fit by variable projection.

use super::super::project::solve_scaled;
use super::super::series::speed;
use super::press::Press;
use super::shape::Reach;
use crate::stats::sums::dot;
use crate::trace::{CurveShape, LawPart};
use nalgebra::{DMatrix, DVector};
use std::borrow::Cow;

/// Damped steps at most.
const MOST_STEPS: usize = 20;
/// A search ends when a step lowers the sum of squares by less than this share.
const LITTLE: f64 = 1e-5;
/// Step of difference quotients, in mm or ln mm.
const STEP: f64 = 1e-4;

/// Noise may give a toe of no stiffness a slope below zero, but not by more than this share of the end's.
const LITTLE_TOE: f64 = 0.03;

/// One shape with its parts, in order.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Law {
    pub shape: CurveShape,
    pub parts: Vec<LawPart>,
}

/// Every column of a law at given numbers: constant, elastic columns, speed, then those of the parts in their order.
pub struct LawColumns {
    pub all: Vec<Vec<f64>>,
    /// How many are elastic.
    pub elastic: usize,
}

/// A law's best fit.
#[derive(Debug, Clone)]
pub struct LawFit {
    pub law: Law,
    /// Searched numbers: of the shape, then of the parts in order.
    pub q: Vec<f64>,
    /// Coefficients in the order of the columns.
    pub b: Vec<f64>,
    /// Weighted, at the kept samples.
    pub residual: Vec<f64>,
    pub rss: f64,
}

impl Law {
    pub fn new(shape: CurveShape, parts: &[LawPart]) -> Law {
        let mut parts = parts.to_vec();
        parts.sort_unstable();
        Law { shape, parts }
    }

    /// The same law with one part more; `None` when they do not go together.
    pub fn with(&self, part: LawPart) -> Option<Law> {
        let fits = self.parts.iter().all(|p| p.goes_with(part));
        fits.then(|| Law::new(self.shape, &[&self.parts[..], &[part]].concat()))
    }

    fn bounds(&self, press: &Press) -> Vec<[f64; 2]> {
        let mut bounds = self.shape.bounds(reach(press));
        bounds.extend(self.parts.iter().flat_map(|p| p.bounds(press)));
        bounds
    }

    /// Starts of the shape, each with these numbers of the parts.
    pub fn starts_beside(&self, press: &Press, of_parts: &[f64]) -> Vec<Vec<f64>> {
        let shapes = self.shape.starts(reach(press));
        shapes.iter().map(|s| [&s[..], of_parts].concat()).collect()
    }

    /// The columns at `q`, over the whole series.
    pub fn columns(&self, q: &[f64], press: &Press) -> LawColumns {
        let series = press.series;
        let n = series.len();
        let own = &q[..self.shape.searched()];
        let mut all = vec![vec![1.0; n]];
        let mut x = Cow::Borrowed(&series.displacement_mm);
        for (part, own) in self.parts.iter().zip(self.searched_by_part(q)) {
            if let Some(shift) = part.shift(own, press) {
                x.to_mut().iter_mut().zip(shift).for_each(|(x, s)| *x -= s);
            }
        }
        let columns = self.shape.elastic(own, &x, press.touch_mm);
        let straight = usize::from(self.shape.has_line());
        for (i, column) in columns.into_iter().enumerate() {
            // Displacement has been through the low pass already.
            all.push(if i < straight { column } else { series.low_pass.apply(&column) });
        }
        let elastic = all.len() - 1;
        for (part, own) in self.parts.iter().zip(self.searched_by_part(q)) {
            if let Some(factor) = part.factor(own, press) {
                for column in &mut all[1..] {
                    column.iter_mut().zip(&factor).for_each(|(c, f)| *c *= f);
                }
            }
        }
        all.push(match &x {
            Cow::Borrowed(_) => series.speed_mm_per_s.clone(),
            Cow::Owned(x) => speed(x, series.rate_hz),
        });
        for (part, own) in self.parts.iter().zip(self.searched_by_part(q)) {
            let columns: Vec<&[f64]> = all[1..=elastic].iter().map(Vec::as_slice).collect();
            let columns = part.columns(own, &columns, press);
            all.extend(columns);
        }
        LawColumns { all, elastic }
    }

    /// The searched numbers of each part.
    pub fn searched_by_part<'q>(&self, q: &'q [f64]) -> Vec<&'q [f64]> {
        let mut rest = &q[self.shape.searched()..];
        self.parts
            .iter()
            .map(|part| {
                let (own, others) = rest.split_at(part.searched());
                rest = others;
                own
            })
            .collect()
    }

    /// Whether a fit stands for tissue that stiffens, from a toe that begins no earlier than the push.
    fn stiffens(&self, q: &[f64], b: &[f64], touch_mm: f64) -> bool {
        let (toe, end) = match self.shape {
            CurveShape::SoftKnee | CurveShape::BentCable | CurveShape::StiffeningEnd => (b[1], b[1] + b[2]),
            CurveShape::ThreeLines | CurveShape::BentToe => (b[1], b[1] + b[2] + b[3]),
            CurveShape::Line | CurveShape::ExponentialToe | CurveShape::PowerToe | CurveShape::Exponential | CurveShape::Power => (0.0, b[1]),
        };
        let bend_begins = match self.shape {
            CurveShape::SoftKnee | CurveShape::StiffeningEnd => q[0] - 2.0 * q[1].exp(),
            CurveShape::BentCable => q[0] - q[1].exp(),
            _ => touch_mm,
        };
        end > 0.0 && end > toe && toe > -LITTLE_TOE * end && bend_begins >= touch_mm
    }

    /// Fits the law: the two best of the starts improved.
    pub fn fit(&self, press: &Press, starts: Vec<Vec<f64>>) -> Option<LawFit> {
        let bounds = self.bounds(press);
        let mut at: Vec<Iterate> = starts
            .into_iter()
            .filter_map(|q| Iterate::at(self, press, kept_within(q, &bounds)))
            .collect();
        at.sort_by(|a, b| a.rss.total_cmp(&b.rss));
        at.truncate(2);
        at.into_iter()
            .filter_map(|start| improve(self, press, &bounds, start))
            .filter(|i| self.stiffens(&i.q, &i.b, press.touch_mm))
            .min_by(|a, b| a.rss.total_cmp(&b.rss))
            .map(|i| LawFit {
                law: self.clone(),
                q: i.q,
                b: i.b,
                residual: i.residual,
                rss: i.rss,
            })
    }
}

impl LawFit {
    /// How many numbers were fitted.
    pub fn parameters(&self) -> usize {
        self.b.len() + self.q.len()
    }
}

fn reach(press: &Press) -> Reach {
    Reach {
        touch_mm: press.touch_mm,
        top_mm: press.top_mm,
    }
}

fn kept_within(mut q: Vec<f64>, bounds: &[[f64; 2]]) -> Vec<f64> {
    for (q, [low, high]) in q.iter_mut().zip(bounds) {
        *q = q.clamp(*low, *high);
    }
    q
}

/// The linear fit at one q.
struct Iterate {
    q: Vec<f64>,
    b: Vec<f64>,
    weighted: Vec<Vec<f64>>,
    gram: DMatrix<f64>,
    residual: Vec<f64>,
    rss: f64,
}

impl Iterate {
    fn at(law: &Law, press: &Press, q: Vec<f64>) -> Option<Iterate> {
        let columns = law.columns(&q, press);
        let weighted: Vec<Vec<f64>> = columns.all.iter().map(|c| press.weighted(c)).collect();
        let gram = gram(&weighted);
        let force = press.weighted(&press.series.force_n);
        let right = DVector::from_iterator(weighted.len(), weighted.iter().map(|c| dot(c, &force)));
        let mut b: Vec<f64> = solve_scaled(&gram, &right)?.iter().copied().collect();
        let mut residual = left(&force, &weighted, &b);
        // Once more on what is left: columns of a law may nearly agree.
        let right = DVector::from_iterator(weighted.len(), weighted.iter().map(|c| dot(c, &residual)));
        for (b, more) in b.iter_mut().zip(solve_scaled(&gram, &right)?.iter()) {
            *b += more;
        }
        residual = left(&force, &weighted, &b);
        let rss = dot(&residual, &residual);
        rss.is_finite().then_some(Iterate {
            q,
            b,
            weighted,
            gram,
            residual,
            rss,
        })
    }
}

fn left(force: &[f64], columns: &[Vec<f64>], b: &[f64]) -> Vec<f64> {
    let mut left = force.to_vec();
    for (column, b) in columns.iter().zip(b) {
        for (left, c) in left.iter_mut().zip(column) {
            *left -= b * c;
        }
    }
    left
}

/// Products of columns.
pub fn gram(columns: &[Vec<f64>]) -> DMatrix<f64> {
    let p = columns.len();
    let mut gram = DMatrix::zeros(p, p);
    for i in 0..p {
        for j in 0..=i {
            let g = dot(&columns[i], &columns[j]);
            (gram[(i, j)], gram[(j, i)]) = (g, g);
        }
    }
    gram
}

/// ∂F/∂q at the kept samples, weighted, for given coefficients.
pub fn derivatives(law: &Law, press: &Press, q: &[f64], b: &[f64], at: &[Vec<f64>]) -> Vec<Vec<f64>> {
    (0..q.len())
        .map(|j| {
            let mut moved = q.to_vec();
            moved[j] += STEP;
            let columns = law.columns(&moved, press);
            let mut d = vec![0.0; press.kept.len()];
            for ((column, before), b) in columns.all.iter().zip(at).zip(b) {
                for (((d, i), w), before) in d.iter_mut().zip(&press.kept).zip(&press.weight).zip(before) {
                    *d += b * (w * column[*i] - before) / STEP;
                }
            }
            d
        })
        .collect()
}

/// Damped Gauss–Newton steps on the projected residual (Kaufman 1975, BIT 15:49-57).
fn improve(law: &Law, press: &Press, bounds: &[[f64; 2]], mut best: Iterate) -> Option<Iterate> {
    if best.q.is_empty() {
        return Some(best);
    }
    let mut damping = 1e-3;
    for _ in 0..MOST_STEPS {
        let d = derivatives(law, press, &best.q, &best.b, &best.weighted);
        let cross = DMatrix::from_fn(best.weighted.len(), d.len(), |i, j| dot(&best.weighted[i], &d[j]));
        let jtj = gram(&d) - cross.transpose() * solve_scaled(&best.gram, &cross)?;
        let gradient = DVector::from_iterator(d.len(), d.iter().map(|d| dot(d, &best.residual)));
        let before = best.rss;
        for _ in 0..6 {
            let mut damped = jtj.clone();
            for i in 0..damped.nrows() {
                damped[(i, i)] += damping * jtj[(i, i)].max(1e-300);
            }
            let step = solve_scaled(&damped, &gradient)?;
            let moved = best.q.iter().zip(step.iter()).map(|(q, d)| q + d.clamp(-1.5, 1.5));
            let trial = Iterate::at(law, press, kept_within(moved.collect(), bounds));
            if let Some(trial) = trial.filter(|t| t.rss < best.rss) {
                best = trial;
                damping = (damping * 0.2).max(1e-9);
                break;
            }
            damping *= 6.0;
        }
        if best.rss > before * (1.0 - LITTLE) {
            break;
        }
    }
    Some(best)
}
