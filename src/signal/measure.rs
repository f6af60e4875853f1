//! One side of one episode to a [`Test`]: phases, springs, the onset, and every measure with its interval.

use super::condition::{Conditioned, SideSignals};
use super::episodes::{Episode, SideEpisode};
use super::feet::{median, read_peak};
use super::onset::{OnsetFinding, find_onset};
use super::springs::{Noisy, Shape, SideView, SpringMeasures, measure_spring, shape, slope_between};
use super::uncertainty::{Budget, Sources, mean_over_springs, single};
use super::zero::{ForceZero, ZeroAround};
use crate::columns::Measure;
use crate::settings::Settings;
use crate::trace::{About, Curve, Measured, Measures, Phases, Spring, Test};
use std::ops::Range;

/// Preload is the median force over this long before the first loading limb.
const PRELOAD_S: f64 = 0.3;
/// The loading limb starts this long before the passage of 5 % that marks the foot.
const LIMB_LEAD_S: f64 = 0.05;
/// The hold begins where this share of the lean is done.
const HELD_SHARE: f64 = 0.95;
/// Shortest hold whose steadiness is reported, in s.
const SHORTEST_HOLD_S: f64 = 0.3;
/// Samples a second kept for drawing.
const CURVE_HZ: f64 = 100.0;
/// Efficiency of the noise estimate: its degrees of freedom a sample.
const NOISE_DF_SHARE: f64 = 0.35;
/// With one displacement for both sides, a spring that lifts this side's force by less than this share of the
/// other's is the other side's alone.
const ALONE_SHARE: f64 = 0.15;

/// One side of a trace, zeroed: what tests are measured on.
pub struct ZeroedSide<'a> {
    pub signals: &'a SideSignals,
    pub force_n: Vec<f64>,
    pub zero: ForceZero,
    pub zero_known: bool,
}

/// One spring before it is measured.
struct Found {
    shape: Shape,
    dropped: Option<String>,
    /// The other hand's spring over a shared displacement: no stiffness from it.
    alone: bool,
}

/// Measures one side of an episode. `number` is the episode's, from 1; `window_n` the loads of the window
/// stiffness.
pub fn measure_test(
    c: &Conditioned,
    zeroed: &[ZeroedSide],
    episode: &Episode,
    side: &SideEpisode,
    number: u32,
    about: About,
    window_n: [f64; 2],
    settings: &Settings,
) -> Test {
    let own = &zeroed[side.channel];
    let view = view(c, own);
    let contact = refine_contact(&view, &side.contact, settings);
    let around = own.zero.around(&side.contact);
    let sources = sources(c, around.as_ref());
    let mut notes = c.notes.clone();
    describe_contact(own, side, c, &mut notes);
    let found = find_springs(c, zeroed, side, &contact, &view, settings);
    let lean_end = lean_end(&view, &contact, &found);
    let ranges: Vec<Range<usize>> = found
        .iter()
        .filter(|f| f.dropped.is_none())
        .map(|f| range_of(&f.shape))
        .collect();
    let onset = match view.displacement_mm {
        Some(_) => find_onset(&view, &contact, lean_end, &ranges, &sources),
        None => OnsetFinding::not_looked(),
    };
    notes.extend(onset.notes.iter().cloned());
    if view.displacement_mm.is_none() {
        notes.push(
            "force only: no displacement was recorded, so nothing that needs it is reported".to_owned(),
        );
    } else if own.signals.displacement_shared {
        notes.push("shared displacement: one displacement serves both sides, taken to move alike".to_owned());
    }
    let onset_mm = onset.onset.as_ref().map(|m| m.estimate.value);
    let measured: Vec<SpringMeasures> = found
        .iter()
        .map(|f| measure_spring(&view, f.shape, onset_mm))
        .collect();
    let springs = number_springs(c, &found, &measured);
    describe_springs(&springs, &mut notes);
    let kept: Vec<&SpringMeasures> = springs
        .iter()
        .zip(&measured)
        .filter(|(s, _)| s.counted && s.dropped.is_none())
        .map(|(_, m)| m)
        .collect();
    let mut measures = Measures::default();
    let job = Job {
        view,
        contact: contact.clone(),
        lean_end,
        sources,
        onset: &onset,
    };
    job.springs(&kept, &springs, &mut measures);
    job.force(own, &measured, &springs, &mut measures, &mut notes);
    job.take_up(&measured, window_n, &mut measures);
    job.zero(around, &mut measures);
    let hold = job.hold(&measured, &mut measures);
    let time = |i: usize| c.grid.time_s(i as f64);
    Test {
        recording: String::new(),
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
        total_peak_n: total_peak_n(zeroed, episode),
        drive_deg: mean_drive(c, &found),
        notes,
        curve: curve(c, own, &contact),
    }
}

