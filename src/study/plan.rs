//! Scan plans: the ordered steps of a scan, read from TOML and written back.

use super::toml_doc::{Doc, Section, describe};
use crate::error::Problem;
use crate::terms::{Contact, Landmark, Level, LineOfDrive, Posture, StepSide, closed_terms};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use std::fmt::Write as _;
use toml::de::DeValue;

pub const KEYS: &[&str] = &["name", "title", "posture", "order", "seed", "step"];
pub(super) const STEP_KEYS: &[&str] = &[
    "level",
    "side",
    "contact",
    "landmark",
    "line_of_drive_deg",
    "covers",
    "trials",
    "posture",
];

closed_terms! {
    /// In which order the steps are made.
    #[derive(Default)]
    pub enum Order {
        #[default]
        AsListed = "as listed",
        /// Shuffled by the plan's seed.
        Random = "random",
    }
}

/// One step of a scan.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    pub level: Level,
    pub side: StepSide,
    pub contact: Option<Contact>,
    pub landmark: Option<Landmark>,
    pub line_of_drive: Option<LineOfDrive>,
    /// Levels that one contact covers; empty for the step's own level alone.
    pub covers: Vec<Level>,
    /// How many times the step is made in a row, at least once.
    pub trials: u32,
    /// When it differs from the plan's.
    pub posture: Option<Posture>,
}

impl Step {
    /// The step as a person reads it: `T7 midline`.
    pub fn label(&self) -> String {
        format!("{} {}", self.level.label(), self.side)
    }
}

/// The ordered steps of a scan.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    pub name: String,
    pub posture: Option<Posture>,
    pub order: Order,
    /// Kept with a random order, so that the same order can be made again.
    pub seed: Option<u64>,
    pub steps: Vec<Step>,
}

impl Plan {
    /// Reads the text of a plan. `None` when a fault leaves its meaning open; the problems say why.
    pub fn parse(file: &str, text: &str) -> (Option<Plan>, Vec<Problem>) {
        let doc = Doc::new(file, text);
        let plan = doc.parse().and_then(|table| {
            read(&Section {
                doc: &doc,
                table: &table,
                path: "",
            })
        });
        let problems = doc.into_problems();
        let faulty = super::sidecar::any_error(&problems);
        (plan.filter(|_| !faulty), problems)
    }

    /// The name that the text of a plan gives itself, looked for line by line: a file with a fault has one too.
    pub fn name_in(text: &str) -> Option<String> {
        let value = text.lines().find_map(|line| {
            let value = line.trim().strip_prefix("name")?.trim_start().strip_prefix('=')?;
            let value = value.trim_start().strip_prefix('"')?;
            value.split_once('"').map(|(name, _)| name.trim())
        });
        value.filter(|name| !name.is_empty()).map(str::to_owned)
    }

    /// The plan as TOML, which [`Plan::parse`] reads back to the same plan.
    pub fn to_toml(&self) -> String {
        let mut text = String::new();
        let mut line = |key: &str, value: String| {
            let _ = writeln!(text, "{key} = {value}");
        };
        line("name", quoted(&self.name));
        if let Some(posture) = &self.posture {
            line("posture", quoted(posture.as_str()));
        }
        line("order", quoted(self.order.word()));
        if let Some(seed) = self.seed {
            line("seed", seed.to_string());
        }
        for step in &self.steps {
            text.push_str(&step_toml(step));
        }
        text
    }

    /// The steps in the order in which they are made, each with its position in the list (from 0).
    ///
    /// A random order is a Fisher-Yates shuffle from the last step down, its draws from ChaCha8 seeded with `seed`
    /// (rand_core's `seed_from_u64`): the step at i changes places with the one at ⌊draw·(i + 1)/2⁶⁴⌋. The same
    /// seed gives the same order on every machine.
    ///
    /// Source of the shuffle: Knuth, The Art of Computer Programming 2, 3.4.2, algorithm P.
    pub fn ordered(&self) -> Vec<(usize, &Step)> {
        let mut steps: Vec<(usize, &Step)> = self.steps.iter().enumerate().collect();
        if let (Order::Random, Some(seed)) = (self.order, self.seed) {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            for i in (1..steps.len()).rev() {
                let draw = u128::from(rng.next_u64()) * (i as u128 + 1);
                let j = usize::try_from(draw >> 64).unwrap_or(i);
                steps.swap(i, j);
            }
        }
        steps
    }

