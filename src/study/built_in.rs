//! The plans that come with the program.
//!
//! Contacts, landmarks, postures and lines of drive are common practice, no source; the order from the foot side up
//! and the levels a broad contact covers are our choice.

use super::anatomy::{LEVELS, Region, rank, region};
use super::plan::{Order, Plan, Step, StepSide};

/// Names of the built-in plans.
pub const NAMES: [&str; 4] = ["prone-thumbs", "prone-broad", "propped-on-elbows", "seated"];

/// Three neighbouring levels under one broad contact, from the foot side up; the middle one names the step.
const BROAD_THORACIC: [[&str; 3]; 4] = [
    ["T10", "T11", "T12"],
    ["T7", "T8", "T9"],
    ["T4", "T5", "T6"],
    ["T1", "T2", "T3"],
];
const BROAD_NECK: [[&str; 3]; 2] = [["C5", "C6", "C7"], ["C2", "C3", "C4"]];

/// A built-in plan by its name.
pub fn built_in(name: &str) -> Option<Plan> {
    let (posture, steps) = match name {
        "prone-thumbs" => ("prone", prone_thumbs()),
        "prone-broad" => ("prone", prone_broad()),
        "propped-on-elbows" => ("propped on elbows", propped()),
        "seated" => ("seated", seated()),
        _ => return None,
    };
    Some(Plan {
        name: name.to_owned(),
        posture: Some(posture.to_owned()),
        order: Order::AsListed,
        seed: None,
        steps,
    })
}

/// Every built-in plan.
pub fn all() -> Vec<Plan> {
    NAMES.iter().filter_map(|name| built_in(name)).collect()
}

/// Line of drive of a region, prone flat: common practice, no source.
fn line_of_drive_deg(level: &str) -> f64 {
    match region(level) {
        Some(Region::Neck) => 45.0,
        Some(Region::Thoracic) => 60.0,
        _ => 90.0,
    }
}

/// Landmark under one hand's contact: common practice, no source.
fn landmark(level: &str) -> &'static str {
    match (level, region(level)) {
        ("SI", _) => "PSIS",
        ("sacral_base", _) => "medial to each PSIS",
        (_, Some(Region::Lumbar)) => "mammillary processes",
        (_, Some(Region::Thoracic)) => "transverse processes",
        _ => "articular pillars",
    }
}

fn step(level: &str, side: StepSide, contact: &str) -> Step {
    Step {
        level: level.to_owned(),
        side,
        contact: Some(contact.to_owned()),
        landmark: Some(landmark(level).to_owned()),
        line_of_drive_deg: Some(line_of_drive_deg(level)),
        covers: Vec::new(),
        trials: 1,
        posture: None,
    }
}

/// A reinforced contact over neighbouring levels; the step is named by the middle one, or the lower of two.
fn broad(covers: &[&str]) -> Step {
    let level = covers.get(covers.len() / 2).copied().unwrap_or_default();
    Step {
        landmark: Some("spinous line, soft part of the hand".to_owned()),
        covers: covers.iter().map(|c| (*c).to_owned()).collect(),
        ..step(level, StepSide::Midline, "reinforced")
    }
}

/// Levels from the foot side up, from one to another.
fn upward(from: &str, to: &str) -> impl Iterator<Item = &'static str> {
    let (from, to) = (rank(from).unwrap_or(0), rank(to).unwrap_or(0));
    LEVELS[to..=from].iter().rev().copied()
}

fn si_and_sacral_base() -> Vec<Step> {
    vec![
        step("SI", StepSide::Both, "thenar"),
        step("sacral_base", StepSide::Both, "thumb"),
    ]
}

fn prone_thumbs() -> Vec<Step> {
    let mut steps = si_and_sacral_base();
    steps.extend(upward("L5", "T1").map(|l| step(l, StepSide::Both, "thumb")));
    steps.extend(upward("C7", "C2").map(|l| step(l, StepSide::Both, "thumb_finger")));
    steps
}

fn broad_lumbar() -> Vec<Step> {
    vec![broad(&["L4", "L5"]), broad(&["L1", "L2", "L3"])]
}

fn prone_broad() -> Vec<Step> {
    let mut steps = broad_lumbar();
    steps.extend(BROAD_THORACIC.iter().map(|c| broad(c)));
    steps.extend(BROAD_NECK.iter().map(|c| broad(c)));
    steps
}

/// SI and neck prone flat, the rest propped with the push toward the feet.
fn propped() -> Vec<Step> {
    // Over 90 degrees is common practice, no source; the ten degrees are our choice.
    const TOWARD_FEET_DEG: f64 = 100.0;
    let flat = |mut step: Step| {
        step.posture = Some("prone".to_owned());
        step
    };
    let mut steps: Vec<Step> = si_and_sacral_base().into_iter().map(flat).collect();
    let broad_steps = broad_lumbar()
        .into_iter()
        .chain(BROAD_THORACIC.iter().map(|c| broad(c)));
    steps.extend(broad_steps.map(|mut step| {
        step.line_of_drive_deg = Some(TOWARD_FEET_DEG);
        step
    }));
    steps.extend(upward("C7", "C2").map(|l| flat(step(l, StepSide::Both, "thumb_finger"))));
    steps
}

/// One hand presses while the other steadies the shoulder, so the sides follow one another.
fn seated() -> Vec<Step> {
    upward("L5", "C2")
        .flat_map(|l| {
            [
                step(l, StepSide::Left, "thumb"),
                step(l, StepSide::Right, "thumb"),
            ]
        })
        .collect()
}
