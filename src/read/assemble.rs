//! Raw columns to a trace: units, sides, time in order. Shared by every reader.

use super::headings::{Layout, Wanted};
use crate::error::{Problem, Result};
use crate::study::mapping::ColumnKey;
use crate::trace::{About, Channel, Side, Trace};

/// Line of a row in the file, when it has lines.
pub(super) type LineOf<'a> = &'a dyn Fn(usize) -> Option<u64>;

/// Makes the trace; `values` are raw numbers in the order of `layout.wanted`, missing ones NaN.
///
/// # Errors
/// A problem: time that runs backwards, channels that cannot be told apart, no force at all.
pub(super) fn assemble(
    file: &str,
    about: About,
    layout: Layout,
    values: Vec<Vec<f64>>,
    line_of: LineOf<'_>,
) -> Result<(Trace, Vec<Problem>)> {
    let mut table = Table {
        file,
        notes: layout.notes,
        header_line: layout.header_line,
        columns: layout.wanted.into_iter().zip(values).collect(),
        problems: Vec::new(),
        kept: None,
        line_of,
    };
    table.scale();
    let time_s = table.time()?;
    let marker = table.marker()?;
    let drive_deg = table.take(ColumnKey::DriveDeg).map(|(_, values)| values);
    let channels = table.channels(&about)?;
    let Table { problems, notes, .. } = table;
    let trace = Trace {
        recording: file.to_owned(),
        time_s,
        channels,
        marker,
        drive_deg,
        about,
        notes,
    };
    Ok((trace, problems))
}

struct Table<'a> {
    file: &'a str,
    columns: Vec<(Wanted, Vec<f64>)>,
    problems: Vec<Problem>,
    notes: Vec<String>,
    header_line: Option<u64>,
    /// Rows that stayed after the time column was put in order; all of them when `None`.
    kept: Option<Vec<usize>>,
    line_of: LineOf<'a>,
}

