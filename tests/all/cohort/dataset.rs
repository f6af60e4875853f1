//! The dataset as other engines read it, and the runs that schedulers start.

use super::{analyze, assert_same, code, contents, err, recordings, run, study, text};
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Runs Python with `arguments`; gives what it prints as JSON. Skips, or fails in the full tests, where a module is
/// missing.
fn python(script: &str, arguments: &[&str], what: &str) -> Option<Value> {
    let output = Command::new("python3")
        .arg("-c")
        .arg(script)
        .args(arguments)
        .output();
    let problem = match output {
        Ok(out) if out.status.success() => return Some(serde_json::from_slice(&out.stdout).unwrap()),
        Ok(out) => String::from_utf8_lossy(&out.stderr).into_owned(),
        Err(e) => e.to_string(),
    };
    let missing = problem.lines().last().unwrap_or_default().to_owned();
    assert!(
        missing.contains("No module named") || !problem.contains("Traceback"),
        "the script failed: {problem}"
    );
    assert!(
        std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1"),
        "{what} did not run: {missing}"
    );
    println!("skipped the check against {what}: {missing}");
    None
}

/// A study of two sites, one of them with a name that no path takes as it is, and recordings of no site.
fn two_sites(dir: &Path) -> PathBuf {
    let study = study(dir, 2, 2);
    let file = study.join("study.toml");
    let own = std::fs::read_to_string(&file).unwrap();
    let without: Vec<&str> = own.lines().filter(|l| !l.starts_with("site")).collect();
    std::fs::write(&file, without.join("\n")).unwrap();
    for (i, recording) in recordings(&study).iter().enumerate() {
        let sidecar = recording.with_extension("toml");
        let Ok(own) = std::fs::read_to_string(&sidecar) else {
            continue;
        };
        let kept: Vec<&str> = own.lines().filter(|l| !l.starts_with("site")).collect();
        let site = match i % 3 {
            0 => "site = \"Hall A/1 = 50%\"\n",
            1 => "site = \"Hof\"\n",
            _ => "",
        };
        std::fs::write(&sidecar, format!("{site}{}\n", kept.join("\n"))).unwrap();
    }
    study
}

/// Columns, rows, sums by site and the sites themselves, in the same form from each engine.
const ENGINES: &str = r#"
import json, sys, math
folder = sys.argv[1]
found = {}

import polars as pl
t = pl.scan_parquet(folder + "/tests/**/*.parquet", hive_partitioning=True).collect()
s = pl.scan_parquet(folder + "/springs/**/*.parquet", hive_partitioning=True).collect()
by = t.group_by("site").agg(pl.col("end_feel_n_per_mm").sum(), pl.len()).sort("site", nulls_last=True)
found["polars"] = {
    "columns": sorted(t.columns), "rows": t.height, "springs": s.height,
    "sum": t["end_feel_n_per_mm"].sum(), "nulls": t["onset_mm"].null_count(),
    "spring_sum": s["peak_n"].sum(), "sites": by["site"].to_list(), "by_site": by["end_feel_n_per_mm"].to_list(),
    "sessions": sorted({str(x) for x in t["session"].to_list()}),
}

import duckdb
q = lambda sql: duckdb.sql(sql).fetchall()
tests = f"read_parquet('{folder}/tests/**/*.parquet', hive_partitioning=true)"
springs = f"read_parquet('{folder}/springs/**/*.parquet', hive_partitioning=true)"
by = q(f"select site, sum(end_feel_n_per_mm) from {tests} group by site order by site nulls last")
found["duckdb"] = {
    "columns": sorted(r[0] for r in q(f"describe select * from {tests}")),
    "rows": q(f"select count(*) from {tests}")[0][0], "springs": q(f"select count(*) from {springs}")[0][0],
    "sum": q(f"select sum(end_feel_n_per_mm) from {tests}")[0][0],
    "nulls": q(f"select count(*) from {tests} where onset_mm is null")[0][0],
    "spring_sum": q(f"select sum(peak_n) from {springs}")[0][0],
    "sites": [r[0] for r in by], "by_site": [r[1] for r in by],
    "sessions": sorted({str(r[0]) for r in q(f"select session from {tests}")}),
}

