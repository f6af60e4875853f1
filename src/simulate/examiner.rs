//! How the examiner moves: rest, lean, hold, springs, release; and what can go wrong with it.

use super::movement::{Movement, MovementPlan};
use super::{Elastic, Rng, Tissue};

/// One examiner's way of doing a test. Lengths in mm, times in s.
#[derive(Debug, Clone, PartialEq)]
pub struct Examiner {
    /// Hands off before the test.
    pub unloaded_before_s: f64,
    /// Duration of the lean.
    pub lean_s: f64,
    /// Where the lean stops, from the onset; below zero it stops short of it.
    pub preload_beyond_onset_mm: f64,
    /// Held before the first spring.
    pub hold_s: f64,
    /// None makes a press without a hold: lean to the preload and straight off.
    pub springs: u32,
    /// How far a spring goes.
    pub excursion_mm: f64,
    /// Standard deviation of the excursion from spring to spring, as a share of it.
    pub excursion_spread: f64,
    /// Springs alternate between this share more and this share less.
    pub uneven_share: f64,
    /// Duration of a spring.
    pub spring_s: f64,
    /// Rest between springs.
    pub pause_s: f64,
    /// How far the hand comes back out between springs.
    pub lift_between_springs_mm: f64,
    /// Held after the last spring.
    pub last_hold_s: f64,
    /// Duration of the release.
    pub release_s: f64,
    /// Hands off after the test.
    pub unloaded_after_s: f64,
    /// Amplitude of the tremor.
    pub tremor_mm: f64,
    /// Frequency of the tremor.
    pub tremor_hz: f64,
    /// Amplitude of breathing.
    pub breathing_mm: f64,
    /// Frequency of breathing.
    pub breathing_hz: f64,
    /// Amplitude of a slow wander while holding.
    pub wander_mm: f64,
    /// Standard deviation of every duration, as a share of it.
    pub time_spread: f64,
    /// Tilt of the push where a tilt sensor records it, as the line of drive is counted.
    pub drive_deg: Option<f64>,
    /// Share of the preload that the left hand carries when both press, each with its own displacement; it comes before
    /// what [`super::Hands`] says.
    pub left_hand_share: Option<f64>,
}

impl Default for Examiner {
    fn default() -> Self {
        Examiner {
            unloaded_before_s: 0.8,
            lean_s: 1.8,
            preload_beyond_onset_mm: 1.6,
            hold_s: 1.0,
            springs: 3,
            excursion_mm: 3.2,
            excursion_spread: 0.02,
            uneven_share: 0.0,
            spring_s: 0.5,
            pause_s: 0.55,
            lift_between_springs_mm: 0.0,
            last_hold_s: 0.5,
            release_s: 0.5,
            unloaded_after_s: 0.8,
            tremor_mm: 0.006,
            tremor_hz: 9.0,
            breathing_mm: 0.05,
            breathing_hz: 0.25,
            wander_mm: 0.0,
            time_spread: 0.03,
            drive_deg: None,
            left_hand_share: None,
        }
    }
}

/// A way of doing a test that the technique rules (METHODS.md §9.2) should notice.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ExaminerFault {
    /// Held short of the onset; the springs pass it.
    SprungEarly,
    /// Never past the toe, springs and all.
    InsideTheToe,
    /// Springs that go too little.
    Shallow,
    /// Springs that go too far.
    Deep,
    /// Springs that are too quick.
    Quick,
    /// A force that wavers while it is held.
    UnsteadyHold,
    /// A hand that leaves between springs.
    CameOff,
    /// Springs that differ.
    UnevenSprings,
    /// With both hands on, the left one carries 70 % of the preload.
    UnevenHands,
    /// 25° further toward the head than meant, by a tilt sensor that records it.
    OffTheLine,
    /// Leans so heavily that the springs peak about a tenth over this force, in N.
    Over(f64),
    /// Straight to the peak and off: no hold, no spring.
    Press,
}

impl ExaminerFault {
    /// Every fault; the force of the one that needs one is the usual lumbar ceiling.
    pub const ALL: [ExaminerFault; 12] = [
        ExaminerFault::SprungEarly,
        ExaminerFault::InsideTheToe,
        ExaminerFault::Shallow,
        ExaminerFault::Deep,
        ExaminerFault::Quick,
        ExaminerFault::UnsteadyHold,
        ExaminerFault::CameOff,
        ExaminerFault::UnevenSprings,
        ExaminerFault::UnevenHands,
        ExaminerFault::OffTheLine,
        ExaminerFault::Over(175.0),
        ExaminerFault::Press,
    ];

    /// The word on the command line.
    pub fn word(self) -> &'static str {
        match self {
            ExaminerFault::SprungEarly => "sprung-early",
            ExaminerFault::InsideTheToe => "inside-the-toe",
            ExaminerFault::Shallow => "shallow",
            ExaminerFault::Deep => "deep",
            ExaminerFault::Quick => "quick",
            ExaminerFault::UnsteadyHold => "unsteady-hold",
            ExaminerFault::CameOff => "came-off",
            ExaminerFault::UnevenSprings => "uneven-springs",
            ExaminerFault::UnevenHands => "uneven-hands",
            ExaminerFault::OffTheLine => "off-the-line",
            ExaminerFault::Over(_) => "over-ceiling",
            ExaminerFault::Press => "press",
        }
    }

    /// Reads the word.
    pub fn parse(word: &str) -> Option<ExaminerFault> {
        ExaminerFault::ALL.into_iter().find(|f| f.word() == word)
    }
}

