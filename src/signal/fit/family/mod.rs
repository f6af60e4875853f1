//! The family of laws: what is said of the onset when the plain law is in doubt (METHODS.md §4.12).
//!
//! Tissue follows no law that is known beforehand. Each law of the family, a resting curve with parts for speed, time and
//! earlier springs, is fitted to the whole test; their results are averaged by how well each explains it (a coarsened
//! posterior: Miller & Dunson 2019, J Am Stat Assoc 114:1113-1125), so that an interval grows with doubt about the law.

mod law;
mod mixture;
mod part;
mod press;
mod reading;
mod shape;

pub use press::Press;
pub use reading::{DAMPING, END_FEEL, ONSET, ONSET_FORCE, RESULTS, Read, TAKE_UP};

use super::super::noise::FilteredNoise;
use crate::stats::sums::dot;
use crate::trace::{CurveShape, LawPart, LawShare};
use law::{FamilyLaw, LawFit, Little};
use mixture::{Component, interval_95};
use reading::read;
use std::collections::BTreeMap;

/// Prior odds against each part of a law, and against each shape beyond one bend (Scott & Berger 2010, Ann Stat 38:2587-2619,
/// on why more laws to choose from must cost something).
const AGAINST_PART: f64 = 25.0;
const AGAINST_SHAPE: f64 = 4.0;
/// Where noise in speed is more than this share of the mean square speed of the lean, damping of the lean is not told from that
/// of the springs.
const SPEED_NOISE_SHARE: f64 = 0.05;
/// Parts that one law may have.
const MOST_PARTS: usize = 2;
/// Laws that weigh less than this share of the best are not read.
const LEAST_WEIGHT: f64 = 1e-3;
/// How far a law is searched among others, and one that is read.
const ROUGHLY: Little = Little(1e-3);
const CLOSELY: Little = Little(1e-6);
/// No further part is tried when the residual's variance is that of noise but for this many standard deviations.
const EXPLAINED_SDS: f64 = 2.0;
/// Lags of the residual's correlation that coarsen.
const LAGS: usize = 40;
/// An onset nearer than this share of the range to either end of the press is none.
const EDGE_SHARE: f64 = 0.03;
/// Nor is one less certain than this, in mm.
const USELESS_MM: f64 = 3.0;
/// Nor, where another law tells it better, one less certain than this share of the range.
const USELESS_SHARE: f64 = 0.03;

/// What the family says.
#[derive(Debug, Clone)]
pub struct Averaged {
    /// Middle and standard uncertainty of each result.
    pub results: [[f64; 2]; RESULTS],
    /// The law that weighs most first.
    pub laws: Vec<LawShare>,
    /// What the winner says, and what noise alone gives it.
    pub winner: [Read; RESULTS],
    /// Residual of the winner at `Press::kept`, in N.
    pub residual_n: Vec<f64>,
    /// Weighted sums of squares: of the winner, and of the best law without an onset.
    pub rss: f64,
    pub rss_without_onset: f64,
    pub parameters: usize,
    /// Where the winner has no force at rest, and its damping there.
    pub unloaded_mm: f64,
    pub first_damping: f64,
}

