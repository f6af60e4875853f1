//! How large a study must be, as a table, JSON, a figure and a page.

use super::frame::{Page, PageTable, STYLE};
use super::tables::{Cell, Field, Table, codebook_with, field};
use crate::columns::{Column, Kind};
use crate::error::Result;
use crate::format::number;
use crate::planning::{PlanQuestion, PlanRequest, PlannedAnswer, PlannedDesign};
use crate::plot::{Figure, PlannedLine, PlannedPoint, planned};
use crate::write::{OutputFolder, build};
use serde::Serialize;
use serde_json::{Map, Value, json};

const TEMPLATE: &str = include_str!("planning.html");

/// What was asked and what came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanReport {
    pub request: PlanRequest,
    pub answers: Vec<PlannedAnswer>,
    /// The margin that words need, in percent.
    pub margin_percent: Option<f64>,
    pub notes: Vec<String>,
}

impl PlanReport {
    /// The design with the fewest tests that reaches what is wanted.
    pub fn smallest(&self) -> Option<&PlannedAnswer> {
        self.answers.iter().filter(|a| a.reached).min_by_key(|a| a.design.tests())
    }

    /// The paragraph to paste.
    pub fn paragraph(&self) -> String {
        let r = &self.request;
        let what = match r.question.is_width() {
            true => format!("the mean width of the 95 % interval of {}", meaning(r.question)),
            false => format!("the probability that {}", meaning(r.question)),
        };
        let effect = match r.question.is_width() {
            true => String::new(),
            false => format!(" of {} %", short(100.0 * r.effect.exp_m1())),
        };
        let margin = self.margin_percent.map_or(String::new(), |m| format!(" beyond a margin of {} %", short(m)));
        let sd = |v: f64| format!("{} %", number(100.0 * v, 1));
        let s = &r.spreads;
        let found = match self.smallest() {
            Some(a) => format!(
                "{} were the fewest tests looked at that reach {}: {} (Monte Carlo standard error {})",
                design_words(&a.design),
                number(r.wanted, 2),
                a.value.map_or(String::new(), |v| number(v, 2)),
                a.error.map_or(String::new(), |v| number(v, 3)),
            ),
            None => format!("None of the designs looked at reached {}", number(r.wanted, 2)),
        };
        format!(
            "The size of the study was planned by simulating it {} times for each design, with standard deviations of {} \
             between people, {} between places, {} between examiners, {} between sessions, {} between sessions at a place and \
             {} between tests, and putting each through the rules by which it will be analysed: {what}{effect}{margin}. {found}. \
             Computed with tautpoint {}; METHODS.md §15.",
            r.draws,
            sd(s.subject),
            sd(s.place),
            sd(s.examiner),
            sd(s.session),
            sd(s.place_at_session),
            sd(s.trial),
            env!("CARGO_PKG_VERSION"),
        )
    }

    /// One line a design, then the paragraph.
    pub fn summary(&self) -> String {
        let mut text = String::new();
        for a in &self.answers {
            let value = a.value.map_or("no answer".to_owned(), |v| number(v, 3));
            let error = a.error.map_or(String::new(), |e| format!(" (Monte Carlo standard error {})", number(e, 3)));
            let none = a.without_effect.map_or(String::new(), |w| format!("; without any effect {}", number(w, 3)));
            let reached = if a.reached { "; reached" } else { "" };
            text.push_str(&format!("{}: {value}{error}{none}{reached}\n", design_words(&a.design)));
        }
        for note in &self.notes {
            text.push_str(&format!("  {note}\n"));
        }
        text.push_str(&format!("{}\n", self.paragraph()));
        text
    }

    fn table(&self) -> Table {
        let rows: Vec<(PlanRequest, PlannedAnswer)> = self.answers.iter().map(|a| (self.request.clone(), *a)).collect();
        Table::fill("plan-size", fields(), &rows)
    }

