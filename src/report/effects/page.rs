//! The page: one file, without script and without any outside request.

use super::tables::{reason, unit};
use super::question::{EffectQuestion, shown};
use crate::compare::ComparisonScale;
use crate::effects::{Effect, EffectPart, EffectRule, EffectTerm, EffectWord, Effects, FittedPart, ModelOf};
use crate::error::Result;
use crate::format::number;
use crate::plot::Figure;
use crate::report::frame::{Page, PageTable, STYLE};
use crate::results::Results;
use crate::stats::agreement::clustered::PartState;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

const TEMPLATE: &str = include_str!("effects.html");
/// Rows of a table on the page; the rest stands in estimates.csv.
const MOST_ROWS: usize = 400;

#[derive(Serialize)]
struct EffectsView {
    version: &'static str,
    title: String,
    of_groups: bool,
    standing: Vec<String>,
    tables: Vec<PageTable>,
    figures: Vec<CourseView>,
    notes: Vec<String>,
    margins: String,
    confidence: String,
    rate: String,
    primary: Option<&'static str>,
    /// Random terms that the design could not tell, and those that came out as 0.
    left_out: String,
    at_bound: String,
}

#[derive(Serialize)]
struct CourseView {
    svg: String,
    caption: String,
}

/// The whole page; `drawn` are the figures with their names.
///
/// # Errors
/// When the page could not be put together; that is a fault of the program.
pub fn page(
    effects: &Effects,
    question: EffectQuestion,
    results: &Results,
    drawn: &[(String, Figure)],
) -> Result<String> {
    let page = Page {
        what: "the page of change and groups",
        templates: &[("effects.html", TEMPLATE)],
        style: STYLE,
        script: None,
    };
    page.render(&view(effects, question, results, drawn))
}

fn view(effects: &Effects, question: EffectQuestion, results: &Results, drawn: &[(String, Figure)]) -> EffectsView {
    let settings = &results.settings;
    let measures = shown(effects, settings);
    let tables = EffectTerm::ALL.iter().filter_map(|term| {
        let rows = effects.rows.iter().filter(|r| r.term == *term && measures.contains(&r.measure));
        table(*term, rows.collect())
    });
    let margins: Vec<String> = settings
        .change
        .0
        .iter()
        .filter_map(|(name, margin)| {
            let measure = crate::columns::Measure::ALL.into_iter().find(|m| m.info().name == name)?;
            let unit = match ComparisonScale::of(measure) {
                ComparisonScale::Log => "%",
                ComparisonScale::Plain => measure.info().unit,
            };
            Some(format!("{} {margin} {unit}", measure.info().label))
        })
        .collect();
    EffectsView {
        version: env!("CARGO_PKG_VERSION"),
        title: effects.title.clone().unwrap_or_else(|| "Study".to_owned()),
        of_groups: question == EffectQuestion::Groups,
        standing: effects.doubts.iter().cloned().chain(results.standing()).collect(),
        tables: tables.collect(),
        figures: drawn
            .iter()
            .map(|(_, f)| CourseView {
                svg: f.svg.clone(),
                caption: f.alt.clone(),
            })
            .collect(),
        notes: effects.notes.iter().cloned().chain(results.problems.iter().map(ToString::to_string)).collect(),
        margins: match margins.is_empty() {
            true => "no margin was set".to_owned(),
            false => margins.join("; "),
        },
        confidence: crate::format::coverage(settings.compare.confidence),
        rate: crate::format::coverage(settings.compare.false_discovery_rate),
        primary: crate::effects::primary(settings).map(|m| m.info().label),
        left_out: terms(effects, |p| reason(p.state)),
        at_bound: terms(effects, |p| (p.state == PartState::AtBound).then(String::new)),
    }
}

/// The random terms of each model of which `said` has something to say, with the measures where it is not so in all.
fn terms(effects: &Effects, said: impl Fn(&FittedPart) -> Option<String>) -> String {
    let mut models = Vec::new();
    for model in ModelOf::ALL {
        let own = || effects.parts.iter().filter(|p| p.of == *model);
        let all: BTreeSet<&str> = own().map(|p| p.measure.info().name).collect();
        let mut found = Vec::new();
        for part in EffectPart::ALL {
            let mut by_reason: BTreeMap<String, Vec<&str>> = BTreeMap::new();
            for (p, why) in own().filter(|p| p.part == *part).filter_map(|p| Some((p, said(p)?))) {
                by_reason.entry(why).or_default().push(p.measure.info().label);
            }
            for (why, measures) in by_reason {
                let which = match measures.len() {
                    n if n == all.len() => String::new(),
                    1 | 2 => measures.join(" and "),
                    n => format!("{n} of {} measures", all.len()),
                };
                let inside: Vec<&str> = [why.as_str(), which.as_str()].into_iter().filter(|w| !w.is_empty()).collect();
                found.push(match inside.is_empty() {
                    true => part.label().to_owned(),
                    false => format!("{} ({})", part.label(), inside.join("; ")),
                });
            }
        }
        if !found.is_empty() {
            models.push(format!("in the model {}, {}", model.label(), found.join(", ")));
        }
    }
    models.join("; ")
}