/// Fits the family and averages it. `None` when no law gives an onset within the press.
pub fn average(press: &Press, noise: &FilteredNoise, x_noise_mm: f64) -> Option<Averaged> {
    let mut pool = pool(press, parts(press, noise, x_noise_mm));
    let share = pool.share()?;
    pool.closely(share);
    let share = pool.share()?;
    let least = pool.least(share);
    let mut read_by: Vec<(f64, CurveShape, &LawFit, [Read; RESULTS])> = Vec::new();
    for fit in pool.fits.values() {
        let definitions: &[CurveShape] = match fit.law.shape {
            CurveShape::Parabola | CurveShape::Exponential | CurveShape::Power => &[],
            // Which of three lines are the toe is for no law to say.
            CurveShape::ThreeLines => &[CurveShape::ThreeLines, CurveShape::BentToe],
            ref own => std::slice::from_ref(own),
        };
        let weight = (-0.5 * (pool.score(fit, share) - least)).exp();
        if weight < LEAST_WEIGHT {
            continue;
        }
        for by in definitions {
            let Some(read) = read(fit, *by, press, noise, x_noise_mm) else {
                continue;
            };
            if within(press, &read) {
                read_by.push((weight / definitions.len() as f64, *by, fit, read));
            }
        }
    }
    // Where one law tells the place, those that do not have no say in it.
    let told = |r: &(f64, CurveShape, &LawFit, [Read; RESULTS])| r.3[ONSET].by_noise <= USELESS_SHARE * press.range_mm();
    if read_by.iter().any(told) {
        read_by.retain(told);
    }
    let total: f64 = read_by.iter().map(|r| r.0).sum();
    if read_by.is_empty() || total <= 0.0 {
        return None;
    }
    read_by.sort_by(|a, b| b.0.total_cmp(&a.0));
    let plain: f64 = read_by.iter().filter(|r| is_plain(&r.2.law)).map(|r| r.0 / total).sum();
    // What the family holds is not all there is: where its plainest laws do not do, the next best hardly does either.
    let widen = 2.0 - plain;
    let memory = doubt_of_memory(&pool.fits, read_by[0].2, &read_by[0].3, press, noise, x_noise_mm);
    let results = std::array::from_fn(|k| {
        let components: Vec<Component> = read_by
            .iter()
            .map(|(w, _, _, read)| Component {
                weight: w / total,
                value: read[k].value,
                u: read[k].u() / share.sqrt(),
            })
            .collect();
        let [median, half] = interval_95(&components);
        let u = widen * half / 1.959_964;
        [median, u.hypot(memory[k])]
    });
    let (_, _, fit, winner) = &read_by[0];
    let without = without_onset(press, fit);
    Some(Averaged {
        results,
        winner: *winner,
        residual_n: fit.residual.iter().zip(&press.weight).map(|(r, w)| r / w).collect(),
        rss: fit.rss,
        rss_without_onset: without,
        parameters: fit.parameters(),
        unloaded_mm: fit.law.shape.unloaded_mm(&fit.b, &fit.q, press.touch_mm),
        first_damping: fit.b[1 + fit.law.shape.elastic_columns()],
        laws: read_by
            .iter()
            .map(|(w, by, fit, read)| LawShare {
                shape: *by,
                parts: fit.law.parts.clone(),
                weight: w / total,
                onset_mm: read[ONSET].value,
            })
            .collect(),
    })
}

/// How much longer memory is believed to last than was seen decides what of a push is memory and what is stiffness: the
/// difference that a second time makes to both slopes.
fn doubt_of_memory(
    pool: &BTreeMap<FamilyLaw, LawFit>,
    winner: &LawFit,
    own: &[Read; RESULTS],
    press: &Press,
    noise: &FilteredNoise,
    x_noise_mm: f64,
) -> [f64; RESULTS] {
    let other = |p: &LawPart| match p {
        LawPart::Relaxation => Some(LawPart::TwoTimes),
        LawPart::TwoTimes => Some(LawPart::Relaxation),
        _ => None,
    };
    let swapped: Vec<LawPart> = winner.law.parts.iter().map(|p| other(p).unwrap_or(*p)).collect();
    let law = FamilyLaw::new(winner.law.shape, &swapped);
    if law == winner.law {
        return [0.0; RESULTS];
    }
    let start = pool.get(&law).map_or_else(
        || {
            let of_parts = law.parts.iter().filter_map(|p| p.starts(press).into_iter().next()).flatten();
            winner.q[..law.shape.searched()].iter().copied().chain(of_parts).collect()
        },
        |fit| fit.q.clone(),
    );
    let fit = law.fit(press, vec![start], CLOSELY);
    let swapped = fit.and_then(|fit| read(&fit, fit.law.shape, press, noise, x_noise_mm));
    std::array::from_fn(|k| match &swapped {
        Some(r) if k == TAKE_UP || k == END_FEEL => (r[k].value - own[k].value).abs(),
        _ => 0.0,
    })
}