    /// The JSON object.
    pub fn object_text(&self) -> String {
        let s = &self.request.spreads;
        let all = json!({
            "designs": self.table().to_json(),
            "spreads": {
                "subject": s.subject, "place": s.place, "examiner": s.examiner, "session": s.session,
                "place_at_session": s.place_at_session, "trial": s.trial,
            },
            "effect": self.request.effect,
            "margin_percent": self.margin_percent,
            "draws": self.request.draws,
            "seed": self.request.seed,
            "paragraph": self.paragraph(),
            "notes": self.notes,
            "version": env!("CARGO_PKG_VERSION"),
            "build": build(),
        });
        format!("{all:#}\n")
    }

    /// The figure: along what was varied most, a line for each of the rest.
    pub fn figure(&self) -> Option<Figure> {
        let count = |of: fn(&PlannedDesign) -> u32| {
            let all: std::collections::BTreeSet<u32> = self.answers.iter().map(|a| of(&a.design)).collect();
            all.len()
        };
        let axes = AXES;
        let along = (0..axes.len()).rev().max_by_key(|i| count(axes[*i].1))?;
        let mut lines: Vec<PlannedLine> = Vec::new();
        for a in &self.answers {
            let (Some(value), Some(error)) = (a.value, a.error) else { continue };
            let others = axes.iter().enumerate().filter(|(i, (_, of))| *i != along && count(*of) > 1);
            let name: Vec<String> = others.map(|(_, (word, of))| format!("{} {word}", of(&a.design))).collect();
            let name = name.join(", ");
            let point = PlannedPoint {
                size: f64::from(axes[along].1(&a.design)),
                value,
                error,
            };
            match lines.iter_mut().find(|l| l.name == name) {
                Some(line) => line.points.push(point),
                None => lines.push(PlannedLine {
                    name,
                    points: vec![point],
                }),
            }
        }
        let value = if self.request.question.is_width() { "width" } else { "probability" };
        planned(&title(self.request.question), axes[along].0, value, self.request.wanted, &lines)
    }

    /// Writes table, JSON, figure and page into a result folder.
    ///
    /// # Errors
    /// When the system will not write, or the page could not be put together.
    pub fn write(&self, folder: &mut OutputFolder) -> Result<()> {
        let table = self.table();
        folder.write("plan-size.json", self.object_text().as_bytes())?;
        folder.write("plan-size.csv", &table.to_csv()?)?;
        folder.write("plan-size.parquet", &table.to_parquet()?)?;
        folder.write("codebook.csv", &codebook_with(&[&table]).to_csv()?)?;
        let figure = self.figure();
        if let Some(figure) = &figure {
            folder.write("figures/plan-size.svg", figure.svg.as_bytes())?;
        }
        folder.write("plan-size.html", self.page(figure)?.as_bytes())
    }

    /// The content of run.json, but for what the output folder adds.
    pub fn record(&self) -> Map<String, Value> {
        let mut record = Map::new();
        record.insert("command".to_owned(), "plan-size".into());
        record.insert("draws".to_owned(), self.request.draws.into());
        record.insert("seed".to_owned(), self.request.seed.into());
        record
    }

    fn page(&self, figure: Option<Figure>) -> Result<String> {
        let text = |v: Option<f64>, decimals| v.map_or(String::new(), |v| number(v, decimals));
        let rows = self.answers.iter().map(|a| {
            vec![
                design_words(&a.design),
                a.design.tests().to_string(),
                text(a.value, 3),
                text(a.error, 3),
                text(a.without_effect, 3),
                a.unanswered.to_string(),
                if a.reached { "yes" } else { "no" }.to_owned(),
            ]
        });
        let value = if self.request.question.is_width() { "width" } else { "probability" };
        let heads = ["design", "tests", value, "Monte Carlo error", "without any effect", "no answer", "reached"];
        let view = PlanView {
            version: env!("CARGO_PKG_VERSION"),
            title: title(self.request.question),
            table: PageTable::of_numbers(format!("{}, wanted {}", title(self.request.question), number(self.request.wanted, 2)), heads, rows),
            figure: figure.map(|f| (f.svg, f.alt)),
            notes: self.notes.clone(),
            paragraph: self.paragraph(),
        };
        let page = Page {
            what: "the page of a planned size",
            templates: &[("planning.html", TEMPLATE)],
            style: STYLE,
            script: None,
        };
        page.render(&view)
    }
}

