//! Raw columns to a trace: units, sides, time in order. Shared by every reader.

use crate::format::counted;
use super::counts::{self, CalibratedColumn, CalibrationChoice};
use super::headings::{ColumnLayout, SourceColumn};
use super::sentinels;
use super::sign::{self, ChannelSigns, ColumnSign};
use super::stamps::{self, Stamps};
use crate::error::{Problem, Result};
use crate::study::mapping::{ColumnKey, ColumnMapping};
use crate::terms::Side;
use crate::trace::{About, Channel, Trace};
use crate::units::Quantity;
use std::borrow::Cow;

/// What is known of a recording besides its file.
pub(super) struct ReadContext<'a> {
    pub mapping: &'a ColumnMapping,
    pub about: About,
    pub calibrations: CalibrationChoice<'a>,
    /// The recorder that wrote it was stopped in the middle: a last row without its end may be half a row, even when
    /// it has all its cells.
    pub left_open: bool,
}

impl<'a> ReadContext<'a> {
    /// What a sidecar says of a finished recording in N and mm.
    pub fn new(mapping: &'a ColumnMapping, about: About) -> Self {
        ReadContext {
            mapping,
            about,
            calibrations: CalibrationChoice::default(),
            left_open: false,
        }
    }
}

/// A trace put together.
pub(super) struct AssembledTrace {
    pub trace: Trace,
    pub problems: Vec<Problem>,
    pub calibrated: Vec<CalibratedColumn>,
    /// Why some of the force may not be in the trace.
    pub unseen: Vec<String>,
    /// A sensor counts the wrong way round.
    pub inverted: Option<Problem>,
}

/// Line of a row in the file, when it has lines.
pub(super) type LineOf<'a> = &'a dyn Fn(usize) -> Option<u64>;

/// Makes the trace; `values` are raw numbers in the order of `layout.columns`, missing ones NaN.
///
/// # Errors
/// A problem: time that runs backwards, channels that cannot be told apart, no force at all, counts without a
/// calibration.
pub(super) fn assemble(
    file: &str,
    context: ReadContext<'_>,
    layout: ColumnLayout,
    values: Vec<Vec<f64>>,
    line_of: LineOf<'_>,
) -> Result<AssembledTrace> {
    let ReadContext {
        about, calibrations, ..
    } = context;
    let mut table = RawTable::new(file, layout, values, line_of);
    table.scale();
    let calibrated = table.convert(calibrations)?;
    let time_s = table.time()?;
    let signs = table.signs();
    let marker = table.marker()?;
    let drive_deg = table.take(ColumnKey::DriveDeg).map(|(_, values)| values);
    let channels = table.channels(&about)?;
    let RawTable {
        problems, notes, unseen, ..
    } = table;
    let trace = Trace {
        recording: file.to_owned(),
        time_s,
        channels,
        marker,
        drive_deg,
        about,
        notes,
    };
    let signs: Vec<ChannelSigns> = trace.channels.iter().filter_map(|c| signs_of(c, &signs)).collect();
    Ok(AssembledTrace {
        inverted: sign::inverted(&trace, &signs),
        trace,
        problems,
        calibrated,
        unseen,
    })
}

/// The columns that a channel was made of.
fn signs_of(channel: &Channel, signs: &[(ColumnKey, ColumnSign)]) -> Option<ChannelSigns> {
    let (force, displacement) = match channel.side {
        Some(Side::Left) => (ColumnKey::ForceLeft, ColumnKey::DisplacementLeft),
        Some(Side::Right) => (ColumnKey::ForceRight, ColumnKey::DisplacementRight),
        _ => (ColumnKey::Force, ColumnKey::Displacement),
    };
    let of = |own: ColumnKey, plain: ColumnKey| {
        let of = |key: ColumnKey| signs.iter().find(|(k, _)| *k == key).map(|(_, sign)| sign.clone());
        of(own).or_else(|| of(plain))
    };
    Some(ChannelSigns {
        force: of(force, ColumnKey::Force)?,
        displacement: of(displacement, ColumnKey::Displacement),
    })
}

