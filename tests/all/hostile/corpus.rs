//! Everything that a fuzz target ever found, by the target's own body; and a few hundred inputs beside, made from it by damage of the
//! kinds that files suffer, the same each time.

#[path = "../../fuzz/bodies.rs"]
mod bodies;

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use std::path::Path;

/// Damaged inputs of each target.
const DAMAGED: usize = 150;

fn inputs(target: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/fuzz/corpus")
        .join(target);
    let mut files = bodies::corpus(&folder);
    assert!(!files.is_empty(), "{} is empty", folder.display());
    if target == "recording" {
        files.extend(bodies::corpus(&super::corpus()));
    }
    files.iter().map(|f| std::fs::read(f).unwrap()).collect()
}

/// Bytes changed, cut, doubled, moved, or a number made one that is hard to bear.
fn damaged(bytes: &[u8], random: &mut StdRng) -> Vec<u8> {
    const HARD: [&str; 12] = [
        "0",
        "-1",
        "1e-320",
        "1e308",
        "-1e308",
        "9223372036854775808",
        "nan",
        "inf",
        "",
        "1,5",
        "\u{1b}[2J",
        "é",
    ];
    let mut bytes = bytes.to_vec();
    for _ in 0..random.random_range(1..=3) {
        if bytes.is_empty() {
            break;
        }
        let at = random.random_range(0..bytes.len());
        match random.random_range(0..5) {
            0 => bytes[at] ^= 1 << random.random_range(0..8),
            1 => bytes.truncate(at),
            2 => {
                let end = (at + random.random_range(1..200)).min(bytes.len());
                let piece = bytes[at..end].to_vec();
                bytes.splice(at..at, piece);
            }
            3 => {
                let end = (at + random.random_range(1..200)).min(bytes.len());
                bytes.drain(at..end);
            }
            _ => {
                let digit = |b: &u8| b.is_ascii_digit() || matches!(*b, b'.' | b'-');
                let start = bytes[at..].iter().position(digit).map_or(at, |p| at + p);
                let end = bytes[start..]
                    .iter()
                    .position(|b| !digit(b))
                    .map_or(bytes.len(), |p| start + p);
                let hard = HARD[random.random_range(0..HARD.len())];
                bytes.splice(start..end, hard.bytes());
            }
        }
    }
    bytes
}

fn replay(target: &str) {
    let (_, body) = bodies::TARGETS.iter().find(|t| t.0 == target).unwrap();
    let inputs = inputs(target);
    inputs.iter().for_each(|bytes| body(bytes));
    let mut random = StdRng::seed_from_u64(14);
    for i in 0..DAMAGED {
        let bytes = damaged(&inputs[i % inputs.len()], &mut random);
        if let Err(fault) = std::panic::catch_unwind(|| body(&bytes)) {
            let kept = std::env::temp_dir().join(format!("{target}-{i}"));
            std::fs::write(&kept, &bytes).unwrap();
            println!("this input is kept as {}", kept.display());
            std::panic::resume_unwind(fault);
        }
    }
}

#[test]
fn recordings_with_their_sidecars() {
    replay("recording");
}

#[test]
fn every_text_file_of_a_study() {
    replay("texts");
}

#[test]
fn traces_of_any_values() {
    replay("values");
}

#[test]
fn what_a_run_keeps() {
    replay("records");
}
