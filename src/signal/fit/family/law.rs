//! A law of the family: one shape with its parts, its columns, and its fit by variable projection.

use super::super::project::solve_scaled;
use super::press::{Press, smooth_speed};
use super::shape::Reach;
use crate::stats::sums::{add_scaled, dot};
use crate::trace::{CurveShape, LawPart};
use nalgebra::{DMatrix, DVector};
use std::borrow::Cow;
use std::cmp::Ordering;

/// Damped steps at most.
const MOST_STEPS: usize = 20;
/// The two best starts go so many steps before the better one goes on alone.
const RACE_STEPS: usize = 3;
/// Step of difference quotients, in mm or ln mm.
const STEP: f64 = 1e-4;

/// Noise may give a toe of no stiffness a slope below zero, but not by more than this share of the end's.
const LITTLE_TOE: f64 = 0.03;

/// One shape with its parts, in order.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct FamilyLaw {
    pub shape: CurveShape,
    pub parts: Vec<LawPart>,
}

/// Every column of a law at given numbers: constant, elastic columns, speed, then those of the parts in their order.
pub struct LawColumns<'p> {
    pub all: Vec<Vec<f64>>,
    /// How many are elastic.
    pub elastic: usize,
    /// The displacement that the resting curve sees.
    seen_mm: Cow<'p, [f64]>,
}

/// A best fit is found where the next step is expected to lower the sum of squares by less than this share.
#[derive(Debug, Clone, Copy)]
pub struct Little(pub f64);

/// A law's best fit.
#[derive(Debug, Clone)]
pub struct LawFit {
    pub law: FamilyLaw,
    /// Searched numbers: of the shape, then of the parts in order.
    pub q: Vec<f64>,
    /// Coefficients in the order of the columns.
    pub b: Vec<f64>,
    /// Weighted, at the kept samples.
    pub residual: Vec<f64>,
    pub rss: f64,
}

impl FamilyLaw {
    pub fn new(shape: CurveShape, parts: &[LawPart]) -> FamilyLaw {
        let mut parts = parts.to_vec();
        parts.sort_unstable();
        FamilyLaw { shape, parts }
    }

