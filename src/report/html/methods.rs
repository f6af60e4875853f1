//! The methods paragraph, ready to paste, and the settings it rests on.

use crate::format::counted;
use crate::format;
use crate::agreement::registered::Registration;
use crate::compare::{ComparisonKind, SpreadSource, VarianceRule};
use crate::results::{Excluded, Results};
use crate::settings::Settings;
use crate::trace::Knee;
use serde::Serialize;

/// One setting as it stood in this analysis.
#[derive(Debug, Serialize)]
pub struct SettingRow {
    pub key: &'static str,
    pub value: String,
    pub unit: &'static str,
    pub reason: &'static str,
    pub source: &'static str,
    /// `default`, or where it was changed.
    pub state: String,
    pub changed: bool,
}

/// Every setting that has a value, in the registry's order.
pub fn settings(results: &Results) -> Vec<SettingRow> {
    let departures = results.settings.departures();
    results
        .settings
        .documented()
        .map(|s| {
            let named = results.settings.set_in(s.key);
            let changed = departures.contains(&s.key);
            let state = match (changed, named) {
                (true, Some(place)) => format!("changed in {place}"),
                (true, None) => "changed".to_owned(),
                (false, Some(place)) => format!("the default, set in {place}"),
                (false, None) => "default".to_owned(),
            };
            SettingRow {
                key: s.key,
                value: results.settings.value_of(s.key).unwrap_or_default(),
                unit: s.unit,
                reason: s.reason,
                source: s.source,
                state,
                changed,
            }
        })
        .collect()
}

/// The paragraph, in sentences, and the works it cites.
#[derive(Debug, Serialize)]
pub struct Methods {
    pub paragraph: String,
    pub citations: Vec<&'static str>,
}

/// Says what was done to these traces, with this analysis's numbers.
pub fn methods(results: &Results) -> Methods {
    let s = &results.settings;
    let mut sentences = vec![measured(s), onset(results), stiffness(), uncertainty()];
    sentences.extend(on_a_mat(results));
    sentences.push(compared(results));
    sentences.push(neighbours(results));
    sentences.push(departures(results));
    sentences.push(registered(results));
    sentences.push(blinding(results));
    sentences.push(left_out(results));
    sentences.push(corrected(results));
    sentences.push(definitions());
    let mut citations = vec![
        "Winter 2009. Biomechanics and Motor Control of Human Movement, 4th ed., p. 69.",
        "Golub & Pereyra 1973. SIAM Journal on Numerical Analysis 10:413-432.",
        "Shirley, Ellis & Lee 2002. Manual Therapy 7:22-30.",
        "JCGM 100:2008. Evaluation of measurement data: guide to the expression of uncertainty in measurement.",
    ];
    if !results.comparisons.is_empty() {
        citations.push("Benjamini & Hochberg 1995. Journal of the Royal Statistical Society B 57:289-300.");
        citations.push("Parkinson et al. 2021. Journal of Sports Science and Medicine 20:594-617.");
    }
    if uses_spread(results, SpreadSource::Published) {
        citations
            .push("Owens et al. 2007. Journal of Manipulative and Physiological Therapeutics 30:116-123.");
    }
    Methods {
        paragraph: sentences
            .into_iter()
            .filter(|s| !s.is_empty())
            .collect::<Vec<_>>()
            .join(" "),
        citations,
    }
}

fn measured(s: &Settings) -> String {
    let mut text = format!(
        "Force and displacement against time were analysed with tautpoint {}. Both signals were low-pass filtered \
         (second-order Butterworth, forward and backward, −3 dB of both passes at {} Hz; Winter 2009). A test ran \
         from first touch to leaving; a spring was a local maximum of displacement standing at least {} mm, and {} \
         standard deviations of the noise, above its surroundings within {} s (of force, where displacement was not \
         recorded).",
        env!("CARGO_PKG_VERSION"),
        s.filter.low_pass_hz,
        s.detect.spring_prominence_mm,
        s.detect.spring_sigma,
        s.detect.spring_window_s
    );
    if s.instrument.plinth_compliance_mm_per_n != 0.0 {
        let give = s.instrument.plinth_compliance_mm_per_n;
        text = format!("{text} The give of the support, {give} mm/N, was taken off the displacement.");
    }
    if s.instrument.force_delay_ms != 0.0 {
        let delay = s.instrument.force_delay_ms;
        text = format!("{text} A delay of the force channel of {delay} ms was taken out.");
    }
    text
}