fn view<'a>(c: &'a Conditioned, own: &'a ZeroedSide) -> SideView<'a> {
    let x = own.signals.displacement.as_ref();
    SideView {
        rate_hz: c.grid.rate_hz(),
        force_n: &own.force_n,
        displacement_mm: x.map(|x| x.y.as_slice()),
        force_noise_n: own.signals.force.noise_sd,
        displacement_noise_mm: x.map_or(0.0, |x| x.noise_sd),
        noise: &c.noise,
    }
}

fn sources(c: &Conditioned, around: Option<&ZeroAround>) -> Sources {
    Sources {
        zero_sd_n: around.map_or(0.0, |z| z.sd_n),
        noise_df: (NOISE_DF_SHARE * c.grid.len as f64).max(3.0),
    }
}

/// Moves the detector's contact to where the zero-phase, zeroed force passes the contact limit.
fn refine_contact(view: &SideView, contact: &Range<usize>, settings: &Settings) -> Range<usize> {
    let f = view.force_n;
    let top = contact
        .clone()
        .filter_map(|i| f.get(i))
        .copied()
        .fold(0.0, f64::max);
    let floor = settings.detect.contact_floor_n.min(0.05 * top);
    let limit = (settings.detect.contact_sigma * view.noise.sample_sd(view.force_noise_n)).max(floor);
    let reach = ((0.25 * view.rate_hz) as usize).max(2);
    let mut begin = contact.start;
    if f[begin] >= limit {
        while begin > contact.start.saturating_sub(reach) && begin > 0 && f[begin - 1] >= limit {
            begin -= 1;
        }
    } else {
        begin = (begin..(begin + reach).min(contact.end))
            .find(|i| f[*i] >= limit)
            .unwrap_or(begin);
    }
    let last = contact.end.saturating_sub(1).min(f.len() - 1);
    let mut end = last;
    if f[last] >= limit {
        while end + 1 < f.len() && end < last + reach && f[end + 1] >= limit {
            end += 1;
        }
    } else {
        end = (last.saturating_sub(reach).max(begin)..=last)
            .rev()
            .find(|i| f[*i] >= limit)
            .unwrap_or(last);
    }
    begin..(end + 1).max(begin + 1)
}

fn describe_contact(own: &ZeroedSide, side: &SideEpisode, c: &Conditioned, notes: &mut Vec<String>) {
    if !own.zero_known {
        notes.push(
            "no zero: the hand was never off for 0.2 s, so forces count from the sensor's own zero"
                .to_owned(),
        );
    } else if !own.zero.known_before(&side.contact) {
        notes.push(
            "no zero: less than 0.2 s before the touch, so the zero is taken from after the release"
                .to_owned(),
        );
    }
    if side.contact.start == 0 {
        notes.push("begins loaded: the recording starts with the hand on".to_owned());
    }
    if side.cut_off {
        notes.push("cut off: the recording ends with the hand on".to_owned());
    }
    let saturated: f64 = overlapping(&own.signals.saturated, &side.contact)
        .map(|r| r.len() as f64 * c.grid.step_s)
        .sum();
    if saturated > 0.0 {
        notes.push(format!(
            "saturated: the load cell stood at its limit for {saturated:.2} s; its flat top is no peak and is not measured as one"
        ));
    }
}

