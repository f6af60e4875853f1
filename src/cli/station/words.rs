//! What was found of a station, in words and tables.

use crate::instrument::Instrument;
use crate::live::sign::PushDirection;
use crate::report::station::StationTable;
use crate::session::station_findings::{ChannelFinding, StationFindings, TRIALS, told};
use std::fmt::Write as _;

/// Sentences on rate, asymmetry and delay.
pub(super) fn also(found: &StationFindings, spring: Option<&Result<Instrument, String>>) -> Vec<String> {
    let mut all = vec![format!(
        "{:.2} samples a second, {:.1} µs of jitter; {} lost and {} damaged in {:.0} s.",
        found.rate_hz, found.jitter_us, found.counts.lost, found.counts.bad, found.seconds
    )];
    if let Some(percent) = found.smallest_asymmetry_percent() {
        all.push(format!(
            "With this noise alone, {TRIALS} trials a side tell a difference in end-feel of {percent:.2} % from none; what hands \
             and people add comes on top."
        ));
    }
    match spring {
        Some(Ok(i)) => all.push(format!(
            "Force is {:.2} ms behind displacement (± {:.2}, {} springs); a loop of {:.1} % stays.",
            i.force_delay_ms,
            i.force_delay_u95_ms().unwrap_or(f64::NAN),
            i.springs,
            100.0 * i.loop_ratio
        )),
        Some(Err(why)) => all.push(format!("The delay between the channels is not known: {why}")),
        None => {}
    }
    all
}

fn way(c: &ChannelFinding) -> &'static str {
    match c.sign.map(|s| s.direction) {
        Some(PushDirection::Up) => "up when pushed",
        Some(PushDirection::Down) => "down when pushed",
        Some(PushDirection::Unknown) => "no push seen",
        None => "",
    }
}

/// Counts are whole numbers, and their noise is a few of them.
pub(super) fn decimals(unit: &str, otherwise: usize) -> usize {
    if unit == "counts" { 1 } else { otherwise }
}

fn number(c: &ChannelFinding, value: f64, otherwise: usize) -> String {
    match value.is_finite() {
        true => told(value, decimals(&c.unit, otherwise)),
        false => "not known".to_owned(),
    }
}

fn rest(c: &ChannelFinding) -> String {
    match c.rest.is_finite() {
        true => format!("{} {}", number(c, c.rest, 3), c.unit),
        false => "no value".to_owned(),
    }
}

fn ripple(c: &ChannelFinding) -> String {
    c.mains.map_or_else(
        || "none seen".to_owned(),
        |m| format!("{} at {} Hz", number(c, m.amplitude, 4), m.hz),
    )
}

fn drift(c: &ChannelFinding) -> String {
    c.drift_per_min.map_or_else(
        || "not known".to_owned(),
        |d| format!("{} a minute", number(c, d, 3)),
    )
}

pub(super) fn of_channel(c: &ChannelFinding) -> String {
    let mut words = format!(
        "{}: rests at {}, noise {} a sample and {} after the low pass, steps of {}, drift {}, mains {}",
        c.heading,
        rest(c),
        number(c, c.noise, 4),
        number(c, c.filtered, 4),
        number(c, c.step, 4),
        drift(c),
        ripple(c)
    );
    if c.sign.is_some() {
        let _ = write!(words, ", {}", way(c));
    }
    words
}

pub(super) fn tables(found: &StationFindings) -> Vec<StationTable> {
    let channels = found.channels.iter().map(|c| {
        vec![
            c.heading.clone(),
            rest(c),
            number(c, c.noise, 4),
            number(c, c.filtered, 4),
            number(c, c.step, 4),
            drift(c),
            ripple(c),
            way(c).to_owned(),
        ]
    });
    let heads = vec![
        "channel",
        "at rest",
        "noise",
        "after low pass",
        "step",
        "drift",
        "mains",
        "counts",
    ];
    let costs = found.costs.iter().map(|cost| {
        let info = cost.measure.info();
        vec![
            info.name.to_owned(),
            format!("{:.3}", cost.value),
            format!("{:.4}", cost.u95),
            format!("{:.2}", cost.smallest_difference_percent(TRIALS)),
        ]
    });
    vec![
        StationTable {
            caption: "Channels",
            heads,
            rows: channels.collect(),
        },
        StationTable {
            caption: "What this noise costs, by simulated presses",
            heads: vec![
                "measure",
                "of a plain press",
                "95 % interval, ±",
                "smallest difference, %",
            ],
            rows: costs.collect(),
        },
    ]
}
