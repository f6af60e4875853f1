//! The report: one page that stands alone, without script and without any outside request.

pub(super) mod choose;
mod levels;
mod mats;
mod methods;
mod rules;
mod scans;
mod tables;
mod technique;
mod view;
mod words;

use crate::error::Result;
use crate::plot::{Figure, ScanOptions, reference_overlay, scan_overview, test_panels};
use crate::report::frame::{Page, STYLE};
use crate::results::Results;
use crate::terms::TestKey;
use crate::trace::Test;

/// Up to this many tests each gets its figure; above, only those worth a look.
pub const FIGURES_AT_MOST: usize = 60;

/// Up to this many tests are drawn over the reference as well.
const OVERLAYS_AT_MOST: usize = 30;

pub(super) use choose::{UniqueNames, safe_name};
pub(super) use levels::{Context, heading as test_heading};

const TEMPLATE: &str = include_str!("page.html");

/// Which tests get a figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FiguresChoice {
    /// Every test, up to [`FIGURES_AT_MOST`]; beyond, those behind a comparison, a finding or a problem.
    #[default]
    Auto,
    /// Every test, however many.
    All,
    /// No test; scans keep theirs.
    None,
}

/// How the page is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct PageOptions {
    pub figures: FiguresChoice,
}

/// Figures of a report, shared by the page and the folder of figures, and drawn once.
pub struct Drawing {
    options: PageOptions,
    drawn: Vec<Drawn>,
}

impl Drawing {
    /// Draws every figure.
    pub fn of(results: &Results, options: &PageOptions) -> Drawing {
        Drawing {
            options: *options,
            drawn: drawn(results, options),
        }
    }

    /// Names and figures. Each name is made of letters, digits, `_` and `-` only, without ending, unique even where
    /// file names ignore case. Scans come first, then tests in the order of the results.
    pub fn figures(&self) -> impl Iterator<Item = (&str, &Figure)> {
        self.drawn.iter().map(|d| (d.name.as_str(), &d.figure))
    }

    /// The whole page.
    ///
    /// # Errors
    /// As [`page`].
    pub fn page(&self, results: &Results) -> Result<String> {
        let page = Page {
            what: "the report's page",
            templates: &[("page.html", TEMPLATE)],
            style: STYLE,
            script: None,
        };
        page.render(&view::view(results, &self.options, &self.drawn))
    }
}

/// Figures of a report by name; see [`Drawing::figures`].
pub fn figures(results: &Results, options: &PageOptions) -> Vec<(String, Figure)> {
    drawn(results, options)
        .into_iter()
        .map(|d| (d.name, d.figure))
        .collect()
}

/// Indices of the tests whose curves the figures need, in order: those that are drawn, those that share a force axis with
/// them, and, when any is drawn, the reference.
pub fn curves_needed(results: &Results, options: &PageOptions) -> Vec<usize> {
    let drawn = choose::tests(results, options.figures);
    if drawn.is_empty() {
        return drawn;
    }
    let group = |i: &usize| results.tests[*i].about.key();
    let groups: std::collections::HashSet<TestKey> = drawn.iter().map(group).collect();
    let needed = |i: &usize| groups.contains(&group(i)) || results.reference.holds(&results.tests[*i]);
    (0..results.tests.len()).filter(needed).collect()
}

/// What a figure is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Of {
    /// Index of the scan.
    Scan(usize),
    /// Index into the results' tests.
    Test(usize),
    /// The same test over the reference.
    Overlay(usize),
    /// Index into the results' tests on a mat.
    Mat(usize),
}

struct Drawn {
    of: Of,
    name: String,
    figure: Figure,
}

fn drawn(results: &Results, options: &PageOptions) -> Vec<Drawn> {
    let scans = scans::scans(results);
    let mut names = choose::UniqueNames::default();
    let mut all = Vec::new();
    let most = match options.figures {
        FiguresChoice::All => usize::MAX,
        _ => FIGURES_AT_MOST,
    };
    for (i, scan) in scans.iter().enumerate() {
        if all.len() == most {
            break;
        }
        let Some(measure) = scan.main_measure() else {
            continue;
        };
        let options = ScanOptions {
            about: scan.about(),
            measure,
            confidence: results.settings.compare.confidence,
        };
        if let Some(figure) = scan_overview(&scan.comparisons, &options) {
            let name = names.take(&format!("scan-{}", scan.slug()));
            all.push(Drawn {
                of: Of::Scan(i),
                name,
                figure,
            });
        }
    }
    let context = levels::Context::new(results);
    let chosen = choose::tests(results, options.figures);
    let mut overlays = 0;
    for &i in &chosen {
        let test = &results.tests[i];
        if results.hides(test) {
            continue;
        }
        let stem = test.file_stem();
        let name = names.take(&format!("test-{stem}"));
        let figure = test_panels(test, &context.panel_options(test));
        all.push(Drawn {
            of: Of::Test(i),
            name,
            figure,
        });
        if overlays < OVERLAYS_AT_MOST
            && let Some(figure) = overlay(results, test)
        {
            overlays += 1;
            let name = names.take(&format!("reference-{stem}"));
            all.push(Drawn {
                of: Of::Overlay(i),
                name,
                figure,
            });
        }
    }
    all.extend(mats::drawn(results, &chosen, &mut names));
    all
}

/// The figure of one test, as the page draws it; none of one that a blind study hides.
pub fn test_figure(results: &Results, at: usize) -> Option<Figure> {
    let test = results.tests.get(at).filter(|t| !results.hides(t))?;
    Some(test_panels(test, &levels::Context::new(results).panel_options(test)))
}

/// A test over the reference tests that it is held against; none for the reference's own.
fn overlay(results: &Results, test: &Test) -> Option<Figure> {
    let reference = &results.reference;
    if reference.holds(test) {
        return None;
    }
    let (scope, tests) = reference.tests_for(test).ok()?;
    reference_overlay(test, &tests, &scope.word())
}

/// The whole page.
///
/// # Errors
/// [`Error::Refused`] when the page could not be put together; that is a fault of the program.
pub fn page(results: &Results, options: &PageOptions) -> Result<String> {
    Drawing::of(results, options).page(results)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_analysis_still_makes_a_page() {
        let html = page(&Results::default(), &PageOptions::default()).unwrap();
        assert!(html.contains("No level had both sides measured"), "{html}");
    }
}
