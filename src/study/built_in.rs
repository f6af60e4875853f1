//! The plans that come with the program.
//!
//! Contacts, landmarks, postures and lines of drive are common practice, no source; the order from the foot side up
//! and the levels a broad contact covers are our choice.

use super::plan::{Order, Plan, Step};
use super::usual::UsualContact;
use crate::terms::{Contact, Landmark, Level, LineOfDrive, Posture, StepSide};

/// Names of the built-in plans.
pub const NAMES: [&str; 7] = [
    "prone-thumbs",
    "prone-broad",
    "propped-on-elbows",
    "seated",
    "class-lumbar",
    "class-thoracic",
    "class-neck",
];

/// Three neighbouring levels under one broad contact, from the foot side up; the middle one names the step.
const BROAD_THORACIC: [[Level; 3]; 4] = [
    [Level::T10, Level::T11, Level::T12],
    [Level::T7, Level::T8, Level::T9],
    [Level::T4, Level::T5, Level::T6],
    [Level::T1, Level::T2, Level::T3],
];
const BROAD_NECK: [[Level; 3]; 2] = [
    [Level::C5, Level::C6, Level::C7],
    [Level::C2, Level::C3, Level::C4],
];

/// A built-in plan by its name.
pub fn built_in(name: &str) -> Option<Plan> {
    let (posture, steps) = match name {
        "prone-thumbs" => ("prone", prone_thumbs()),
        "prone-broad" => ("prone", prone_broad()),
        "propped-on-elbows" => ("propped on elbows", propped()),
        "seated" => ("seated", seated()),
        "class-lumbar" => ("prone", both_sides(Level::L5, Level::L1)),
        "class-thoracic" => ("prone", both_sides(Level::T10, Level::T6)),
        "class-neck" => ("prone", both_sides(Level::C7, Level::C3)),
        _ => return None,
    };
    Some(Plan {
        name: name.to_owned(),
        posture: Posture::new(posture),
        order: Order::AsListed,
        seed: None,
        steps,
    })
}

/// Every built-in plan.
pub fn all() -> Vec<Plan> {
    NAMES.iter().filter_map(|name| built_in(name)).collect()
}

fn step(level: Level, side: StepSide) -> Step {
    let usual = UsualContact::at(level);
    Step {
        level,
        side,
        contact: Some(usual.contact),
        landmark: Some(usual.landmark),
        line_of_drive: Some(usual.line_of_drive),
        covers: Vec::new(),
        trials: 1,
        posture: None,
    }
}

/// By the thumb alone, in the neck too.
fn thumb(level: Level, side: StepSide) -> Step {
    Step {
        contact: Some(Contact::Thumb),
        ..step(level, side)
    }
}

/// A reinforced contact over neighbouring levels; the step is named by the middle one, or the lower of two.
fn broad<const N: usize>(covers: &[Level; N]) -> Step {
    Step {
        contact: Some(Contact::Reinforced),
        landmark: Some(Landmark::known("spinous line, soft part of the hand")),
        covers: covers.to_vec(),
        ..step(covers[N / 2], StepSide::Midline)
    }
}

/// Levels from the foot side up, from one to another.
fn upward(from: Level, to: Level) -> impl Iterator<Item = Level> {
    Level::ALL[to.rank()..=from.rank()].iter().rev().copied()
}

fn si_and_sacral_base() -> Vec<Step> {
    [Level::Si, Level::SacralBase]
        .map(|l| step(l, StepSide::Both))
        .to_vec()
}

fn prone_thumbs() -> Vec<Step> {
    let mut steps = si_and_sacral_base();
    steps.extend(upward(Level::L5, Level::C2).map(|l| step(l, StepSide::Both)));
    steps
}

fn broad_lumbar() -> Vec<Step> {
    vec![
        broad(&[Level::L4, Level::L5]),
        broad(&[Level::L1, Level::L2, Level::L3]),
    ]
}

fn prone_broad() -> Vec<Step> {
    let mut steps = broad_lumbar();
    steps.extend(BROAD_THORACIC.iter().map(broad));
    steps.extend(BROAD_NECK.iter().map(broad));
    steps
}

/// SI and neck prone flat, the rest propped with the push toward the feet.
fn propped() -> Vec<Step> {
    // Over 90 degrees is common practice, no source; the ten degrees are our choice.
    const TOWARD_FEET: LineOfDrive = LineOfDrive::whole(100);
    let flat = |mut step: Step| {
        step.posture = Some(Posture::known("prone"));
        step
    };
    let mut steps: Vec<Step> = si_and_sacral_base().into_iter().map(flat).collect();
    let broad_steps = broad_lumbar()
        .into_iter()
        .chain(BROAD_THORACIC.iter().map(broad));
    steps.extend(broad_steps.map(|mut step| {
        step.line_of_drive = Some(TOWARD_FEET);
        step
    }));
    steps.extend(upward(Level::C7, Level::C2).map(|l| flat(step(l, StepSide::Both))));
    steps
}

/// Five levels, left and right: ten presses with one sensor, which is what a class has time for.
fn both_sides(from: Level, to: Level) -> Vec<Step> {
    upward(from, to).map(|level| step(level, StepSide::Both)).collect()
}

/// One hand presses while the other steadies the shoulder, so the sides follow one another.
fn seated() -> Vec<Step> {
    upward(Level::L5, Level::C2)
        .flat_map(|l| [StepSide::Left, StepSide::Right].map(|side| thumb(l, side)))
        .collect()
}