fn overlapping<'a>(
    ranges: &'a [Range<usize>],
    within: &'a Range<usize>,
) -> impl Iterator<Item = &'a Range<usize>> {
    ranges
        .iter()
        .filter(move |r| r.start < within.end && within.start < r.end)
}

fn find_springs(
    c: &Conditioned,
    zeroed: &[ZeroedSide],
    side: &SideEpisode,
    contact: &Range<usize>,
    view: &SideView,
    settings: &Settings,
) -> Vec<Found> {
    let own = &zeroed[side.channel];
    let y = view.displacement_mm.unwrap_or(view.force_n);
    let top = contact.clone().map(|i| y[i]).fold(f64::NEG_INFINITY, f64::max);
    let bottom = contact.clone().map(|i| y[i]).fold(f64::INFINITY, f64::min);
    let least = match view.displacement_mm {
        Some(_) => (0.5 * settings.detect.spring_prominence_mm).min(0.04 * (top - bottom)),
        None => 0.05 * (top - bottom),
    };
    let peaks: Vec<usize> = side.springs.iter().map(|s| s.peak).collect();
    let mut found: Vec<Found> = Vec::new();
    for (k, mark) in peaks.iter().enumerate() {
        let from = if k == 0 { contact.start } else { peaks[k - 1] };
        let to = peaks.get(k + 1).copied().unwrap_or(contact.end.min(y.len()) - 1);
        let Some(shape) = shape(view, *mark, from..to.max(mark + 1), least) else {
            continue;
        };
        let span = range_of(&shape);
        let gaps = own
            .signals
            .force
            .gaps
            .iter()
            .chain(own.signals.displacement.iter().flat_map(|x| &x.gaps));
        let dropped = if gaps.into_iter().any(|g| g.start < span.end && span.start < g.end) {
            Some("a gap of over 50 ms lies inside it".to_owned())
        } else if overlapping(&own.signals.saturated, &span).next().is_some() {
            Some("the load cell stood at its limit: a flat top is no peak".to_owned())
        } else {
            None
        };
        let alone = own.signals.displacement_shared && other_side_alone(zeroed, side.channel, &span, c, view);
        found.push(Found {
            shape,
            dropped,
            alone,
        });
    }
    found.retain(|f| !f.alone);
    found
}

/// Whether this side's force hardly follows a spring of the shared displacement that the other side's does.
fn other_side_alone(
    zeroed: &[ZeroedSide],
    own: usize,
    span: &Range<usize>,
    c: &Conditioned,
    view: &SideView,
) -> bool {
    let lift = |f: &[f64]| {
        let part = &f[span.start..span.end.min(f.len())];
        part.iter().copied().fold(f64::NEG_INFINITY, f64::max) - part.first().copied().unwrap_or(0.0)
    };
    let mine = lift(&zeroed[own].force_n);
    let others = zeroed
        .iter()
        .enumerate()
        .filter(|(i, _)| *i != own)
        .map(|(_, z)| lift(&z.force_n));
    let largest = others.fold(0.0, f64::max);
    mine < (ALONE_SHARE * largest).max(6.0 * c.noise.sample_sd(view.force_noise_n))
}

fn range_of(shape: &Shape) -> Range<usize> {
    let start = shape.before.at.floor().max(0.0) as usize;
    start..shape.after.map_or(shape.peak.index, |a| a.at.ceil() as usize) + 1
}

