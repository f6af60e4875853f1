//! The page of `agree`: one file, without script and without any outside request.

use crate::agreement::calls::{AgainstMeasured, CALLED, CallAgreement, MEASURED};
use crate::agreement::correctors::CorrectorPair;
use crate::agreement::{Agreement, Design, MeasureAgreement, Summary, WANTED_PERCENT};
use crate::compare::DECIDED;
use crate::error::{Problem, Result};
use crate::plot::Figure;
use crate::format::number;
use crate::report::frame::{Page, PageTable, STYLE};
use crate::stats::agreement::Interval;
use crate::stats::agreement::clustered::PartState;
use crate::terms::Felt;
use serde::Serialize;

const TEMPLATE: &str = include_str!("agreement.html");

#[derive(Serialize)]
struct AgreementView {
    version: &'static str,
    title: String,
    of_ratings: bool,
    tables: Vec<PageTable>,
    mean_tables: Vec<PageTable>,
    call_tables: Vec<PageTable>,
    corrector_table: Option<PageTable>,
    figures: Vec<FigureView>,
    notes: Vec<String>,
    component_tables: Vec<PageTable>,
    problems: Vec<String>,
}

#[derive(Serialize)]
struct FigureView {
    svg: String,
    caption: String,
}

/// The whole page; `drawn` are the figures with their names.
///
/// # Errors
/// [`Error::Refused`] when the page could not be put together; that is a fault of the program.
pub fn page(agreement: &Agreement, problems: &[Problem], drawn: &[(String, Figure)]) -> Result<String> {
    let page = Page {
        what: "the page of agreement",
        templates: &[("agreement.html", TEMPLATE)],
        style: STYLE,
        script: None,
    };
    page.render(&view(agreement, problems, drawn))
}

fn view(agreement: &Agreement, problems: &[Problem], drawn: &[(String, Figure)]) -> AgreementView {
    let of_ratings = agreement
        .measures
        .iter()
        .any(|m| m.design(Design::Ratings).is_some());
    let designs: &[Design] = if of_ratings {
        &[Design::Ratings]
    } else {
        &[
            Design::BetweenExaminers,
            Design::WithinExaminer,
            Design::BetweenDays,
        ]
    };
    let figures = drawn.iter().map(|(_, f)| FigureView {
        svg: f.svg.clone(),
        caption: f.alt.clone(),
    });
    let mut notes = agreement.notes.clone();
    for (m, s) in all(agreement) {
        notes.extend(
            s.notes
                .iter()
                .map(|n| format!("{} {}: {n}", m.label, s.design.label())),
        );
    }
    if let Some(calls) = &agreement.calls {
        notes.extend(calls.notes.iter().map(ToString::to_string));
    }
    AgreementView {
        version: env!("CARGO_PKG_VERSION"),
        title: agreement.title.clone().unwrap_or_else(|| "Agreement".to_owned()),
        of_ratings,
        tables: designs.iter().map(|d| main_table(agreement, *d)).collect(),
        mean_tables: designs
            .iter()
            .filter_map(|d| trials_table(agreement, *d))
            .collect(),
        call_tables: agreement.calls.as_ref().map_or_else(Vec::new, call_tables),
        corrector_table: corrector_table(&agreement.correctors),
        figures: figures.collect(),
        notes,
        component_tables: designs
            .iter()
            .filter_map(|d| components_table(agreement, *d))
            .collect(),
        problems: problems.iter().map(ToString::to_string).collect(),
    }
}

fn all(agreement: &Agreement) -> impl Iterator<Item = (&MeasureAgreement, &Summary)> {
    agreement
        .measures
        .iter()
        .flat_map(|m| m.designs.iter().map(move |s| (m, s)))
}

fn strings<const N: usize>(words: [&str; N]) -> Vec<String> {
    words.iter().map(|w| (*w).to_owned()).collect()
}

/// A value with its interval; empty when it could not be had.
fn with_ends(interval: Option<Interval>, decimals: usize) -> String {
    let Some(i) = interval else { return String::new() };
    match (i.low, i.high) {
        (Some(low), Some(high)) => format!(
            "{} ({} to {})",
            number(i.value, decimals),
            number(low, decimals),
            number(high, decimals)
        ),
        _ => number(i.value, decimals),
    }
}