/// The parts that can be told here. Noise in speed takes from the damping that a slow lean shows, and what is missing there would
/// pass for damping that begins at the knee.
fn parts(press: &Press, noise: &FilteredNoise, x_noise_mm: f64) -> Vec<LawPart> {
    let grid_hz = press.series.rate_hz * press.series.every as f64;
    let of_noise = noise.rate_of_change_sd(x_noise_mm, grid_hz).powi(2);
    let slow = of_noise > SPEED_NOISE_SHARE * press.lean_speed_squared();
    LawPart::ALL.into_iter().filter(|p| !(slow && *p == LawPart::KneeDamping)).collect()
}

fn is_plain(law: &FamilyLaw) -> bool {
    law.shape.is_plain() && law.parts.is_empty()
}

/// ln of the prior odds against a law.
fn against(law: &FamilyLaw) -> f64 {
    let shape = if law.shape.is_plain() { 0.0 } else { AGAINST_SHAPE.ln() };
    shape + AGAINST_PART.ln() * law.parts.len() as f64
}

fn within(press: &Press, read: &[Read; RESULTS]) -> bool {
    let edge = EDGE_SHARE * press.range_mm();
    let onset = read[ONSET].value;
    press.touch_mm + edge < onset && onset < press.top_mm - edge && read[ONSET].by_noise < USELESS_MM
}

/// The laws that are fitted: every shape alone; two of them with parts; then, until one leaves no more than noise, the best with a
/// second of the parts that paid; and every shape with the best's parts.
fn pool<'p>(press: &'p Press<'p>, parts: Vec<LawPart>) -> Pool<'p> {
    let mut fits = Pool { press, parts, fits: BTreeMap::new() };
    for shape in CurveShape::WITH_ONSET {
        let law = FamilyLaw::new(shape, &[]);
        let starts = law.starts_beside(press, &[]);
        fits.add(law, starts);
    }
    // Once even where a curve alone leaves no more than noise: what brought doubt may be far smaller than all noise together.
    let bases = fits.ranked();
    let parts = fits.parts_that_pay(&bases);
    while !fits.explained() {
        let before = fits.fits.len();
        match fits.ranked().into_iter().next() {
            Some(best) if best.law.parts.len() < MOST_PARTS => fits.add_parts(&best, &parts),
            _ => break,
        }
        if fits.fits.len() == before {
            break;
        }
    }
    if let Some(best) = fits.ranked().into_iter().next() {
        for shape in CurveShape::WITH_ONSET {
            let law = FamilyLaw::new(shape, &best.law.parts);
            let starts = law.starts_beside(press, &best.q[best.law.shape.searched()..]);
            fits.add(law, starts);
        }
    }
    fits
}

struct Pool<'p> {
    press: &'p Press<'p>,
    /// Those that laws may have.
    parts: Vec<LawPart>,
    fits: BTreeMap<FamilyLaw, LawFit>,
}

