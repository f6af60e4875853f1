//! A whole scan by plan, with calls, from the virtual device to the analysis.

use super::bench::{kept, study};
use super::program::Running;
use std::path::Path;
use std::process::Command;
use tautpoint::acquire::virtual_device::{Transmission, parse_port_name};
use tautpoint::acquire::wire::{Decoder, Message};

const PORT: &str = "sim:seed=7,speed=4,levels=L3+L4,once";
const PLAN: &str = "name = \"short\"\nposture = \"prone\"\n\
    [[step]]\nlevel = \"L3\"\nside = \"both\"\ncontact = \"thumb\"\n\
    [[step]]\nlevel = \"L4\"\nside = \"both\"\ncontact = \"thumb\"\n";

/// Everything that the virtual device sends, decoded by the wire's own decoder: µs, N, mm.
fn sent() -> Vec<(u32, f64, f64)> {
    let spec = parse_port_name(PORT).unwrap().unwrap();
    let mut transmission = Transmission::new(&spec).unwrap();
    let mut decoder = Decoder::default();
    let mut sent = Vec::new();
    let mut bytes = transmission.hello();
    let mut elapsed_s = 0.0;
    while !transmission.ended() {
        elapsed_s += 0.1;
        bytes.extend(transmission.until(elapsed_s));
        decoder.push(&bytes, |heard| {
            if let Message::Sample { time_us, values } = heard {
                sent.push((time_us, values[0], values[1]));
            }
        });
        bytes.clear();
    }
    sent
}

fn rows(text: &str) -> Vec<(f64, f64, f64)> {
    let number = |cell: &str| cell.parse().unwrap();
    text.lines()
        .skip(1)
        .map(|l| match l.split(',').collect::<Vec<_>>()[..] {
            [t, n, mm] => (number(t), number(n), number(mm)),
            _ => panic!("{l}"),
        })
        .collect()
}

/// Every row of a recording is what was sent, in one piece, bit for bit.
fn position(rows: &[(f64, f64, f64)], sent: &[(u32, f64, f64)]) -> usize {
    let same =
        |row: &(f64, f64, f64), s: &(u32, f64, f64)| (row.1 - s.1).abs() < 5e-7 && (row.2 - s.2).abs() < 5e-7;
    let begins = |i: usize| rows.iter().take(50).zip(&sent[i..]).all(|(r, s)| same(r, s));
    let at = (0..sent.len())
        .find(|i| begins(*i))
        .expect("the recording is nowhere in what was sent");
    assert!(at + rows.len() <= sent.len());
    for (row, s) in rows.iter().zip(&sent[at..]) {
        let time_s = f64::from(s.0.wrapping_sub(sent[at].0)) / 1e6;
        assert!(same(row, s) && (row.0 - time_s).abs() < 1e-6, "{row:?} {s:?}");
    }
    at
}

/// Springs by another way than the detector's: maxima of the displacement, smoothed over 21 ms, that stand 1.2 mm over
/// what lies 0.4 s before and after. The simulated springs have some 3 mm.
fn springs(rows: &[(f64, f64, f64)]) -> usize {
    let x: Vec<f64> = rows
        .windows(21)
        .map(|w| w.iter().map(|r| r.2).sum::<f64>() / w.len() as f64)
        .collect();
    let is_top = |i: usize| {
        let around = &x[i - 400..=i + 400];
        let low = |part: &[f64]| part.iter().copied().fold(f64::INFINITY, f64::min);
        around.iter().all(|v| *v <= x[i])
            && x[i] - low(&around[..400]) > 1.2
            && x[i] - low(&around[401..]) > 1.2
    };
    let tops: Vec<usize> = (400..x.len() - 400).filter(|i| is_top(*i)).collect();
    // Equal neighbours are one top.
    tops.chunk_by(|a, b| b - a < 50).count()
}

fn analyze(root: &Path) -> serde_json::Value {
    let output = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .args(["analyze", "--json"])
        .arg(root)
        .output()
        .unwrap();
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn a_scan_by_plan_is_kept_as_it_was_sent_called_level_by_level_and_analysed_with_its_springs() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    std::fs::create_dir(root.join("plans")).unwrap();
    std::fs::write(root.join("plans/short.toml"), PLAN).unwrap();
    let mut running = Running::start(
        &root,
        &[
            "--port",
            PORT,
            "--subject",
            "V-07",
            "--examiner",
            "L-12",
            "--session",
            "s1",
            "--plan",
            "short",
            "--calls",
        ],
    );
    for (level, call) in [("L3", "left"), ("L4", "2")] {
        for side in ["left", "right"] {
            running.until(&format!("{level} {side}: a test was seen"));
            running.say("next");
        }
        running.until(&format!("which side of {level} felt more resistant"));
        running.say(call);
    }
    running.until("nothing is missing");
    let (code, said) = running.end();
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("step 1/4: L3 left, contact thumb, prone"), "{said}");

    let kept = kept(&root);
    let sent = sent();
    let mut positions = Vec::new();
    for side in ["L3_left", "L3_right", "L4_left", "L4_right"] {
        let name = format!("recordings/s1/V-07_L-12_{side}_1.csv");
        let rows = rows(&kept[&name].0);
        positions.push((position(&rows, &sent), rows.len()));
        let counted = springs(&rows);
        let results = analyze(&root);
        let tests = results["tests"].as_array().unwrap();
        let of: Vec<_> = tests.iter().filter(|t| t["recording"] == name.as_str()).collect();
        assert_eq!(of.len(), 1, "{side}: {of:?}");
        assert_eq!(of[0]["springs"], counted, "{side}");
        assert!(counted >= 3, "{side}: {counted}");
    }
    // In order, and none holds a sample of another.
    assert!(
        positions.windows(2).all(|w| w[0].0 + w[0].1 <= w[1].0),
        "{positions:?}"
    );
    let calls = std::fs::read_to_string(root.join("calls.csv")).unwrap();
    let calls: Vec<&str> = calls.lines().skip(1).collect();
    assert_eq!(calls, ["V-07,L-12,s1,L3,,left,", "V-07,L-12,s1,L4,,right,"]);
    // The calls stand beside the findings.
    let results = analyze(&root);
    let found = results["findings"].as_array().unwrap();
    let l3 = found
        .iter()
        .find(|f| f["level"] == "L3" && f["measure"] == "end_feel_n_per_mm")
        .unwrap();
    assert_eq!(l3["call"], "left");
}