/// End of the lean: start of the first spring, or the peak when nothing was held.
fn lean_end(view: &SideView, contact: &Range<usize>, found: &[Found]) -> usize {
    if let Some(first) = found.first() {
        let lead = (LIMB_LEAD_S * view.rate_hz) as usize;
        return (first.shape.before.at as usize)
            .saturating_sub(lead)
            .max(contact.start);
    }
    let y = view.displacement_mm.unwrap_or(view.force_n);
    read_peak(y, contact.start, contact.end, view.rate_hz).map_or(contact.start, |p| p.index)
}

fn number_springs(c: &Conditioned, found: &[Found], measured: &[SpringMeasures]) -> Vec<Spring> {
    let whole = found.iter().filter(|f| f.dropped.is_none()).count();
    let with_displacement = measured.iter().any(|m| m.excursion.is_some());
    let value = |n: &Option<Noisy>| n.map(|n| n.value);
    let mut first = true;
    found
        .iter()
        .zip(measured)
        .enumerate()
        .map(|(k, (f, m))| {
            let counted = f.dropped.is_none() && !(first && whole >= 3);
            first = first && f.dropped.is_some();
            let s = &m.shape;
            let end = s.after.map_or(s.peak.at, |a| a.at);
            Spring {
                number: k as u32 + 1,
                start_s: c.grid.time_s(s.before.at),
                peak_s: c.grid.time_s(s.peak.at),
                end_s: c.grid.time_s(end),
                counted,
                preload_n: Some(m.preload.value),
                peak_n: m.peak_force.value,
                start_mm: with_displacement.then_some(s.before.level),
                peak_mm: with_displacement.then_some(s.peak.value),
                end_mm: s.after.filter(|_| with_displacement).map(|a| a.level),
                excursion_mm: value(&m.excursion),
                end_feel_n_per_mm: value(&m.end_feel),
                secant_n_per_mm: value(&m.secant),
                loading_work_mj: value(&m.loading_work),
                loss_mj: value(&m.loss),
                loss_ratio: value(&m.loss_ratio),
                recoil_ratio: value(&m.recoil_ratio),
                time_to_peak_s: value(&m.time_to_peak),
                loading_rate_n_per_s: m.loading_rate_n_per_s,
                dropped: f.dropped.clone(),
            }
        })
        .collect()
}

fn describe_springs(springs: &[Spring], notes: &mut Vec<String>) {
    if springs.is_empty() {
        notes.push("no springs: the hand pressed and left without springing".to_owned());
    }
    for s in springs {
        if let Some(reason) = &s.dropped {
            notes.push(format!("spring {} dropped: {reason}", s.number));
        }
    }
}

/// What the groups of measures below share.
struct Job<'a> {
    view: SideView<'a>,
    contact: Range<usize>,
    lean_end: usize,
    sources: Sources,
    onset: &'a OnsetFinding,
}

