//! One side of one episode to a [`Test`]: phases, springs, the onset, and every measure with its interval.

use super::condition::{Conditioned, SideSignals};
use super::contact::{ZeroedSide, describe_contact, refine_contact};
use super::cycles::{FoundCycle, describe_springs, find_springs, lean_end, number_springs, range_of, small_pushes};
use super::episodes::{Episode, SideEpisode};
use super::groups::MeasureContext;
use super::onset::{OnsetFinding, find_onset};
use super::short_peak::short_peak;
use super::springs::{SpringMeasures, measure_spring};
use super::stillness::stands_still;
use super::uncertainty::Sources;
use super::view::SideView;
use super::unloaded::noise_of;
use super::zero::{ForceZero, ZeroAround};
use crate::columns::Measure;
use crate::settings::Settings;
use crate::stats::moments::{extremes, median_in_place};
use crate::trace::{About, ConditionedSignals, Curve, Measures, Note, Phases, Spring, Test};
use std::ops::Range;

/// Samples a second kept for drawing.
const CURVE_HZ: f64 = 100.0;
/// A plate that nobody presses may be levered by so much, in N, when the other is pressed.
const NO_CONTACT_N: f64 = 5.0;
/// The end of a contact that may be none is looked at over so long, in s.
const LAST_S: f64 = 0.4;
/// A force is still when it spans no more than this, in N, and so many standard deviations of its filtered noise.
const STILL_N: f64 = 0.3;
const STILL_SDS: f64 = 8.0;
/// The fitted end-feel and that of the springs may differ by this share of it: tissue that relaxes is stiffer in a quick spring than once
/// it has given way, and early springs reach into the toe.
const APART_SHARE: f64 = 0.25;
/// A displacement is back within this, in mm, and this share of its way; so is a force within that share of its peak.
const BACK_MM: f64 = 0.3;
const BACK_SHARE: f64 = 0.1;
/// Efficiency of the noise estimate: its degrees of freedom a sample.
const NOISE_DF_PER_SAMPLE: f64 = 0.35;

/// A recording conditioned and zeroed: what all of its tests are measured on.
pub struct PreparedRecording<'a> {
    /// Its name in results.
    pub recording: &'a str,
    /// The conditioned signals.
    pub conditioned: &'a Conditioned,
    /// In the order of the channels.
    pub sides: &'a [ZeroedSide<'a>],
    /// How to measure.
    pub settings: &'a Settings,
}

