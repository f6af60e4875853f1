//! Memory by what a file weighs: a base that every run takes, and a factor of the file's own size, whatever is in it.

use super::*;
use std::fmt::Write as _;
use std::process::Stdio;

/// Taken by a run on next to nothing, in MB: the program, its threads, the table library.
const BASE_MB: f64 = 70.0;
/// Bytes for each byte of text, to analyse and to check; a row of text takes some eight bytes, and a number in memory too.
const ANALYSE_FACTOR: f64 = 12.0;
/// And to convert, where every column is kept, whatever it is called: a cell of two bytes becomes one of 16 and its heading's share.
const CONVERT_FACTOR: f64 = 40.0;

/// The most memory that a run ever held, in MB, as the system counts it (VmHWM, proc_pid_status(5)).
fn most_mb(args: &[&str]) -> f64 {
    let mut child = Command::new(env!("CARGO_BIN_EXE_tautpoint"))
        .args(args)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let status = format!("/proc/{}/status", child.id());
    let mut most = 0.0_f64;
    while child.try_wait().unwrap().is_none() {
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:"));
        let kb = line.and_then(|l| l.split_whitespace().next()?.parse::<f64>().ok());
        most = most.max(kb.unwrap_or(0.0) / 1024.0);
        std::thread::sleep(std::time::Duration::from_millis(2));
    }
    most
}

#[test]
fn memory_follows_the_size_of_a_file_whatever_it_holds() {
    let dir = tempfile::tempdir().unwrap();
    let heading = "time_s,force_n,displacement_mm\n";
    let long = (0..60).fold(heading.to_owned(), |mut text, k| {
        text += &press(1100, |t, f, x| {
            format!("{:.3},{f:.2},{x:.3}\n", t + 5.5 * f64::from(k))
        });
        text
    });
    let mut zeros = "time_s,force_n\n".to_owned();
    (0..300_000).for_each(|i| writeln!(zeros, "{i},0").unwrap());
    let blank = format!("{heading}0,0,0\n{}", "\n".repeat(3_000_000));
    let wide: String = (0..2000).map(|i| format!(",c{i}")).collect();
    let wide = format!(
        "time_s,force_n{wide}\n{}",
        format!("1{}\n", ",1".repeat(2001)).repeat(600)
    );
    let one_line = format!("{heading}{}", "1,".repeat(1_200_000));
    let quoted = format!("{heading}\"{}", "1,2\n".repeat(600_000));
    for (name, text) in [
        ("long", long),
        ("zeros", zeros),
        ("blank", blank),
        ("wide", wide),
        ("one-line", one_line),
        ("quoted", quoted),
    ] {
        let path = dir.path().join(name).with_extension("csv");
        let mb = text.len() as f64 / 1_048_576.0;
        std::fs::write(&path, text).unwrap();
        let path = path.to_str().unwrap();
        let out = dir.path().join(format!("{name}-out"));
        let out = out.to_str().unwrap();
        for (args, factor) in [
            (vec!["check", path], ANALYSE_FACTOR),
            (
                vec!["analyze", path, "--figures", "none", "--out", out],
                ANALYSE_FACTOR,
            ),
            (
                vec!["convert", path, "--to", "parquet", "--out", &format!("{out}-c")],
                CONVERT_FACTOR,
            ),
        ] {
            let most = most_mb(&args);
            println!("{name}, {mb:.1} MB, {}: {most:.0} MB", args[0]);
            assert!(
                most < BASE_MB + factor * mb,
                "{name}, {mb:.1} MB, {}: {most:.0} MB",
                args[0]
            );
        }
    }
}