impl Pool<'_> {
    fn add(&mut self, law: FamilyLaw, starts: Vec<Vec<f64>>) {
        if !self.fits.contains_key(&law)
            && let Some(fit) = law.fit(self.press, starts, ROUGHLY)
        {
            self.fits.insert(law, fit);
        }
    }

    /// −2·ln of the posterior where samples count by this share.
    fn score(&self, fit: &LawFit, share: f64) -> f64 {
        let n = self.press.independent();
        let k = fit.parameters() as f64;
        share * n * fit.rss.max(f64::MIN_POSITIVE).ln() + k * (share * n).max(2.0).ln() + 2.0 * against(&fit.law)
    }

    fn least(&self, share: f64) -> f64 {
        self.fits.values().map(|f| self.score(f, share)).fold(f64::INFINITY, f64::min)
    }

    /// What samples are worth: residuals that hang together are worth fewer independent ones.
    fn share(&self) -> Option<f64> {
        let best = self.fits.values().min_by(|a, b| self.score(a, 1.0).total_cmp(&self.score(b, 1.0)))?;
        Some((white_share(&best.residual) / self.press.independent_share()).min(1.0))
    }

    /// Goes on with the laws that may be read.
    fn closely(&mut self, share: f64) {
        let least = self.least(share);
        let beyond = least - 2.0 * (0.1 * LEAST_WEIGHT).ln();
        let near: Vec<LawFit> = self.fits.values().filter(|f| self.score(f, share) < beyond).cloned().collect();
        for fit in near {
            if let Some(closer) = fit.law.fit(self.press, vec![fit.q], CLOSELY) {
                self.fits.insert(fit.law, closer);
            }
        }
    }

    fn add_parts(&mut self, base: &LawFit, parts: &[LawPart]) {
        for part in parts {
            if let Some(law) = base.law.with(*part) {
                self.add(law, warm(base, *part, self.press));
            }
        }
    }

    /// Adds each part to the best shape, and to the next best what paid there; or, where the best bends more than once, each to
    /// the best that does not: it may bend only because a part is missing. Gives the parts that paid.
    fn parts_that_pay(&mut self, bases: &[LawFit]) -> Vec<LawPart> {
        let Some((best, others)) = bases.split_first() else {
            return Vec::new();
        };
        let all = self.parts.clone();
        self.add_parts(best, &all);
        let paid = |fits: &Pool, base: &LawFit| all.iter().copied().filter(|part| fits.pays(base, *part)).collect::<Vec<_>>();
        let mut parts = paid(self, best);
        if best.law.shape.is_plain() {
            others.first().into_iter().for_each(|next| self.add_parts(next, &parts));
        } else if let Some(plain) = others.iter().find(|b| b.law.shape.is_plain()) {
            self.add_parts(plain, &all);
            parts.extend(paid(self, plain));
        }
        parts
    }

    /// Whether a part explains more than its numbers would by chance.
    fn pays(&self, base: &LawFit, part: LawPart) -> bool {
        let with = base.law.with(part).and_then(|law| self.fits.get(&law));
        with.is_some_and(|with| self.bic(with) < self.bic(base))
    }

    fn bic(&self, fit: &LawFit) -> f64 {
        let n = self.press.independent();
        n * fit.rss.max(f64::MIN_POSITIVE).ln() + fit.parameters() as f64 * n.ln()
    }

    /// Whether the best leaves no more than noise.
    fn explained(&self) -> bool {
        let least = self.fits.values().map(|f| f.rss).fold(f64::INFINITY, f64::min);
        let noise = self.press.kept.len() as f64 * self.press.sd_n.powi(2);
        least <= noise * (1.0 + EXPLAINED_SDS * (2.0 / self.press.independent()).sqrt())
    }

    /// The best first.
    fn ranked(&self) -> Vec<LawFit> {
        let mut all: Vec<LawFit> = self.fits.values().cloned().collect();
        all.sort_by(|a, b| self.bic(a).total_cmp(&self.bic(b)));
        all
    }
}

/// Where a law with one part more may begin: what was found without it.
fn warm(base: &LawFit, part: LawPart, press: &Press) -> Vec<Vec<f64>> {
    let with = |start: Vec<f64>| {
        let mut own: Vec<(LawPart, &[f64])> = base.law.parts.iter().copied().zip(base.law.searched_by_part(&base.q)).collect();
        own.push((part, &start));
        own.sort_by_key(|(p, _)| *p);
        let mut q = base.q[..base.law.shape.searched()].to_vec();
        own.iter().for_each(|(_, o)| q.extend_from_slice(o));
        q
    };
    part.starts(press).into_iter().map(with).collect()
}

/// Least sum of squares of the laws without an onset, with the winner's parts.
fn without_onset(press: &Press, winner: &LawFit) -> f64 {
    [CurveShape::Parabola, CurveShape::Exponential, CurveShape::Power]
        .into_iter()
        .filter_map(|shape| {
            let law = FamilyLaw::new(shape, &winner.law.parts);
            let starts = law.starts_beside(press, &winner.q[winner.law.shape.searched()..]);
            law.fit(press, starts, ROUGHLY)
        })
        .map(|fit| fit.rss)
        .fold(f64::INFINITY, f64::min)
}