    /// The same law with one part more; `None` when they do not go together.
    pub fn with(&self, part: LawPart) -> Option<FamilyLaw> {
        let fits = self.parts.iter().all(|p| p.goes_with(part));
        fits.then(|| FamilyLaw::new(self.shape, &[&self.parts[..], &[part]].concat()))
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
    pub fn columns<'p>(&self, q: &[f64], press: &'p Press) -> LawColumns<'p> {
        let series = press.series;
        let mut seen_mm = Cow::Borrowed(series.displacement_mm.as_slice());
        for (part, own) in self.parts.iter().zip(self.searched_by_part(q)) {
            if let Some(shift) = part.shift(own, press) {
                add_scaled(seen_mm.to_mut(), -1.0, &shift);
            }
        }
        let mut all = vec![vec![1.0; series.len()]];
        all.extend(self.elastic(q, &seen_mm, press));
        let elastic = all.len() - 1;
        all.push(match &seen_mm {
            Cow::Borrowed(_) => press.speed_mm_per_s.clone(),
            Cow::Owned(x) => smooth_speed(x, series),
        });
        for (part, own) in self.parts.iter().zip(self.searched_by_part(q)) {
            let columns = part.columns(own, &all[1..=elastic], press);
            all.extend(columns);
        }
        LawColumns { all, elastic, seen_mm }
    }

    /// The elastic columns, through the low pass and by what the parts multiply them with.
    fn elastic(&self, q: &[f64], seen_mm: &[f64], press: &Press) -> Vec<Vec<f64>> {
        let mut columns = self.shape.elastic(&q[..self.shape.searched()], seen_mm, press.touch_mm);
        // Displacement has been through the low pass already.
        for column in columns.iter_mut().skip(usize::from(self.shape.has_line())) {
            *column = press.series.low_pass.apply(column);
        }
        for (part, own) in self.parts.iter().zip(self.searched_by_part(q)) {
            if let Some(factor) = part.factor(own, press) {
                for column in &mut columns {
                    column.iter_mut().zip(&factor).for_each(|(c, f)| *c *= f);
                }
            }
        }
        columns
    }

    /// The columns that change where one searched number goes from what it was for `before`, each with its place.
    fn changed(&self, q: &[f64], which: usize, before: &LawColumns, press: &Press) -> Vec<(usize, Vec<f64>)> {
        let elastic = before.elastic;
        let of_shape = which < self.shape.searched();
        let moved = of_shape.then(|| self.elastic(q, &before.seen_mm, press));
        let mut changed = Vec::new();
        let (mut first, mut place) = (self.shape.searched(), elastic + 2);
        for (part, own) in self.parts.iter().zip(self.searched_by_part(q)) {
            let own_changed = (first..first + own.len()).contains(&which);
            if own_changed && !part.stands_beside() {
                return self.columns(q, press).all.into_iter().enumerate().skip(1).collect();
            }
            if own_changed || (of_shape && part.remembers()) {
                let columns = part.columns(own, moved.as_deref().unwrap_or(&before.all[1..=elastic]), press);
                changed.extend((place..).zip(columns));
            }
            first += own.len();
            place += part.columns_beside(elastic);
        }
        changed.extend((1..).zip(moved.into_iter().flatten()));
        changed
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
            CurveShape::Parabola | CurveShape::ExponentialToe | CurveShape::PowerToe | CurveShape::Exponential | CurveShape::Power => (0.0, b[1]),
        };
        let bend_begins = match self.shape {
            CurveShape::SoftKnee | CurveShape::StiffeningEnd => q[0] - 2.0 * q[1].exp(),
            CurveShape::BentCable => q[0] - q[1].exp(),
            _ => touch_mm,
        };
        end > 0.0 && end > toe && toe > -LITTLE_TOE * end && bend_begins >= touch_mm
    }

    /// Fits the law from the best of the starts.
    pub fn fit(&self, press: &Press, starts: Vec<Vec<f64>>, little: Little) -> Option<LawFit> {
        let bounds = self.bounds(press);
        let mut at: Vec<Iterate> = starts
            .into_iter()
            .filter_map(|q| Iterate::at(self, press, kept_within(q, &bounds)))
            .collect();
        at.sort_by(|a, b| a.rss.total_cmp(&b.rss));
        at.truncate(2);
        let search = Search { law: self, press, bounds: &bounds, little };
        if at.len() > 1 {
            at = at.into_iter().filter_map(|start| search.improve(start, RACE_STEPS)).collect();
        }
        let stands = |i: &Iterate| self.stiffens(&i.q, &i.b, press.touch_mm);
        at.sort_by(|a, b| (!stands(a), a.rss).partial_cmp(&(!stands(b), b.rss)).unwrap_or(Ordering::Equal));
        let best = search.improve(at.into_iter().next()?, MOST_STEPS)?;
        stands(&best).then(|| LawFit {
            law: self.clone(),
            q: best.q,
            b: best.b,
            residual: best.residual,
            rss: best.rss,
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
struct Iterate<'p> {
    q: Vec<f64>,
    b: Vec<f64>,
    columns: LawColumns<'p>,
    weighted: Vec<Vec<f64>>,
    gram: DMatrix<f64>,
    residual: Vec<f64>,
    rss: f64,
}

impl<'p> Iterate<'p> {
    fn at(law: &FamilyLaw, press: &'p Press, q: Vec<f64>) -> Option<Iterate<'p>> {
        let columns = law.columns(&q, press);
        let weighted: Vec<Vec<f64>> = columns.all.iter().map(|c| press.weighted(c)).collect();
        let gram = gram(&weighted);
        let right = DVector::from_iterator(weighted.len(), weighted.iter().map(|c| dot(c, &press.weighted_force_n)));
        let mut b: Vec<f64> = solve_scaled(&gram, &right)?.iter().copied().collect();
        let mut residual = left(&press.weighted_force_n, &weighted, &b);
        // Once more on what is left: columns of a law may nearly agree.
        let right = DVector::from_iterator(weighted.len(), weighted.iter().map(|c| dot(c, &residual)));
        for (b, more) in b.iter_mut().zip(solve_scaled(&gram, &right)?.iter()) {
            *b += more;
        }
        residual = left(&press.weighted_force_n, &weighted, &b);
        let rss = dot(&residual, &residual);
        rss.is_finite().then_some(Iterate {
            q,
            b,
            columns,
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
        add_scaled(&mut left, -b, column);
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

/// ∂F/∂q at the kept samples, weighted, for given coefficients; the columns at q, and these weighted, are known.
pub fn derivatives(
    law: &FamilyLaw,
    press: &Press,
    q: &[f64],
    b: &[f64],
    columns: &LawColumns,
    weighted: &[Vec<f64>],
) -> Vec<Vec<f64>> {
    (0..q.len())
        .map(|j| {
            let mut moved = q.to_vec();
            moved[j] += STEP;
            let mut d = vec![0.0; press.kept.len()];
            for (i, column) in law.changed(&moved, j, columns, press) {
                add_scaled(&mut d, b[i] / STEP, &press.weighted(&column));
                add_scaled(&mut d, -b[i] / STEP, &weighted[i]);
            }
            d
        })
        .collect()
}

/// Damped Gauss–Newton steps on the projected residual (Kaufman 1975, BIT 15:49-57).
struct Search<'s> {
    law: &'s FamilyLaw,
    press: &'s Press<'s>,
    bounds: &'s [[f64; 2]],
    little: Little,
}

impl<'s> Search<'s> {
    fn improve(&self, mut best: Iterate<'s>, most_steps: usize) -> Option<Iterate<'s>> {
        let mut damping = 1e-3;
        for _ in 0..if best.q.is_empty() { 0 } else { most_steps } {
            let d = derivatives(self.law, self.press, &best.q, &best.b, &best.columns, &best.weighted);
            let cross = DMatrix::from_fn(best.weighted.len(), d.len(), |i, j| dot(&best.weighted[i], &d[j]));
            let jtj = gram(&d) - cross.transpose() * solve_scaled(&best.gram, &cross)?;
            let gradient = DVector::from_iterator(d.len(), d.iter().map(|d| dot(d, &best.residual)));
            let expected = solve_scaled(&jtj, &gradient).map_or(f64::INFINITY, |step| step.dot(&gradient));
            if expected < self.little.0 * best.rss {
                break;
            }
            let Some(trial) = self.lower(&best, &jtj, &gradient, &mut damping) else {
                break;
            };
            let gained = best.rss - trial.rss;
            best = trial;
            if gained < self.little.0 * best.rss {
                break;
            }
        }
        Some(best)
    }

    /// The first step that lowers the sum of squares, less and less bold.
    fn lower(&self, from: &Iterate, jtj: &DMatrix<f64>, gradient: &DVector<f64>, damping: &mut f64) -> Option<Iterate<'s>> {
        for _ in 0..6 {
            let mut damped = jtj.clone();
            for i in 0..damped.nrows() {
                damped[(i, i)] += *damping * jtj[(i, i)].max(1e-300);
            }
            let step = solve_scaled(&damped, gradient)?;
            let moved = from.q.iter().zip(step.iter()).map(|(q, d)| q + d.clamp(-1.5, 1.5));
            let trial = Iterate::at(self.law, self.press, kept_within(moved.collect(), self.bounds));
            if let Some(trial) = trial.filter(|t| t.rss < from.rss) {
                *damping = (*damping * 0.2).max(1e-9);
                return Some(trial);
            }
            *damping *= 6.0;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::made::{noise, press, series};
    use super::*;

    fn a_press() -> (crate::signal::fit::series::Series, Vec<std::ops::Range<usize>>) {
        let (x, springs) = press(50.0, 2);
        let n = x.len();
        (series(x, vec![0.0; n], 50.0), springs)
    }

    #[test]
    fn derivatives_are_differences_of_the_whole_law() {
        let (made, springs) = a_press();
        let of = Press::new(&made, &vec![0.01; made.len()], &springs, &noise(50.0));
        for shape in CurveShape::WITH_ONSET {
            for parts in LawPart::ALL.map(|p| vec![p]).into_iter().chain([vec![LawPart::Relaxation, LawPart::Slip]]) {
                let law = FamilyLaw::new(shape, &parts);
                let mut q = law.shape.starts(reach(&of))[0].clone();
                q.extend(law.parts.iter().flat_map(|p| match p {
                    LawPart::SofteningSprings => vec![0.1],
                    LawPart::Tightening => vec![0.2, 0.9],
                    part => part.starts(&of)[0].clone(),
                }));
                let columns = law.columns(&q, &of);
                let b: Vec<f64> = (0..columns.all.len()).map(|i| 0.5 + 0.3 * i as f64).collect();
                let weighted: Vec<Vec<f64>> = columns.all.iter().map(|c| of.weighted(c)).collect();
                let force = |q: &[f64]| {
                    let all = law.columns(q, &of).all;
                    let sum = |i: &usize| all.iter().zip(&b).map(|(c, b)| c[*i] * b).sum::<f64>();
                    of.kept.iter().map(sum).collect::<Vec<f64>>()
                };
                let before = force(&q);
                for (j, d) in derivatives(&law, &of, &q, &b, &columns, &weighted).iter().enumerate() {
                    let mut moved = q.clone();
                    moved[j] += STEP;
                    for ((d, after), before) in d.iter().zip(force(&moved)).zip(&before) {
                        let whole = (after - before) / STEP;
                        assert!((d - whole).abs() < 1e-6 * whole.abs().max(1.0), "{law:?} {j}: {d} {whole}");
                    }
                }
            }
        }
    }

    #[test]
    fn tissue_stiffens_from_a_toe_that_begins_within_the_push() {
        let law = FamilyLaw::new(CurveShape::SoftKnee, &[]);
        let (sharp, wide) = ([5.0, 0.5_f64.ln()], [5.0, 1.2_f64.ln()]);
        assert!(law.stiffens(&sharp, &[0.0, 1.0, 4.0], 3.5));
        assert!(!law.stiffens(&wide, &[0.0, 1.0, 4.0], 3.5), "bends from 2.6 mm on");
        assert!(!law.stiffens(&sharp, &[0.0, 1.0, -0.5], 3.5), "softens");
        assert!(!law.stiffens(&sharp, &[0.0, -1.0, 0.5], 3.5), "ends below nothing");
        assert!(!law.stiffens(&sharp, &[0.0, -0.5, 4.5], 3.5), "a toe far below nothing");
        assert!(law.stiffens(&sharp, &[0.0, -0.05, 4.0], 3.5), "noise alone");
    }

    /// Without noise the search ends at what was put in.
    #[test]
    fn a_law_is_found_again_from_its_starts() {
        let (mut made, springs) = a_press();
        let expected = vec![0.01; made.len()];
        for (shape, parts, q, elastic) in [
            (CurveShape::SoftKnee, vec![], vec![4.2, 0.4_f64.ln()], vec![1.2, 5.0]),
            (CurveShape::PowerToe, vec![], vec![5.5, 0.3, -0.2], vec![6.0]),
            (CurveShape::ThreeLines, vec![LawPart::Friction], vec![3.5, 2.2_f64.ln(), 0.5_f64.ln()], vec![0.8, 2.0, 3.0]),
            (CurveShape::StiffeningEnd, vec![LawPart::Relaxation], vec![4.2, 0.2_f64.ln(), 0.5_f64.ln()], vec![1.2, 4.0, 0.4]),
        ] {
            let law = FamilyLaw::new(shape, &parts);
            made.force_n = {
                let of = Press::new(&made, &expected, &springs, &noise(50.0));
                let all = law.columns(&q, &of).all;
                let mut b = vec![0.3];
                b.extend(&elastic);
                b.resize(all.len(), 0.6);
                (0..made.len()).map(|i| all.iter().zip(&b).map(|(c, b)| c[i] * b).sum()).collect()
            };
            let of = Press::new(&made, &expected, &springs, &noise(50.0));
            let of_parts: Vec<f64> = law.parts.iter().flat_map(|p| p.starts(&of)[0].clone()).collect();
            let found = law.fit(&of, law.starts_beside(&of, &of_parts), Little(1e-6)).unwrap();
            assert!(found.rss < 1e-6, "{law:?}: {}", found.rss);
            for (found, put) in found.q.iter().zip(&q) {
                assert!((found - put).abs() < 2e-3, "{law:?}: {:?} {q:?}", found);
            }
        }
    }
}
