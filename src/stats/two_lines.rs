//! Two straight lines that meet: the exact least-squares knee, and whether there is one at all.

use super::line::{Line, line};
use super::quantile::{f_upper_tail, t_upper_tail};
use super::{StatsResult, StatsError, check_pairs};
use statrs::function::gamma::ln_gamma;

/// The continuous two-line least-squares fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoLines {
    /// Points.
    pub n: usize,
    /// Where the lines meet, in x.
    pub knee: f64,
    /// Delta-method standard error of the knee; `None` when one side holds a single x, or the lines are one.
    pub knee_se: Option<f64>,
    /// Height at the knee.
    pub at_knee: f64,
    /// Slopes before and after the knee.
    pub slopes: [f64; 2],
    /// Standard errors of the slopes, each from its own side; `None` where a side holds a single x.
    pub slope_ses: [Option<f64>; 2],
    /// Height of the first line at x = 0.
    pub intercept: f64,
    /// Residual sum of squares of the two lines.
    pub rss: f64,
    /// Residual sum of squares of one line.
    pub one_line_rss: f64,
    /// ((RSS₁ − RSS)/2)/(RSS/(n − 4)); infinite when the two lines fit without residual. The knee was searched
    /// for, so an F table gives too small a p: see [`davies_p`].
    pub f: f64,
}

impl TwoLines {
    /// √(RSS/(n − 4)).
    pub fn residual_sd(&self) -> f64 {
        (self.rss / (self.n - 4) as f64).sqrt()
    }

    /// Tail of F(2, n − 4) at `f`, as if the knee had been known beforehand: use it only with a strict limit.
    ///
    /// # Errors
    /// None for a fit made by [`two_lines`].
    pub fn f_p(&self) -> StatsResult<f64> {
        f_upper_tail(self.f, 2.0, (self.n - 4) as f64)
    }
}

/// Sums over the points up to some x, on centred values.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    n: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
    distinct: usize,
}

impl Sums {
    fn add(&mut self, x: f64, y: f64) {
        self.n += 1.0;
        self.x += x;
        self.y += y;
        self.xx += x * x;
        self.xy += x * y;
        self.yy += y * y;
    }

    fn minus(&self, other: &Sums) -> Sums {
        Sums {
            n: self.n - other.n,
            x: self.x - other.x,
            y: self.y - other.y,
            xx: self.xx - other.xx,
            xy: self.xy - other.xy,
            yy: self.yy - other.yy,
            distinct: self.distinct - other.distinct,
        }
    }
}

/// The free line of one side of a split.
#[derive(Debug, Clone, Copy)]
struct Half {
    n: f64,
    mean_x: f64,
    mean_y: f64,
    sxx: f64,
    slope: f64,
    rss: f64,
}

impl Half {
    /// `None` when the side holds fewer than two distinct x.
    fn new(s: &Sums) -> Option<Half> {
        let (mean_x, mean_y) = (s.x / s.n, s.y / s.n);
        let sxx = s.xx - s.x * mean_x;
        if s.distinct < 2 || sxx <= 0.0 {
            return None;
        }
        let sxy = s.xy - s.x * mean_y;
        let syy = s.yy - s.y * mean_y;
        Some(Half {
            n: s.n,
            mean_x,
            mean_y,
            sxx,
            slope: sxy / sxx,
            rss: (syy - sxy * sxy / sxx).max(0.0),
        })
    }

    fn at(&self, x: f64) -> f64 {
        self.mean_y + self.slope * (x - self.mean_x)
    }

    /// Variance of the line's height at `x`, in units of the residual variance.
    fn leverage(&self, x: f64) -> f64 {
        1.0 / self.n + (x - self.mean_x).powi(2) / self.sxx
    }
}

/// Residual sum of squares of the best two lines that meet at `x`: the free lines', plus what closing the gap
/// between them costs.
fn rss_meeting_at(x: f64, left: &Half, right: &Half) -> f64 {
    let gap = left.at(x) - right.at(x);
    left.rss + right.rss + gap * gap / (left.leverage(x) + right.leverage(x))
}

