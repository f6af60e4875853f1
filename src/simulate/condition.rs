//! Named kinds of traces that the accuracy of the analysis is checked on.

use super::{Elastic, Examiner, ExaminerFault, Maxwell, Rng, Sensor, Simulated, Tissue, TraceSpec, simulate};

/// A kind of trace. Each draw differs in tissue and examiner.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Condition {
    /// 1 kHz, 0.3 N and 0.02 mm of noise.
    Clean,
    /// Two nearly straight lines.
    SharpKnee,
    /// The knee drawn out over about 3 mm.
    SoftKnee,
    /// 80 samples a second.
    Rate80,
    /// 1.5 N and 0.08 mm of noise.
    Noisy,
    /// 0.4 mm of breathing.
    Breathing,
    /// 25 wrong samples.
    Spiky,
    /// 5 % of the rows lost.
    Dropped,
    /// 4 N of zero offset and 1 N of drift.
    Offset,
    /// Tissue that relaxes with one time constant.
    Relaxing,
    /// Tissue with dry friction.
    Friction,
    /// Held short of the onset; the springs pass it by more than half a millimetre.
    EarlySprung,
    /// Never past the toe.
    ToeOnly,
    /// No displacement sensor.
    ForceOnly,
    /// The toe bends upwards all the way, then a line.
    CurvedToe,
    /// The slope rises evenly over 3 mm.
    DrawnOut,
    /// Two relaxation times.
    TwoTimes,
}

impl Condition {
    /// Every condition.
    pub const ALL: [Condition; 14] = [
        Condition::Clean,
        Condition::SharpKnee,
        Condition::SoftKnee,
        Condition::Rate80,
        Condition::Noisy,
        Condition::Breathing,
        Condition::Spiky,
        Condition::Dropped,
        Condition::Offset,
        Condition::Relaxing,
        Condition::Friction,
        Condition::EarlySprung,
        Condition::ToeOnly,
        Condition::ForceOnly,
    ];

    /// Tissues that the law of the whole-trace fit does not describe.
    pub const OUTSIDE_THE_LAW: [Condition; 3] =
        [Condition::CurvedToe, Condition::DrawnOut, Condition::TwoTimes];

