//! The same chain as for cells: tests, springs, findings and measures from a mat's file.

use super::{COLS, Folder, ROWS, on_mat, pads, push, setup};
use std::path::PathBuf;
use tautpoint::batch::{self, Options};
use tautpoint::columns::Measure;
use tautpoint::results::Results;
use tautpoint::simulate::{MatSensor, SimulatedMat, SimulatedTests, simulate};
use tautpoint::study::mat_setup::MatUnit;
use tautpoint::terms::Side;
use tautpoint::trace::{Test, UncertaintySource};

fn sidecar(mat: &SimulatedMat, more: &str) -> String {
    let mut table = toml::Table::new();
    table.insert("mat".to_owned(), toml::Value::Table(mat.mat_table()));
    format!(
        "level = \"L3\"\nposture = \"prone\"\ncontact = \"thenar\"\n{more}{}",
        toml::to_string(&table).unwrap()
    )
}

fn analysed(mat: &SimulatedMat, more: &str) -> Results {
    let folder = Folder::new();
    let path: PathBuf = folder.file("press.csv", &mat.text());
    folder.file("press.toml", &sidecar(mat, more));
    batch::run(&[path], &Options::default()).unwrap()
}

fn side(results: &Results, side: Side) -> &Test {
    results.tests.iter().find(|t| t.side() == Some(side)).unwrap()
}

fn made(seed: u64) -> (SimulatedTests, SimulatedMat) {
    let made = push(seed);
    let mat = on_mat(&made, MatSensor::good(setup()), &pads(50.0), seed);
    (made, mat)
}

#[test]
fn a_mat_gives_tests_springs_findings_and_its_own_measures() {
    let (made, mat) = made(61);
    let results = analysed(&mat, "");
    assert!(results.problems.is_empty(), "{:?}", results.problems);
    assert_eq!(results.tests.len(), 2);
    for (truth, word) in made.truths.iter().zip([Side::Left, Side::Right]) {
        let test = side(&results, word);
        assert_eq!(test.springs.len(), truth.springs.len());
        let near = |measure: Measure, value: f64, percent: f64| {
            let seen = test.value(measure).unwrap();
            assert!(
                (100.0 * (seen / value - 1.0)).abs() < percent,
                "{word} {measure:?}: {seen} {value}"
            );
        };
        near(Measure::Peak, truth.peak_n, 1.0);
        near(Measure::Preload, truth.preload_n.unwrap(), 1.5);
        near(Measure::EndFeel, truth.end_feel_n_per_mm.unwrap(), 3.0);
        near(Measure::FittedEndFeel, truth.end_feel_n_per_mm.unwrap(), 2.0);
        // Cells over the threshold are those that the true pressure loads at the peak, but for noise at the edge.
        let top = (0..mat.time_s.len())
            .max_by(|a, b| mat.force_n[0][*a].total_cmp(&mat.force_n[0][*b]))
            .unwrap();
        let half = COLS / 2;
        let own = |cell: usize| (cell % COLS < half) == (word == Side::Left);
        let over = mat
            .pressure_kpa(top)
            .iter()
            .enumerate()
            .filter(|(c, p)| own(*c) && **p > 1.0)
            .count();
        near(Measure::LoadedArea, 64.0 * over as f64, 8.0);
        // An ellipse of 24 × 18 mm at 50 N grows by (F/50 N)^0.1 each way.
        let ellipse = std::f64::consts::PI * 24.0 * 18.0 * (truth.peak_n / 50.0).powf(0.2);
        // p0 = 2F/(πab): the summit of the paraboloid; cells average over 8 mm.
        near(Measure::PeakPressure, 2e3 * truth.peak_n / ellipse, 8.0);
    }
    let share = side(&results, Side::Left).value(Measure::HandShare).unwrap();
    let (l, r) = (
        made.truths[0].preload_n.unwrap(),
        made.truths[1].preload_n.unwrap(),
    );
    assert!((share - 100.0 * l / (l + r)).abs() < 1.0, "{share}");
    let stiffer = results
        .comparisons
        .iter()
        .find(|f| f.measure == Measure::FittedEndFeel)
        .unwrap();
    assert!(
        (stiffer.asymmetry_percent.unwrap() - 29.8).abs() < 2.0,
        "{stiffer:?}"
    );
    assert_eq!(results.mats.len(), 1);
}

#[test]
fn the_same_push_in_other_units_gives_the_same_forces() {
    let peaks: Vec<f64> = [MatUnit::Kpa, MatUnit::Mmhg, MatUnit::N]
        .into_iter()
        .map(|unit| {
            let made = push(62);
            let mut sensor = MatSensor::good(setup());
            sensor.setup.unit = unit;
            let results = analysed(&on_mat(&made, sensor, &pads(50.0), 62), "");
            side(&results, Side::Right).value(Measure::Peak).unwrap()
        })
        .collect();
    assert!(
        peaks.iter().all(|p| (p / peaks[0] - 1.0).abs() < 1e-3),
        "{peaks:?}"
    );
}

