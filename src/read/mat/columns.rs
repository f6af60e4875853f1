//! Which column of a mat's file is what: time, cells, and what stands beside them.

use crate::error::Problem;
use crate::read::headings::ColumnLayout;
use crate::study::mapping::ColumnKey;
use crate::study::mat_setup::MatSetup;
use crate::study::words::shown;

/// What one column of a file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum MatColumn {
    Time,
    /// One of the columns beside time and cells.
    Beside(usize),
    Cell,
}

/// What each column is. Every column that is nothing else is a cell.
///
/// # Errors
/// A problem when the cells are not rows × cols, or when headings that name their row and column are in another order.
pub(super) fn mat_columns(
    file: &str,
    headings: &[String],
    line: Option<u64>,
    layout: &ColumnLayout,
    setup: &MatSetup,
) -> Result<Vec<MatColumn>, Problem> {
    let mut besides = 0;
    let mut roles = vec![MatColumn::Cell; headings.len()];
    for column in &layout.columns {
        if let Some(role) = roles.get_mut(column.index) {
            *role = match column.key {
                ColumnKey::Time => MatColumn::Time,
                _ => {
                    besides += 1;
                    MatColumn::Beside(besides - 1)
                }
            };
        }
    }
    let cells: Vec<&String> = headings
        .iter()
        .zip(&roles)
        .filter(|(_, s)| **s == MatColumn::Cell)
        .map(|(h, _)| h)
        .collect();
    let (rows, cols) = (setup.rows, setup.cols);
    if cells.len() != setup.cells() {
        let between = match (cells.first(), cells.last()) {
            (Some(first), Some(last)) => format!(" ({} to {})", shown(first), shown(last)),
            _ => String::new(),
        };
        return Err(Problem::error(
            file,
            format!("{} columns of cells{between}", cells.len()),
            format!(
                "{rows} rows × {cols} columns = {} cells, as [mat] says",
                setup.cells()
            ),
            "correct rows and cols in the sidecar; map or remove columns that are no cells",
        )
        .at_line(line));
    }
    for (k, heading) in cells.iter().enumerate() {
        let expected = (k / cols + 1, k % cols + 1);
        if let Some(found) = named_cell(heading)
            && found != expected
        {
            return Err(Problem::error(
                file,
                format!("cell {} of the file is row {} column {}", k + 1, found.0, found.1),
                format!(
                    "row {} column {}: cells in row order, from 1",
                    expected.0, expected.1
                ),
                "put the columns in order, or correct rows and cols in the sidecar",
            )
            .in_column(shown(heading))
            .at_line(line));
        }
    }
    Ok(roles)
}

/// Row and column of a heading such as `cell_3_12`.
fn named_cell(heading: &str) -> Option<(usize, usize)> {
    let rest = heading.trim().to_lowercase();
    let (row, col) = rest.strip_prefix("cell_")?.split_once('_')?;
    Some((row.parse().ok()?, col.parse().ok()?))
}
