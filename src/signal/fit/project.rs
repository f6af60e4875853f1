//! Variable projection (Golub & Pereyra 1973, SIAM J Numer Anal 10:413-432): for given knee and relaxation time
//! the rest is linear least squares, so only those two or three are searched.

use super::law::{Columns, KneeShape, columns, knees};
use super::series::Series;
use crate::stats::moments::extremes;
use crate::stats::sums::{centred_dot, dot, sum};
use nalgebra::allocator::Allocator;
use nalgebra::{DefaultAllocator, Dim, OMatrix, OVector, SMatrix, SVector, U1};

/// Damped steps at most.
const MOST_STEPS: usize = 40;
/// Stop when a step changes the onset by less than this share of the range and ln w by a hundred times that.
const SMALL_STEP: f64 = 1e-6;
/// The same on the thinned series, whose best shape is only where the full one begins.
const NEAR_STEP: f64 = 1e-3;
/// Widths between a thousandth of a millimetre and this share of the displacement range.
const WIDEST_SHARE: f64 = 0.3;
const NARROWEST_MM: f64 = 1e-3;
/// A displacement that spans no more than this, a millionth of a micrometre, stood still but for rounding.
const STILL_MM: f64 = 1e-9;
/// Relaxation times between these, in s: shorter is damping, longer is not seen in one test.
const TIMES_S: [f64; 2] = [0.05, 8.0];

/// Linear least squares at one shape.
#[derive(Debug, Clone)]
pub struct Linear {
    /// Constant, then the columns' coefficients in their order.
    pub constant: f64,
    pub coefficients: Vec<f64>,
    pub rss: f64,
}

/// A fitted shape.
#[derive(Debug, Clone)]
pub struct Fitted {
    pub shape: KneeShape,
    pub linear: Linear,
}

/// Limits of the search.
#[derive(Debug, Clone, Copy)]
pub struct Bounds {
    pub onset_mm: [f64; 2],
    pub ln_width: [f64; 2],
    pub range_mm: f64,
}

impl Bounds {
    /// From the displacement's own range; `None` when it does not move, or not by anything that can be reckoned with.
    pub fn of(x: &[f64]) -> Option<Bounds> {
        let (low, high) = extremes(x);
        let range_mm = high - low;
        if !(range_mm > STILL_MM && range_mm.is_finite()) {
            return None;
        }
        // Small-scale data may be narrower than a hand-driven test's smallest width.
        let narrow = NARROWEST_MM.min(1e-4 * range_mm);
        Some(Bounds {
            onset_mm: [low + 0.005 * range_mm, high - 0.005 * range_mm],
            ln_width: [narrow.ln(), (WIDEST_SHARE * range_mm).ln()],
            range_mm,
        })
    }

    /// The same with the onset between two displacements; `None` when the push never lies between them.
    pub fn within(self, mm: Option<[f64; 2]>) -> Option<Bounds> {
        let Some([low, high]) = mm else { return Some(self) };
        let onset_mm = [self.onset_mm[0].max(low), self.onset_mm[1].min(high)];
        (onset_mm[0] < onset_mm[1]).then_some(Bounds { onset_mm, ..self })
    }

    fn keep(&self, shape: KneeShape) -> KneeShape {
        KneeShape {
            onset_mm: shape.onset_mm.clamp(self.onset_mm[0], self.onset_mm[1]),
            ln_width: shape.ln_width.clamp(self.ln_width[0], self.ln_width[1]),
            ln_time: shape.ln_time.map(|t| t.clamp(TIMES_S[0].ln(), TIMES_S[1].ln())),
        }
    }
}

/// Linear columns at most, and non-linear parameters at most: systems of a search are this large and, where they need
/// less, hold zeros beyond, which [`solve_scaled`] answers by zeros.
const MOST_LINEAR: usize = 5;
const MOST_NONLINEAR: usize = 3;
type Gram = SMatrix<f64, MOST_LINEAR, MOST_LINEAR>;
type Information = SMatrix<f64, MOST_NONLINEAR, MOST_NONLINEAR>;
type Gradient = SVector<f64, MOST_NONLINEAR>;

