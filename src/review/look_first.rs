//! Which recordings of a study need a look first.

use crate::batch::RecordingOutcome;
use crate::columns::Measure;
use crate::format::counted;
use crate::stats::moments::median_in_place;
use crate::trace::{Note, Test};

/// Intervals are called wide from so many times the study's median on. Common practice, no source.
const WIDE_TIMES: f64 = 2.0;
/// Measures whose intervals are looked at.
const LOOKED_AT: [Measure; 2] = [Measure::Onset, Measure::EndFeel];

/// What of a recording asks for a look.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Look {
    /// It gave no test, and nobody left them out.
    no_test: bool,
    /// Corrections that do not fit.
    refused: usize,
    /// Tests whose law fits poorly.
    poor_fits: usize,
    /// Notes on its tests, those of a poor fit and words that people set apart.
    notes: usize,
    /// Widest half-width of each of [`LOOKED_AT`].
    widths: [Option<f64>; 2],
}

impl Look {
    /// Looks at what a recording gave.
    pub fn at(outcome: &RecordingOutcome) -> Look {
        let tests = || outcome.tests.iter();
        let left_out = outcome.exclusions.iter().any(crate::results::Exclusion::is_by_person);
        let notes = || tests().flat_map(Test::remarks);
        Look {
            no_test: outcome.tests.is_empty() && !left_out,
            refused: outcome.refused_corrections.len(),
            poor_fits: tests().filter(|t| t.notes.iter().any(is_poor_fit)).count(),
            notes: notes().filter(|n| !is_poor_fit(n) && !is_a_word(n)).count(),
            widths: LOOKED_AT.map(|m| {
                let widths = tests().filter_map(|t| t.measures.get(m)?.u95());
                widths.max_by(f64::total_cmp)
            }),
        }
    }

    /// How many corrections do not fit it.
    pub fn refused(&self) -> usize {
        self.refused
    }

    /// Why it needs a look, in words that tell no number of a test.
    pub fn reasons(&self, usual: &UsualWidths) -> Vec<String> {
        let mut reasons = Vec::new();
        if self.no_test {
            reasons.push("no test found".to_owned());
        }
        if self.refused > 0 {
            reasons.push(format!("{} not used", counted(self.refused, "correction")));
        }
        if self.poor_fits > 0 {
            reasons.push("poor fit".to_owned());
        }
        if self.notes > 0 {
            reasons.push(counted(self.notes, "note"));
        }
        for (measure, times) in LOOKED_AT.iter().zip(self.times(usual)) {
            if times >= WIDE_TIMES {
                reasons.push(format!("wide interval: {}", measure.info().label));
            }
        }
        reasons
    }

    /// How many times the usual width its intervals have; 0 where there is none.
    fn times(&self, usual: &UsualWidths) -> [f64; 2] {
        let times = |k: usize| Some(self.widths[k]? / usual.0[k]?).filter(|t| t.is_finite());
        [0, 1].map(|k| times(k).unwrap_or(0.0))
    }

    /// The larger, the sooner: no test, then what is not used, poor fits, notes, the widest interval.
    fn rank(&self, usual: &UsualWidths) -> (bool, usize, usize, usize, f64) {
        let widest = self.times(usual).into_iter().fold(0.0, f64::max);
        (self.no_test, self.refused, self.poor_fits, self.notes, widest)
    }
}

/// Medians of the widths over a study.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UsualWidths([Option<f64>; 2]);

impl UsualWidths {
    /// Those of all recordings.
    pub fn of(looks: &[Look]) -> UsualWidths {
        UsualWidths([0, 1].map(|k| {
            let mut widths: Vec<f64> = looks.iter().filter_map(|l| l.widths[k]).collect();
            median_in_place(&mut widths).filter(|w| *w > 0.0)
        }))
    }
}

/// The recordings in the order in which they are to be looked at; equals in their own.
pub fn order(looks: &[Look]) -> Vec<usize> {
    let usual = UsualWidths::of(looks);
    let ranks: Vec<_> = looks.iter().map(|l| l.rank(&usual)).collect();
    let mut order: Vec<usize> = (0..looks.len()).collect();
    order.sort_by(|a, b| {
        let (a, b) = (ranks[*a], ranks[*b]);
        let whole = |r: (bool, usize, usize, usize, f64)| (r.0, r.1, r.2, r.3);
        whole(b).cmp(&whole(a)).then(b.4.total_cmp(&a.4))
    });
    order
}

fn is_poor_fit(note: &Note) -> bool {
    matches!(
        note,
        Note::PoorFit { .. } | Note::NoKneeInLean { .. } | Note::TwoLines { .. } | Note::NoFit
    )
}

fn is_a_word(note: &Note) -> bool {
    matches!(note, Note::Annotated { .. } | Note::Blinded)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn poor_fits_come_before_notes_and_notes_before_wide_intervals() {
        let look = |poor_fits, notes, width| Look {
            poor_fits,
            notes,
            widths: [Some(width), None],
            ..Look::default()
        };
        let looks = [look(0, 0, 0.1), look(0, 0, 0.5), look(0, 3, 0.1), look(1, 0, 0.1), look(0, 1, 0.1)];
        assert_eq!(order(&looks), [3, 2, 4, 1, 0]);
        let usual = UsualWidths::of(&looks);
        let reasons: Vec<Vec<String>> = looks.iter().map(|l| l.reasons(&usual)).collect();
        assert!(reasons[0].is_empty());
        assert_eq!((reasons[2].as_slice(), reasons[3].as_slice()), (&["3 notes".to_owned()][..], &["poor fit".to_owned()][..]));
        assert!(reasons[1][0].starts_with("wide interval: "), "{reasons:?}");
    }
}