fn onset(results: &Results) -> String {
    let count = |knee: Knee| results.tests.iter().filter(|t| t.knee == knee).count();
    let text = "The onset of pre-tension was the knee of force on displacement, where the lines of take-up and end-feel \
                meet, fitted to all samples of a test at once together with both stiffnesses, the width of the knee, \
                damping and, where the data called for it, relaxation (variable projection; Golub & Pereyra 1973).";
    if results.blinded {
        return text.to_owned();
    }
    let mut counts = vec![format!("found so in {}", counted(count(Knee::Fitted), "test"))];
    if count(Knee::TwoLines) > 0 {
        let n = count(Knee::TwoLines);
        counts.push(format!(
            "by two straight lines on the lean in {n}, where the fit explained the springs poorly"
        ));
    }
    counts.push(format!("absent in {}", count(Knee::None)));
    if count(Knee::NotLooked) > 0 {
        counts.push(format!("not looked for in {}", count(Knee::NotLooked)));
    }
    format!("{text} It was {}.", counts.join(", "))
}

/// What was done where a pressure mat lay under the hands.
fn on_a_mat(results: &Results) -> Option<String> {
    if results.mats.is_empty() {
        return None;
    }
    let m = &results.settings.mat;
    Some(format!(
        "Where a pressure mat lay under the hands, the mean of unloaded frames was taken off cell by cell; connected cells \
         over {} standard deviations of an unloaded cell's reading, and over {} kPa, were followed from frame to frame and \
         taken as the subject's left and right hand by the midline; the force of a hand is the sum over its cells and those within about one \
         centimetre of them of pressure times area. The gain of the mat, the differences between its cells and its creep \
         over the hold are part of the uncertainty.",
        m.threshold_sigma, m.threshold_kpa
    ))
}

fn stiffness() -> String {
    "End-feel stiffness was the least-squares slope of force on displacement over the loading limb of a spring, from \
     20 to 80 % of its excursion and beyond the onset only, averaged over the springs; with three springs or more the \
     first was left out as preconditioning (Shirley et al. 2002). The loss ratio was the loop's area over the loading \
     work, both limbs cut at the same displacement."
        .to_owned()
}

fn uncertainty() -> String {
    "Measures are given with the half-width of their 95 % interval, combined from noise through the known filter, the \
     covariance of the fit, calibration and resolution (JCGM 100:2008); spread between springs is reported apart."
        .to_owned()
}

/// That marks were put right by hand, how many and by how many people.
fn corrected(results: &Results) -> String {
    let used = &results.corrections;
    let n = used.corrections();
    if n == 0 || used.faulty {
        return String::new();
    }
    if used.as_detected {
        return format!("Every mark is the program's; {} made by hand left out on request.", counted(n, "correction"));
    }
    format!(
        "Marks were put right by hand: {} by {}, each with its reason; {} left out or resting on one.",
        counted(n, "correction"),
        match used.people() {
            1 => "one person".to_owned(),
            people => format!("{people} people"),
        },
        counted(used.tests, "test")
    )
}

/// Where every formula behind the paragraph stands.
fn definitions() -> String {
    format!(
        "Every definition, constant and rule stands in METHODS.md of tautpoint {}: METHODS.md §1 conditioning, METHODS.md §2 \
         tests and springs, METHODS.md §3 measures, METHODS.md §4 the fit, METHODS.md §5 uncertainty, METHODS.md §6 comparison, \
         METHODS.md §9 technique.",
        env!("CARGO_PKG_VERSION")
    )
}

fn uses_spread(results: &Results, source: SpreadSource) -> bool {
    results
        .comparisons
        .iter()
        .any(|f| f.spread_source == Some(source))
}

/// How the repeated tests of a scan were put together, for the rules that were used.
fn of_trials(results: &Results) -> String {
    let used = |rule| results.comparisons.iter().any(|f| f.variance_rule == Some(rule));
    let mut text = "the repeated tests, pooled over the levels and sides of a scan".to_owned();
    if used(VarianceRule::Moderated) {
        text.push_str(", moderated by level where levels differed in spread (Bartlett 1937; Smyth 2004)");
    }
    if used(VarianceRule::Raised) {
        text.push_str(", raised to the level's own where that was larger");
    }
    if used(VarianceRule::Own) {
        text.push_str(", the level's own alone where it stood out from the others (F test, 3 %)");
    }
    text
}