pub(super) fn heading(term: EffectTerm) -> &'static str {
    match term {
        EffectTerm::Place => "Level and side of each volunteer",
        EffectTerm::Volunteer => "Each volunteer, over levels and sides",
        EffectTerm::Shared => "What all volunteers changed by, the examiners' common drift with it",
        EffectTerm::Examiner => "Each examiner's drift beside the others",
        EffectTerm::Learner => "Each learner",
        EffectTerm::Group => "Groups, over sessions",
        EffectTerm::Session => "Sessions, over groups",
        EffectTerm::GroupBySession => "How much more a group changed",
    }
}

fn table(term: EffectTerm, rows: Vec<&Effect>) -> Option<PageTable> {
    if rows.is_empty() {
        return None;
    }
    let groups = matches!(term, EffectTerm::Group | EffectTerm::GroupBySession);
    let mut heads = vec!["whose", "measure", "sessions", "change", "word", "margin", "detectable", "p adjusted", "p", "tests"];
    if groups {
        heads.insert(7, "standardised");
        heads[3] = "difference";
    }
    let cells = rows.iter().take(MOST_ROWS).map(|e| {
        let probability = |p: Option<f64>| p.map_or(String::new(), probability);
        let read = |v: Option<f64>| v.map_or(String::new(), |v| format!("{} {}", number(e.scale().shown(v), decimals(e)), unit(e)));
        let mut row = vec![
            whose(e),
            e.measure.info().label.to_owned(),
            sessions(e),
            change(e),
            e.word.map_or(String::new(), |w| w.word().to_owned()),
            read(e.margin),
            read(e.detectable),
            probability(e.p_adjusted),
            probability(e.p),
            format!("{}, {}", e.tests[0], e.tests[1]),
        ];
        if groups {
            let ends = e.standardised.map_or(String::new(), |[d, low, high]| {
                format!("{} ({} to {})", number(d, 2), number(low, 2), number(high, 2))
            });
            row.insert(7, ends);
        }
        row
    });
    let cut = rows.len().saturating_sub(MOST_ROWS);
    let after = (cut > 0).then(|| format!("{cut} more rows stand in estimates.csv."));
    Some(PageTable::of_numbers(heading(term), heads, cells).followed_by(after.into_iter().collect()))
}

fn probability(p: f64) -> String {
    match p < 0.001 {
        true => "< 0.001".to_owned(),
        false => number(p, 3),
    }
}

fn decimals(e: &Effect) -> usize {
    match e.scale() {
        ComparisonScale::Log => 1,
        ComparisonScale::Plain => e.measure.info().decimals + 1,
    }
}

fn whose(e: &Effect) -> String {
    let place = e.level.map(|l| l.label().to_string());
    let side = e.side.map(|s| s.to_string());
    let groups = e.group.as_ref().zip(e.reference_group.as_ref()).map(|(g, r)| format!("{g} less {r}"));
    let words = [e.subject.clone(), e.examiner.clone(), place, side, e.manner.clone(), groups];
    let words: Vec<String> = words.into_iter().flatten().collect();
    match words.is_empty() {
        true => "all".to_owned(),
        false => words.join(", "),
    }
}

fn sessions(e: &Effect) -> String {
    match (&e.from, &e.to) {
        (Some(from), Some(to)) => format!("{from} to {to}"),
        _ => "all".to_owned(),
    }
}

fn change(e: &Effect) -> String {
    let read = |v: f64| number(e.scale().shown(v), decimals(e));
    let ends = e.interval.map_or(String::new(), |[low, high]| format!(" ({} to {})", read(low), read(high)));
    format!("{}{ends} {}", read(e.estimate), unit(e))
}

/// An estimate as a line of text.
pub(super) fn line(e: &Effect) -> String {
    let word = match (e.word, e.difference_is_told()) {
        (Some(EffectWord::Undecided), _) => "undecided".to_owned(),
        (Some(word), _) => word.word().to_owned(),
        (None, true) => "no word: no margin is set".to_owned(),
        (None, false) if e.rule == EffectRule::PeopleDiffer => "no word: it rests on who tested".to_owned(),
        (None, false) => "no word: its error cannot be told".to_owned(),
    };
    format!(
        "{}, {}, {}: {}; {word}",
        whose(e),
        e.measure.info().label,
        sessions(e),
        change(e)
    )
}