impl Job<'_> {
    /// Means over the counted springs.
    fn springs(&self, kept: &[&SpringMeasures], springs: &[Spring], out: &mut Measures) {
        let mut mean = |measure: Measure, part: &dyn Fn(&SpringMeasures) -> Option<Noisy>| {
            let parts: Vec<Noisy> = kept.iter().filter_map(|m| part(m)).collect();
            if let Some(m) = mean_over_springs(&parts, &self.sources) {
                out.set(measure, m);
            }
        };
        mean(Measure::SpringPeak, &|m| Some(m.peak_force));
        mean(Measure::Excursion, &|m| m.excursion);
        mean(Measure::EndFeel, &|m| m.end_feel);
        mean(Measure::Secant, &|m| m.secant);
        mean(Measure::Loss, &|m| m.loss);
        mean(Measure::LossRatio, &|m| m.loss_ratio);
        mean(Measure::RecoilRatio, &|m| m.recoil_ratio);
        mean(Measure::TimeToPeak, &|m| m.time_to_peak);
        let peaks: Vec<f64> = springs.iter().map(|s| s.peak_s).collect();
        if let (Some(first), Some(last), true) = (peaks.first(), peaks.last(), peaks.len() > 1) {
            let (n, span) = ((peaks.len() - 1) as f64, last - first);
            let sd = kept.first().map_or(0.0, |m| m.peak_time_sd_s) * 2.0_f64.sqrt();
            let rate = n / span;
            let budget = Budget::new().add(
                "noise of the peaks' times",
                rate * sd / span,
                Some(self.sources.noise_df),
            );
            out.set(Measure::SpringRate, budget.into_measured(rate, None));
        }
    }

    /// Peak and preload.
    fn force(
        &self,
        own: &ZeroedSide,
        measured: &[SpringMeasures],
        springs: &[Spring],
        out: &mut Measures,
        notes: &mut Vec<String>,
    ) {
        let v = &self.view;
        let one = v.noise.sample_sd(v.force_noise_n);
        let saturated = overlapping(&own.signals.saturated, &self.contact)
            .next()
            .is_some();
        if !saturated && let Some(p) = read_peak(v.force_n, self.contact.start, self.contact.end, v.rate_hz) {
            out.set(
                Measure::Peak,
                single(
                    Noisy {
                        value: p.value,
                        from_force: one,
                        from_displacement: 0.0,
                        per_zero_n: 1.0,
                    },
                    &self.sources,
                ),
            );
        }
        if saturated && springs.iter().all(|s| s.dropped.is_some()) && !springs.is_empty() {
            notes.push("nothing left: every spring touches the load cell's limit".to_owned());
        }
        if let Some(preload) = self.preload(measured) {
            out.set(Measure::Preload, single(preload, &self.sources));
        }
    }

    /// Median force over the last 0.3 s before the first loading limb.
    fn preload(&self, measured: &[SpringMeasures]) -> Option<Noisy> {
        measured.first()?;
        let v = &self.view;
        let from = self
            .lean_end
            .saturating_sub((PRELOAD_S * v.rate_hz) as usize)
            .max(self.contact.start);
        let mut part = v.force_n.get(from..=self.lean_end)?.to_vec();
        let sd = v.noise.median_sd(v.force_noise_n, part.len());
        Some(Noisy {
            value: median(&mut part),
            from_force: sd,
            from_displacement: 0.0,
            per_zero_n: 1.0,
        })
    }

    /// Onset, take-up and what is read off the way in.
    fn take_up(&self, measured: &[SpringMeasures], window_n: [f64; 2], out: &mut Measures) {
        let o = self.onset;
        for (measure, value) in [
            (Measure::Onset, &o.onset),
            (Measure::OnsetForce, &o.onset_force),
            (Measure::TakeUp, &o.take_up),
            (Measure::FittedEndFeel, &o.fitted_end_feel),
            (Measure::Damping, &o.damping),
        ] {
            if let Some(m) = value {
                out.set(measure, m.clone());
            }
        }
        let Some(x) = self.view.displacement_mm else {
            return;
        };
        let touch = self.crossing(x, self.view.force_n[self.contact.start]);
        if let (Some(onset), Some(touch)) = (&o.onset, touch) {
            out.set(Measure::OnsetTravel, self.travel(onset, touch));
        }
        if let (Some(touch), Some(at30)) = (touch, self.crossing(x, 30.0)) {
            let noise = touch.from_displacement.hypot(at30.from_displacement);
            let force = touch.from_force.hypot(at30.from_force);
            let part = Noisy {
                value: at30.value - touch.value,
                from_force: force,
                from_displacement: noise,
                per_zero_n: at30.per_zero_n - touch.per_zero_n,
            };
            out.set(Measure::DisplacementAt30N, single(part, &self.sources));
        }
        if let Some(k) = self.window(x, measured, window_n) {
            out.set(Measure::Window, single(k, &self.sources));
        }
    }

    fn travel(&self, onset: &Measured, touch: Noisy) -> Measured {
        let mut budget = Budget::new();
        for line in &onset.budget {
            budget = budget.add(line.source, line.standard_uncertainty, line.degrees_of_freedom);
        }
        let df = Some(self.sources.noise_df);
        budget
            .add("force noise at first contact", touch.from_force, df)
            .add("displacement noise at first contact", touch.from_displacement, df)
            .add(
                "force zero at first contact",
                (touch.per_zero_n * self.sources.zero_sd_n).abs(),
                df,
            )
            .into_measured(onset.estimate.value - touch.value, None)
    }

    /// Displacement at the first crossing of a force on the lean.
    fn crossing(&self, x: &[f64], force_n: f64) -> Option<Noisy> {
        let (v, f) = (&self.view, self.view.force_n);
        let i = (self.contact.start..=self.lean_end).find(|i| f[*i] >= force_n)?;
        let (mm, slope) = if i == 0 || f[i] <= f[i - 1] {
            (x[i], f64::INFINITY)
        } else {
            let share = (force_n - f[i - 1]) / (f[i] - f[i - 1]);
            // Stiffness there, from a stretch wide against noise.
            let k = ((0.05 * v.rate_hz) as usize).max(1);
            let (a, b) = (i.saturating_sub(k), (i + k).min(f.len() - 1));
            let stiffness = (f[b] - f[a]) / (x[b] - x[a]);
            (
                x[i - 1] + share.clamp(0.0, 1.0) * (x[i] - x[i - 1]),
                if stiffness > 0.0 { stiffness } else { f64::INFINITY },
            )
        };
        Some(Noisy {
            value: mm,
            from_force: v.noise.sample_sd(v.force_noise_n) / slope,
            from_displacement: v.noise.sample_sd(v.displacement_noise_mm),
            per_zero_n: -1.0 / slope,
        })
    }

    /// Slope between two fixed loads on the way in: the first counted spring's loading limb where it covers both,
    /// else the lean and that limb together.
    fn window(&self, x: &[f64], measured: &[SpringMeasures], [low, high]: [f64; 2]) -> Option<Noisy> {
        let v = &self.view;
        let f = v.force_n;
        for m in measured {
            let start = m.shape.before.at as usize;
            let limb = start..m.shape.peak.index;
            let end = limb.clone().find(|i| f[*i] > high)?;
            if f[start] <= low {
                return slope_between(v, f, x, limb.start..end + 1, f, low, high);
            }
        }
        let first = measured.first()?;
        if f[self.contact.start] > low {
            return None;
        }
        slope_between(v, f, x, self.contact.start..first.shape.peak.index, f, low, high)
    }

    fn zero(&self, around: Option<ZeroAround>, out: &mut Measures) {
        if let Some((drift, sd)) = around.and_then(|z| z.drift_n) {
            let budget = Budget::new().add("force noise", sd, Some(self.sources.noise_df));
            out.set(Measure::ZeroDrift, budget.into_measured(drift, None));
        }
    }

    /// Steadiness over the hold before the first spring; gives the hold.
    fn hold(&self, measured: &[SpringMeasures], out: &mut Measures) -> Option<Range<usize>> {
        let first = measured.first()?;
        let v = &self.view;
        let (y, base) = match v.displacement_mm {
            Some(x) => (x, x[self.contact.start]),
            None => (v.force_n, 0.0),
        };
        let mark = base + HELD_SHARE * (first.shape.before.level - base);
        let begin = (self.contact.start..self.lean_end).find(|i| y[*i] >= mark)?;
        if ((self.lean_end - begin) as f64) < SHORTEST_HOLD_S * v.rate_hz {
            return None;
        }
        out.set(
            Measure::Steadiness,
            steadiness(v, begin..self.lean_end, self.sources.noise_df),
        );
        Some(begin..self.lean_end)
    }
}