/// Measures one side of an episode. `number` is the episode's, from 1; `window_n` the loads of the window
/// stiffness.
pub fn measure_test(
    prepared: &PreparedRecording,
    episode: &Episode,
    side: &SideEpisode,
    number: u32,
    about: About,
    window_n: [f64; 2],
) -> Test {
    let (c, settings) = (prepared.conditioned, prepared.settings);
    let own = &prepared.sides[side.channel];
    let still = stands_still(c, side.channel, &side.contact, settings);
    let view = view(c, own, !still);
    let contact = refine_contact(&view, side, settings);
    let around = own.zero.around(&side.contact);
    let sources = sources(c, own, around.as_ref());
    let mut notes = c.notes.clone();
    describe_contact(own, side, c, &mut notes);
    let found = find_springs(
        prepared.conditioned,
        prepared.sides,
        side,
        &contact,
        &view,
        settings,
    );
    let lean_end = lean_end(&view, &contact, &found);
    // The fit sees noise that is not white as a departure from its law, and widens for it by itself.
    let white = SideView {
        force_noise_n: own.signals.force.noise_sd,
        displacement_noise_mm: own.signals.displacement.as_ref().map_or(0.0, |x| x.noise_sd),
        ..view
    };
    let within = side.edits.onset_within_mm;
    let onset = onset_of(&white, c, &contact, lean_end, &found, &sources, within);
    notes.extend(onset.notes.iter().cloned());
    describe_displacement(own, still, &mut notes);
    describe_noise(own, !still, &mut notes);
    describe_dropouts(own, &contact, &mut notes);
    describe_zero(prepared, own, side, &view, &contact, &mut notes);
    if !found.is_empty() && force_stands_still(&view, &found) {
        notes.push(Note::StuckForce);
    }
    let onset_mm = onset.onset.as_ref().map(|m| m.estimate.value);
    let measured: Vec<SpringMeasures> = found
        .iter()
        .map(|f| measure_spring(&view, f.shape, onset_mm))
        .collect();
    let springs = number_springs(c, &found, &measured);
    let small = small_pushes(&view, &contact, &found, settings);
    describe_springs(&view, &contact, &springs, small, &mut notes);
    let peaks: Vec<usize> = found.iter().map(|f| f.shape.peak.index).collect();
    side.edits.describe(c, &peaks, &mut notes);
    let kept: Vec<&SpringMeasures> = springs
        .iter()
        .zip(&measured)
        .filter(|(s, _)| s.counted && s.dropped.is_none())
        .map(|(_, m)| m)
        .collect();
    let mut measures = Measures::default();
    let context = MeasureContext {
        view,
        contact: contact.clone(),
        lean_end,
        sources,
        onset: &onset,
    };
    context.springs(&kept, &springs, &mut measures);
    context.force(own, &measured, &springs, &mut measures, &mut notes);
    let first = springs
        .first()
        .filter(|s| s.dropped.is_none())
        .and(measured.first());
    context.take_up(&kept, first, window_n, &mut measures);
    context.zero(around, &mut measures);
    let hold = context.hold(&measured, &side.edits.removed, &mut measures);
    notes.extend(loss_below_zero(&springs, &measures));
    notes.extend(end_feels_apart(&measures));
    let time = |i: usize| c.grid.time_s(i as f64);
    Test {
        recording: prepared.recording.to_owned(),
        test: number,
        about,
        rate_hz: c.grid.rate_hz(),
        samples: contact.len(),
        phases: Phases {
            contact_begin_s: time(contact.start),
            onset_s: onset.passage.map(|p| c.grid.time_s(p)),
            lean_end_s: time(lean_end),
            springs_end_s: springs.last().map(|s| s.end_s),
            contact_end_s: time(contact.end.saturating_sub(1)),
            hold_s: hold.map(|h| [time(h.start), time(h.end)]),
        },
        springs,
        measures,
        window_n,
        knee: onset.knee,
        fit: onset.fit,
        total_peak_n: total_peak_n(prepared, episode),
        drive_deg: mean_drive(c, &found),
        notes,
        corrections: side.edits.by.clone(),
        curve: curve(c, own, !still, &contact),
    }
}

fn onset_of(
    view: &SideView,
    c: &Conditioned,
    contact: &Range<usize>,
    lean_end: usize,
    found: &[FoundCycle],
    sources: &Sources,
    within_mm: Option<[f64; 2]>,
) -> OnsetFinding {
    if view.displacement_mm.is_none() {
        return OnsetFinding::default();
    }
    let ranges: Vec<Range<usize>> = found
        .iter()
        .filter(|f| f.dropped.is_none())
        .map(|f| range_of(&f.shape))
        .collect();
    find_onset(view, c.cutoff_hz, contact, lean_end, &ranges, sources, within_mm)
}

fn describe_displacement(own: &ZeroedSide, still: bool, notes: &mut Vec<Note>) {
    if still || own.signals.displacement_stuck {
        notes.push(Note::StuckDisplacement);
    } else if own.signals.displacement.is_none() {
        notes.push(Note::ForceOnly);
    } else if own.signals.displacement_shared {
        notes.push(Note::SharedDisplacement);
    }
}

fn describe_dropouts(own: &ZeroedSide, contact: &Range<usize>, notes: &mut Vec<Note>) {
    let x = own.signals.displacement.as_ref();
    for (of_displacement, signal) in [(false, Some(&own.signals.force)), (true, x)] {
        let within = |r: &Range<usize>| r.end.min(contact.end).saturating_sub(r.start.max(contact.start));
        let samples: usize = signal.map_or(0, |s| s.lost.iter().map(within).sum());
        if samples > 0 {
            notes.push(Note::DroppedOut {
                of_displacement,
                samples,
                percent: 100.0 * samples as f64 / contact.len().max(1) as f64,
            });
        }
    }
}

