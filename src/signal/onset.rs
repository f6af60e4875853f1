//! The onset of one test: the whole-trace fit, its fallback, or `no knee` (METHODS.md §4.9).

use super::fit::{Fit, FitInput, Value, fit};
use super::uncertainty::Sources;
use super::view::SideView;
use crate::stats::two_lines::two_lines;
use crate::trace::{FitSummary, Knee, Measured, Note, UncertaintySource as Source};
use std::ops::Range;

/// Residual over the springs beyond which the fit is not believed for the onset.
const POOR_PERCENT: f64 = 5.0;

/// Where the fitted toe at rest has no force, and damping there with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FittedContact {
    pub unloaded_mm: f64,
    pub damping_n_s_per_mm: f64,
    pub damping_u: f64,
}

/// What is known of the onset; by default nothing was looked for.
#[derive(Debug, Clone, Default)]
pub struct OnsetFinding {
    pub knee: Knee,
    pub fit: Option<FitSummary>,
    pub onset: Option<Measured>,
    pub onset_force: Option<Measured>,
    pub take_up: Option<Measured>,
    pub fitted_end_feel: Option<Measured>,
    pub damping: Option<Measured>,
    /// First passage on the way in, in grid samples.
    pub passage: Option<f64>,
    /// What the fit says of first contact.
    pub first_contact: Option<FittedContact>,
    pub notes: Vec<Note>,
}

/// Looks for the onset from first contact to the end of the last spring, or to the peak when there is none; a person may say
/// between which displacements.
pub fn find_onset(
    view: &SideView,
    cutoff_hz: f64,
    contact: &Range<usize>,
    lean_end: usize,
    springs: &[Range<usize>],
    sources: &Sources,
    within_mm: Option<[f64; 2]>,
) -> OnsetFinding {
    let mut finding = OnsetFinding::default();
    let Some(x) = view.displacement_mm else {
        return finding;
    };
    let end = springs
        .last()
        .map_or(lean_end, |s| s.end)
        .min(contact.end)
        .max(contact.start);
    let part = contact.start..end;
    let shifted: Vec<Range<usize>> = springs
        .iter()
        .map(|s| s.start.saturating_sub(part.start)..s.end.saturating_sub(part.start))
        .collect();
    let input = FitInput {
        rate_hz: view.rate_hz,
        cutoff_hz,
        force_n: &view.force_n[part.clone()],
        displacement_mm: &x[part.clone()],
        force_noise_n: view.force_noise_n,
        displacement_noise_mm: view.displacement_noise_mm,
        noise: view.noise,
        zero_sd_n: sources.zero_sd_n,
        springs: &shifted,
        onset_within_mm: within_mm,
    };
    let Ok(Some(fit)) = fit(&input) else {
        finding.notes.push(match within_mm {
            Some(within) => {
                let [low_mm, high_mm] = within.map(|mm| Some(mm).filter(|mm| mm.is_finite()));
                Note::NoOnsetWithin { low_mm, high_mm }
            }
            None => Note::NoFit,
        });
        return finding;
    };
    let of_springs = fit.residual_percent;
    if let Some(poor) = of_springs.filter(|percent| *percent > POOR_PERCENT) {
        two_line_fallback(view, x, contact.start..lean_end, poor, sources, within_mm, &mut finding);
        return finding;
    }
    match fit.laws.first() {
        Some(law) => finding.notes.push(Note::Averaged { law: law.clone(), of: fit.laws.len() }),
        None if fit.poor => finding.notes.push(Note::PoorFit { residual_percent: of_springs }),
        None => {}
    }
    if !fit.against_knee.is_empty() {
        finding.knee = Knee::None;
        let against = fit.against_knee.clone();
        finding.notes.push(Note::NoKnee { against });
        return finding;
    }
    finding.knee = Knee::Fitted;
    finding.passage = Some(contact.start as f64 + fit.passage);
    finding.first_contact = Some(FittedContact {
        unloaded_mm: fit.unloaded_mm,
        damping_n_s_per_mm: fit.first_damping_n_s_per_mm.value,
        damping_u: fit.first_damping_n_s_per_mm.parts.total(),
    });
    finding.fit = Some(summary(&fit));
    finding.onset = Some(reported(fit.onset_mm, 0.0, sources));
    finding.onset_force = Some(reported(fit.onset_n, 1.0, sources));
    finding.take_up = Some(reported(fit.take_up_n_per_mm, 0.0, sources));
    finding.fitted_end_feel = Some(reported(fit.end_feel_n_per_mm, 0.0, sources));
    finding.damping = Some(reported(fit.damping_n_s_per_mm, 0.0, sources));
    finding
}

