//! The force of a recording that cannot be used, as far as it can be read: a push over the ceiling was pressed all the same
//! (METHODS.md §9.3).

use super::assemble::RawTable;
use super::counts::CalibrationChoice;
use super::delimited::{self, PassedOver};
use super::{RecordingContent, columns};
use super::parquet;
use super::recording::RecordingSource;
use crate::error::{Problem, Result};
use crate::format::counted;
use crate::study::mapping::ColumnKey;
use crate::trace::{About, Channel, Trace};

/// What can be read of the force.
pub struct ReadForces {
    /// A trace of force alone for each stretch in which time runs on.
    pub traces: Vec<Trace>,
    /// Why that is not all of the force, when it is not.
    pub lacks: Option<String>,
}

/// Reads the force of a recording that is refused as it stands.
///
/// # Errors
/// A problem, when nothing can be read of its force.
pub fn read_forces(source: &RecordingSource<'_>, about: &About, content: RecordingContent<'_>) -> Result<ReadForces> {
    let file = source.recording;
    if source.sidecar.mat_named {
        let expected = "a mat's recording that can be read as it stands";
        return Err(Problem::error(file, "a pressure mat's frames", expected, "mend what is named").into());
    }
    let mapping = source.mapping();
    let (layout, mut values, unread) = match content {
        RecordingContent::Columns(held) => {
            let (layout, values) = columns::columns(held, file, &mapping)?;
            (layout, values, PassedOver::default())
        }
        RecordingContent::File(bytes) if bytes.starts_with(parquet::MAGIC) => {
            let (layout, values) = parquet::columns(bytes, file, &mapping)?;
            (layout, values, PassedOver::default())
        }
        RecordingContent::File(bytes) => {
            let text = delimited::loose(bytes, file, &mapping)?;
            (text.layout, text.values, text.unread)
        }
    };
    let infinite = |v: &f64| v.is_infinite();
    let endless = values.iter().flatten().filter(|v| infinite(v)).count();
    values.iter_mut().flatten().filter(|v| infinite(v)).for_each(|v| *v = f64::NAN);
    let mut table = RawTable::new(file, layout, values, &|_| None);
    table.scale();
    let (named, absent) = source.choose();
    table.convert(CalibrationChoice {
        named: &named,
        absent: absent.as_ref(),
    })?;
    let time_s = table.take(ColumnKey::Time).map(|(_, t)| t).unwrap_or_default();
    let sided: Vec<Vec<f64>> = [ColumnKey::ForceLeft, ColumnKey::ForceRight]
        .into_iter()
        .filter_map(|key| Some(table.take(key)?.1))
        .collect();
    // Beside both sides a third column is not used; beside one it may be the total.
    let plain = table.take(ColumnKey::Force).map(|(_, f)| vec![f]).filter(|_| sided.len() < 2);
    let mut traces = Vec::new();
    for forces in [Some(sided), plain].into_iter().flatten() {
        if forces.iter().flatten().any(|f| f.is_finite()) {
            traces.extend(running_on(file, about, &time_s, &forces));
        }
    }
    if traces.is_empty() {
        let expected = "a force for each sample";
        return Err(Problem::error(file, "no force that is a number", expected, "record again").into());
    }
    Ok(ReadForces {
        traces,
        lacks: lacks(unread, endless),
    })
}

/// Cuts where time runs back; a row without a time goes with the one before it.
fn running_on(file: &str, about: &About, time_s: &[f64], forces: &[Vec<f64>]) -> Vec<Trace> {
    let mut filled = Vec::with_capacity(time_s.len());
    let mut last_s = time_s.iter().copied().find(|t| t.is_finite()).unwrap_or_default();
    for t in time_s {
        if t.is_finite() {
            last_s = *t;
        }
        filled.push(last_s);
    }
    let mut traces = Vec::new();
    let mut begin = 0;
    for stretch in filled.chunk_by(|a, b| a <= b) {
        let rows = begin..begin + stretch.len();
        begin = rows.end;
        let channel = |force: &Vec<f64>| Channel {
            side: None,
            force_n: force[rows.clone()].to_vec(),
            displacement_mm: None,
            displacement_shared: false,
        };
        traces.push(Trace {
            recording: file.to_owned(),
            time_s: stretch.to_vec(),
            channels: forces.iter().map(channel).collect(),
            marker: None,
            drive_deg: None,
            about: about.clone(),
            notes: Vec::new(),
        });
    }
    traces
}

fn lacks(unread: PassedOver, endless: usize) -> Option<String> {
    let cells = unread.force_cells + endless;
    let mut why = Vec::new();
    if cells > 0 {
        why.push(format!("{} of force no number", counted(cells, "cell")));
    }
    if unread.rows > 0 {
        why.push(format!("{} not whole", counted(unread.rows, "row")));
    }
    if unread.decimals_mixed {
        why.push("decimal commas and points mixed".to_owned());
    }
    (!why.is_empty()).then(|| why.join(", "))
}