    /// The word on the command line.
    pub fn word(self) -> &'static str {
        match self {
            Condition::Clean => "clean",
            Condition::SharpKnee => "sharp-knee",
            Condition::SoftKnee => "soft-knee",
            Condition::Rate80 => "rate-80",
            Condition::Noisy => "noisy",
            Condition::Breathing => "breathing",
            Condition::Spiky => "spiky",
            Condition::Dropped => "dropped",
            Condition::Offset => "offset",
            Condition::Relaxing => "relaxing",
            Condition::Friction => "friction",
            Condition::EarlySprung => "early-sprung",
            Condition::ToeOnly => "toe-only",
            Condition::ForceOnly => "force-only",
            Condition::CurvedToe => "curved-toe",
            Condition::DrawnOut => "drawn-out",
            Condition::TwoTimes => "two-times",
        }
    }

    /// Reads the word.
    pub fn parse(word: &str) -> Option<Condition> {
        let every = Condition::ALL.into_iter().chain(Condition::OUTSIDE_THE_LAW);
        every.into_iter().find(|c| c.word() == word)
    }

    /// Draws a tissue, an examiner and a sensor of this kind.
    pub fn spec(self, rng: &mut Rng) -> TraceSpec {
        let mut tissue = TissueDraw::tissue(rng);
        let mut examiner = Examiner::drawn(rng);
        let mut sensor = Sensor::default();
        match self {
            Condition::Clean => {}
            Condition::SharpKnee => tissue.width_mm = 0.02,
            Condition::SoftKnee => tissue.width_mm = 0.6,
            Condition::Rate80 => sensor.rate_hz = 80.0,
            Condition::Noisy => {
                sensor.force_noise_n = 1.5;
                sensor.displacement_noise_mm = 0.08;
            }
            Condition::Breathing => examiner.breathing_mm = 0.4,
            Condition::Spiky => sensor.spikes = 25,
            Condition::Dropped => sensor.dropped_share = 0.05,
            Condition::Offset => {
                sensor.offset_n = 4.0;
                sensor.drift_n = 1.0;
            }
            Condition::Relaxing => {
                tissue.relaxation_s = Some(rng.between(0.3, 1.2));
                tissue.relaxing_share = rng.between(0.15, 0.35);
            }
            Condition::Friction => tissue.friction_n = rng.between(1.0, 3.0),
            Condition::EarlySprung => examiner.preload_beyond_onset_mm = -rng.between(0.4, 1.6),
            Condition::ToeOnly => {
                tissue.onset_mm = rng.between(7.0, 11.0);
                examiner = examiner.with(ExaminerFault::InsideTheToe, &tissue.build().elastic);
            }
            Condition::ForceOnly => sensor.has_displacement = false,
            Condition::CurvedToe | Condition::DrawnOut | Condition::TwoTimes => {}
        }
        TraceSpec {
            tissue: self.outside_the_law(&tissue, rng),
            examiner,
            sensor,
        }
    }

    /// The drawn tissue, or one of the three that the law does not describe.
    fn outside_the_law(self, draw: &TissueDraw, rng: &mut Rng) -> Tissue {
        let mut tissue = draw.build();
        match self {
            Condition::CurvedToe => {
                tissue.elastic = Elastic::ExponentialToe {
                    curvature_per_mm: rng.between(0.25, 0.5),
                    toe_end_mm: draw.onset_mm,
                    end_feel_n_per_mm: draw.end_feel,
                };
            }
            Condition::DrawnOut => {
                tissue.elastic = Elastic::DrawnOut {
                    take_up_n_per_mm: draw.take_up,
                    end_feel_n_per_mm: draw.end_feel,
                    onset_mm: draw.onset_mm,
                    span_mm: 3.0,
                };
            }
            Condition::TwoTimes => {
                for time_s in [rng.between(0.1, 0.3), rng.between(1.0, 3.0)] {
                    tissue.relaxation.push(Maxwell {
                        time_s,
                        on_displacement_n_per_mm: 0.15 * draw.take_up,
                        on_knee_n_per_mm: 0.15 * (draw.end_feel - draw.take_up),
                    });
                }
            }
            _ => {}
        }
        tissue
    }

    /// One trace of this kind, drawn and simulated.
    pub fn simulate(self, seed: u64) -> Simulated {
        let spec = self.spec(&mut Rng::stream(seed, 9));
        simulate(&spec, seed)
    }
}

/// A tissue being drawn.
struct TissueDraw {
    take_up: f64,
    end_feel: f64,
    onset_mm: f64,
    width_mm: f64,
    damping: f64,
    relaxation_s: Option<f64>,
    relaxing_share: f64,
    friction_n: f64,
}

impl TissueDraw {
    fn tissue(rng: &mut Rng) -> TissueDraw {
        TissueDraw {
            take_up: rng.between(0.8, 3.0),
            end_feel: rng.between(7.0, 16.0),
            onset_mm: rng.between(5.0, 11.0),
            width_mm: rng.between(0.08, 0.25),
            damping: rng.between(0.08, 0.25),
            relaxation_s: None,
            relaxing_share: 0.0,
            friction_n: 0.0,
        }
    }

    fn build(&self) -> Tissue {
        let relaxation = self
            .relaxation_s
            .map(|time_s| Maxwell {
                time_s,
                on_displacement_n_per_mm: self.relaxing_share * self.take_up,
                on_knee_n_per_mm: self.relaxing_share * (self.end_feel - self.take_up),
            })
            .into_iter()
            .collect();
        Tissue {
            elastic: Elastic::Knee {
                take_up_n_per_mm: self.take_up,
                end_feel_n_per_mm: self.end_feel,
                onset_mm: self.onset_mm,
                width_mm: self.width_mm,
            },
            damping_n_s_per_mm: self.damping,
            relaxation,
            friction_n: self.friction_n,
            ..Tissue::default()
        }
    }
}