/// The exact continuous two-line least-squares knee: the global minimum over the whole range of x.
///
/// `x` and `y` of equal length, at least five points at four distinct x, in any order and any units.
///
/// # Formula
/// With the points split at some x, the sum of squares of two lines meeting at ψ is the free lines' plus g²/h,
/// where g is their gap at ψ (linear in ψ) and h its variance (quadratic). Between two neighbouring x this has
/// no minimum but where g = 0, so only the crossings inside their own interval and the x themselves are
/// candidates: each is tried, by running sums, in time n·log n. se(ψ)² = s²·h(ψ)/(b₂ − b₁)², s² = RSS/(n − 4).
/// When a whole interval fits equally well (one point at an end), the knee lies at the x that bounds it.
///
/// # Errors
/// Lengths that differ, too few points or distinct x, or a value that is not finite.
///
/// # Source
/// Hudson 1966, J Am Stat Assoc 61:1097–1129 (the exact search); Muggeo 2003, Stat Med 22:3055–3071 (standard error).
pub fn two_lines(x: &[f64], y: &[f64]) -> StatsResult<TwoLines> {
    check_pairs("two lines that meet", x, y, 5)?;
    let mut points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let (x, y): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
    let one = line(&x, &y)?;
    let (knots, sums) = running_sums(&x, &y, &one);
    let Some(&all) = sums.last().filter(|_| knots.len() >= 4) else {
        return Err(StatsError::TooFew {
            what: "two lines that meet (distinct x)",
            needed: 4,
            found: knots.len(),
        });
    };
    let (knee, split) = search(&knots, &sums, &all)?;
    let left = sums[split].n as usize;
    finish(&x, &y, left, knee + one.mean_x, &one)
}

/// Sums up to each distinct x, which are given beside them; both centred on the mean of x and on the one line.
///
/// Taking the one line out of y keeps digits: the knee is the same and the sums are small.
fn running_sums(x: &[f64], y: &[f64], one: &Line) -> (Vec<f64>, Vec<Sums>) {
    let mut knots: Vec<f64> = Vec::new();
    let mut sums: Vec<Sums> = Vec::new();
    let mut so_far = Sums::default();
    for (&x, &y) in x.iter().zip(y) {
        let u = x - one.mean_x;
        so_far.add(u, y - one.at(x));
        if knots.last() == Some(&u) {
            sums.pop();
        } else {
            knots.push(u);
            so_far.distinct += 1;
        }
        sums.push(so_far);
    }
    (knots, sums)
}

/// The best knee (centred) and the index of the last distinct x that lies on its left.
fn search(knots: &[f64], sums: &[Sums], all: &Sums) -> StatsResult<(f64, usize)> {
    let mut best: Option<(f64, f64, usize)> = None;
    let mut offer = |rss: f64, knee: f64, split: usize| {
        if best.is_none_or(|(least, ..)| rss < least) {
            best = Some((rss, knee, split));
        }
    };
    for split in 1..knots.len() - 2 {
        let (Some(left), Some(right)) = (Half::new(&sums[split]), Half::new(&all.minus(&sums[split]))) else {
            continue;
        };
        let turn = right.slope - left.slope;
        let crossing = knots[split] + (left.at(knots[split]) - right.at(knots[split])) / turn;
        if turn != 0.0 && crossing > knots[split] && crossing < knots[split + 1] {
            offer(left.rss + right.rss, crossing, split);
        }
        offer(rss_meeting_at(knots[split], &left, &right), knots[split], split);
        // The x on the far side belongs to the next split, but for the last one there is no next.
        if split + 3 == knots.len() {
            let last = knots[split + 1];
            offer(rss_meeting_at(last, &left, &right), last, split + 1);
        }
    }
    best.map(|(_, knee, split)| (knee, split))
        .ok_or(StatsError::Undetermined {
            what: "two lines that meet",
            why: "the x are too close together to tell their lines apart",
        })
}

/// Fits both lines afresh at the knee, so that its sums of squares do not carry the rounding of running sums.
fn finish(x: &[f64], y: &[f64], left: usize, knee: f64, one: &Line) -> StatsResult<TwoLines> {
    let n = x.len();
    let before: Vec<f64> = x.iter().map(|x| (x - knee).min(0.0)).collect();
    let after: Vec<f64> = x.iter().map(|x| (x - knee).max(0.0)).collect();
    let ones = vec![1.0; n];
    let fit = super::least_squares::least_squares(&[&ones, &before, &after], y)?;
    let (at_knee, slopes) = (fit.coefficients[0], [fit.coefficients[1], fit.coefficients[2]]);
    let s2 = fit.rss / (n - 4) as f64;
    let halves = [
        line(&x[..left], &y[..left]).ok(),
        line(&x[left..], &y[left..]).ok(),
    ];
    let leverage = |h: &Line| 1.0 / h.n as f64 + (knee - h.mean_x).powi(2) / h.sxx;
    let turn = slopes[1] - slopes[0];
    let knee_se = match &halves {
        [Some(l), Some(r)] if turn != 0.0 => Some((s2 * (leverage(l) + leverage(r))).sqrt() / turn.abs()),
        _ => None,
    };
    let f = if fit.rss > 0.0 {
        ((one.rss - fit.rss).max(0.0) / 2.0) / s2
    } else {
        f64::INFINITY
    };
    Ok(TwoLines {
        n,
        knee,
        knee_se,
        at_knee,
        slopes,
        slope_ses: halves.map(|h| h.map(|h| (s2 / h.sxx).sqrt())),
        intercept: at_knee - slopes[0] * knee,
        rss: fit.rss,
        one_line_rss: one.rss,
        f,
    })
}