pub(super) struct RawTable<'a> {
    file: &'a str,
    columns: Vec<(SourceColumn, Vec<f64>)>,
    problems: Vec<Problem>,
    pub(super) notes: Vec<String>,
    unseen: Vec<String>,
    pub(super) header_line: Option<u64>,
    /// Rows that stayed after the time column was put in order; all of them when `None`.
    kept: Option<Vec<usize>>,
    line_of: LineOf<'a>,
}

impl<'a> RawTable<'a> {
    /// Keeps in mind that some of the force is not in the trace.
    pub(super) fn force_unseen(&mut self, why: String) {
        self.unseen.push(why);
    }

    pub(super) fn new(
        file: &'a str,
        layout: ColumnLayout,
        values: Vec<Vec<f64>>,
        line_of: LineOf<'a>,
    ) -> RawTable<'a> {
        RawTable {
            file,
            notes: layout.notes,
            unseen: layout.unseen,
            header_line: layout.header_line,
            columns: layout.columns.into_iter().zip(values).collect(),
            problems: Vec::new(),
            kept: None,
            line_of,
        }
    }
}

impl RawTable<'_> {
    /// Numbers that stand for none are taken out, and units and gains put in.
    pub(super) fn scale(&mut self) {
        for (column, values) in &mut self.columns {
            self.problems.extend(sentinels::take_out(self.file, column, values));
            let factor = column.scale * column.gain;
            if factor != 1.0 {
                values.iter_mut().for_each(|v| *v *= factor);
            }
            if column.gain != 1.0 {
                self.notes
                    .push(format!("gain: {} multiplied by {}", column.key.word(), column.gain));
            }
        }
    }

    /// Turns columns of counts into N or mm, and says by which calibration each column is known.
    pub(super) fn convert(&mut self, calibrations: CalibrationChoice<'_>) -> Result<Vec<CalibratedColumn>, Problem> {
        let mut calibrated = Vec::new();
        for (column, values) in &mut self.columns {
            let Some(calibration) =
                counts::calibration_of(self.file, self.header_line, column, calibrations)?
            else {
                continue;
            };
            if column.counts {
                let (converted, problem) = counts::convert(self.file, column, calibration, values);
                *values = converted;
                self.problems.extend(problem);
                self.notes.push(format!(
                    "calibrated: {} by {}",
                    column.key.word(),
                    calibration.name
                ));
            }
            calibrated.push(CalibratedColumn {
                column: column.key,
                calibration: calibration.clone(),
            });
        }
        Ok(calibrated)
    }

    /// What each column is multiplied by, before the channels take them.
    fn signs(&self) -> Vec<(ColumnKey, ColumnSign)> {
        let of = |column: &SourceColumn| ColumnSign {
            word: column.key.word(),
            heading: column.heading.clone(),
            gain: column.gain,
        };
        self.columns.iter().map(|(column, _)| (column.key, of(column))).collect()
    }

    pub(super) fn has(&self, key: ColumnKey) -> bool {
        self.columns.iter().any(|(w, _)| w.key == key)
    }

    pub(super) fn take(&mut self, key: ColumnKey) -> Option<(SourceColumn, Vec<f64>)> {
        let at = self.columns.iter().position(|(w, _)| w.key == key)?;
        Some(self.columns.swap_remove(at))
    }

    pub(super) fn heading(&self, key: ColumnKey) -> String {
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

    pub(super) fn error(
        &self,
        column: &str,
        line: Option<u64>,
        found: String,
        expected: &str,
        advice: &str,
    ) -> Problem {
        Problem::error(self.file, found, expected, advice)
            .in_column(column)
            .at_line(line)
    }

    pub(super) fn warn(&mut self, column: &str, found: String, expected: &str, advice: &str) {
        self.problems
            .push(Problem::warning(self.file, found, expected, advice).in_column(column));
    }

    /// Takes the time column out and drops the rows whose time is missing or stands twice.
    fn time(&mut self) -> Result<Vec<f64>, Problem> {
        let Some((column, time_s)) = self.take(ColumnKey::Time) else {
            return Err(self.error("time", None, "no time".to_owned(), "a time column", "add one"));
        };
        let (time_s, even) = self.evened(&column, time_s)?;
        if even && time_s.windows(2).all(|w| w[0] < w[1]) {
            return Ok(time_s);
        }
        let order = self.order(&column, &time_s)?;
        if order.kept.is_empty() {
            return Err(self.error(
                &column.heading,
                self.line(0),
                "no time in any row".to_owned(),
                "the time of each sample",
                "record the time, or map the right column in the sidecar",
            ));
        }
        if let Some(row) = order.first_missing {
            let mut problem = Problem::warning(
                self.file,
                format!("{} without a time", counted(order.missing, "row")),
                "the time of each sample",
                "what has no time is left out; look why the time is missing",
            )
            .in_column(&column.heading);
            problem.line = self.line(row);
            self.problems.push(problem);
        }
        if order.equal > 0 {
            self.notes.push(format!(
                "equal times: {} with the time of the one before left out",
                counted(order.equal, "later sample")
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

    /// Times of the samples, where the stamps are not these; and whether every row has one.
    fn evened(&mut self, column: &SourceColumn, mut time_s: Vec<f64>) -> Result<(Vec<f64>, bool), Problem> {
        let all = time_s.iter().all(|t| t.is_finite());
        let stamped: Vec<usize> = match all {
            true => Vec::new(),
            false => (0..time_s.len()).filter(|row| time_s[*row].is_finite()).collect(),
        };
        let pick = |values: &[f64]| -> Vec<f64> { stamped.iter().map(|&row| values[row]).collect() };
        let measured = self.columns.iter().filter(|(c, _)| {
            matches!(c.key.quantity(), Some(Quantity::Force | Quantity::Displacement))
        });
        let channels: Vec<Cow<'_, [f64]>> = measured
            .map(|(_, values)| match all {
                true => Cow::Borrowed(values.as_slice()),
                false => Cow::Owned(pick(values)),
            })
            .collect();
        let channels: Vec<&[f64]> = channels.iter().map(AsRef::as_ref).collect();
        let stamps = match all {
            true => Cow::Borrowed(time_s.as_slice()),
            false => Cow::Owned(pick(&time_s)),
        };
        // Time that runs backwards is told below, with its line.
        let judged = match stamps.is_sorted() {
            true => stamps::judge(&stamps, &channels),
            false => Stamps::AsTheyAre,
        };
        match judged {
            Stamps::AsTheyAre => {}
            Stamps::Rebuilt { time_s: even, note } if all => {
                time_s = even;
                self.notes.push(note);
            }
            Stamps::Rebuilt { time_s: even, note } => {
                for (row, t) in stamped.into_iter().zip(even) {
                    time_s[row] = t;
                }
                self.notes.push(note);
            }
            Stamps::Uneven(found) => {
                return Err(stamps::uneven_problem(self.file, found)
                    .in_column(&column.heading)
                    .at_line(self.line(0)));
            }
        }
        Ok((time_s, all))
    }

    fn order(&self, column: &SourceColumn, time_s: &[f64]) -> Result<TimeOrder, Problem> {
        let mut order = TimeOrder::default();
        let mut last_s = f64::NEG_INFINITY;
        for (row, &t) in time_s.iter().enumerate() {
            if t.is_nan() {
                order.missing += 1;
                order.first_missing.get_or_insert(row);
            } else if t < last_s {
                return Err(self.error(
                    &column.heading,
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
        let Some((column, values)) = self.take(ColumnKey::Marker) else {
            return Ok(None);
        };
        let Some(first) = values.iter().copied().find(|v| !v.is_nan()) else {
            self.warn(
                &column.heading,
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
                        &column.heading,
                        self.line(row),
                        value.to_string(),
                        "a whole number",
                        "number the tests 1, 2, 3, …",
                    ));
                }
                if value < current {
                    let line = self.line(row);
                    return Err(self.error(
                        &column.heading,
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
}

#[derive(Default)]
struct TimeOrder {
    kept: Vec<usize>,
    missing: usize,
    first_missing: Option<usize>,
    equal: usize,
}