import pyarrow.dataset as ds, pyarrow.compute as pc, pyarrow as pa
part = ds.HivePartitioning(pa.schema([("site", pa.string()), ("session", pa.string())]), null_fallback="__HIVE_DEFAULT_PARTITION__")
t = ds.dataset(folder + "/tests", format="parquet", partitioning=part).to_table()
s = ds.dataset(folder + "/springs", format="parquet", partitioning=part).to_table()
by = t.group_by("site").aggregate([("end_feel_n_per_mm", "sum")]).sort_by([("site", "ascending")])
found["pyarrow"] = {
    "columns": sorted(t.column_names), "rows": t.num_rows, "springs": s.num_rows,
    "sum": pc.sum(t["end_feel_n_per_mm"]).as_py(), "nulls": t["onset_mm"].null_count,
    "spring_sum": pc.sum(s["peak_n"]).as_py(),
    "sites": by["site"].to_pylist(), "by_site": by["end_feel_n_per_mm_sum"].to_pylist(),
    "sessions": sorted({str(x) for x in t["session"].to_pylist()}),
}
schema = {}
for resource in json.load(open(folder + "/datapackage.json"))["resources"]:
    kinds = set()
    for path in resource["path"]:
        import pyarrow.parquet as pq
        f = pq.read_schema(folder + "/" + path)
        kinds.add(tuple((n, str(f.field(n).type)) for n in f.names))
    schema[resource["name"]] = [list(map(list, k)) for k in kinds]
found["schema"] = schema
print(json.dumps(found))
"#;

/// The numbers of a column of a table written as CSV.
fn csv_column(path: &Path, name: &str) -> Vec<Option<f64>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    let at = reader.headers().unwrap().iter().position(|h| h == name).unwrap();
    reader.records().map(|r| r.unwrap()[at].parse().ok()).collect()
}

#[test]
fn polars_duckdb_and_pyarrow_read_the_dataset_with_one_schema_and_the_same_sums() {
    let dir = tempfile::tempdir().unwrap();
    let study = two_sites(dir.path());
    let out = dir.path().join("results");
    analyze(&study, &out, &["--cohort"]);
    let dataset = out.join("dataset");
    let Some(found) = python(ENGINES, &[text(&dataset)], "polars, DuckDB and pyarrow") else {
        return;
    };
    let end_feel = csv_column(&out.join("tests.csv"), "end_feel_n_per_mm");
    let sum: f64 = end_feel.iter().flatten().sum();
    let peaks = csv_column(&out.join("springs.csv"), "peak_n");
    let nulls = csv_column(&out.join("tests.csv"), "onset_mm")
        .iter()
        .filter(|v| v.is_none())
        .count();
    let near = |a: &Value, b: f64| (a.as_f64().unwrap() - b).abs() <= 1e-12 * b.abs();
    for engine in ["polars", "duckdb", "pyarrow"] {
        let f = &found[engine];
        assert_eq!(f["rows"], end_feel.len(), "{engine}");
        assert_eq!(f["springs"], peaks.len(), "{engine}");
        assert_eq!(f["nulls"], nulls, "{engine}");
        assert!(near(&f["sum"], sum), "{engine}: {} {sum}", f["sum"]);
        assert!(near(&f["spring_sum"], peaks.iter().flatten().sum()), "{engine}");
        assert_eq!(f["columns"], found["polars"]["columns"], "{engine}");
        assert_eq!(f["sessions"], found["polars"]["sessions"], "{engine}");
        let sites: Vec<Option<&str>> = f["sites"].as_array().unwrap().iter().map(Value::as_str).collect();
        assert_eq!(sites, [Some("Hall A/1 = 50%"), Some("Hof"), None], "{engine}");
        for (a, b) in f["by_site"]
            .as_array()
            .unwrap()
            .iter()
            .zip(found["polars"]["by_site"].as_array().unwrap())
        {
            assert!(near(a, b.as_f64().unwrap()), "{engine}");
        }
    }
    described(&dataset, &found);
}