/// Share of samples worth an independent one, by the residual's own correlations less what chance gives them.
fn white_share(residual: &[f64]) -> f64 {
    let n = residual.len();
    let mean = residual.iter().sum::<f64>() / n.max(1) as f64;
    let z: Vec<f64> = residual.iter().map(|r| r - mean).collect();
    let whole = dot(&z, &z);
    let by_chance = 1.0 / n.max(1) as f64;
    let beside: f64 = (1..=LAGS.min((n / 2).saturating_sub(1)))
        .map(|k| ((dot(&z[k..], &z) / whole).powi(2) - by_chance).max(0.0))
        .sum();
    1.0 / (1.0 + 2.0 * beside)
}

#[cfg(test)]
mod tests {
    use super::super::made::{low_passed_noise, noise, press, series};
    use super::*;

    const SD_N: f64 = 0.05;

    /// What the family says of a press made of this law, with a little noise that is twice as large in its second half.
    fn said(shape: CurveShape, parts: &[LawPart], q: &[f64], b: &[f64]) -> Averaged {
        in_other_units(1.0, shape, parts, q, b)
    }

    /// The same with all forces so many times as large.
    fn in_other_units(times: f64, shape: CurveShape, parts: &[LawPart], q: &[f64], b: &[f64]) -> Averaged {
        let (x, springs) = press(50.0, 3);
        let n = x.len();
        let filtered = noise(50.0);
        let sd = |i: usize| times * SD_N * if 2 * i < n { 1.0 } else { 2.0 };
        let expected: Vec<f64> = (0..n).map(|i| filtered.sample_sd(sd(i)).powi(2)).collect();
        let mut made = series(x, vec![0.0; n], 50.0);
        let mut force = {
            let of = Press::new(&made, &expected, &springs, &filtered);
            let all = FamilyLaw::new(shape, parts).columns(q, &of).all;
            (0..n).map(|i| times * all.iter().zip(b).map(|(c, b)| c[i] * b).sum::<f64>()).collect::<Vec<f64>>()
        };
        for (i, (f, e)) in force.iter_mut().zip(low_passed_noise(&made, 1.0, 3)).enumerate() {
            *f += sd(i) * e;
        }
        made.force_n = force;
        let of = Press::new(&made, &expected, &springs, &filtered);
        let said = average(&of, &filtered, 0.0).unwrap();
        let weights: f64 = said.laws.iter().map(|l| l.weight).sum();
        assert!((weights - 1.0).abs() < 1e-9, "{:?}", said.laws);
        let squares: f64 = said.residual_n.iter().zip(&of.weight).map(|(r, w)| (r * w).powi(2)).sum();
        assert!((squares / said.rss - 1.0).abs() < 1e-9, "{squares} {}", said.rss);
        said
    }

    fn holds(said: &Averaged, result: usize, put: f64, most: f64) {
        let [value, u] = said.results[result];
        assert!((value - put).abs() < 2.5 * u && u < most, "{result}: {value} ± {u}, {put}; {:?}", said.laws);
    }

    #[test]
    fn a_curved_toe_is_found_and_its_onset_held() {
        let said = said(CurveShape::PowerToe, &[], &[5.5, 2.0_f64.ln(), 0.0], &[0.0, 6.0, 0.4]);
        assert!(said.laws[0].shape.has_curved_toe() && said.laws[0].parts.is_empty(), "{:?}", said.laws);
        // The line of least squares of s³ is 0.9·s − 0.2, the tangent at its end 3·s − 2: they meet at 6/7 of the toe.
        holds(&said, ONSET, 5.5 * 6.0 / 7.0, 0.1);
        holds(&said, END_FEEL, 6.0, 0.3);
        assert!(said.rss_without_onset > 5.0 * said.rss);
    }

