//! The pages to print: station card and start-of-day list.

use crate::settings::Settings;
use crate::study::anatomy::{Region, label};
use crate::study::cautions::CAUTIONS;
use crate::study::plan::{Plan, Step, StepSide};
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

/// The card that lies at the station: steps, ceilings, cautions.
///
/// # Errors
/// Only if the template itself is broken.
pub fn station_card(title: &str, plan: &Plan) -> Result<String, minijinja::Error> {
    let ceilings = Settings::default().ceiling_n;
    let steps: Vec<Value> = plan
        .ordered()
        .into_iter()
        .enumerate()
        .map(|(i, (_, step))| {
            context! {
                number => i + 1,
                level => levels(step),
                side => if step.side == StepSide::Both { "left, right" } else { step.side.word() },
                contact => step.contact.as_deref().unwrap_or_default().replace('_', " and "),
                landmark => step.landmark.as_deref().unwrap_or_default(),
                line_of_drive_deg => step.line_of_drive_deg.map(|d| d.to_string()).unwrap_or_default(),
                posture => plan.posture_of(step).unwrap_or_default(),
            }
        })
        .collect();
    let regions: Vec<(&str, f64)> = [Region::Neck, Region::Thoracic, Region::Lumbar, Region::Sacral]
        .map(|r| (r.word(), r.ceiling_n(&ceilings)))
        .to_vec();
    render(
        "station-card.html",
        include_str!("station-card.html"),
        context! { title, plan => plan.name.as_str(), steps, regions, cautions => CAUTIONS.to_vec(), style => STYLE },
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
        (Some(first), Some(last)) if first != last => format!("{} to {}", label(first), label(last)),
        _ => label(&step.level).to_owned(),
    }
}

/// Templates named .html escape everything that is put into them.
fn render(name: &str, template: &str, values: Value) -> Result<String, minijinja::Error> {
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    environment.add_template(name, template)?;
    environment.get_template(name)?.render(values)
}