/// Davies's test of one line against two: p of the largest |t| of a change of slope over `k` trial knees, evenly
/// spaced from the second to the second last x, with the search allowed for.
///
/// `k` at least 2, commonly 5 to 10.
///
/// # Formula
/// df = n − 3, M = max|t|, u = M²/(df + M²), V = Σ|Δ asin(t/√(t² + df))|,
/// p = 2{P(T_df > M) + V(1 − u)^((df−1)/2)·Γ(df/2 + ½)/(2√π·Γ(df/2))}, at most 1. V keeps the sign of t, so that a
/// change of direction counts.
///
/// # Errors
/// Lengths that differ, fewer than five points, `k` below 2, or no trial knee that splits the points.
///
/// # Source
/// Davies 2002, Biometrika 89:484–489 (from memory); checked on the `cars` data.
pub fn davies_p(x: &[f64], y: &[f64], k: usize) -> StatsResult<f64> {
    check_pairs("Davies's test", x, y, 5)?;
    if k < 2 {
        return Err(StatsError::Range {
            what: "the number of trial knees",
            found: k as f64,
            expected: "2 or more",
        });
    }
    let n = x.len();
    let df = (n - 3) as f64;
    let mut sorted = x.to_vec();
    sorted.sort_by(f64::total_cmp);
    let (first, last) = (sorted[1], sorted[n - 2]);
    let ts: Vec<f64> = (0..k)
        .map(|i| first + (last - first) * i as f64 / (k - 1) as f64)
        .filter_map(|knee| change_of_slope_t(x, y, knee))
        .collect();
    if ts.is_empty() {
        return Err(StatsError::Undetermined {
            what: "Davies's test",
            why: "no trial knee has points at two distinct x on one of its sides",
        });
    }
    let most = ts.iter().fold(0.0, |m: f64, t| m.max(t.abs()));
    if most.is_infinite() {
        return Ok(0.0);
    }
    let angle = |t: f64| (t / (t * t + df).sqrt()).asin();
    let v: f64 = ts.windows(2).map(|w| (angle(w[1]) - angle(w[0])).abs()).sum();
    let u = most * most / (df + most * most);
    let gammas = (ln_gamma(df / 2.0 + 0.5) - ln_gamma(df / 2.0)).exp();
    let search = v * (1.0 - u).powf((df - 1.0) / 2.0) * gammas / (2.0 * std::f64::consts::PI.sqrt());
    Ok((2.0 * (t_upper_tail(most, df)? + search)).min(1.0))
}