impl Table<'_> {
    fn scale(&mut self) {
        for (wanted, values) in &mut self.columns {
            if wanted.scale != 1.0 {
                values.iter_mut().for_each(|v| *v *= wanted.scale);
            }
        }
    }

    fn has(&self, key: ColumnKey) -> bool {
        self.columns.iter().any(|(w, _)| w.key == key)
    }

    fn take(&mut self, key: ColumnKey) -> Option<(Wanted, Vec<f64>)> {
        let at = self.columns.iter().position(|(w, _)| w.key == key)?;
        Some(self.columns.swap_remove(at))
    }

    fn heading(&self, key: ColumnKey) -> String {
        self.columns
            .iter()
            .find(|(w, _)| w.key == key)
            .map_or_else(|| key.word().to_owned(), |(w, _)| w.heading.clone())
    }

    /// Line of a row that was kept.
    fn line(&self, row: usize) -> Option<u64> {
        let row = match &self.kept {
            Some(kept) => kept.get(row).copied()?,
            None => row,
        };
        (self.line_of)(row)
    }

    fn error(&self, column: &str, line: Option<u64>, found: String, expected: &str, advice: &str) -> Problem {
        let mut problem = Problem::error(self.file, found, expected, advice).in_column(column);
        problem.line = line;
        problem
    }

    fn warn(&mut self, column: &str, found: String, expected: &str, advice: &str) {
        self.problems
            .push(Problem::warning(self.file, found, expected, advice).in_column(column));
    }

    /// Takes the time column out and drops the rows whose time is missing or stands twice.
    fn time(&mut self) -> Result<Vec<f64>, Problem> {
        let Some((wanted, time_s)) = self.take(ColumnKey::Time) else {
            return Err(self.error("time", None, "no time".to_owned(), "a time column", "add one"));
        };
        if time_s.windows(2).all(|w| w[0] < w[1]) && time_s.iter().all(|t| t.is_finite()) {
            return Ok(time_s);
        }
        let order = self.order(&wanted, &time_s)?;
        if order.kept.is_empty() {
            return Err(self.error(
                &wanted.heading,
                self.line(0),
                "no time in any row".to_owned(),
                "the time of each sample",
                "record the time, or map the right column in the sidecar",
            ));
        }
        if let Some(row) = order.first_missing {
            let mut problem = Problem::warning(
                self.file,
                format!("{} rows without a time", order.missing),
                "the time of each sample",
                "these rows are left out; look why the time is missing",
            )
            .in_column(&wanted.heading);
            problem.line = self.line(row);
            self.problems.push(problem);
        }
        if order.equal > 0 {
            self.notes.push(format!(
                "equal times: {} later samples with the time of the one before left out",
                order.equal
            ));
        }
        let pick = |values: &[f64]| -> Vec<f64> { order.kept.iter().map(|&row| values[row]).collect() };
        let kept_s = pick(&time_s);
        for (_, values) in &mut self.columns {
            *values = pick(values);
        }
        self.kept = Some(order.kept);
        Ok(kept_s)
    }

    fn order(&self, wanted: &Wanted, time_s: &[f64]) -> Result<Order, Problem> {
        let mut order = Order::default();
        let mut last_s = f64::NEG_INFINITY;
        for (row, &t) in time_s.iter().enumerate() {
            if t.is_nan() {
                order.missing += 1;
                order.first_missing.get_or_insert(row);
            } else if t < last_s {
                return Err(self.error(
                    &wanted.heading,
                    (self.line_of)(row),
                    format!("{t} s after {last_s} s"),
                    "time that never runs backwards",
                    "look whether two recordings were joined or the clock was reset; cut the file there",
                ));
            } else if t == last_s {
                order.equal += 1;
            } else {
                order.kept.push(row);
                last_s = t;
            }
        }
        Ok(order)
    }

    /// Markers as whole numbers; a missing one keeps the value before it.
    fn marker(&mut self) -> Result<Option<Vec<i64>>, Problem> {
        let Some((wanted, values)) = self.take(ColumnKey::Marker) else {
            return Ok(None);
        };
        let Some(first) = values.iter().copied().find(|v| !v.is_nan()) else {
            self.warn(
                &wanted.heading,
                "no number in the whole column".to_owned(),
                "whole numbers",
                "the column is not used",
            );
            return Ok(None);
        };
        let mut current = first;
        let mut markers = Vec::with_capacity(values.len());
        for (row, value) in values.into_iter().enumerate() {
            if !value.is_nan() {
                // 2^53: beyond it not every whole number can be told apart.
                if value.fract() != 0.0 || value.abs() > 9_007_199_254_740_992.0 {
                    return Err(self.error(
                        &wanted.heading,
                        self.line(row),
                        value.to_string(),
                        "a whole number",
                        "number the tests 1, 2, 3, …",
                    ));
                }
                if value < current {
                    let line = self.line(row);
                    return Err(self.error(
                        &wanted.heading,
                        line,
                        format!("{value} after {current}"),
                        "a marker that only steps up",
                        "number the tests in the order they were made",
                    ));
                }
                current = value;
            }
            #[allow(clippy::cast_possible_truncation)]
            markers.push(current as i64);
        }
        Ok(Some(markers))
    }

    fn channels(&mut self, about: &About) -> Result<Vec<Channel>, Problem> {
        let (plain, left, right) = (
            self.has(ColumnKey::Force),
            self.has(ColumnKey::ForceLeft),
            self.has(ColumnKey::ForceRight),
        );
        let channels = match (plain, left, right) {
            (_, true, true) => self.both(about)?,
            (false, true, false) => vec![self.one_named(Side::Left, about)?],
            (false, false, true) => vec![self.one_named(Side::Right, about)?],
            (true, false, false) => vec![self.one_plain(about)?],
            _ => {
                return Err(self.error(
                    &self.heading(ColumnKey::Force),
                    self.header_line,
                    "a force column without a side beside one with a side".to_owned(),
                    "one force column, or force_left and force_right",
                    "rename or remove one of them",
                ));
            }
        };
        self.drop_silent(channels)
    }

    fn both(&mut self, about: &About) -> Result<Vec<Channel>, Problem> {
        if self.has(ColumnKey::Force) {
            let heading = self.heading(ColumnKey::Force);
            self.warn(
                &heading,
                "a third force column beside left and right".to_owned(),
                "force_left and force_right",
                "it is not used",
            );
        }
        if let Some(side) = about.side.filter(|s| *s != Side::Midline) {
            self.warn(
                "side",
                format!("side {side} for a recording of both sides"),
                "no side in the sidecar",
                "the columns say which side is which; take the side out of the sidecar",
            );
        }
        let shared = self.take(ColumnKey::Displacement);
        let left = self.take(ColumnKey::DisplacementLeft);
        let right = self.take(ColumnKey::DisplacementRight);
        let displacement_shared = shared.is_some() && left.is_none() && right.is_none();
        let (left_mm, right_mm) = match (shared, left, right) {
            (None, None, None) => (None, None),
            (Some((_, mm)), None, None) => (Some(mm.clone()), Some(mm)),
            (shared, Some((_, left)), Some((_, right))) => {
                if let Some((wanted, _)) = shared {
                    self.unused(&wanted.heading);
                }
                (Some(left), Some(right))
            }
            (Some((wanted, _)), ..) => {
                return Err(self.error(
                    &wanted.heading,
                    self.header_line,
                    "a shared displacement beside one of a single side".to_owned(),
                    "one shared displacement, or one for each side",
                    "rename or remove one of them",
                ));
            }
            (None, left, right) => {
                let (has, lacks) = if left.is_some() {
                    ("left", "right")
                } else {
                    ("right", "left")
                };
                self.warn(
                    &format!("displacement_{has}"),
                    format!("a displacement of the {has} side only"),
                    "one for each side, or a shared one",
                    &format!(
                        "the {lacks} side gives force only; if both hands moved together, name the column displacement_mm"
                    ),
                );
                (left.map(|l| l.1), right.map(|r| r.1))
            }
        };
        let mut channels = Vec::with_capacity(2);
        for (key, side, displacement_mm) in [
            (ColumnKey::ForceLeft, Side::Left, left_mm),
            (ColumnKey::ForceRight, Side::Right, right_mm),
        ] {
            if let Some((_, force_n)) = self.take(key) {
                channels.push(Channel {
                    side: Some(side),
                    force_n,
                    displacement_mm,
                    displacement_shared,
                });
            }
        }
        Ok(channels)
    }

    fn unused(&mut self, heading: &str) {
        self.warn(
            heading,
            "one displacement column too many".to_owned(),
            "one for each force column, or a shared one",
            "it is not used",
        );
    }

    /// One force column that names its side.
    fn one_named(&mut self, side: Side, about: &About) -> Result<Channel, Problem> {
        let (force_key, own, other) = match side {
            Side::Right => (
                ColumnKey::ForceRight,
                ColumnKey::DisplacementRight,
                ColumnKey::DisplacementLeft,
            ),
            _ => (
                ColumnKey::ForceLeft,
                ColumnKey::DisplacementLeft,
                ColumnKey::DisplacementRight,
            ),
        };
        let heading = self.heading(force_key);
        if let Some(said) = about.side.filter(|s| *s != side) {
            return Err(self.error(
                &heading,
                self.header_line,
                format!("force of the {side} side, and side = \"{said}\" in the sidecar"),
                "one side",
                "correct the heading or the sidecar",
            ));
        }
        self.notes.push(format!(
            "one side only: the file has a force column for the {side} side alone"
        ));
        if self.has(own) && self.has(ColumnKey::Displacement) {
            return Err(self.error(
                &self.heading(ColumnKey::Displacement),
                self.header_line,
                "two displacement columns for one force column".to_owned(),
                "one displacement column",
                "rename or remove one of them",
            ));
        }
        if let Some((wanted, _)) = self.take(other) {
            self.unused(&wanted.heading);
        }
        let displacement = self.take(own).or_else(|| self.take(ColumnKey::Displacement));
        let force_n = self.take(force_key).map(|f| f.1).unwrap_or_default();
        Ok(Channel {
            side: Some(side),
            force_n,
            displacement_mm: displacement.map(|d| d.1),
            displacement_shared: false,
        })
    }

    /// One force column without a side: the sidecar's side, which may be unknown.
    fn one_plain(&mut self, about: &About) -> Result<Channel, Problem> {
        let plain = self.take(ColumnKey::Displacement);
        let left = self.take(ColumnKey::DisplacementLeft);
        let right = self.take(ColumnKey::DisplacementRight);
        let displacement_mm = match (plain, left, right) {
            (Some((_, mm)), left, right) => {
                for (wanted, _) in left.into_iter().chain(right) {
                    self.unused(&wanted.heading);
                }
                Some(mm)
            }
            (None, None, None) => None,
            (None, left, right) => Some(self.sided_displacement(about.side, left, right)?),
        };
        let force_n = self.take(ColumnKey::Force).map(|f| f.1).unwrap_or_default();
        Ok(Channel {
            side: about.side,
            force_n,
            displacement_mm,
            displacement_shared: false,
        })
    }

    /// The displacement that belongs to a force column without a side: that of the sidecar's side.
    fn sided_displacement(
        &mut self,
        side: Option<Side>,
        left: Option<(Wanted, Vec<f64>)>,
        right: Option<(Wanted, Vec<f64>)>,
    ) -> Result<Vec<f64>, Problem> {
        let (own, other) = match side {
            Some(Side::Left) => (left, right),
            Some(Side::Right) => (right, left),
            _ => (None, left.or(right)),
        };
        if let Some((_, mm)) = own {
            if let Some((wanted, _)) = other {
                self.unused(&wanted.heading);
            }
            return Ok(mm);
        }
        let heading = other.map_or_else(|| "displacement".to_owned(), |o| o.0.heading);
        Err(self.error(
            &heading,
            self.header_line,
            "a displacement with a side and a force without one".to_owned(),
            "force and displacement of the same side",
            "name the force column force_left or force_right, or the displacement column displacement_mm",
        ))
    }

    /// Drops channels that never hold a number.
    fn drop_silent(&mut self, channels: Vec<Channel>) -> Result<Vec<Channel>, Problem> {
        let silent = |values: &[f64]| values.iter().all(|v| v.is_nan());
        let two = channels.len() == 2;
        let mut kept = Vec::with_capacity(channels.len());
        for mut channel in channels {
            let name = |what: &str| {
                channel
                    .side
                    .filter(|_| two)
                    .map_or_else(|| what.to_owned(), |s| format!("{what}_{s}"))
            };
            if silent(&channel.force_n) {
                let name = name("force");
                self.warn(
                    &name,
                    "no number in the whole column".to_owned(),
                    "a force for each sample",
                    "this side is left out; check the sensor and its cable",
                );
                continue;
            }
            if channel.displacement_mm.as_deref().is_some_and(silent) {
                let name = name("displacement");
                self.warn(
                    &name,
                    "no number in the whole column".to_owned(),
                    "a displacement for each sample",
                    "only force is reported; check the sensor and its cable",
                );
                channel.displacement_mm = None;
                channel.displacement_shared = false;
            }
            kept.push(channel);
        }
        if kept.is_empty() {
            return Err(self.error(
                "force",
                None,
                "no number in any force column".to_owned(),
                "a force for each sample",
                "check the sensor and its cable, and record again",
            ));
        }
        if two && kept.len() == 1 {
            kept.iter_mut().for_each(|c| c.displacement_shared = false);
        }
        Ok(kept)
    }
}

#[derive(Default)]
struct Order {
    kept: Vec<usize>,
    missing: usize,
    first_missing: Option<usize>,
    equal: usize,
}