fn summary(fit: &Fit) -> FitSummary {
    FitSummary {
        onset_mm: fit.onset_mm.value,
        onset_n: fit.onset_n.value,
        take_up_n_per_mm: fit.take_up_n_per_mm.value,
        end_feel_n_per_mm: fit.end_feel_n_per_mm.value,
        knee_width_mm: fit.knee_width_mm,
        damping_n_s_per_mm: fit.damping_n_s_per_mm.value,
        relaxation_time_s: fit.relaxation_time_s,
        residual_percent: fit.residual_percent,
        laws: fit.laws.clone(),
        rules: fit.rules,
    }
}

fn reported(v: Value, per_zero: f64, sources: &Sources) -> Measured {
    let df = sources.noise_df;
    let lines = [
        Source::ForceNoise.line(v.parts.force, df),
        Source::DisplacementNoise.line(v.parts.displacement.hypot(v.parts.attenuated), df),
        Source::LackOfFit.line(v.parts.misfit, f64::INFINITY),
        Source::ForceZero.line(per_zero * sources.zero_sd_n, df),
    ];
    Measured::new(v.value, lines)
}

/// The exact two-line knee of the lean, when the law explains the springs too poorly to be believed.
fn two_line_fallback(
    view: &SideView,
    x: &[f64],
    lean: Range<usize>,
    residual_percent: f64,
    sources: &Sources,
    within_mm: Option<[f64; 2]>,
    finding: &mut OnsetFinding,
) {
    // Thinned to about the filter's own bandwidth, so that the samples are nearly independent.
    let every = ((view.rate_hz * view.noise.independent_share(1)).recip() * view.rate_hz)
        .round()
        .max(1.0) as usize;
    let xs: Vec<f64> = x[lean.clone()].iter().copied().step_by(every).collect();
    let fs: Vec<f64> = view.force_n[lean.clone()]
        .iter()
        .copied()
        .step_by(every)
        .collect();
    let lines = two_lines(&xs, &fs)
        .ok()
        .filter(|l| within_mm.is_none_or(|[low, high]| (low..=high).contains(&l.knee)))
        .filter(|l| l.slopes[0] > 0.0 && l.slopes[1] >= 1.5 * l.slopes[0] && l.f_p().is_ok_and(|p| p < 1e-3));
    let Some(lines) = lines else {
        finding.knee = Knee::None;
        finding.notes.push(Note::NoKneeInLean { residual_percent });
        return;
    };
    finding.knee = Knee::TwoLines;
    finding.notes.push(Note::TwoLines { residual_percent });
    let knee = lines.knee;
    let i = lean.clone().find(|i| x[*i] >= knee).unwrap_or(lean.end);
    finding.passage = Some(i as f64);
    let knee_se = lines.knee_se.unwrap_or(0.0);
    let scatter = |sd: f64| Source::TwoLineScatter.line(sd, (xs.len() as f64 - 4.0).max(1.0));
    let force_scatter = scatter((lines.slopes[0] * knee_se).hypot(lines.residual_sd()));
    let zero = Source::ForceZero.line(sources.zero_sd_n, sources.noise_df);
    finding.onset = Some(Measured::new(knee, [scatter(knee_se)]));
    finding.onset_force = Some(Measured::new(lines.at_knee, [force_scatter, zero]));
}