/// Standard deviation of force over the hold, its linear trend and the sensor's own noise taken out.
///
/// # Formula
/// √max(0, s² − σ_f²) with σ_f the filtered noise; u(s²) = √(4 s_t² σ_f² + 2σ_f⁴)/√n', n' = independent samples.
fn steadiness(v: &SideView, hold: Range<usize>, noise_df: f64) -> Measured {
    let f = &v.force_n[hold];
    let n = f.len() as f64;
    let (mt, mf) = ((n - 1.0) / 2.0, f.iter().sum::<f64>() / n);
    let stt = n * (n * n - 1.0) / 12.0;
    let trend = f
        .iter()
        .enumerate()
        .map(|(i, f)| (i as f64 - mt) * (f - mf))
        .sum::<f64>()
        / stt;
    let rss: f64 = f
        .iter()
        .enumerate()
        .map(|(i, f)| (f - mf - trend * (i as f64 - mt)).powi(2))
        .sum();
    let noise2 = v.noise.sample_sd(v.force_noise_n).powi(2);
    let seen2 = rss / (n - 2.0).max(1.0);
    let true2 = (seen2 - noise2).max(0.0);
    let independent = (n * v.noise.independent_share()).max(2.0);
    let u2 = ((4.0 * true2 * noise2 + 2.0 * noise2 * noise2) / independent).sqrt();
    let sd = true2.sqrt();
    // Near zero the root is not linear: u(s) from the interval of s² instead.
    let u = if sd > 0.0 { u2 / (2.0 * sd) } else { u2.sqrt() };
    Budget::new()
        .add("force noise", u.min(u2.sqrt()), Some(noise_df))
        .into_measured(sd, None)
}