/// What of the zero makes forces doubtful: that it may be a load, or that it moved.
fn describe_zero(
    prepared: &PreparedRecording,
    own: &ZeroedSide,
    side: &SideEpisode,
    view: &SideView,
    contact: &Range<usize>,
    notes: &mut Vec<Note>,
) {
    let limits = &prepared.settings.plausible;
    let c = prepared.conditioned;
    let within_s = c.grid.time_s(contact.start as f64)..c.grid.time_s(contact.end as f64);
    if let Some(tared) = own.signals.tared.filter(|t| within_s.contains(&t.at_s)) {
        notes.push(Note::ZeroedUnderHand { newtons: tared.newtons, at_s: tared.at_s });
    }
    let middle = contact.start + contact.len() / 2;
    let taken_off = own.signals.force.y.get(middle).zip(own.force_n.get(middle)).map_or(0.0, |(y, f)| y - f);
    if taken_off.abs() > limits.zero_n {
        notes.push(Note::ZeroTakenOff { newtons: taken_off });
    }
    let drift = own.zero.around(&side.contact).and_then(|z| z.drift_n);
    if let Some((newtons, _)) = drift.filter(|(n, sd)| n.abs() > limits.zero_drift_n.max(3.0 * sd)) {
        notes.push(Note::ZeroMoved { newtons });
    }
    let begins_unloaded = own.zero_known && own.zero.known_before(&side.contact);
    if side.cut_off && begins_unloaded {
        notes.extend(ends_off_zero(view, contact).map(|newtons| Note::EndsOffZero { newtons }));
    }
}

/// Force at the end of a contact that did not end though the hand seems to be off: with displacement, when that is back where the
/// contact began; by force alone, when it stays at a small share of the peak and as still as no hand keeps it.
fn ends_off_zero(view: &SideView, contact: &Range<usize>) -> Option<f64> {
    let last = ((LAST_S * view.rate_hz) as usize).min(contact.len() / 4).max(2);
    let tail = contact.end - last..contact.end;
    let force = view.force_n.get(tail.clone())?;
    let (low, high) = extremes(force);
    let newtons = median_in_place(&mut force.to_vec())?;
    let (_, peak) = extremes(view.force_n.get(contact.clone())?);
    let still = high - low <= STILL_N + STILL_SDS * view.noise.sample_sd(view.force_noise_n);
    let off = match view.displacement_mm {
        Some(x) => {
            let (lowest, highest) = extremes(x.get(contact.clone())?);
            let end = median_in_place(&mut x.get(tail)?.to_vec())?;
            end <= x[contact.start] + BACK_MM.max(BACK_SHARE * (highest - lowest))
        }
        None => newtons <= BACK_SHARE * peak,
    };
    (still && off && newtons < 0.5 * peak).then_some(newtons)
}

/// Whether a force does not follow the springs that displacement shows.
fn force_stands_still(view: &SideView, found: &[FoundCycle]) -> bool {
    if view.displacement_mm.is_none() {
        return false;
    }
    let spans = found.iter().filter_map(|f| view.force_n.get(range_of(&f.shape)));
    // The last spring may run into the release.
    let mut ways: Vec<f64> = spans.map(extremes).map(|(low, high)| high - low).collect();
    let limit = STILL_N + STILL_SDS * view.noise.sample_sd(view.force_noise_n);
    median_in_place(&mut ways).is_some_and(|way| way <= limit)
}

/// A note when more work comes back than goes in, beyond its own interval.
fn loss_below_zero(springs: &[Spring], measures: &Measures) -> Option<Note> {
    let ratio = measures.get(Measure::LossRatio)?;
    if ratio.value + ratio.u95().unwrap_or(0.0) >= 0.0 {
        return None;
    }
    // The loop of a pure spring driven as a sine and read with a shift tau has the area pi·k·a²·sin(omega·tau).
    let shift = |s: &Spring| {
        let (a, k) = (0.5 * s.excursion_mm?, s.secant_n_per_mm?);
        let omega = std::f64::consts::TAU / (s.end_s - s.start_s);
        let sine = -s.loss_mj? / (std::f64::consts::PI * k * a * a);
        let shift_s = sine.clamp(0.0, 1.0).asin() / omega;
        (s.counted && s.dropped.is_none() && shift_s.is_finite()).then_some(shift_s)
    };
    let mut shifts: Vec<f64> = springs.iter().filter_map(shift).collect();
    let shift_s = median_in_place(&mut shifts)?;
    Some(Note::LossBelowZero { shift_ms: 1e3 * shift_s })
}