#[test]
fn a_turned_mat_gives_the_same_hands() {
    let (_, mat) = made(63);
    let plain = analysed(&mat, "");
    // The same frames with rows and columns both reversed: the mat lies with its last column at the subject's left.
    let text = mat.text();
    let turned: Vec<String> = text
        .lines()
        .enumerate()
        .map(|(k, line)| {
            let mut cells: Vec<&str> = line.split(',').collect();
            if k > 0 {
                cells[1..=ROWS * COLS].reverse();
            }
            cells.join(",")
        })
        .collect();
    let folder = Folder::new();
    let path = folder.file("press.csv", &turned.join("\n"));
    let edges = "left_edge = \"last_column\"\nhead_edge = \"last_row\"\n";
    folder.file("press.toml", &format!("{}{edges}", sidecar(&mat, "")));
    let results = batch::run(&[path], &Options::default()).unwrap();
    assert!(results.problems.is_empty(), "{:?}", results.problems);
    for word in [Side::Left, Side::Right] {
        let (a, b) = (side(&plain, word), side(&results, word));
        assert!((a.value(Measure::Peak).unwrap() - b.value(Measure::Peak).unwrap()).abs() < 0.1);
    }
}

#[test]
fn gain_uneven_cells_and_creep_stand_in_the_budget_and_gain_cancels_between_sides() {
    let (_, mat) = made(64);
    let plain = analysed(&mat, "");
    let test = side(&plain, Side::Left);
    let budget = test.measures.budget(Measure::Peak);
    let line = |source: UncertaintySource| budget.iter().find(|l| l.source == source).unwrap();
    let peak = test.value(Measure::Peak).unwrap();
    // Default: 5 % of gain, 3 % a decade of time from 1 s on over √3.
    assert!((line(UncertaintySource::MatGain).u / (0.05 * peak) - 1.0).abs() < 1e-9);
    assert!(UncertaintySource::MatGain.is_common_to_both_sides());
    let held = test.phases.springs_end_s.unwrap() - test.phases.contact_begin_s;
    let creep = 0.03 * held.log10() / 3f64.sqrt() * peak;
    assert!((line(UncertaintySource::MatCreep).u / creep - 1.0).abs() < 1e-9);
    let uneven = line(UncertaintySource::MatNonUniformity).source;
    assert!(!uneven.is_common_to_both_sides());
    let exact = "gain_u_percent = 0.0\nnon_uniformity_percent = 0.0\ncreep_percent = 0.0\n";
    let folder = Folder::new();
    let path = folder.file("press.csv", &mat.text());
    folder.file("press.toml", &format!("{}{exact}", sidecar(&mat, "")));
    let results = batch::run(&[path], &Options::default()).unwrap();
    let narrow = side(&results, Side::Left).measures.get(Measure::Peak).unwrap();
    assert!(narrow.u95().unwrap() < 0.02 * peak, "{narrow:?}");
    assert!(test.measures.get(Measure::Peak).unwrap().u95().unwrap() > 0.098 * peak);
}

#[test]
fn a_mat_under_the_subject_gives_the_whole_force_and_says_so() {
    let one = simulate(
        &tautpoint::simulate::TraceSpec {
            sensor: tautpoint::simulate::Sensor {
                rate_hz: 100.0,
                ..Default::default()
            },
            ..Default::default()
        },
        65,
    );
    let made = SimulatedTests {
        trace: one.trace,
        noise_free: one.noise_free,
        truths: vec![one.truth],
    };
    // The weight of the subject rests on the mat all the time: unloaded cells read about 3 kPa.
    let mut sensor = MatSensor::good(setup());
    sensor.offset_kpa = 1.5;
    let mat = on_mat(
        &made,
        sensor,
        &[tautpoint::simulate::Pad::still([140.0, 80.0], [90.0, 60.0])],
        65,
    );
    let folder = Folder::new();
    let path = folder.file("press.csv", &mat.text());
    let text = format!(
        "{}placement = \"under_subject\"\n",
        sidecar(&mat, "side = \"left\"\n")
    );
    folder.file("press.toml", &text);
    let results = batch::run(&[path], &Options::default()).unwrap();
    assert_eq!(results.tests.len(), 1, "{:?}", results.problems);
    let test = side(&results, Side::Left);
    assert!(
        test.notes
            .iter()
            .any(|n| n.to_string().starts_with("total force only")),
        "{:?}",
        test.notes
    );
    let peak = test.value(Measure::Peak).unwrap();
    assert!(
        (peak / made.truths[0].peak_n - 1.0).abs() < 0.02,
        "{peak} {}",
        made.truths[0].peak_n
    );
    assert_eq!(test.value(Measure::PeakPressure), None);
    assert!(results.mats.is_empty());
}

#[test]
fn parquet_and_text_give_the_same_tests() {
    let (_, mat) = made(66);
    let text = analysed(&mat, "");
    let folder = Folder::new();
    let columns = super::reference::parquet_columns(&mat.text());
    let path = folder.0.path().join("press.parquet");
    super::reference::write_parquet(&path, columns);
    folder.file("press.toml", &sidecar(&mat, ""));
    let parquet = batch::run(&[path], &Options::default()).unwrap();
    assert!(parquet.problems.is_empty(), "{:?}", parquet.problems);
    for word in [Side::Left, Side::Right] {
        for measure in Measure::ALL {
            let (a, b) = (
                side(&text, word).value(measure),
                side(&parquet, word).value(measure),
            );
            match (a, b) {
                (Some(a), Some(b)) => {
                    assert!((a - b).abs() <= 1e-6 * a.abs().max(1.0), "{measure:?}: {a} {b}")
                }
                (a, b) => assert_eq!(a, b, "{measure:?}"),
            }
        }
    }
    assert_eq!(text.mats[0].maps, parquet.mats[0].maps);
}

#[test]
fn a_blind_study_shows_no_map_of_a_side() {
    let (_, mat) = made(67);
    let mut results = analysed(&mat, "");
    assert_eq!(results.mats.len(), 1);
    results.hide_sides();
    assert!(results.mats.is_empty());
}
