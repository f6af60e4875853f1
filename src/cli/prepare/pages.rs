//! The pages to print: station card and start-of-day list.

use crate::settings::{Ceiling, CeilingOrigin, Settings};
use crate::study::cautions::CAUTIONS;
use crate::study::plan::{Plan, Step};
use crate::terms::{Contact, Landmark, Posture, StepSide};
use minijinja::{Environment, UndefinedBehavior, Value, context};

const STYLE: &str = include_str!("print.css");

/// What is looked at before the first recording of a day; common practice, no source.
const START_OF_DAY: [(&str, &[&str]); 4] = [
    (
        "Supply and sensors",
        &[
            "What touches a person runs from a battery or a medically isolated supply.",
            "Cables whole, nothing pulls on the sensors, the displacement sensor moves freely over its whole way.",
            "Sensors switched on for as long as they need to warm up.",
        ],
    ),
    (
        "Known values",
        &[
            "Unloaded force reads zero and stays there for a minute.",
            "A known weight reads its force; write down both.",
            "A known step of the displacement sensor reads its length; write down both.",
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
            "The supervisor is in the room.",
            "Consent is asked for anew; the reasons not to press are gone through one by one.",
            "Codes are given out; no name is written into any file.",
        ],
    ),
];

/// The card that lies at the station: steps, ceilings by these settings, cautions.
///
/// # Errors
/// Only if the template itself is broken.
pub fn station_card(title: &str, plan: &Plan, settings: &Settings) -> Result<String, minijinja::Error> {
    let steps: Vec<Value> = plan
        .ordered()
        .into_iter()
        .enumerate()
        .map(|(i, (_, step))| {
            context! {
                number => i + 1,
                level => levels(step),
                side => if step.side == StepSide::Both { "left, right" } else { step.side.word() },
                contact => step.contact.map_or(String::new(), Contact::label),
                landmark => step.landmark.as_ref().map_or("", Landmark::as_str),
                line_of_drive_deg => step.line_of_drive.map(|d| d.to_string()).unwrap_or_default(),
                posture => plan.posture_of(step).map_or("", Posture::as_str),
            }
        })
        .collect();
    let one = |c: Ceiling| context! { region => c.region.word(), n => c.newtons, own => c.origin == CeilingOrigin::Lab };
    let ceilings: Vec<Value> = settings.ceilings().map(one).collect();
    render(
        "station-card.html",
        include_str!("station-card.html"),
        context! { title, plan => plan.name.as_str(), steps, ceilings, cautions => CAUTIONS.to_vec(), style => STYLE },
    )
}

/// The list gone through before the first recording of a day.
///
/// # Errors
/// Only if the template itself is broken.
pub fn start_of_day(title: &str) -> Result<String, minijinja::Error> {
    let parts: Vec<(&str, Vec<&str>)> = START_OF_DAY
        .iter()
        .map(|(head, items)| (*head, items.to_vec()))
        .collect();
    render(
        "start-of-day.html",
        include_str!("start-of-day.html"),
        context! { title, parts, style => STYLE },
    )
}

fn levels(step: &Step) -> String {
    match (step.covers.first(), step.covers.last()) {
        (Some(first), Some(last)) if first != last => format!("{} to {}", first.label(), last.label()),
        _ => step.level.label().to_owned(),
    }
}

/// Templates named .html escape everything that is put into them.
fn render(name: &str, template: &str, values: Value) -> Result<String, minijinja::Error> {
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    environment.add_template(name, template)?;
    environment.get_template(name)?.render(values)
}