/// Solves a small symmetric system scaled to a unit diagonal; directions that the data do not show get nothing.
pub fn solve_scaled<D: Dim, C: Dim>(
    gram: &OMatrix<f64, D, D>,
    right: &OMatrix<f64, D, C>,
) -> Option<OMatrix<f64, D, C>>
where
    DefaultAllocator: Allocator<D, D> + Allocator<D, C> + Allocator<D>,
{
    let (n, columns) = right.shape_generic();
    let of_diagonal = |i| gram[(i, i)].max(0.0).sqrt();
    let scale = OVector::from_fn_generic(n, U1, |i, _| match of_diagonal(i) {
        s if s > 0.0 => 1.0 / s,
        _ => 0.0,
    });
    let mut a = OMatrix::from_fn_generic(n, n, |i, j| gram[(i, j)] * scale[i] * scale[j]);
    for i in 0..scale.len() {
        a[(i, i)] += if scale[i] > 0.0 { 1e-12 } else { 1.0 };
    }
    let b = OMatrix::from_fn_generic(n, columns, |i, j| right[(i, j)] * scale[i]);
    let solved = a.cholesky()?.solve(&b);
    Some(OMatrix::from_fn_generic(n, columns, |i, j| {
        solved[(i, j)] * scale[i]
    }))
}

fn mean(y: &[f64]) -> f64 {
    sum(y) / y.len().max(1) as f64
}

/// What the columns and the constant leave of force.
fn residual(force_n: &[f64], constant: f64, columns: &[&[f64]], coefficients: &[f64]) -> Vec<f64> {
    let mut left: Vec<f64> = force_n.iter().map(|f| f - constant).collect();
    for (column, k) in columns.iter().zip(coefficients) {
        for (r, c) in left.iter_mut().zip(*column) {
            *r -= c * k;
        }
    }
    left
}

/// A linear fit with what it was made of.
pub struct Solved {
    pub linear: Linear,
    /// Products of the columns about their means.
    gram: Gram,
    means: Vec<f64>,
    /// What the fit leaves of force.
    left: Vec<f64>,
}

/// Linear least squares of force on the given columns (five at most) and a constant.
pub fn linear(force_n: &[f64], columns: &[&[f64]]) -> Option<Solved> {
    let means: Vec<f64> = columns.iter().map(|c| mean(c)).collect();
    let mf = mean(force_n);
    let (mut gram, mut right) = (Gram::zeros(), SVector::<f64, MOST_LINEAR>::zeros());
    for (i, column) in columns.iter().enumerate() {
        for j in 0..=i {
            let g = centred_dot(column, means[i], columns[j], means[j]);
            (gram[(i, j)], gram[(j, i)]) = (g, g);
        }
        right[i] = centred_dot(column, means[i], force_n, mf);
    }
    let solved = solve_scaled(&gram, &right)?;
    let coefficients: Vec<f64> = solved.iter().take(columns.len()).copied().collect();
    let constant = mf - coefficients.iter().zip(&means).map(|(c, m)| c * m).sum::<f64>();
    let left = residual(force_n, constant, columns, &coefficients);
    let rss = dot(&left, &left);
    Some(Solved {
        linear: Linear {
            constant,
            coefficients,
            rss,
        },
        gram,
        means,
        left,
    })
}

fn refs<'c>(columns: &'c Columns) -> Vec<&'c [f64]> {
    columns.linear.iter().map(|c| &**c).collect()
}

/// Residual sum of squares at a shape.
pub fn at(series: &Series, shape: &KneeShape) -> Option<Fitted> {
    let c = columns(series, shape, false);
    Some(Fitted {
        shape: *shape,
        linear: linear(&series.force_n, &refs(&c))?.linear,
    })
}

/// The linear fit at a shape with all that the next step needs.
struct Iterate<'s> {
    shape: KneeShape,
    columns: Columns<'s>,
    solved: Solved,
}

