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

/// For each byte of a small table (readings, ratings, calls, a roster), which has at most 16 MB.
const TABLE_FACTOR: f64 = 100.0;
/// For each byte of TOML, which has at most 1 MB: with a warning for every nine bytes.
const TOML_FACTOR: f64 = 250.0;
/// What a Parquet file may unpack to, beside a hundred times its size; more is refused before it is unpacked.
const UNPACKED_MB: f64 = 64.0;
/// Bytes for each byte that a Parquet file unpacks to.
const PARQUET_FACTOR: f64 = 4.0;

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

#[track_caller]
fn hold(name: &str, mb: f64, args: &[&str], most: f64) {
    let taken = most_mb(args);
    println!("{name}, {mb:.1} MB, {}: {taken:.0} MB of {most:.0}", args[0]);
    assert!(
        taken < most,
        "{name}, {mb:.1} MB, {}: {taken:.0} MB, not {most:.0}",
        args[0]
    );
}

fn put(path: &Path, text: &str) -> f64 {
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, text).unwrap();
    text.len() as f64 / 1_048_576.0
}

/// Frames come block by block: what is held does not grow with the file.
#[test]
fn a_mat_is_never_held_whole() {
    let dir = tempfile::tempdir().unwrap();
    let csv = dir.path().join("mat.csv");
    put(
        &csv.with_extension("toml"),
        "[mat]\nrows = 20\ncols = 36\npitch_mm = 8.0\nunit = \"kPa\"\n",
    );
    let cells: String = (0..720).map(|c| format!(",c{c}")).collect();
    let mut text = format!("time_s{cells}\n");
    for i in 0..9000 {
        let cell = if (1000..8000).contains(&i) { ",2.5" } else { ",0.0" };
        writeln!(text, "{:.2}{}", f64::from(i) * 0.01, cell.repeat(720)).unwrap();
    }
    let mb = put(&csv, &text);
    let csv = csv.to_str().unwrap();
    hold("mat", mb, &["check", csv], BASE_MB + ANALYSE_FACTOR * 4.0);
    let out = dir.path().join("out");
    let analyze = [
        "analyze",
        csv,
        "--figures",
        "none",
        "--out",
        out.to_str().unwrap(),
    ];
    hold("mat", mb, &analyze, BASE_MB + ANALYSE_FACTOR * 4.0);
}

/// A column of one number packs to nearly nothing: what it may unpack to is bounded, and with it what it takes.
#[test]
fn a_parquet_file_takes_what_it_unpacks_to() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.parquet");
    let rows = 2_500_000;
    let column =
        |name: &str, of: &dyn Fn(usize) -> f64| (name.to_owned(), (0..rows).map(|i| Some(of(i))).collect());
    let columns = [
        column("time_s", &|i| i as f64 * 0.001),
        column("force_n", &|_| 1.0),
        column("displacement_mm", &|_| 2.0),
    ];
    let bytes = tautpoint::cohort::parquet::recording(&columns, &[]).unwrap();
    let mb = bytes.len() as f64 / 1_048_576.0;
    std::fs::write(&path, bytes).unwrap();
    let unpacked = (rows * 3 * 8) as f64 / 1_048_576.0;
    assert!(unpacked < UNPACKED_MB + 100.0 * mb);
    let path = path.to_str().unwrap();
    let out = dir.path().join("out");
    let out = out.to_str().unwrap();
    let analyze = ["analyze", path, "--figures", "none", "--out", out];
    for args in [&["check", path][..], &analyze] {
        hold("parquet", mb, args, BASE_MB + PARQUET_FACTOR * unpacked);
    }
}

#[test]
fn tables_and_settings_take_so_many_times_their_size() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path().join("study");
    let at = |name: &str| root.join(name);
    put(&at("study.toml"), "title = \"T\"\n");
    put(&at("recordings/a.csv"), "time_s,force_n\n0,1\n1,2\n");
    let study = root.to_str().unwrap();

    let mut readings = "applied_n,indicated\n".to_owned();
    (0..20_000).for_each(|i| writeln!(readings, "{},{}", 10 * (i % 11), 100 * (i % 11) + i % 3).unwrap());
    let mb = put(&at("readings.csv"), &readings);
    let [path, out] = ["readings.csv", "cell.toml"].map(|n| at(n).to_str().unwrap().to_owned());
    let calibrate = ["calibrate", &path, "--name", "cell", "--out", &out];
    hold("readings", mb, &calibrate, BASE_MB + TABLE_FACTOR * mb);

    let mut ratings = "subject,rater,value\n".to_owned();
    for i in 0..20_000 {
        writeln!(ratings, "V-{},R-{},{}", i / 20, i % 20, (i * 7) % 13).unwrap();
    }
    let mb = put(&dir.path().join("ratings.csv"), &ratings);
    let path = dir.path().join("ratings.csv");
    hold(
        "ratings",
        mb,
        &["agree", "--ratings", path.to_str().unwrap()],
        BASE_MB + TABLE_FACTOR * mb,
    );

    let mut roster = "code,role\n".to_owned();
    (0..200_000).for_each(|i| writeln!(roster, "V-{i},subject").unwrap());
    let mb = put(&at("roster.csv"), &roster);
    hold("roster", mb, &["check", study], BASE_MB + TABLE_FACTOR * mb);
    std::fs::remove_file(at("roster.csv")).unwrap();

    let mut calls = "session,examiner,subject,level,call\n".to_owned();
    (0..30_000).for_each(|i| writeln!(calls, "s1,L-{},V-{i},L4,left", i % 24).unwrap());
    let mb = put(&at("calls.csv"), &calls);
    hold("calls", mb, &["check", study], BASE_MB + TABLE_FACTOR * mb);
    std::fs::remove_file(at("calls.csv")).unwrap();

    let sums: String = (0..20_000)
        .map(|i| format!("{}  a{i}.csv\n", "0".repeat(64)))
        .collect();
    let mb = put(&at("recordings/SHA256SUMS"), &sums);
    hold("hashes", mb, &["check", study], BASE_MB + TABLE_FACTOR * mb);
    std::fs::remove_file(at("recordings/SHA256SUMS")).unwrap();

    let tables: String = (0..30_000).map(|i| format!("[t{i}]\n")).collect();
    for name in [
        "recordings/a.toml",
        "instrument.toml",
        "agreement.toml",
        "study.toml",
    ] {
        let mb = put(&at(name), &tables);
        hold(name, mb, &["check", study], BASE_MB + TOML_FACTOR * mb);
        if name != "study.toml" {
            std::fs::remove_file(at(name)).unwrap();
        }
    }
}