#[derive(Serialize)]
struct PlanView {
    version: &'static str,
    title: String,
    table: PageTable,
    figure: Option<(String, String)>,
    notes: Vec<String>,
    paragraph: String,
}

/// As many decimals as it needs, three at most, so that a margin of 0.2 % is not 0.
fn short(percent: f64) -> String {
    let all = number(percent, 3);
    all.trim_end_matches('0').trim_end_matches('.').to_owned()
}

type SizeAxis = (&'static str, fn(&PlannedDesign) -> u32);

const AXES: [SizeAxis; 5] = [
    ("volunteers", |d| d.subjects),
    ("trials", |d| d.trials),
    ("examiners", |d| d.examiners),
    ("sessions", |d| d.sessions),
    ("levels", |d| d.levels),
];

fn design_words(d: &PlannedDesign) -> String {
    let all = AXES.iter().map(|(word, of)| format!("{} {}", of(d), if of(d) == 1 { word.trim_end_matches('s') } else { word }));
    all.collect::<Vec<_>>().join(" × ")
}

fn title(question: PlanQuestion) -> String {
    let meaning = meaning(question);
    match question.is_width() {
        true => format!("Width of the interval of {meaning}"),
        false => format!("Probability that {meaning}"),
    }
}

fn meaning(question: PlanQuestion) -> &'static str {
    match question {
        PlanQuestion::Icc => "ICC(A,1)",
        PlanQuestion::Sem => "the standard error of measurement, in percent of it",
        PlanQuestion::Side => "the stiffer side of a level is named",
        PlanQuestion::ChangePlace => "a volunteer's change is named at a level and side",
        PlanQuestion::ChangeVolunteer => "a volunteer's change is named over levels and sides",
        PlanQuestion::ChangeAll => "a change of all volunteers is named",
        PlanQuestion::Group => "a difference between two groups is named",
        PlanQuestion::GroupBySession => "two groups are found to change differently",
    }
}

fn fields() -> Vec<Field<(PlanRequest, PlannedAnswer)>> {
    type Row = (PlanRequest, PlannedAnswer);
    let column = |name: &'static str, kind, meaning: &'static str| Column {
        name: name.into(),
        kind,
        unit: "",
        meaning: meaning.into(),
        section: "15.1",
    };
    let size = |name, meaning, of: fn(&PlannedDesign) -> u32| {
        field(column(name, Kind::Int, meaning), move |(_, a): &Row| Cell::int(of(&a.design)))
    };
    vec![
        field(column("question", Kind::Text, "what the study is to answer"), |(r, _): &Row| {
            Cell::term(Some(r.question))
        }),
        size("subjects", "volunteers", |d| d.subjects),
        size("examiners", "examiners, each of whom tests everybody", |d| d.examiners),
        size("sessions", "sessions of each volunteer", |d| d.sessions),
        size("trials", "tests of a side at a level by an examiner in a session", |d| d.trials),
        size("levels", "levels, each left and right", |d| d.levels),
        field(column("tests", Kind::Int, "tests in all"), |(_, a): &Row| Cell::int(a.design.tests())),
        field(column("value", Kind::Num, "mean width, or probability of the word"), |(_, a): &Row| Cell::num(a.value)),
        field(column("monte_carlo_error", Kind::Num, "standard error that the simulation leaves of value"), |(_, a): &Row| {
            Cell::num(a.error)
        }),
        field(
            column("without_effect", Kind::Num, "probability of the word when there is no effect; missing for a width"),
            |(_, a): &Row| Cell::num(a.without_effect),
        ),
        field(column("unanswered", Kind::Int, "draws in which the design gave no answer"), |(_, a): &Row| {
            Cell::int(a.unanswered)
        }),
        field(column("wanted", Kind::Num, "width or probability that is wanted"), |(r, _): &Row| Cell::num(r.wanted)),
        field(column("reached", Kind::Bool, "whether value reaches it"), |(_, a): &Row| Cell::Bool(a.reached)),
    ]
}
