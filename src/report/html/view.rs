//! Everything the template prints, already in words.

use super::levels;
use super::methods::{self, Methods, SettingRow};
use super::scans::{self, Scan};
use super::tables;
use super::technique::{self, TechniqueView};
use super::words::{self, Sentences};
use super::{Drawn, FIGURES_AT_MOST, FiguresChoice, Of, PageOptions};
use crate::format;
use crate::error::Severity;
use crate::report::followed::{Followed, FollowedView, followed};
use crate::report::frame::PageTable;
use crate::results::BLINDED;
use crate::report::over::{OverCeilings, Whose};
use crate::results::Results;
use crate::settings::{Ceiling, CeilingOrigin, Settings};
use crate::technique::{TechniqueFinding, TechniqueRule};
use crate::terms::{Level, Side};
use serde::Serialize;

/// Remarks of one kind told one by one; the rest are counted.
const FINDINGS_AT_MOST: usize = 15;
/// Rows of what was left out; the rest stand in exclusions.csv.
const ROWS_AT_MOST: usize = 200;
/// What is looked at first, in this order.
const FIRST: [TechniqueRule; 3] = [
    TechniqueRule::OverCeiling,
    TechniqueRule::SprungBeforeSlackOut,
    TechniqueRule::LevelMissed,
];

#[derive(Debug, Serialize)]
pub struct PageView {
    title: String,
    site: Option<String>,
    ethics_ref: Option<String>,
    version: &'static str,
    counts: String,
    /// What is told of ceilings before anything else.
    over: Vec<String>,
    /// Every push over a ceiling.
    pushes: Option<PageTable>,
    /// That there was none, as far as that can be said.
    none_over: Option<String>,
    /// Whether sides are hidden, and how the settings stand to those registered.
    standing: Vec<String>,
    blinded: bool,
    scans: Vec<ScanView>,
    first: Vec<FindingGroup>,
    other: Vec<FindingGroup>,
    technique: TechniqueView,
    /// Whether any test has a figure.
    panels: bool,
    figures_note: Option<String>,
    left_out: Vec<PageTable>,
    /// First springs that enter no mean: too many and too alike for a row each.
    preconditioning: usize,
    settings: Vec<SettingRow>,
    changed: usize,
    ceilings: Vec<String>,
    methods: Methods,
    comparisons: bool,
    /// Coverage of the intervals of asymmetry (`95 %`).
    coverage: String,
}

#[derive(Debug, Serialize)]
struct ScanView {
    about: String,
    sentences: Sentences,
    overview: Option<String>,
    comparisons: Option<PageTable>,
    levels: Vec<levels::LevelView>,
    compact: Option<PageTable>,
    /// Regions of this scan that a later session looked at again.
    followed: Vec<FollowedView>,
}

#[derive(Debug, Serialize)]
struct FindingGroup {
    heading: String,
    findings: Vec<FindingView>,
    more: usize,
    /// What to try, when all of the group say the same; the page itself says "Next time".
    advice: Option<&'static str>,
}

#[derive(Debug, Serialize)]
struct FindingView {
    place: String,
    /// The recording, or whose scan it is.
    from: String,
    text: String,
    advice: Option<&'static str>,
}

pub fn view(results: &Results, options: &PageOptions, drawn: &[Drawn]) -> PageView {
    let scans = scans::scans(results);
    let panels = drawn.iter().filter(|d| matches!(d.of, Of::Test(_))).count();
    let settings = methods::settings(results);
    let (first, other) = finding_groups(&results.technique);
    let followed = followed(results);
    let ceilings_of_all = OverCeilings::of(results, Whose::All);
    let scan_views = scans
        .iter()
        .enumerate()
        .map(|(i, scan)| scan_view(results, scan, i, drawn, &followed))
        .collect();
    PageView {
        title: results
            .title
            .clone()
            .unwrap_or_else(|| "Manual palpation, measured".to_owned()),
        site: results.site.clone(),
        ethics_ref: results.ethics_ref.clone(),
        version: env!("CARGO_PKG_VERSION"),
        counts: counts(results, &scans),
        over: ceilings_of_all.head(),
        pushes: ceilings_of_all.table(true),
        none_over: ceilings_of_all.none_over(),
        standing: results.standing(),
        blinded: results.blinded,
        scans: scan_views,
        first,
        other,
        technique: technique::technique(results),
        panels: panels > 0,
        figures_note: figures_note(results, options, panels),
        left_out: left_out(results),
        preconditioning: results
            .exclusions
            .iter()
            .filter(|e| e.is_preconditioning())
            .count(),
        changed: settings.iter().filter(|s| s.changed).count(),
        ceilings: ceilings(&results.settings, &settings),
        settings,
        methods: methods::methods(results),
        comparisons: !results.comparisons.is_empty(),
        coverage: format::coverage(results.settings.compare.confidence),
    }
}