/// Measures that have numbers, those that are decided on first; why the others have none stands below.
fn main_table(agreement: &Agreement, design: Design) -> PageTable {
    let decided = |m: &MeasureAgreement| DECIDED.iter().any(|d| d.info().name == m.name);
    let mut found: Vec<_> = all(agreement).filter(|(_, s)| s.design == design).collect();
    found.sort_by_key(|(m, _)| !decided(m));
    let mut reasons: Vec<(&str, Vec<&str>)> = Vec::new();
    for (m, s) in &found {
        let Some(reason) = s.reason.as_deref() else {
            continue;
        };
        match reasons.iter_mut().find(|(r, _)| *r == reason) {
            Some((_, labels)) => labels.push(&m.label),
            None => reasons.push((reason, vec![&m.label])),
        }
    }
    let (what, times) = match design {
        Design::BetweenExaminers => ("places", "examiners"),
        Design::WithinExaminer => ("places", "tests"),
        Design::BetweenDays => ("places", "days"),
        Design::Ratings => ("subjects", "raters"),
    };
    let mut heads = strings([
        "measure",
        "",
        "ICC(1)",
        "ICC(A,1)",
        "ICC(C,1)",
        "SEM, consistency",
        "SEM, agreement",
        "MDC95",
    ]);
    heads[1] = format!("{what} × {times}");
    let after = reasons.into_iter().map(|(reason, labels)| match design {
        Design::Ratings => format!("Empty: {reason}."),
        _ => format!("No numbers, or not all: {reason} ({}).", labels.join(", ")),
    });
    let rows = found.iter().filter_map(|(m, s)| main_row(m, s));
    PageTable::of_numbers(format!("Agreement {}", design.label()), heads, rows).followed_by(after.collect())
}

fn main_row(m: &MeasureAgreement, s: &Summary) -> Option<Vec<String>> {
    let errors = s.sem?;
    let mdc = errors.mdc95_agreement().value;
    let percent = s
        .percent(mdc)
        .map_or(String::new(), |p| format!(" ({} %)", number(p, 0)));
    Some(vec![
        match m.unit.as_str() {
            "" => m.label.clone(),
            unit => format!("{}, {unit}", m.label),
        },
        format!("{} × {}", s.subjects.len(), s.raters.len()),
        with_ends(s.icc.one, 2),
        with_ends(s.icc.agreement, 2),
        with_ends(s.icc.consistency, 2),
        number(errors.consistency.value, m.decimals),
        number(errors.agreement.value, m.decimals),
        format!("{}{percent}", number(mdc, m.decimals)),
    ])
}

/// Trials for a wanted change, for the measures that are decided on.
fn trials_table(agreement: &Agreement, design: Design) -> Option<PageTable> {
    let shown =
        |m: &MeasureAgreement| design == Design::Ratings || DECIDED.iter().any(|d| d.info().name == m.name);
    let rows: Vec<Vec<String>> = all(agreement)
        .filter(|(m, s)| s.design == design && s.sem.is_some() && shown(m))
        .map(|(m, s)| {
            let trials = s
                .trials_for
                .iter()
                .map(|t| t.map_or(String::new(), |t| t.to_string()));
            std::iter::once(m.label.clone()).chain(trials).collect()
        })
        .collect();
    let wanted = WANTED_PERCENT.iter().map(|p| format!("{} %", number(*p, 0)));
    let caption = format!(
        "Trials whose mean has an MDC95 of at most that share of the mean, {}",
        design.label()
    );
    let heads = std::iter::once("measure".to_owned()).chain(wanted);
    (!rows.is_empty()).then(|| PageTable::of_numbers(caption, heads, rows))
}

fn call_tables(calls: &CallAgreement) -> Vec<PageTable> {
    let mut tables = Vec::new();
    let mut rows: Vec<Vec<String>> = Vec::new();
    for p in &calls.pairs {
        let n: f64 = p.table.iter().flatten().sum();
        let mut row = vec![
            format!("{} and {}", p.first, p.second),
            number(n, 0),
            p.unsure.to_string(),
        ];
        match &p.kappas {
            Ok(kappas) => {
                row.extend(kappas.iter().map(|k| with_ends(Some(k.kappa), 2)));
                row.push(String::new());
            }
            Err(reason) => row.extend(["", "", "", reason].map(str::to_owned)),
        }
        rows.push(row);
    }
    if calls.calls > 0 {
        let all = calls.fleiss.as_ref();
        rows.push(vec![
            "all (Fleiss)".to_owned(),
            all.map_or(String::new(), |k| k.subjects.to_string()),
            String::new(),
            with_ends(all.map(|k| k.kappa), 2),
            String::new(),
            String::new(),
            calls.fleiss_reason.clone().unwrap_or_default(),
        ]);
        let heads = ["examiners", "places", "unsure, left out", "plain", "linear", "quadratic", "why empty"];
        tables.push(PageTable::of_numbers("Kappa of the calls: agreement beyond chance", heads, rows));
    }
    if !calls.against.is_empty() {
        tables.push(detected_table(&calls.against));
    }
    tables.extend(
        calls
            .against
            .iter()
            .flat_map(|a| [confusion_table(a), size_table(a)]),
    );
    tables
}