/// A note when the two ways to the end-feel differ by more than their intervals allow, and by more than they do on any tissue that
/// the law knows.
fn end_feels_apart(measures: &Measures) -> Option<Note> {
    let (of_springs, fitted) = (measures.get(Measure::EndFeel)?, measures.get(Measure::FittedEndFeel)?);
    let apart = (fitted.value - of_springs.value).abs();
    let allowed = of_springs.u95()?.hypot(fitted.u95()?).max(APART_SHARE * of_springs.value.abs());
    (apart > allowed).then(|| Note::EndFeelsApart {
        percent: 100.0 * (fitted.value / of_springs.value - 1.0),
    })
}

fn describe_noise(own: &ZeroedSide, moves: bool, notes: &mut Vec<Note>) {
    let x = own.displacement_noise.filter(|_| moves);
    for (of_displacement, noise) in [(false, Some(own.force_noise)), (true, x)] {
        let times = noise.map_or(1.0, |n| n.times_white);
        if times > 1.0 {
            notes.push(Note::NoiseBeyondWhite { of_displacement, times });
        }
    }
}

fn view<'a>(c: &'a Conditioned, own: &'a ZeroedSide, moves: bool) -> SideView<'a> {
    let x = own.signals.displacement.as_ref().filter(|_| moves);
    SideView {
        rate_hz: c.grid.rate_hz(),
        force_n: &own.force_n,
        displacement_mm: x.map(|x| x.y.as_slice()),
        force_noise_n: own.force_noise.sd,
        displacement_noise_mm: own.displacement_noise.filter(|_| moves).map_or(0.0, |n| n.sd),
        force_times_white: own.force_noise.times_white,
        displacement_times_white: own.displacement_noise.map_or(1.0, |n| n.times_white),
        noise: &c.noise,
    }
}

fn sources(c: &Conditioned, own: &ZeroedSide, around: Option<&ZeroAround>) -> Sources {
    let white = (NOISE_DF_PER_SAMPLE * c.grid.len as f64).max(3.0);
    let seen = [own.force_noise.df, own.displacement_noise.and_then(|n| n.df)];
    Sources {
        zero_sd_n: around.map_or(0.0, |z| z.sd_n),
        noise_df: seen.into_iter().flatten().fold(white, f64::min),
    }
}

/// Highest force of all sides together: what a ceiling is set for. A hand whose contact was too short for a test counts too.
fn total_peak_n(prepared: &PreparedRecording, episode: &Episode) -> f64 {
    let begin = episode.sides.iter().map(|s| s.contact.start).min().unwrap_or(0);
    let end = episode.sides.iter().map(|s| s.contact.end).max().unwrap_or(0);
    let short_contact = |z: &ZeroedSide| {
        let limit_n = prepared.settings.detect.contact_floor_n.max(NO_CONTACT_N);
        z.force_n.get(begin..end).is_some_and(|f| f.iter().any(|n| *n > limit_n))
    };
    let sides = prepared.sides.iter().enumerate();
    let on: Vec<&ZeroedSide> = sides
        .filter(|(channel, z)| episode.sides.iter().any(|s| s.channel == *channel) || short_contact(z))
        .map(|(_, z)| z)
        .collect();
    let filtered_n = (begin..end)
        .map(|i| on.iter().filter_map(|z| z.force_n.get(i)).sum::<f64>())
        .fold(0.0, f64::max);
    let rate_hz = prepared.conditioned.grid.rate_hz();
    short_peak(&on, begin..end, rate_hz, filtered_n).map_or(filtered_n, |peak| peak.value_n)
}

fn mean_drive(c: &Conditioned, found: &[FoundCycle]) -> Option<f64> {
    let drive = c.drive_deg.as_ref()?;
    let over: Vec<f64> = found
        .iter()
        .flat_map(|f| range_of(&f.shape))
        .filter_map(|i| drive.get(i))
        .copied()
        .collect();
    (!over.is_empty()).then(|| over.iter().sum::<f64>() / over.len() as f64)
}

