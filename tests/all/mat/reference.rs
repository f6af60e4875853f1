//! Connected areas and centres of mass against scipy.ndimage, live where it is installed and as stored values; areas of
//! counted discs against a published law; a Parquet writer for the other tests.

use crate::live_scipy::python;
use polars::prelude::{Column, DataFrame, ParquetWriter};
use serde_json::{Value, json};
use std::path::Path;
use tautpoint::mat::Geometry;
use tautpoint::mat::areas::{AreaFinder, connected};
use tautpoint::simulate::Rng;
use tautpoint::study::mat_setup::{MatSetup, MatUnit};

/// Columns of a text file, heading by heading.
pub fn parquet_columns(text: &str) -> Vec<(String, Vec<f64>)> {
    let mut lines = text.lines();
    let mut columns: Vec<(String, Vec<f64>)> = lines
        .next()
        .unwrap()
        .split(',')
        .map(|h| (h.to_owned(), Vec::new()))
        .collect();
    for line in lines {
        for (column, cell) in columns.iter_mut().zip(line.split(',')) {
            column.1.push(cell.parse().unwrap());
        }
    }
    columns
}

pub fn write_parquet(path: &Path, columns: Vec<(String, Vec<f64>)>) {
    let columns = columns
        .into_iter()
        .map(|(name, values)| Column::new(name.into(), values))
        .collect();
    let mut frame = DataFrame::new_infer_height(columns).unwrap();
    let file = std::fs::File::create(path).unwrap();
    ParquetWriter::new(file).finish(&mut frame).unwrap();
}

/// Random masks of several fillings.
fn masks() -> Vec<(usize, Vec<bool>)> {
    let mut rng = Rng::new(5);
    [(9, 0.3), (17, 0.45), (24, 0.55), (31, 0.65), (1, 0.5)]
        .into_iter()
        .map(|(cols, share)| (cols, (0..cols * 23).map(|_| rng.uniform() < share).collect()))
        .collect()
}

#[test]
fn connected_areas_agree_with_scipy_ndimage() {
    let masks = masks();
    let data: Vec<Value> = masks
        .iter()
        .map(|(cols, mask)| json!({"cols": cols, "mask": mask}))
        .collect();
    let script = r#"
from scipy import ndimage
out = []
for m in d:
    a = np.array(m["mask"]).reshape(-1, m["cols"])
    labels, n = ndimage.label(a, structure=np.ones((3, 3)))
    out.append({"labels": labels.ravel().tolist(), "n": int(n)})
print(json.dumps(out))
"#;
    let Some(theirs) = python(script, &json!(data)) else {
        return;
    };
    for ((cols, mask), theirs) in masks.iter().zip(theirs.as_array().unwrap()) {
        let (labels, n) = connected(mask, *cols);
        assert_eq!(u64::from(n), theirs["n"].as_u64().unwrap());
        let expected: Vec<u32> = theirs["labels"]
            .as_array()
            .unwrap()
            .iter()
            .map(|v| v.as_u64().unwrap() as u32)
            .collect();
        assert_eq!(labels, expected);
    }
}

#[test]
fn a_stored_labelling_of_scipy_is_reproduced() {
    // scipy 1.17.1: ndimage.label(mask, structure=ones((3, 3))) of this mask.
    let rows = ["1100010", "0010100", "0000000", "1101011", "1010001"];
    let mask: Vec<bool> = rows.iter().flat_map(|r| r.bytes().map(|b| b == b'1')).collect();
    let expected = ["1100020", "0010200", "0000000", "3303044", "3030004"];
    let (labels, n) = connected(&mask, 7);
    let text: String = labels.iter().map(u32::to_string).collect();
    assert_eq!((text, n), (expected.concat(), 4));
}

/// A frame of two to four smooth heaps with noise, far enough from the edge.
fn heaps(seed: u64) -> Vec<f32> {
    let mut rng = Rng::new(seed);
    let heaps: Vec<[f64; 4]> = (0..2 + rng.below(3))
        .map(|_| {
            [
                rng.between(5.0, 31.0),
                rng.between(5.0, 15.0),
                rng.between(1.5, 3.5),
                rng.between(20.0, 90.0),
            ]
        })
        .collect();
    (0..20 * 36)
        .map(|i| {
            let (x, y) = ((i % 36) as f64, (i / 36) as f64);
            let sum: f64 = heaps
                .iter()
                .map(|[cx, cy, r, p]| p * (-((x - cx).powi(2) + (y - cy).powi(2)) / (2.0 * r * r)).exp())
                .sum();
            (sum + 0.2 * rng.normal()) as f32
        })
        .collect()
}

