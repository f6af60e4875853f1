//! The pages to print: station card and start-of-day list.

use super::frame::{Page, PageTable};
use crate::error::Result;
use crate::settings::{Ceiling, CeilingOrigin, Settings};
use crate::study::cautions::CAUTIONS;
use crate::study::plan::{Plan, Step};
use crate::terms::{Contact, Landmark, Posture, StepSide};
use serde::Serialize;

const STYLE: &str = include_str!("print.css");

/// What is looked at before the first recording of a day; common practice, no source.
const START_OF_DAY: [(&str, &[&str]); 4] = [
    (
        "Supply and sensors",
        &[
            "What touches a person runs from a battery, off its charger, or a medically isolated supply; no programmer or second cable is plugged in.",
            "Cables whole, nothing pulls on the sensors, the displacement sensor moves freely over its whole way.",
            "Cap, pad, sleeve, cable and stand are clean, without an edge or a crack; the stand holds.",
            "Sensors switched on for as long as they need to warm up.",
        ],
    ),
    (
        "Known values",
        &[
            "Unloaded force reads zero and stays there for a minute.",
            "A known weight reads its force; write down both.",
            "A known step of the displacement sensor reads its length; write down both.",
            "Where the cell has an overload stop: a push on a block is read past the highest ceiling.",
            "With two force sensors: each is pressed alone, and it is the subject's left that moves when the left is pressed.",
        ],
    ),
    (
        "A trial recording",
        &[
            "One press on the model, with at least a second untouched before and after.",
            "tautpoint check on that recording finds no problem.",
            "The ceiling alarm is heard, where there is one.",
        ],
    ),
    (
        "People",
        &[
            "Ceilings in study.toml are this lab's own, and the supervisor knows them.",
            "The supervisor is in the room, and everybody knows: whoever says stop, the hand comes off at once.",
            "Consent is asked for anew; the reasons not to press are gone through one by one.",
            "Codes are given out; no name is written into any file.",
        ],
    ),
];

#[derive(Serialize)]
struct StationCard<'a> {
    title: &'a str,
    plan: &'a str,
    cautions: &'a [&'a str],
    ceilings: Vec<CeilingRow>,
    steps: PageTable,
}

#[derive(Serialize)]
struct CeilingRow {
    region: &'static str,
    newtons: String,
    own: bool,
}

/// The card that lies at the station: steps, ceilings by these settings, cautions.
///
/// # Errors
/// When the page could not be put together; that is a fault of the program.
pub fn station_card(title: &str, plan: &Plan, settings: &Settings) -> Result<String> {
    let heads = ["step", "level", "side", "contact", "landmark", "line of drive, °", "posture"];
    let steps = plan.ordered().into_iter().zip(1..).map(|((_, step), number)| step_row(plan, step, number));
    let ceiling = |c: Ceiling| CeilingRow {
        region: c.region.word(),
        newtons: c.newtons.to_string(),
        own: c.origin == CeilingOrigin::Lab,
    };
    let card = StationCard {
        title,
        plan: &plan.name,
        cautions: &CAUTIONS,
        ceilings: settings.ceilings().map(ceiling).collect(),
        steps: PageTable::of_text("Steps", heads, steps),
    };
    page("the station card", ("station-card.html", include_str!("station-card.html")), &card)
}

fn step_row(plan: &Plan, step: &Step, number: usize) -> Vec<String> {
    let side = if step.side == StepSide::Both { "left, right" } else { step.side.word() };
    vec![
        number.to_string(),
        levels(step),
        side.to_owned(),
        step.contact.map_or(String::new(), Contact::label),
        step.landmark.as_ref().map_or("", Landmark::as_str).to_owned(),
        step.line_of_drive.map(|d| d.to_string()).unwrap_or_default(),
        plan.posture_of(step).map_or("", Posture::as_str).to_owned(),
    ]
}

#[derive(Serialize)]
struct StartOfDay<'a> {
    title: &'a str,
    parts: [(&'static str, &'static [&'static str]); 4],
}

/// The list gone through before the first recording of a day.
///
/// # Errors
/// When the page could not be put together; that is a fault of the program.
pub fn start_of_day(title: &str) -> Result<String> {
    let template = ("start-of-day.html", include_str!("start-of-day.html"));
    let list = StartOfDay {
        title,
        parts: START_OF_DAY,
    };
    page("the start-of-day list", template, &list)
}

/// A table of the page of a station check.
pub struct StationTable {
    pub caption: &'static str,
    pub heads: Vec<&'static str>,
    pub rows: Vec<Vec<String>>,
}

/// What a check of a station found, in words and tables.
pub struct StationPage<'a> {
    /// What it calls itself.
    pub device: &'a str,
    pub date: &'a str,
    pub verdict: &'a str,
    pub remarks: &'a [String],
    /// Sentences below: smallest asymmetry, delay.
    pub also: &'a [String],
    pub tables: Vec<StationTable>,
    /// For study.toml.
    pub block: &'a str,
}

#[derive(Serialize)]
struct StationView<'a> {
    title: &'a str,
    date: &'a str,
    verdict: &'a str,
    remarks: &'a [String],
    also: &'a [String],
    tables: Vec<PageTable>,
    block: &'a str,
}

/// The page of a station check, to print and keep with the station.
///
/// # Errors
/// When the page could not be put together; that is a fault of the program.
pub fn station_page(found: StationPage<'_>) -> Result<String> {
    let tables = found.tables.into_iter();
    let view = StationView {
        title: found.device,
        date: found.date,
        verdict: found.verdict,
        remarks: found.remarks,
        also: found.also,
        tables: tables.map(|t| PageTable::of_text(t.caption, t.heads, t.rows)).collect(),
        block: found.block,
    };
    page("the station's page", ("station.html", include_str!("station.html")), &view)
}

fn levels(step: &Step) -> String {
    match (step.covers.first(), step.covers.last()) {
        (Some(first), Some(last)) if first != last => format!("{} to {}", first.label(), last.label()),
        _ => step.level.label().to_owned(),
    }
}

fn page(what: &str, template: (&str, &str), view: &impl Serialize) -> Result<String> {
    Page {
        what,
        templates: &[template],
        style: STYLE,
        script: None,
    }
    .render(view)
}