impl<'s> Iterate<'s> {
    fn at(series: &'s Series, shape: &KneeShape) -> Option<Iterate<'s>> {
        // Nearly every step tried is taken, so its derivatives are nearly always needed.
        let columns = columns(series, shape, true);
        let solved = linear(&series.force_n, &refs(&columns))?;
        Some(Iterate {
            shape: *shape,
            columns,
            solved,
        })
    }

    fn rss(&self) -> f64 {
        self.solved.linear.rss
    }
}

/// Improves a shape by damped Gauss–Newton steps on the projected residual (Kaufman 1975, BIT 15:49-57), until a step
/// is smaller than `small_step` (see `SMALL_STEP`).
pub fn improve(series: &Series, start: KneeShape, bounds: &Bounds, small_step: f64) -> Option<Fitted> {
    let mut best = Iterate::at(series, &bounds.keep(start))?;
    let mut damping = 1e-3;
    for _ in 0..MOST_STEPS {
        let (jacobian, gradient) = projected(&best)?;
        let mut moved = false;
        for _ in 0..8 {
            let shape = bounds.keep(step(&best.shape, &jacobian, &gradient, damping)?);
            if change(&shape, &best.shape, bounds) <= small_step {
                break;
            }
            let trial = Iterate::at(series, &shape);
            if let Some(trial) = trial.filter(|t| t.rss() < best.rss()) {
                moved = 1.0 - trial.rss() / best.rss() > 1e-9;
                damping = (damping * 0.2).max(1e-9);
                best = trial;
                break;
            }
            damping *= 6.0;
        }
        if !moved {
            break;
        }
    }
    Some(Fitted {
        shape: best.shape,
        linear: best.solved.linear,
    })
}

/// How far apart two shapes are, as [`SMALL_STEP`] counts it.
fn change(a: &KneeShape, b: &KneeShape, bounds: &Bounds) -> f64 {
    let onset = ((a.onset_mm - b.onset_mm) / bounds.range_mm).abs();
    let width = (a.ln_width - b.ln_width).abs();
    let time = (a.ln_time.unwrap_or(0.0) - b.ln_time.unwrap_or(0.0)).abs();
    onset.max(0.01 * width.max(time))
}

/// JᵀJ and Jᵀr of the projected residual.
fn projected(iterate: &Iterate) -> Option<(Information, Gradient)> {
    let c = &iterate.columns;
    let Solved {
        linear,
        gram,
        means,
        left,
    } = &iterate.solved;
    let d = c.nonlinear(&linear.coefficients);
    let dm: Vec<f64> = d.iter().map(|y| mean(y)).collect();
    let mut cross = SMatrix::<f64, MOST_LINEAR, MOST_NONLINEAR>::zeros();
    let (mut jtj, mut gradient) = (Information::zeros(), Gradient::zeros());
    for (j, column) in d.iter().enumerate() {
        for (i, m) in means.iter().enumerate() {
            cross[(i, j)] = centred_dot(&c.linear[i], *m, column, dm[j]);
        }
        for i in 0..=j {
            let g = centred_dot(&d[i], dm[i], column, dm[j]);
            (jtj[(i, j)], jtj[(j, i)]) = (g, g);
        }
        // The residual is orthogonal to the linear columns already.
        gradient[j] = dot(column, left);
    }
    jtj -= cross.transpose() * solve_scaled(gram, &cross)?;
    Some((jtj, gradient))
}

fn step(shape: &KneeShape, jtj: &Information, gradient: &Gradient, damping: f64) -> Option<KneeShape> {
    let mut a = *jtj;
    for i in 0..shape.count() {
        a[(i, i)] += damping * jtj[(i, i)].max(1e-300);
    }
    let delta = solve_scaled(&a, gradient)?;
    Some(KneeShape {
        onset_mm: shape.onset_mm + delta[0],
        ln_width: shape.ln_width + delta[1].clamp(-1.5, 1.5),
        ln_time: shape.ln_time.map(|t| t + delta[2].clamp(-1.0, 1.0)),
    })
}

/// Onsets across the range, each with widths given as shares of it.
fn grid<'a>(bounds: &'a Bounds, width_shares: &'a [f64]) -> impl Iterator<Item = KneeShape> + 'a {
    (0..14).flat_map(move |k| {
        let share = 0.04 + 0.92 * f64::from(k) / 13.0;
        width_shares.iter().map(move |width| KneeShape {
            onset_mm: bounds.onset_mm[0] + share * (bounds.onset_mm[1] - bounds.onset_mm[0]),
            ln_width: (width * bounds.range_mm).ln(),
            ln_time: None,
        })
    })
}

/// Best shape without relaxation: a grid of onsets and widths on the thinned series, the three best improved
/// there, the winner improved on the full series. The sum of squares has several minima.
pub fn search(series: &Series, coarse: &Series, bounds: &Bounds) -> Option<Fitted> {
    let shapes: Vec<KneeShape> = grid(bounds, &[0.01, 0.06]).map(|shape| bounds.keep(shape)).collect();
    let (fours, rest) = shapes.as_chunks::<4>();
    let mut starts: Vec<Fitted> = rest.iter().filter_map(|shape| at(coarse, shape)).collect();
    for four in fours {
        let bent = knees(coarse, four.each_ref());
        starts.extend(four.iter().zip(&bent).filter_map(|(shape, s)| {
            let columns: [&[f64]; 3] = [&coarse.displacement_mm, s, &coarse.speed_mm_per_s];
            Some(Fitted { shape: *shape, linear: linear(&coarse.force_n, &columns)?.linear })
        }));
    }
    best_of(series, coarse, bounds, starts)
}

/// The three best starts that lie apart, improved on the thinned series; the winner improved on the full one.
fn best_of(series: &Series, coarse: &Series, bounds: &Bounds, mut starts: Vec<Fitted>) -> Option<Fitted> {
    starts.sort_by(|a, b| a.linear.rss.total_cmp(&b.linear.rss));
    let mut kept: Vec<Fitted> = Vec::new();
    for s in starts {
        let apart = |k: &Fitted| (k.shape.onset_mm - s.shape.onset_mm).abs() > 0.1 * bounds.range_mm;
        if kept.len() < 3 && kept.iter().all(apart) {
            kept.extend(improve(coarse, s.shape, bounds, NEAR_STEP));
        }
    }
    let best = kept
        .into_iter()
        .min_by(|a, b| a.linear.rss.total_cmp(&b.linear.rss))?;
    improve(series, best.shape, bounds, SMALL_STEP)
}

/// Best shape with relaxation. Memory bends the push as a knee does, so the best shape without it may stand at a
/// wrong bend altogether: the search starts again from the grid, with each of a few times, and from that shape.
pub fn search_relaxing(series: &Series, coarse: &Series, plain: &Fitted, bounds: &Bounds) -> Option<Fitted> {
    let shapes = grid(bounds, &[0.03]).chain(std::iter::once(plain.shape));
    let mut starts: Vec<Fitted> = Vec::new();
    for shape in shapes {
        for time_s in [0.12_f64, 0.4, 1.0, 3.0] {
            let shape = KneeShape {
                ln_time: Some(time_s.ln()),
                ..shape
            };
            starts.extend(at(coarse, &bounds.keep(shape)));
        }
    }
    best_of(series, coarse, bounds, starts)
}

#[cfg(test)]
mod tests {
    use super::super::made::press;
    use super::*;