fn compared(results: &Results) -> String {
    if results.comparisons.is_empty() {
        return String::new();
    }
    let c = &results.settings.compare;
    let mut sources = Vec::new();
    if uses_spread(results, SpreadSource::Trials) {
        sources.push(of_trials(results));
    }
    if uses_spread(results, SpreadSource::Agreement) {
        sources.push("the laboratory's own repeated tests".to_owned());
    }
    if uses_spread(results, SpreadSource::Published) {
        sources.push(format!(
            "a published standard error of {} % (Owens et al. 2007) where a side had one test",
            c.single_trial_sem_percent
        ));
    }
    let spread = match sources.is_empty() {
        true => String::new(),
        false => format!(" Spread came from {}.", sources.join(" and from ")),
    };
    format!(
        "Left and right were compared as ln(right/left) of the means over tests of the same subject, examiner, session, \
         level, posture, contact and line of drive, given in percent as 200·tanh(d/2) with {} intervals.{spread} A side was named when \
         the difference was significantly beyond {} % (one-sided minimum-effect test, false discovery rate {} over the \
         levels of a scan; Benjamini & Hochberg 1995), called even when its 90 % interval lay within ±{} % and the \
         smallest detectable change (MDC95) did not exceed that threshold, and undecided otherwise; fixed thresholds of \
         this size are common and poorly supported (Parkinson et al. 2021).",
        format::coverage(c.confidence),
        c.threshold_percent,
        c.false_discovery_rate,
        c.threshold_percent
    )
}

fn neighbours(results: &Results) -> String {
    let any = results
        .comparisons
        .iter()
        .any(|f| f.kind == ComparisonKind::Neighbours);
    match any {
        true => "Midline steps were compared in the same way with the median of the steps on either side, same posture, \
                 contact and examiner; since stiffness changes with level by nature, such a finding marks a place to look \
                 again and no more."
            .to_owned(),
        false => String::new(),
    }
}

fn departures(results: &Results) -> String {
    let changed = results.settings.departures();
    if changed.is_empty() {
        return "All settings were the defaults.".to_owned();
    }
    let default = Settings::default();
    let list: Vec<String> = changed
        .iter()
        .map(|key| {
            let now = results.settings.value_of(key).unwrap_or_default();
            match default.value_of(key) {
                Some(was) => format!("{key} = {now} (default {was})"),
                None => format!("{key} = {now} (default: as in all regions)"),
            }
        })
        .collect();
    format!("Departures from the default settings: {}.", list.join("; "))
}

fn registered(results: &Results) -> String {
    let words = results
        .registration
        .as_ref()
        .map(Registration::words)
        .unwrap_or_default();
    match words.split_first() {
        Some((head, [])) => head.clone(),
        Some((head, departures)) => format!("{head} {}.", departures.join("; ")),
        None => String::new(),
    }
}

fn blinding(results: &Results) -> String {
    match (&results.opened, results.blinded) {
        (_, true) => "Measured sides were hidden when this was made.".to_owned(),
        (Some(day), false) => format!("Measured sides were hidden until the study was opened ({day})."),
        (None, false) => String::new(),
    }
}

fn left_out(results: &Results) -> String {
    let mut parts = Vec::new();
    for what in Excluded::ALL {
        let of_kind = results.exclusions.iter().filter(|e| e.what == *what);
        let (person, rule): (Vec<_>, Vec<_>) = of_kind.partition(|e| e.is_by_person());
        let (person, rule) = (person.len(), rule.len());
        if rule + person > 0 {
            let many = if rule + person == 1 { "" } else { "s" };
            parts.push(format!(
                "{} {}{many} ({rule} by rule, {person} by a person)",
                rule + person,
                what.word()
            ));
        }
    }
    let tests = counted(results.tests.len(), "test");
    match parts.is_empty() {
        true => format!("Nothing was left out; {tests} entered the analysis."),
        false => format!("Left out: {}; {tests} entered the analysis.", parts.join(", ")),
    }
}
