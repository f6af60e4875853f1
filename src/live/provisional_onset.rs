//! The onset while the hand is still on: provisional, until the whole-trace fit replaces it.

use crate::stats::two_lines::two_lines;

/// Points kept of a lean; beyond it every other one goes.
const MOST: usize = 160;
/// Points needed before anything is said.
const LEAST: usize = 24;
/// New points between two looks.
const EVERY: usize = 6;

/// A provisional onset.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OnsetPoint {
    pub displacement_mm: f64,
    pub force_n: f64,
}

/// The two-line knee of the lean so far, with the same gates as the fit's (METHODS.md §4.9) as far as two lines have them.
#[derive(Debug, Clone, Default)]
pub struct ProvisionalOnset {
    x: Vec<f64>,
    f: Vec<f64>,
    furthest: f64,
    step: usize,
    skipped: usize,
    fresh: usize,
    found: Option<OnsetPoint>,
}

impl ProvisionalOnset {
    /// The hand came on.
    pub fn restart(&mut self) {
        *self = ProvisionalOnset {
            furthest: f64::NEG_INFINITY,
            ..ProvisionalOnset::default()
        };
    }

    /// What is thought so far.
    pub fn found(&self) -> Option<OnsetPoint> {
        self.found
    }

    /// Takes a point of the way in; points that are not further in than all before are passed over.
    pub fn push(&mut self, displacement_mm: f64, force_n: f64) {
        if displacement_mm <= self.furthest {
            return;
        }
        self.furthest = displacement_mm;
        self.skipped += 1;
        if self.skipped <= self.step {
            return;
        }
        self.skipped = 0;
        self.x.push(displacement_mm);
        self.f.push(force_n);
        if self.x.len() > MOST {
            let mut keep = [true, false].into_iter().cycle();
            self.x.retain(|_| keep.next().unwrap_or(true));
            let mut keep = [true, false].into_iter().cycle();
            self.f.retain(|_| keep.next().unwrap_or(true));
            self.step = 2 * self.step + 1;
        }
        self.fresh += 1;
        if self.x.len() >= LEAST && self.fresh >= EVERY {
            self.fresh = 0;
            self.found = self.knee();
        }
    }

    fn knee(&self) -> Option<OnsetPoint> {
        let fit = two_lines(&self.x, &self.f).ok()?;
        let (first, last) = (self.x.first()?, self.x.last()?);
        let range = last - first;
        let force_range = self.f.iter().copied().fold(f64::MIN, f64::max) - self.f.first()?;
        let [k1, k2] = fit.slopes;
        let inside = fit.knee - first >= 0.03 * range && last - fit.knee >= 0.03 * range;
        let gained = (k2 - k1) * (last - fit.knee) >= 0.15 * force_range;
        let sharp = fit.knee_se.is_some_and(|se| se <= 0.03 * range);
        let better = fit.f_p().is_ok_and(|p| p < 1e-3);
        (k1 > 0.0 && k2 >= 1.5 * k1 && inside && gained && sharp && better).then_some(OnsetPoint {
            displacement_mm: fit.knee,
            force_n: fit.at_knee,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_lines_are_found_where_they_meet_and_one_line_has_no_onset() {
        for (k2, wanted) in [(10.0, Some(6.0)), (2.0, None)] {
            let mut guess = ProvisionalOnset::default();
            guess.restart();
            for i in 0..400 {
                let x = 0.02 * f64::from(i);
                let wobble = 0.02 * f64::from((i * 7919) % 13 - 6);
                guess.push(x, 2.0 * x + (k2 - 2.0) * (x - 6.0).max(0.0) + wobble);
            }
            match wanted {
                Some(at) => assert!((guess.found().unwrap().displacement_mm - at).abs() < 0.05),
                None => assert_eq!(guess.found(), None),
            }
        }
    }
}