/// t of the change of slope at a given knee; `None` where the points cannot tell. Infinite without residual.
fn change_of_slope_t(x: &[f64], y: &[f64], knee: f64) -> Option<f64> {
    let ones = vec![1.0; x.len()];
    let centred: Vec<f64> = x.iter().map(|x| x - knee).collect();
    let hinge: Vec<f64> = centred.iter().map(|x| x.max(0.0)).collect();
    let fit = super::least_squares::least_squares(&[&ones, &centred, &hinge], y).ok()?;
    let change = fit.coefficients[2];
    if change == 0.0 {
        return Some(0.0);
    }
    Some(change / fit.se(2)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn knee_at_3(x: f64) -> f64 {
        0.5 * x + 2.0 * (x - 3.0).max(0.0)
    }

    #[test]
    fn the_tail_of_f_with_two_degrees_above_has_a_closed_form() {
        let x: [f64; 10] = std::array::from_fn(|i| i as f64);
        let y = x.map(|x| knee_at_3(x) + if x % 2.0 == 0.0 { 0.8 } else { -0.8 });
        let t = two_lines(&x, &y).unwrap();
        // P(F > f) = (1 + 2f/ν)^(-ν/2) with ν = n - 4 = 6 (exact).
        let exact = (1.0 + t.f / 3.0).powi(-3);
        assert!((t.f_p().unwrap() / exact - 1.0).abs() < 1e-9, "{} {exact}", t.f);
    }

    #[test]
    fn a_knee_without_noise_is_found_exactly_in_any_order() {
        let x = [5.0, 0.0, 2.0, 1.0, 3.5, 4.0, 2.5, 6.0, 0.5];
        let y = x.map(knee_at_3);
        let t = two_lines(&x, &y).unwrap();
        assert!((t.knee - 3.0).abs() < 1e-12, "{}", t.knee);
        assert!((t.slopes[0] - 0.5).abs() < 1e-12 && (t.slopes[1] - 2.5).abs() < 1e-12);
        assert!(t.intercept.abs() < 1e-12 && (t.at_knee - 1.5).abs() < 1e-12);
    }

    #[test]
    fn the_search_agrees_with_trying_every_knee() {
        // A slow oracle: a grid of 20,000 knees, each fitted by general least squares.
        let x: Vec<f64> = (0..24).map(|i| (f64::from(i) * 7.3) % 11.0).collect();
        let y: Vec<f64> = x.iter().map(|&x| knee_at_3(x) + 3.0 * (x * 37.0).sin()).collect();
        let t = two_lines(&x, &y).unwrap();
        let ones = vec![1.0; x.len()];
        let grid = (1..20_000).map(|i| f64::from(i) * 11.0 / 20_000.0);
        let least = grid
            .filter_map(|k| {
                let hinge: Vec<f64> = x.iter().map(|x| (x - k).max(0.0)).collect();
                Some(
                    crate::stats::least_squares::least_squares(&[&ones, &x, &hinge], &y)
                        .ok()?
                        .rss,
                )
            })
            .fold(f64::INFINITY, f64::min);
        assert!(t.rss <= least * (1.0 + 1e-12), "{} against {least}", t.rss);
        assert!(t.rss > least * (1.0 - 1e-4), "{} against {least}", t.rss);
    }

    #[test]
    fn a_knee_on_the_second_last_x_is_found() {
        // The fifth point lies below the first line and the sixth far above: the lines through points 1-4 and
        // 5-6 cross beyond the fifth, so the best knee sits on it. Hinge at 4 by general least squares.
        let (x, y) = ([0.0, 1.0, 2.0, 3.0, 4.0, 5.0], [0.0, 1.1, 1.9, 3.0, 3.6, 10.0]);
        let t = two_lines(&x, &y).unwrap();
        let hinge = x.map(|x| (x - 4.0).max(0.0));
        let by_hand = crate::stats::least_squares::least_squares(&[&[1.0; 6], &x, &hinge], &y).unwrap();
        assert!((t.knee - 4.0).abs() < 1e-12, "{}", t.knee);
        assert!((t.rss / by_hand.rss - 1.0).abs() < 1e-9);
        // Only one x lies beyond: its slope and the knee have no standard error of their own.
        assert_eq!((t.knee_se, t.slope_ses[1]), (None, None));
        assert!(t.slope_ses[0].is_some());
    }

    #[test]
    fn too_little_is_refused() {
        let said = two_lines(&[0.0, 0.0, 1.0, 2.0, 2.0], &[0.0; 5])
            .unwrap_err()
            .to_string();
        assert!(said.contains("at least 4 values and got 3"), "{said}");
        assert!(two_lines(&[0.0, 1.0, 2.0, 3.0], &[0.0; 4]).is_err());
        assert!(davies_p(&[0.0, 1.0, 2.0, 3.0, 4.0], &[0.0; 5], 1).is_err());
    }

    #[test]
    fn ten_thousand_points_take_milliseconds() {
        let x: Vec<f64> = (0..10_000).map(|i| f64::from(i) * 6e-4).collect();
        let y: Vec<f64> = x.iter().map(|&x| knee_at_3(x) + 0.1 * (x * 1e4).sin()).collect();
        let start = std::time::Instant::now();
        let t = two_lines(&x, &y).unwrap();
        assert!((t.knee - 3.0).abs() < 0.01);
        // A machine under load may be many times slower than the 20 ms this takes in a debug build.
        assert!(start.elapsed().as_secs_f64() < 1.0);
    }
}