    #[test]
    fn a_press_by_the_plain_law_is_said_to_be_one_whatever_the_unit() {
        let law = (CurveShape::SoftKnee, &[4.2, 0.2_f64.ln()], &[0.3, 1.2, 5.0, 0.4]);
        let plain = said(law.0, &[], law.1, law.2);
        assert!(plain.laws[0].shape.is_plain() && plain.laws[0].parts.is_empty(), "{:?}", plain.laws);
        holds(&plain, ONSET, 4.2, 0.05);
        // Where plain laws weigh nearly all, the interval is hardly wider than that of the one that weighs most.
        let wider = plain.results[ONSET][1] / plain.winner[ONSET].u();
        assert!((0.9..1.6).contains(&wider), "{wider}: {:?}", plain.laws);
        let larger = in_other_units(100.0, law.0, &[], law.1, law.2);
        assert!((larger.results[ONSET][0] - plain.results[ONSET][0]).abs() < 1e-6, "{:?} {:?}", larger.laws, plain.laws);
        assert!((larger.results[END_FEEL][0] / plain.results[END_FEEL][0] - 100.0).abs() < 1e-4);
    }

    #[test]
    fn a_law_of_two_parts_is_found_with_both() {
        let parts = [LawPart::Relaxation, LawPart::Friction];
        let said = said(CurveShape::SoftKnee, &parts, &[4.2, 0.2_f64.ln(), 0.5_f64.ln(), 0.3_f64.ln()], &[0.3, 1.2, 5.0, 0.4, 1.0, 2.0, 1.5]);
        let found = &said.laws[0].parts[..];
        assert!(
            matches!(found, [LawPart::Relaxation | LawPart::TwoTimes, LawPart::Friction]),
            "{:?}",
            said.laws
        );
        holds(&said, ONSET, 4.2, 0.05);
        // A second time of relaxation finds nothing more, so what memory may hide is little.
        holds(&said, END_FEEL, 6.2, 1.0);
    }

    #[test]
    fn odds_criterion_and_shares_are_what_they_are_said_to_be() {
        let ln = |x: f64| x.ln();
        for (shape, parts, odds) in [
            (CurveShape::SoftKnee, vec![], 1.0),
            (CurveShape::BentCable, vec![LawPart::Friction], 25.0),
            (CurveShape::PowerToe, vec![LawPart::Friction, LawPart::Slip], 2500.0),
        ] {
            assert!((against(&FamilyLaw::new(shape, &parts)) - ln(odds)).abs() < 1e-9);
        }
        let (x, springs) = press(50.0, 1);
        let n = x.len();
        let made = series(x, vec![0.0; n], 50.0);
        let of = Press::new(&made, &vec![1.0; n], &springs, &noise(50.0));
        let fit = |shape: CurveShape, rss: f64, residual: Vec<f64>| LawFit { law: FamilyLaw::new(shape, &[]), q: vec![0.0; 2], b: vec![0.0; 4], residual, rss };
        // Alternating ones hang together at every lag: 1 + 2·Σ(ρ² − 1/n) over 40 lags at most.
        let residual: Vec<f64> = (0..of.kept.len()).map(|i| if i % 2 == 0 { 1.0 } else { -1.0 }).collect();
        let kept = residual.len() as f64;
        let lags = 40.min(residual.len() / 2 - 1);
        let beside: f64 = (1..=lags).map(|k| ((kept - k as f64) / kept).powi(2) - 1.0 / kept).sum();
        assert!((white_share(&residual) * (1.0 + 2.0 * beside) - 1.0).abs() < 1e-3, "{}", white_share(&residual));
        let best = fit(CurveShape::SoftKnee, 2.0, residual.clone());
        let other = fit(CurveShape::BentCable, 3.0, residual);
        let pool = Pool { press: &of, parts: LawPart::ALL.to_vec(), fits: [other.clone(), best.clone()].map(|f| (f.law.clone(), f)).into() };
        let independent = of.independent();
        assert!((pool.bic(&best) - (independent * ln(2.0) + 6.0 * independent.ln())).abs() < 1e-9);
        assert!((pool.share().unwrap() * of.independent_share() / white_share(&best.residual) - 1.0).abs() < 1e-9);
        let order: Vec<CurveShape> = pool.ranked().iter().map(|f| f.law.shape).collect();
        assert_eq!(order, [CurveShape::SoftKnee, CurveShape::BentCable]);
    }
}