    #[test]
    fn least_squares_gives_back_constant_and_coefficients() {
        let columns: [Vec<f64>; 2] = [0.7_f64, 0.2].map(|w| (0..50).map(|i| 3.0 + (w * f64::from(i)).sin()).collect());
        let force: Vec<f64> = columns[0].iter().zip(&columns[1]).map(|(a, b)| 5.0 + 2.0 * a - 4.0 * b).collect();
        let found = linear(&force, &[&columns[0], &columns[1]]).unwrap().linear;
        for (found, put) in [(found.constant, 5.0), (found.coefficients[0], 2.0), (found.coefficients[1], -4.0), (found.rss, 0.0)] {
            assert!((found - put).abs() < 1e-8, "{found} {put}");
        }
    }

    #[test]
    fn onsets_of_the_grid_stand_from_4_to_96_percent_and_a_change_counts_by_the_range() {
        let (mut x, _) = press(50.0, 1);
        x.iter_mut().for_each(|x| *x += 20.0);
        let bounds = Bounds::of(&x).unwrap();
        let [low, high] = bounds.onset_mm;
        let onsets: Vec<f64> = grid(&bounds, &[0.01]).map(|s| s.onset_mm).collect();
        for (found, share) in [(onsets[0], 0.04), (onsets[13], 0.96)] {
            assert!((found - (low + share * (high - low))).abs() < 1e-9, "{onsets:?}");
        }
        let of = |onset_mm: f64, ln_width: f64| KneeShape { onset_mm, ln_width, ln_time: None };
        let far = change(&of(27.0, 0.0), &of(22.0, 0.0), &bounds);
        assert!((far - 5.0 / bounds.range_mm).abs() < 1e-12, "{far}");
        assert!((change(&of(20.0, 3.0), &of(20.0, 1.0), &bounds) - 0.02).abs() < 1e-12);
    }
}
