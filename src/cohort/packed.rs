//! What one recording gave, packed: everything but the curves, and then the curves, which only figures need.

use super::pack::{Pack, pack_enum, pack_serde, pack_struct};
use crate::batch::Outcome;
use crate::error::{Problem, Severity};
use crate::mat::MatTest;
use crate::mat::shown::{MapFrame, ShownHand};
use crate::results::{Exclusion, InputFile};
use crate::trace::{About, Curve, DropCause, FitSummary, Knee, Measures, Note, Phases, Spring, Test};
use crate::terms::{Level, Side};

pack_enum!(Side { Left = 0, Right = 1, Midline = 2 });
pack_enum!(Severity { Warning = 0, Error = 1 });
pack_enum!(Knee { Fitted = 0, TwoLines = 1, None = 2, NotLooked = 3 });

pack_struct!(Problem {
    severity,
    file,
    line,
    column,
    found,
    expected,
    advice
});
pack_struct!(InputFile { file, sha256, bytes });
pack_serde!(About);
pack_serde!(Level);
pack_struct!(Phases {
    contact_begin_s,
    onset_s,
    lean_end_s,
    springs_end_s,
    contact_end_s,
    hold_s
});
pack_struct!(Spring {
    number,
    start_s,
    peak_s,
    end_s,
    counted,
    preload_n,
    peak_n,
    start_mm,
    peak_mm,
    end_mm,
    excursion_mm,
    end_feel_n_per_mm,
    secant_n_per_mm,
    loading_work_mj,
    loss_mj,
    loss_ratio,
    recoil_ratio,
    time_to_peak_s,
    loading_rate_n_per_s,
    dropped,
});
pack_struct!(FitSummary {
    onset_mm,
    onset_n,
    take_up_n_per_mm,
    end_feel_n_per_mm,
    knee_width_mm,
    damping_n_s_per_mm,
    relaxation_time_s,
    residual_percent,
});
pack_struct!(Curve {
    time_s,
    force_n,
    displacement_mm
});

pack_struct!(MapFrame {
    time_s,
    label,
    kpa,
    force_n
});
pack_struct!(ShownHand {
    side,
    force_n,
    centre_mm
});
pack_struct!(MatTest {
    recording,
    test,
    level,
    cells,
    pitch_mm,
    midline_mm,
    threshold_kpa,
    time_s,
    hands,
    springs_s,
    maps,
    strip
});

/// What serde can write and read.
macro_rules! pack_by_serde {
    ($($name:ident),*) => {$(
        impl Pack for $name {
            fn pack(&self, to: &mut Vec<u8>) {
                rmp_serde::to_vec(self).unwrap_or_default().pack(to);
            }
            fn unpack(from: &mut &[u8]) -> Option<Self> {
                rmp_serde::from_slice(&Vec::<u8>::unpack(from)?).ok()
            }
        }
    )*};
}
pack_by_serde!(Exclusion, DropCause);

impl Pack for Note {
    fn pack(&self, to: &mut Vec<u8>) {
        rmp_serde::to_vec(self).unwrap_or_default().pack(to);
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        rmp_serde::from_slice(&Vec::<u8>::unpack(from)?).ok()
    }
}

impl Pack for Measures {
    fn pack(&self, to: &mut Vec<u8>) {
        rmp_serde::to_vec(self).unwrap_or_default().pack(to);
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        rmp_serde::from_slice(&Vec::<u8>::unpack(from)?).ok()
    }
}

/// A test without its curve.
struct Bare(Test);

impl Bare {
    fn pack(test: &Test, to: &mut Vec<u8>) {
        let Test {
            recording,
            test,
            about,
            rate_hz,
            samples,
            phases,
            springs,
            measures,
            window_n,
            knee,
            fit,
            total_peak_n,
            drive_deg,
            notes,
            curve: _,
        } = test;
        recording.pack(to);
        test.pack(to);
        about.pack(to);
        rate_hz.pack(to);
        samples.pack(to);
        phases.pack(to);
        springs.pack(to);
        measures.pack(to);
        window_n.pack(to);
        knee.pack(to);
        fit.pack(to);
        total_peak_n.pack(to);
        drive_deg.pack(to);
        notes.pack(to);
    }

    fn unpack(from: &mut &[u8]) -> Option<Self> {
        Some(Bare(Test {
            recording: Pack::unpack(from)?,
            test: Pack::unpack(from)?,
            about: Pack::unpack(from)?,
            rate_hz: Pack::unpack(from)?,
            samples: Pack::unpack(from)?,
            phases: Pack::unpack(from)?,
            springs: Pack::unpack(from)?,
            measures: Pack::unpack(from)?,
            window_n: Pack::unpack(from)?,
            knee: Pack::unpack(from)?,
            fit: Pack::unpack(from)?,
            total_peak_n: Pack::unpack(from)?,
            drive_deg: Pack::unpack(from)?,
            notes: Pack::unpack(from)?,
            curve: Curve::default(),
        }))
    }
}

/// Everything but the curves.
pub fn pack_outcome(outcome: &Outcome, to: &mut Vec<u8>) {
    let Outcome {
        tests,
        mats,
        plan,
        problems,
        exclusions,
        input,
        name_in_sums,
    } = outcome;
    (tests.len() as u32).pack(to);
    for test in tests {
        Bare::pack(test, to);
    }
    mats.pack(to);
    plan.pack(to);
    problems.pack(to);
    exclusions.pack(to);
    input.pack(to);
    name_in_sums.pack(to);
}

/// The curves of its tests, in their order.
pub fn pack_curves(outcome: &Outcome, to: &mut Vec<u8>) {
    for test in &outcome.tests {
        test.curve.pack(to);
    }
}

/// An outcome whose tests have no curves.
pub fn unpack_outcome(from: &mut &[u8]) -> Option<Outcome> {
    let n = u32::unpack(from)?;
    let mut tests = Vec::new();
    for _ in 0..n {
        tests.push(Bare::unpack(from)?.0);
    }
    Some(Outcome {
        tests,
        mats: Pack::unpack(from)?,
        plan: Pack::unpack(from)?,
        problems: Pack::unpack(from)?,
        exclusions: Pack::unpack(from)?,
        input: Pack::unpack(from)?,
        name_in_sums: Pack::unpack(from)?,
    })
}

/// The curves of `n` tests.
pub fn unpack_curves(from: &mut &[u8], n: usize) -> Option<Vec<Curve>> {
    (0..n).map(|_| Curve::unpack(from)).collect()
}
