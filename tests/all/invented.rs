//! Invented tests and findings: no person's, no lab's.

use tautpoint::columns::Measure;
use tautpoint::compare::{Comparison, ComparisonKind, Decision, SpreadSource, TrialsToDecide};
use tautpoint::terms::{Contact, Level, LineOfDrive, Posture, Side, TestKey};
use tautpoint::trace::{
    About, Curve, Estimate, FitSummary, Knee, Measured, Measures, OtherRules, Phases, Spring, Test,
};

/// What a hand does to a tissue, in N, mm and s.
#[derive(Debug, Clone)]
pub struct Push {
    pub begin_s: f64,
    pub origin_mm: f64,
    pub knee_mm: f64,
    pub k1: f64,
    pub k2: f64,
    pub preload_mm: f64,
    pub excursion_mm: f64,
    pub springs: u32,
    pub lean_s: f64,
    pub hold_s: f64,
    pub damping: f64,
    pub displacement: bool,
    pub knee: Knee,
}

impl Default for Push {
    fn default() -> Push {
        Push {
            begin_s: 0.5,
            origin_mm: 0.0,
            knee_mm: 8.2,
            k1: 2.05,
            k2: 11.02,
            preload_mm: 9.6,
            excursion_mm: 3.2,
            springs: 3,
            lean_s: 1.9,
            hold_s: 1.0,
            damping: 0.12,
            displacement: true,
            knee: Knee::Fitted,
        }
    }
}

fn smooth(u: f64) -> f64 {
    let u = u.clamp(0.0, 1.0);
    u * u * u * (10.0 - 15.0 * u + 6.0 * u * u)
}

impl Push {
    fn first_spring_s(&self) -> f64 {
        self.begin_s + self.lean_s + self.hold_s
    }

    fn springs_end_s(&self) -> f64 {
        self.first_spring_s() + f64::from(self.springs)
    }

    /// Displacement into the tissue.
    fn depth(&self, t: f64) -> f64 {
        let lean = self.preload_mm * smooth((t - self.begin_s) / self.lean_s);
        let s = t - self.first_spring_s();
        let spring = if s > 0.0 && t < self.springs_end_s() && s.fract() < 0.7 {
            self.excursion_mm * 0.5 * (1.0 - (std::f64::consts::TAU * s.fract() / 0.7).cos())
        } else {
            0.0
        };
        let leave = 1.0 - smooth((t - self.springs_end_s() - 0.4) / 0.6);
        (lean + spring) * leave + 0.02 * (7.0 * t).sin() * (lean / self.preload_mm) * leave
    }

    fn force(&self, t: f64) -> f64 {
        let x = self.depth(t);
        let v = (self.depth(t + 1e-4) - self.depth(t - 1e-4)) / 2e-4;
        let beyond = (x - self.knee_mm).max(0.0);
        (self.k1 * x + (self.k2 - self.k1) * beyond + self.damping * v).max(0.0)
    }
}

fn set(measures: &mut Measures, measure: Measure, value: f64, u95: f64) {
    let normal = 1.959_963_984_540_054;
    let estimate = Estimate::new(value, Some((u95 / normal, f64::INFINITY)));
    measures.set(
        measure,
        Measured {
            estimate,
            budget: Vec::new(),
        },
    );
}

fn spring(push: &Push, i: u32) -> Spring {
    let start_s = push.first_spring_s() + f64::from(i);
    let mm = |depth: f64| push.displacement.then_some(depth + push.origin_mm);
    let deep = push.preload_mm + push.excursion_mm;
    let peak_n = (0..70)
        .map(|k| push.force(start_s + 0.01 * f64::from(k)))
        .fold(0.0, f64::max);
    Spring {
        number: i + 1,
        start_s,
        peak_s: start_s + 0.35,
        end_s: start_s + 0.7,
        counted: i > 0 || push.springs < 3,
        preload_n: Some(push.force(push.first_spring_s() - 0.1)),
        peak_n,
        start_mm: mm(push.preload_mm),
        peak_mm: mm(deep),
        end_mm: mm(push.preload_mm),
        excursion_mm: push.displacement.then_some(push.excursion_mm),
        ..Spring::default()
    }
}