fn curve(c: &Conditioned, own: &ZeroedSide, moves: bool, contact: &Range<usize>) -> Curve {
    let every = ((c.grid.rate_hz() / CURVE_HZ).round() as usize).max(1);
    let picked = with_margin(c, contact).step_by(every);
    Curve {
        time_s: picked.clone().map(|i| c.grid.time_s(i as f64) as f32).collect(),
        force_n: picked.clone().map(|i| own.force_n[i] as f32).collect(),
        displacement_mm: own
            .signals
            .displacement
            .as_ref()
            .filter(|_| moves)
            .map_or(Vec::new(), |x| picked.map(|i| x.y[i] as f32).collect()),
    }
}

/// The samples of a contact with some of the open on either side.
fn with_margin(c: &Conditioned, contact: &Range<usize>) -> Range<usize> {
    let margin = c.grid.samples(0.4);
    contact.start.saturating_sub(margin)..(contact.end + margin).min(c.grid.len)
}

/// What [`measure_test`] measures, at every sample; with what lies `around` it too, where more is wanted.
pub fn conditioned_signals(prepared: &PreparedRecording, side: &SideEpisode, around: Option<Range<usize>>) -> ConditionedSignals {
    let (c, settings) = (prepared.conditioned, prepared.settings);
    let own = &prepared.sides[side.channel];
    let still = stands_still(c, side.channel, &side.contact, settings);
    let view = view(c, own, !still);
    let own_samples = with_margin(c, &refine_contact(&view, side, settings));
    let around = around.unwrap_or_else(|| own_samples.clone());
    let samples = own_samples.start.min(around.start)..own_samples.end.max(around.end.min(c.grid.len));
    ConditionedSignals {
        time_s: samples.clone().map(|i| c.grid.time_s(i as f64)).collect(),
        force_n: view.force_n[samples.clone()].to_vec(),
        displacement_mm: view.displacement_mm.map(|x| x[samples].to_vec()),
    }
}

/// Sets one side's force zero from where its hand was off.
pub(super) fn zeroed<'a>(
    c: &Conditioned,
    signals: &'a SideSignals,
    contacts: &[Range<usize>],
) -> ZeroedSide<'a> {
    let mut force_n = signals.force.y.clone();
    let (force_noise, displacement_noise) = noise_of(c, signals, contacts);
    let zero = ForceZero::new(c, signals, force_noise.sd, contacts);
    let zero_known = zero.take_off(&mut force_n);
    ZeroedSide {
        signals,
        force_n,
        zero,
        force_noise,
        displacement_noise,
        zero_known,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::{Measured, UncertaintySource};

    #[test]
    fn end_feels_are_told_apart_beyond_their_intervals_and_a_quarter() {
        let note = |fitted: f64, sd: f64| {
            let mut measures = Measures::default();
            let of = |value: f64| Measured::new(value, [UncertaintySource::ForceNoise.line(sd, 50.0)]);
            measures.set(Measure::EndFeel, of(10.0));
            measures.set(Measure::FittedEndFeel, of(fitted));
            end_feels_apart(&measures)
        };
        let of_percent = |n| matches!(n, Some(Note::EndFeelsApart { percent }) if f64::abs(percent + 30.0) < 1e-9);
        assert!(of_percent(note(7.0, 0.1)));
        assert!(note(13.0, 0.1).is_some());
        // Relaxing tissue, early springs, and numbers that are themselves uncertain.
        assert!(note(8.0, 0.1).is_none() && note(12.0, 0.1).is_none() && note(7.0, 2.0).is_none());
    }

    /// The last quarter of a short contact, still and near nothing, is a hand that is off; on its way down it is not.
    #[test]
    fn a_short_contact_that_ends_still_and_near_nothing_ends_off_zero() {
        let noise = super::super::fit::made::noise(200.0);
        let mut force = vec![0.0; 200];
        for (i, f) in force[100..128].iter_mut().enumerate() {
            *f = 40.0 - 1.3 * i as f64;
        }
        force[128..140].fill(2.0);
        let view = |force_n| SideView {
            rate_hz: 200.0,
            force_n,
            displacement_mm: None,
            force_noise_n: 0.01,
            displacement_noise_mm: 0.0,
            force_times_white: 1.0,
            displacement_times_white: 1.0,
            noise: &noise,
        };
        assert_eq!(ends_off_zero(&view(&force), &(100..140)), Some(2.0));
        assert_eq!(ends_off_zero(&view(&force), &(100..132)), None);
    }
}