fn corrector_table(pairs: &[CorrectorPair]) -> Option<PageTable> {
    let apart = |value: Option<f64>, decimals| value.map_or_else(String::new, |v| number(v, decimals));
    let row = |p: &CorrectorPair| {
        vec![
            format!("{} and {}", p.first, p.second),
            p.recordings.to_string(),
            p.tests.to_string(),
            format!("{} and {}", p.tests_first_only, p.tests_second_only),
            p.onsets.to_string(),
            match &p.onset_limits {
                Some(limits) => with_ends(Some(limits.bias), 2),
                None => apart(p.onset_bias_mm, 2),
            },
            with_ends(p.onset_limits.as_ref().map(|l| l.lower), 2),
            with_ends(p.onset_limits.as_ref().map(|l| l.upper), 2),
            apart(p.onsets_apart_mm, 2),
            p.springs.to_string(),
            format!("{} and {}", p.springs_first_only, p.springs_second_only),
            apart(p.peaks_apart_s, 3),
        ]
    };
    let heads = [
        "who",
        "recordings",
        "tests by both",
        "by one alone",
        "onsets by both",
        "mean difference, mm",
        "lower limit",
        "upper limit",
        "furthest apart, mm",
        "springs by both",
        "by one alone",
        "peaks furthest apart, s",
    ];
    let rows: Vec<Vec<String>> = pairs.iter().map(row).collect();
    (!rows.is_empty()).then(|| PageTable::of_numbers("The same recordings, put right by several people", heads, rows))
}

fn detected_table(against: &[AgainstMeasured]) -> PageTable {
    let row = |a: &AgainstMeasured| {
        let curve = a.curve.as_ref().ok();
        vec![
            a.examiner.clone(),
            a.detected.len().to_string(),
            match curve {
                Some(c) if c.just_detected.low.is_none() => {
                    format!("{} (no interval: too few subjects)", number(c.just_detected.value, 1))
                }
                // An upper end that the calls do not bound is said, not left out.
                Some(c) if c.just_detected.high.is_none() => {
                    format!("{} (no upper end)", number(c.just_detected.value, 1))
                }
                other => with_ends(other.map(|c| c.just_detected), 1),
            },
            curve.map_or(String::new(), |c| number(100.0 * c.lapse, 0)),
            a.curve.as_ref().err().cloned().unwrap_or_default(),
        ]
    };
    PageTable::of_numbers(
        "Asymmetry whose stiffer side is named half of the time",
        ["examiner", "levels", "just detected, %", "lapses, %", "why empty"],
        against.iter().map(row),
    )
}

fn confusion_table(a: &AgainstMeasured) -> PageTable {
    let row = |(called, counts): (&Felt, &[usize; 4])| {
        let counts = counts.iter().map(ToString::to_string);
        std::iter::once(format!("called {called}")).chain(counts).collect::<Vec<String>>()
    };
    let measured = MEASURED.iter().map(|m| format!("measured {m}"));
    PageTable::of_numbers(
        format!("{}: calls against the measured side, number of levels", a.examiner),
        std::iter::once(String::new()).chain(measured),
        CALLED.iter().zip(&a.confusion).map(row),
    )
}

fn size_table(a: &AgainstMeasured) -> PageTable {
    let row = |s: &crate::agreement::calls::SizeShare| {
        let size = match s.to_percent {
            Some(to) => format!("{} to {} %", number(s.from_percent, 0), number(to, 0)),
            None => format!("{} % and more", number(s.from_percent, 0)),
        };
        vec![
            size,
            s.n.to_string(),
            s.detected.to_string(),
            with_ends(s.share, 2),
        ]
    };
    PageTable::of_numbers(
        format!("{}: how often the stiffer side was named, by size of the measured asymmetry", a.examiner),
        ["asymmetry", "levels", "named", "share"],
        a.by_size.iter().map(row),
    )
}

/// What the variance consists of, in percent, for the measures that are decided on.
fn components_table(agreement: &Agreement, design: Design) -> Option<PageTable> {
    let shown =
        |m: &MeasureAgreement| design == Design::Ratings || DECIDED.iter().any(|d| d.info().name == m.name);
    let rows: Vec<Vec<String>> = all(agreement)
        .filter(|(m, s)| s.design == design && shown(m))
        .flat_map(|(m, s)| s.components.iter().map(move |c| (m, c)))
        .map(|(m, c)| {
            let sd = c.variance.map(|v| v.map(f64::sqrt));
            vec![
                m.label.clone(),
                c.part.label().to_owned(),
                c.levels.to_string(),
                with_ends(sd, m.decimals),
                c.share.map_or(String::new(), |s| number(100.0 * s, 0)),
                match c.state {
                    PartState::Estimated => String::new(),
                    PartState::AtBound => "0: no more than chance".to_owned(),
                    PartState::NotTold(why) => why.to_string(),
                },
            ]
        })
        .collect();
    let caption = format!("What the variance consists of, {}", design.label());
    let heads = ["measure", "part", "levels", "standard deviation", "share, %", "to know"];
    (!rows.is_empty()).then(|| PageTable::of_numbers(caption, heads, rows))
}