/// Highest force of all sides together: what a ceiling is set for.
fn total_peak_n(zeroed: &[ZeroedSide], episode: &Episode) -> f64 {
    let begin = episode.sides.iter().map(|s| s.contact.start).min().unwrap_or(0);
    let end = episode.sides.iter().map(|s| s.contact.end).max().unwrap_or(0);
    let on: Vec<&ZeroedSide> = episode.sides.iter().map(|s| &zeroed[s.channel]).collect();
    (begin..end)
        .map(|i| on.iter().filter_map(|z| z.force_n.get(i)).sum::<f64>())
        .fold(0.0, f64::max)
}

fn mean_drive(c: &Conditioned, found: &[Found]) -> Option<f64> {
    let drive = c.drive_deg.as_ref()?;
    let over: Vec<f64> = found
        .iter()
        .flat_map(|f| range_of(&f.shape))
        .filter_map(|i| drive.get(i))
        .copied()
        .collect();
    (!over.is_empty()).then(|| over.iter().sum::<f64>() / over.len() as f64)
}

fn curve(c: &Conditioned, own: &ZeroedSide, contact: &Range<usize>) -> Curve {
    let margin = c.grid.samples(0.4);
    let (from, to) = (
        contact.start.saturating_sub(margin),
        (contact.end + margin).min(own.force_n.len()),
    );
    let every = ((c.grid.rate_hz() / CURVE_HZ).round() as usize).max(1);
    let picked = (from..to).step_by(every);
    Curve {
        time_s: picked.clone().map(|i| c.grid.time_s(i as f64) as f32).collect(),
        force_n: picked.clone().map(|i| own.force_n[i] as f32).collect(),
        displacement_mm: own
            .signals
            .displacement
            .as_ref()
            .map_or(Vec::new(), |x| picked.map(|i| x.y[i] as f32).collect()),
    }
}

/// Sets one side's force zero from where its hand was off.
pub(super) fn zeroed<'a>(
    c: &Conditioned,
    signals: &'a SideSignals,
    contacts: &[Range<usize>],
) -> ZeroedSide<'a> {
    let mut force_n = signals.force.y.clone();
    let zero = ForceZero::new(c, &force_n, signals.force.noise_sd, contacts);
    let zero_known = zero.take_off(&mut force_n);
    ZeroedSide {
        signals,
        force_n,
        zero,
        zero_known,
    }
}