/// A whole test as the analysis would hand it on.
pub fn press(push: &Push, level: &str, side: Side, trial: u32) -> Test {
    let end = push.springs_end_s() + 1.0;
    let last = end + 0.4;
    let times: Vec<f64> = (0..)
        .map(|i| (push.begin_s - 0.5) + 0.01 * f64::from(i))
        .take_while(|t| *t < last)
        .collect();
    let onset_s = times.iter().copied().find(|t| push.depth(*t) >= push.knee_mm);
    let springs: Vec<Spring> = (0..push.springs).map(|i| spring(push, i)).collect();
    let peak = times.iter().map(|t| push.force(*t)).fold(0.0, f64::max);
    let mut measures = Measures::default();
    set(&mut measures, Measure::Peak, peak, 0.3);
    set(
        &mut measures,
        Measure::Preload,
        push.force(push.first_spring_s() - 0.1),
        0.2,
    );
    if push.displacement {
        let slope = if push.knee == Knee::None { push.k1 } else { push.k2 };
        set(&mut measures, Measure::EndFeel, slope, 0.09);
        set(&mut measures, Measure::FittedEndFeel, push.k2 + 0.05, 0.03);
        set(&mut measures, Measure::LossRatio, 0.051, 0.004);
        set(&mut measures, Measure::Loss, 7.9, 0.6);
        set(&mut measures, Measure::Excursion, push.excursion_mm, 0.02);
        if matches!(push.knee, Knee::Fitted | Knee::TwoLines) {
            set(&mut measures, Measure::Onset, push.knee_mm + push.origin_mm, 0.02);
            set(&mut measures, Measure::OnsetTravel, push.knee_mm, 0.03);
            set(
                &mut measures,
                Measure::OnsetForce,
                onset_s.map_or(0.0, |t| push.force(t)),
                0.4,
            );
        }
    }
    let about = About {
        subject: Some("V-07".to_owned()),
        examiner: Some("L-12".to_owned()),
        session: Some("2026-09-14".to_owned()),
        level: Level::parse(level),
        side: Some(side),
        contact: Some(Contact::Thumb),
        posture: Posture::new("prone"),
        line_of_drive: LineOfDrive::new(90.0),
        trial: Some(trial),
        ..About::default()
    };
    Test {
        corrections: Vec::new(),
        recording: format!("recordings/V-07_{level}_{side}_{trial}.csv"),
        test: 1,
        about,
        rate_hz: 1000.0,
        samples: ((end - push.begin_s) * 1000.0) as usize,
        phases: Phases {
            contact_begin_s: push.begin_s,
            onset_s: if push.knee == Knee::None { None } else { onset_s },
            lean_end_s: push.first_spring_s(),
            springs_end_s: springs.last().map(|s| s.end_s),
            contact_end_s: end,
            hold_s: Some([push.begin_s + push.lean_s, push.first_spring_s()]),
        },
        springs,
        measures,
        window_n: [30.0, 100.0],
        knee: push.knee,
        fit: push.displacement.then_some(FitSummary {
            onset_mm: push.knee_mm + push.origin_mm,
            onset_n: push.k1 * push.knee_mm,
            take_up_n_per_mm: push.k1,
            end_feel_n_per_mm: push.k2,
            knee_width_mm: 0.1,
            damping_n_s_per_mm: push.damping,
            relaxation_time_s: None,
            residual_percent: Some(0.8),
            laws: Vec::new(),
            rules: OtherRules::default(),
        }),
        total_peak_n: peak,
        drive_deg: None,
        notes: Vec::new(),
        curve: Curve {
            time_s: times.iter().map(|t| *t as f32).collect(),
            force_n: times.iter().map(|t| push.force(*t) as f32).collect(),
            displacement_mm: if push.displacement {
                times
                    .iter()
                    .map(|t| (push.depth(*t) + push.origin_mm) as f32)
                    .collect()
            } else {
                Vec::new()
            },
        },
    }
}

/// A finding of left against right: percent, half-width of its interval, the word.
pub fn comparison(level: &str, percent: f64, half: f64, word: Decision) -> Comparison {
    let right = 11.0 * (percent / 100.0).exp();
    Comparison {
        corrections: Vec::new(),
        key: TestKey {
            subject: Some("V-07".to_owned()),
            examiner: Some("L-12".to_owned()),
            session: Some("2026-09-14".to_owned()),
            level: Level::parse(level),
            posture: Posture::new("prone"),
            contact: Some(Contact::Thumb),
            line_of_drive: LineOfDrive::new(90.0),
        },
        kind: ComparisonKind::LeftRight,
        measure: Measure::EndFeel,
        left: Some(11.0),
        right: Some(right),
        left_trials: 3,
        right_trials: 3,
        asymmetry_percent: Some(percent),
        low_percent: Some(percent - half),
        high_percent: Some(percent + half),
        difference: None,
        threshold_percent: Some(15.0),
        mdc_percent: Some(9.1),
        spread_source: Some(SpreadSource::Trials),
        variance_rule: None,
        raised_to_measurement: None,
        standard_error: None,
        degrees_of_freedom: None,
        p_value: None,
        p_adjusted: None,
        side_of_resistance: Some(word),
        trials_to_decide: (word == Decision::Undecided).then_some(TrialsToDecide::Trials(4)),
        call: None,
        call_agrees: None,
        covers: Vec::new(),
    }
}

/// A midline step against its neighbours.
pub fn neighbours(covers: &[&str], percent: f64, half: f64, word: Decision) -> Comparison {
    let mut f = comparison(covers[0], percent, half, word);
    f.kind = ComparisonKind::Neighbours;
    f.key.contact = Some(Contact::Reinforced);
    f.covers = covers.iter().filter_map(|c| Level::parse(c)).collect();
    f
}