/// Every column of every file stands in datapackage.json with its type, and nothing else does.
fn described(dataset: &Path, found: &Value) {
    let package: Value =
        serde_json::from_slice(&std::fs::read(dataset.join("datapackage.json")).unwrap()).unwrap();
    // Data Package standard, version 2: required are `resources`, and of each `name` and `path` (or `data`).
    assert_eq!(
        package["$schema"],
        "https://datapackage.org/profiles/2.0/datapackage.json"
    );
    let resources = package["resources"].as_array().unwrap();
    let listed: BTreeSet<String> = resources
        .iter()
        .flat_map(|r| r["path"].as_array().unwrap())
        .map(|p| p.as_str().unwrap().to_owned())
        .collect();
    let files: BTreeSet<String> = contents(dataset)
        .keys()
        .map(|p| p.to_string_lossy().into_owned())
        .filter(|p| p.ends_with(".parquet"))
        .collect();
    assert_eq!(listed, files);
    for resource in resources {
        let schemas = found["schema"][resource["name"].as_str().unwrap()]
            .as_array()
            .unwrap();
        assert_eq!(schemas.len(), 1, "one schema: {schemas:?}");
        let fields = resource["schema"]["fields"].as_array().unwrap();
        let in_files: Vec<&Value> = fields.iter().filter(|f| f["in_path"].is_null()).collect();
        assert_eq!(fields.len(), in_files.len() + 2);
        for (column, field) in schemas[0].as_array().unwrap().iter().zip(&in_files) {
            assert_eq!(column[0], field["name"]);
            assert!(!field["description"].as_str().unwrap().is_empty());
            let kind = match field["type"].as_str().unwrap() {
                // pyarrow calls it string, large_string or string_view, as the writer laid it out.
                "string" => "string",
                "integer" => "int64",
                "number" => "double",
                "boolean" => "bool",
                other => panic!("{other}"),
            };
            let laid_out = column[1].as_str().unwrap().trim_end_matches("_view");
            assert!(laid_out.ends_with(kind), "{column}: {field}");
        }
    }
}

#[test]
fn the_dataset_of_combined_shards_is_that_of_one_run() {
    let dir = tempfile::tempdir().unwrap();
    let study = two_sites(dir.path());
    let [whole, out] = ["whole", "out"].map(|n| dir.path().join(n));
    analyze(&study, &whole, &["--cohort"]);
    assert!(whole.join("cohort.html").is_file() && whole.join("dataset/tests").is_dir());
    let parts = [1, 2].map(|n| dir.path().join(format!("part-{n}")));
    for (i, part) in parts.iter().enumerate() {
        analyze(&study, part, &["--shard", &format!("{}/2", i + 1)]);
    }
    let [a, b] = [text(&parts[0]), text(&parts[1])];
    let done = run(&["--quiet", "combine", a, b, "--out", text(&out), "--cohort"]);
    assert_eq!(code(&done), 1, "{}", err(&done));
    assert_same(&whole, &out);
}

#[test]
fn the_spark_example_runs_on_a_cluster_of_two_workers_and_gives_the_bytes_of_one_run() {
    if std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1") {
        println!("skipped the run on Spark: TAUTPOINT_FULL_TESTS=1 runs it");
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let study = study(dir.path(), 1, 2);
    let [whole, parts, out] = ["whole", "parts", "out"].map(|n| dir.path().join(n));
    analyze(&study, &whole, &["--cohort"]);
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("schedulers/spark.py");
    // Two worker processes of one core each, apart from the driver.
    let master = "--master local-cluster[2,1,1024] --conf spark.ui.enabled=false pyspark-shell";
    let done = Command::new("python3")
        .args([
            text(&script),
            text(&study),
            text(&parts),
            text(&out),
            "--shards",
            "5",
        ])
        .args(["--program", env!("CARGO_BIN_EXE_tautpoint")])
        .env("PYSPARK_SUBMIT_ARGS", master)
        .env("SPARK_LOCAL_IP", "127.0.0.1")
        .current_dir(dir.path())
        .output()
        .unwrap();
    assert_eq!(code(&done), 1, "{}", err(&done));
    assert_same(&whole, &out);
}
