//! The largest balanced part of ratings with holes.

/// Columns and rows whose crossings are all filled.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct BalancedPart {
    pub rows: Vec<usize>,
    pub columns: Vec<usize>,
}

/// Up to this many columns every choice of columns is looked at.
const ALL_CHOICES: usize = 16;

/// The part with at least two rows and two columns that holds the most values, every crossing filled.
///
/// Of parts with equally many values the one with more rows is taken, then the one with the earlier columns. With more
/// than 16 columns the emptiest columns are left out one by one instead of trying every choice. `None` when no two
/// rows share two filled columns.
///
/// ```
/// use tautpoint::stats::agreement::balanced::largest_part;
/// let rows = [[Some(1.0), Some(2.0), None], [Some(1.0), Some(2.0), Some(3.0)]];
/// let part = largest_part(&rows).unwrap();
/// assert_eq!((part.rows, part.columns), (vec![0, 1], vec![0, 1]));
/// ```
pub fn largest_part<R: AsRef<[Option<f64>]>>(rows: &[R]) -> Option<BalancedPart> {
    let columns = rows.iter().map(|r| r.as_ref().len()).max().unwrap_or(0);
    let filled = |row: &R, column: usize| row.as_ref().get(column).is_some_and(Option::is_some);
    let part = |columns: Vec<usize>| BalancedPart {
        rows: (0..rows.len())
            .filter(|&i| columns.iter().all(|&c| filled(&rows[i], c)))
            .collect(),
        columns,
    };
    let mut best: Option<BalancedPart> = None;
    let mut try_part = |new: BalancedPart| {
        if new.rows.len() < 2 || new.columns.len() < 2 {
            return;
        }
        let size = |p: &BalancedPart| (p.rows.len() * p.columns.len(), p.rows.len());
        if best.as_ref().is_none_or(|b| size(&new) > size(b)) {
            best = Some(new);
        }
    };
    if columns <= ALL_CHOICES {
        // Low bits first would prefer late columns; the bit of column 0 is the highest, and choices run downwards.
        for choice in (1_u32..1 << columns).rev() {
            let chosen = |c: &usize| choice >> (columns - 1 - c) & 1 == 1;
            try_part(part((0..columns).filter(chosen).collect()));
        }
    } else {
        let count = |c: usize| rows.iter().filter(|r| filled(r, c)).count();
        let mut fullest: Vec<usize> = (0..columns).collect();
        fullest.sort_by_key(|&c| (std::cmp::Reverse(count(c)), c));
        for keep in (2..=columns).rev() {
            let mut chosen = fullest[..keep].to_vec();
            chosen.sort_unstable();
            try_part(part(chosen));
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(text: &[&str]) -> Vec<Vec<Option<f64>>> {
        let cell = |c: char| (c == 'x').then_some(1.0);
        text.iter().map(|r| r.chars().map(cell).collect()).collect()
    }

    #[test]
    fn the_part_with_the_most_values_is_kept() {
        let part = largest_part(&table(&["xxx.", "xxx.", ".xxx", "xx.x"])).unwrap();
        // Columns 0 and 1 are filled in three rows: six values, as many as columns 0 to 2 in two rows; more rows win.
        assert_eq!((part.rows, part.columns), (vec![0, 1, 3], vec![0, 1]));
        let full = largest_part(&table(&["xxx", "xxx"])).unwrap();
        assert_eq!(full.columns, vec![0, 1, 2]);
    }

    #[test]
    fn rows_that_share_no_two_columns_make_no_part() {
        assert_eq!(largest_part(&table(&["xx.", "..x"])), None);
        assert_eq!(largest_part(&table(&["x", "x"])), None);
        assert_eq!(largest_part(&table(&[])), None);
    }

    #[test]
    fn many_columns_are_thinned_out_from_the_emptiest() {
        let wide = "x".repeat(19);
        let rows = table(&[&format!("{wide}."), &format!("{wide}x"), &format!("{wide}.")]);
        let part = largest_part(&rows).unwrap();
        assert_eq!((part.rows.len(), part.columns.len()), (3, 19));
    }
}