impl Examiner {
    /// The same examiner making a fault on this tissue.
    #[must_use]
    pub fn with(mut self, fault: ExaminerFault, elastic: &Elastic) -> Self {
        let onset_mm = elastic.onset_mm().unwrap_or(0.0);
        match fault {
            ExaminerFault::SprungEarly => self.preload_beyond_onset_mm = -1.2,
            ExaminerFault::InsideTheToe => {
                let preload_mm = 0.45 * onset_mm;
                self.preload_beyond_onset_mm = preload_mm - onset_mm;
                self.excursion_mm = (onset_mm - preload_mm - 1.0).clamp(0.6, 3.0);
            }
            ExaminerFault::Shallow => self.excursion_mm = 1.3,
            ExaminerFault::Deep => self.excursion_mm = 5.2,
            ExaminerFault::Quick => self.spring_s = 0.2,
            ExaminerFault::UnsteadyHold => {
                self.wander_mm = 0.6;
                self.hold_s = 1.6;
            }
            ExaminerFault::CameOff => {
                // Deep into the toe, so that less than half of the preload is left in any tissue.
                let preload_mm = onset_mm + self.preload_beyond_onset_mm;
                self.lift_between_springs_mm = (0.6 * preload_mm).max(3.2);
                self.pause_s = 0.8;
            }
            ExaminerFault::UnevenSprings => {
                self.springs = self.springs.max(4);
                self.uneven_share = 0.3;
            }
            ExaminerFault::UnevenHands => self.left_hand_share = Some(0.7),
            // Without a tilt of its own the push was meant to go straight in.
            ExaminerFault::OffTheLine => self.drive_deg = Some(self.drive_deg.unwrap_or(90.0) - 25.0),
            ExaminerFault::Over(force_n) => {
                let peak_mm = elastic.displacement_at_mm(1.1 * force_n);
                self.preload_beyond_onset_mm = peak_mm - self.excursion_mm - onset_mm;
            }
            ExaminerFault::Press => {
                self.springs = 0;
                self.hold_s = 0.0;
                self.last_hold_s = 0.0;
                self.preload_beyond_onset_mm += self.excursion_mm;
            }
        }
        self
    }

    /// An examiner without faults, drawn: no two lean alike.
    pub fn drawn(rng: &mut Rng) -> Self {
        Examiner {
            unloaded_before_s: rng.between(0.6, 1.0),
            lean_s: rng.between(1.5, 2.1),
            preload_beyond_onset_mm: rng.between(1.2, 2.0),
            hold_s: rng.between(0.9, 1.3),
            springs: 3 + rng.below(3) as u32,
            excursion_mm: rng.between(2.9, 3.6),
            spring_s: rng.between(0.45, 0.6),
            pause_s: rng.between(0.5, 0.65),
            unloaded_after_s: rng.between(0.6, 1.0),
            tremor_mm: rng.between(0.003, 0.012),
            tremor_hz: rng.between(8.0, 10.0),
            breathing_mm: rng.between(0.02, 0.08),
            breathing_hz: rng.between(0.2, 0.3),
            ..Examiner::default()
        }
    }

    /// Leans straight to the peak and off again: no hold, no spring.
    pub fn press() -> Self {
        Examiner::default().with(ExaminerFault::Press, &Tissue::default().elastic)
    }

    /// Holds short of the onset and springs from there.
    pub fn sprung_early() -> Self {
        Examiner::default().with(ExaminerFault::SprungEarly, &Tissue::default().elastic)
    }

    /// The steps of the movement, their durations and excursions drawn.
    pub(super) fn movement(&self, onset_mm: f64, rng: &mut Rng) -> Movement {
        let preload = (onset_mm + self.preload_beyond_onset_mm).max(0.2);
        let vary = |rng: &mut Rng, s: f64| s * (1.0 + self.time_spread * rng.normal_within_3());
        let mut steps = MovementPlan::default();
        steps.hold(vary(rng, self.unloaded_before_s));
        steps.to(vary(rng, self.lean_s), preload);
        steps.hold(vary(rng, self.hold_s));
        for number in 0..self.springs {
            let uneven = if number % 2 == 0 {
                self.uneven_share
            } else {
                -self.uneven_share
            };
            let spread = 1.0 + uneven + self.excursion_spread * rng.normal_within_3();
            steps.spring(vary(rng, self.spring_s), self.excursion_mm * spread);
            if number + 1 == self.springs {
                break;
            }
            let pause = vary(rng, self.pause_s);
            if self.lift_between_springs_mm > 0.0 {
                let low = (preload - self.lift_between_springs_mm).max(0.1);
                steps.to(0.4 * pause, low);
                steps.hold(0.2 * pause);
                steps.to(0.4 * pause, preload);
            } else {
                steps.hold(pause);
            }
        }
        steps.hold(vary(rng, self.last_hold_s));
        steps.to(vary(rng, self.release_s), 0.0);
        steps.hold(vary(rng, self.unloaded_after_s));
        let waves = self.waves(rng);
        Movement::new(steps, waves)
    }

    /// Tremor, breathing and wander: amplitude (mm), angular frequency (1/s), phase.
    fn waves(&self, rng: &mut Rng) -> Vec<(f64, f64, f64)> {
        let turn = 2.0 * std::f64::consts::PI;
        let mut waves = Vec::new();
        let mut wave = |amplitude_mm: f64, hz: f64, rng: &mut Rng| {
            let phase = turn * rng.uniform();
            if amplitude_mm != 0.0 {
                waves.push((amplitude_mm, turn * hz, phase));
            }
        };
        wave(0.6 * self.tremor_mm, self.tremor_hz, rng);
        wave(0.4 * self.tremor_mm, 0.91 * self.tremor_hz, rng);
        wave(self.breathing_mm, self.breathing_hz, rng);
        for hz in [0.8, 1.3, 1.9] {
            wave(self.wander_mm / 1.7, hz, rng);
        }
        waves
    }
}