#[test]
fn force_centre_and_peak_of_each_area_agree_with_scipy_ndimage() {
    let geometry = Geometry::of(&MatSetup::new(20, 36, 8.0, MatUnit::Kpa));
    let frames: Vec<Vec<f32>> = (0..12).map(|k| heaps(100 + k)).collect();
    let mut ours = Vec::new();
    for frame in &frames {
        let mut finder = AreaFinder::new(&geometry);
        let areas = finder.find(&geometry, frame, 1.0, 1.2);
        ours.push((areas, finder.area_of().to_vec()));
    }
    let data: Vec<Value> = frames
        .iter()
        .zip(&ours)
        .map(|(frame, (_, area_of))| json!({"p": frame, "area_of": area_of}))
        .collect();
    let script = r#"
from scipy import ndimage
out = []
for f in d:
    p = np.array(f["p"]).reshape(20, 36)
    own = np.array(f["area_of"]).reshape(20, 36)
    index = np.arange(1, own.max() + 1)
    force = ndimage.sum_labels(p, own, index) * 0.064
    centre = ndimage.center_of_mass(p, own, index)
    top = ndimage.maximum(p, own, index)
    loaded, n = ndimage.label(p > 1.0, structure=np.ones((3, 3)))
    sizes = ndimage.sum_labels(np.ones_like(p), loaded, np.arange(1, n + 1))
    out.append({"force": force.tolist(), "centre": [list(c) for c in centre], "top": np.atleast_1d(top).tolist(),
                "large": int((sizes >= 3).sum())})
print(json.dumps(out))
"#;
    let Some(theirs) = python(script, &json!(data)) else {
        return;
    };
    for ((areas, _), theirs) in ours.iter().zip(theirs.as_array().unwrap()) {
        let number = |key: &str, k: usize| theirs[key][k].as_f64().unwrap();
        // Cutting at valleys only ever makes more of what is connected.
        assert!(areas.len() as u64 >= theirs["large"].as_u64().unwrap());
        for (k, area) in areas.iter().enumerate() {
            assert!((area.force_n / number("force", k) - 1.0).abs() < 1e-6);
            assert!((f64::from(area.peak_kpa) - number("top", k)).abs() < 1e-4);
            let along = (theirs["centre"][k][0].as_f64().unwrap() + 0.5) * 8.0;
            let across = (theirs["centre"][k][1].as_f64().unwrap() + 0.5) * 8.0;
            assert!((f64::from(area.along_mm) - along).abs() < 1e-3, "{along}");
            assert!((f64::from(area.across_mm) - across).abs() < 1e-3, "{across}");
        }
    }
}

#[test]
fn discs_counted_in_cells_scatter_as_the_lattice_points_of_a_random_circle_do() {
    // Root mean square of (lattice points in a circle of radius r about a random centre − πr²) = 0.676497·√r on the mean over
    // radii (Kendall 1948, Quart J Math 19:1-26, from memory).
    let mut rng = Rng::new(8);
    let radii = [4.3_f64, 5.1, 6.4, 7.2, 8.9, 10.3, 11.6, 13.8];
    let mut mean = 0.0;
    for radius in radii {
        let n = 1500;
        let mut sum = 0.0;
        for _ in 0..n {
            let (cx, cy) = (rng.uniform(), rng.uniform());
            let reach = radius.ceil() as i32 + 1;
            let mut count = 0.0;
            for x in -reach..=reach {
                for y in -reach..=reach {
                    if (f64::from(x) - cx).powi(2) + (f64::from(y) - cy).powi(2) <= radius * radius {
                        count += 1.0;
                    }
                }
            }
            sum += (count - std::f64::consts::PI * radius * radius).powi(2);
        }
        mean += (sum / f64::from(n)).sqrt() / radius.sqrt() / radii.len() as f64;
    }
    assert!((mean / 0.676_497 - 1.0).abs() < 0.07, "{mean}");
}