fn counts(results: &Results, scans: &[Scan<'_>]) -> String {
    format!(
        "{} in {} from {}",
        format::counted(results.tests.len(), "test"),
        format::counted(scans.len(), "scan"),
        format::counted(results.recordings_read(), "file")
    )
}

fn scan_view(
    results: &Results,
    scan: &Scan<'_>,
    index: usize,
    drawn: &[Drawn],
    followed: &[Followed],
) -> ScanView {
    let few = results.tests.len() <= FIGURES_AT_MOST;
    let overview = drawn
        .iter()
        .find(|d| d.of == Of::Scan(index))
        .map(|d| d.figure.svg.clone());
    ScanView {
        about: sentence_case(&scan.about()),
        sentences: scan
            .main_measure()
            .map(|m| words::sentences(scan, m))
            .unwrap_or_default(),
        overview,
        comparisons: tables::comparisons(scan, results.settings.compare.confidence, results.blinded),
        levels: levels::levels(results, scan, drawn, few),
        followed: followed
            .iter()
            .filter(|f| is_of(scan, f))
            .map(followed_view)
            .collect(),
        compact: (!few && !scan.tests.is_empty()).then(|| tables::compact(results, scan)),
    }
}

/// Whether the region was found in this scan.
fn is_of(scan: &Scan<'_>, followed: &Followed) -> bool {
    scan.key == followed.scan
}

fn followed_view(followed: &Followed) -> FollowedView {
    let who = [
        ("session", &followed.later.session),
        ("examiner", &followed.later.examiner),
    ];
    let who = who
        .into_iter()
        .filter_map(|(word, code)| Some(format!("{word} {}", code.as_ref()?)));
    followed.view(who.collect::<Vec<_>>().join(", "))
}

fn figures_note(results: &Results, options: &PageOptions, panels: usize) -> Option<String> {
    let tests = results.tests.iter().filter(|t| !results.hides(t)).count();
    if tests < results.tests.len() {
        return Some(format!(
            "{BLINDED} Their tests have no figure and no measure here; who, where and how many is told."
        ));
    }
    match options.figures {
        FiguresChoice::None if tests > 0 => Some("Figures of single tests were not asked for.".to_owned()),
        _ if panels == tests => None,
        _ => Some(format!(
            "{panels} of the {tests} tests are drawn here: those over the ceiling, sprung early, behind a named side or \
             an undecided level, or with a remark or a problem, in that order and at most {FIGURES_AT_MOST}. All tests \
             stand in the tables below and in tests.csv."
        )),
    }
}

fn finding_groups(findings: &[TechniqueFinding]) -> (Vec<FindingGroup>, Vec<FindingGroup>) {
    let mut kinds: Vec<TechniqueRule> = FIRST.to_vec();
    for finding in findings {
        if !kinds.contains(&finding.rule) {
            kinds.push(finding.rule);
        }
    }
    let mut groups = Vec::new();
    for kind in kinds {
        let members: Vec<&TechniqueFinding> = findings.iter().filter(|r| r.rule == kind).collect();
        if let Some(lead) = members.first() {
            let same = members.iter().all(|r| r.next_time == lead.next_time);
            let group = FindingGroup {
                heading: sentence_case(&kind.to_string()),
                findings: members
                    .iter()
                    .take(FINDINGS_AT_MOST)
                    .map(|r| finding_view(r, same))
                    .collect(),
                more: members.len().saturating_sub(FINDINGS_AT_MOST),
                advice: same.then_some(lead.next_time),
            };
            groups.push((FIRST.contains(&kind), group));
        }
    }
    let (first, other): (Vec<_>, Vec<_>) = groups.into_iter().partition(|g| g.0);
    let strip = |groups: Vec<(bool, FindingGroup)>| groups.into_iter().map(|g| g.1).collect();
    (strip(first), strip(other))
}

fn sentence_case(words: &str) -> String {
    let mut letters = words.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}

fn finding_view(r: &TechniqueFinding, same_advice: bool) -> FindingView {
    let (level, side) = (r.level.map(Level::label), r.side.map(Side::word));
    let place: Vec<&str> = [level, side].into_iter().flatten().collect();
    let from = match &r.recording {
        Some(recording) => {
            let test = r.test.map_or(String::new(), |t| format!(", test {t}"));
            format!("{recording}{test}")
        }
        None => [
            ("subject", &r.subject),
            ("examiner", &r.examiner),
            ("session", &r.session),
        ]
        .into_iter()
        .filter_map(|(word, code)| Some(format!("{word} {}", code.as_ref()?)))
        .collect::<Vec<_>>()
        .join(", "),
    };
    FindingView {
        place: place.join(" "),
        from,
        text: r.observed.clone(),
        advice: (!same_advice).then_some(r.next_time),
    }
}

/// Exclusions, unusable inputs, warnings and tests without a partner, each as a table.
fn left_out(results: &Results) -> Vec<PageTable> {
    let mut all = Vec::new();
    let option = |v: &Option<u32>| v.map_or(String::new(), |v| v.to_string());
    let told = results.exclusions.iter().filter(|e| !e.is_preconditioning());
    let rows = told.map(|e| {
        vec![
            e.recording.clone(),
            option(&e.test),
            e.side.map_or(String::new(), |s| s.to_string()),
            option(&e.spring),
            e.what.word().to_owned(),
            e.by().to_owned(),
            e.cause.to_string(),
        ]
    });
    let heads = ["recording", "test", "side", "spring", "left out", "by", "reason"];
    all.extend(table("Left out of the analysis", &heads, rows));
    for (severity, caption) in [
        (Severity::Error, "Could not be used"),
        (Severity::Warning, "Used, with a warning"),
    ] {
        let rows = results
            .problems
            .iter()
            .filter(|p| p.severity == severity)
            .map(|p| {
                vec![
                    p.file.clone(),
                    p.line.map_or(String::new(), |l| l.to_string()),
                    p.column.clone().unwrap_or_default(),
                    p.found.clone(),
                    p.expected.clone(),
                    p.advice.clone(),
                ]
            });
        let heads = ["file", "line", "column", "found", "expected", "what to do"];
        all.extend(table(caption, &heads, rows));
    }
    let rows = results.unpaired.iter().map(|u| {
        let key = &u.key;
        let code = |v: &Option<String>| v.clone().unwrap_or_default();
        vec![
            key.level.map_or(String::new(), |l| l.label().to_owned()),
            u.side.to_string(),
            u.trials.to_string(),
            [code(&key.subject), code(&key.examiner), code(&key.session)].join(" "),
            u.reason.clone(),
        ]
    });
    let heads = ["level", "side", "tests", "scan", "reason"];
    all.extend(table("Measured, but not compared: no partner", &heads, rows));
    all
}

fn table(caption: &str, heads: &[&str], rows: impl Iterator<Item = Vec<String>>) -> Option<PageTable> {
    let mut rows: Vec<Vec<String>> = rows.collect();
    let total = rows.len();
    if total == 0 {
        return None;
    }
    rows.truncate(ROWS_AT_MOST);
    let shown = match total > ROWS_AT_MOST {
        true => {
            format!(" (the first {ROWS_AT_MOST} of {total}; the rest stands in the tables beside this page)")
        }
        false => String::new(),
    };
    Some(PageTable::of_text(format!("{caption}{shown}"), heads.iter().copied(), rows))
}

/// Each region's ceiling, whose it is, and where it comes from.
fn ceilings(settings: &Settings, rows: &[SettingRow]) -> Vec<String> {
    let from = |ceiling: &Ceiling| {
        let row = rows.iter().find(|row| row.key == ceiling.key())?;
        Some(match ceiling.origin {
            CeilingOrigin::Lab => row.state.as_str(),
            CeilingOrigin::Shipped => row.source,
        })
    };
    let all = settings.ceilings();
    all.map(|c| format!("{c}; {}", from(&c).unwrap_or_default())).collect()
}