    /// The posture of a step.
    pub fn posture_of<'a>(&'a self, step: &'a Step) -> Option<&'a Posture> {
        step.posture.as_ref().or(self.posture.as_ref())
    }
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn step_toml(step: &Step) -> String {
    let mut text = String::from("\n[[step]]\n");
    let mut line = |key: &str, value: String| {
        let _ = writeln!(text, "{key} = {value}");
    };
    line("level", quoted(step.level.word()));
    line("side", quoted(step.side.word()));
    if let Some(contact) = step.contact {
        line("contact", quoted(contact.word()));
    }
    if let Some(landmark) = &step.landmark {
        line("landmark", quoted(landmark.as_str()));
    }
    if let Some(drive) = step.line_of_drive {
        line("line_of_drive_deg", format!("{:?}", drive.degrees()));
    }
    if !step.covers.is_empty() {
        let covers: Vec<String> = step.covers.iter().map(|c| quoted(c.word())).collect();
        line("covers", format!("[{}]", covers.join(", ")));
    }
    if step.trials != 1 {
        line("trials", step.trials.to_string());
    }
    if let Some(posture) = &step.posture {
        line("posture", quoted(posture.as_str()));
    }
    text
}

fn read(top: &Section<'_, '_>) -> Option<Plan> {
    top.warn_unknown(KEYS);
    let name = top.text("name");
    if name.is_none() && top.get("name").is_none() {
        top.doc
            .error(0..0, "name", "no name", "name = \"…\"", "name the plan");
    }
    let order = top.word("order").unwrap_or_default();
    let seed = top.whole("seed", 0, i64::MAX).and_then(|s| u64::try_from(s).ok());
    if order == Order::Random && top.get("seed").is_none() {
        top.doc.error(
            top.get("order").map_or(0..0, toml::Spanned::span),
            "order",
            "a random order without a seed",
            "seed = a whole number, kept so that the order can be made again",
            "add a seed",
        );
    }
    Some(Plan {
        name: name.unwrap_or_default(),
        posture: top.text("posture").and_then(|t| Posture::new(&t)),
        order,
        seed,
        steps: steps(top),
    })
}

fn steps(top: &Section<'_, '_>) -> Vec<Step> {
    let (Some(value), advice) = (top.get("step"), "add a [[step]] with its level and side") else {
        top.doc.error(
            0..0,
            "step",
            "no steps",
            "at least one [[step]]",
            "add a [[step]] with its level and side",
        );
        return Vec::new();
    };
    let DeValue::Array(items) = value.get_ref() else {
        top.doc.error(
            value.span(),
            "step",
            &describe(value.get_ref()),
            "[[step]], in double brackets",
            advice,
        );
        return Vec::new();
    };
    if items.is_empty() {
        top.doc
            .error(value.span(), "step", "no steps", "at least one [[step]]", advice);
    }
    let mut steps = Vec::new();
    for (i, item) in items.iter().enumerate() {
        let path = format!("step {}", i + 1);
        match item.get_ref() {
            DeValue::Table(table) => {
                let section = Section {
                    doc: top.doc,
                    table,
                    path: &path,
                };
                steps.extend(step(&section, item.span()));
            }
            other => top
                .doc
                .error(item.span(), &path, &describe(other), "a table, [[step]]", advice),
        }
    }
    steps
}

fn step(section: &Section<'_, '_>, span: std::ops::Range<usize>) -> Option<Step> {
    section.warn_unknown(STEP_KEYS);
    for key in ["level", "side"] {
        if section.get(key).is_none() {
            let dotted = section.dotted(key);
            section.doc.error(
                span.clone(),
                &dotted,
                "a step without it",
                "a level and a side in every step",
                "add it",
            );
        }
    }
    let (level, side) = (section.word("level"), section.word("side"));
    let (contact, covers) = (section.word("contact"), section.words("covers"));
    let trials = section.whole("trials", 1, 100).unwrap_or(1);
    let step = Step {
        level: level?,
        side: side?,
        contact,
        landmark: section.text("landmark").and_then(|t| Landmark::new(&t)),
        line_of_drive: section.line_of_drive("line_of_drive_deg"),
        covers,
        trials: u32::try_from(trials).unwrap_or(1),
        posture: section.text("posture").and_then(|t| Posture::new(&t)),
    };
    check_step(section, &step, span);
    Some(step)
}

/// What the words alone allow but the hand does not.
fn check_step(section: &Section<'_, '_>, step: &Step, span: std::ops::Range<usize>) {
    let at = |key: &str| section.get(key).map_or(span.clone(), toml::Spanned::span);
    if step.contact == Some(Contact::Reinforced) && step.side != StepSide::Midline {
        section.doc.error(
            at("side"),
            &section.dotted("side"),
            &format!("{} with contact reinforced", step.side),
            "midline: one hand stands on the other over the spinous line",
            "write midline, or another contact",
        );
    }
    if !step.covers.is_empty() && !step.covers.contains(&step.level) {
        let covers: Vec<&str> = step.covers.iter().map(|l| l.word()).collect();
        section.doc.error(
            at("covers"),
            &section.dotted("covers"),
            &format!("{} without {}", covers.join(", "), step.level),
            "the levels covered, the step's own among them",
            "correct the level or the list",
        );
    }
}
