//! The rows of which nearly every file consists, without a look at anything but digits, points and ends.

use super::super::cells::plain_number;
use super::super::lines::Lines;
use super::{DecimalSigns, ParsedRows, TextBody};

impl TextBody<'_> {
    /// Takes the rows ahead that hold a plain number in each cell, and stops before the first that does not: nearly all of a file.
    pub(super) fn plain_rows(&self, lines: &mut Lines<'_>, slots: &[Option<usize>], rows: &mut ParsedRows, decimals: &mut DecimalSigns) {
        if self.left_open || lines.quotes {
            return;
        }
        let text = lines.rest();
        let first_end = memchr::memchr(b'\n', text).unwrap_or(0);
        let returns = usize::from(text[..first_end].ends_with(b"\r"));
        let (mut taken, mut line) = (0, lines.line());
        'rows: loop {
            let mut at = taken;
            for (k, slot) in slots.iter().enumerate() {
                let is_last = k + 1 == slots.len();
                let end = match is_last {
                    true if returns == 1 => b'\r',
                    true => b'\n',
                    false => self.delimiter,
                };
                let rest = &text[at..];
                let length = match slot {
                    Some(slot) => {
                        let Some((value, length)) = plain_number(rest, end) else { break 'rows };
                        decimals.see(self.delimiter, &rest[..length], line + 1);
                        if let Some(column) = rows.values.get_mut(*slot) {
                            column.push(value);
                        }
                        length
                    }
                    // Whatever a column holds that nobody asked for.
                    None => match memchr::memchr3(self.delimiter, b'\r', b'\n', rest) {
                        Some(length) => length,
                        None => break 'rows,
                    },
                };
                // A last line without its end may be cut off.
                if rest.get(length) != Some(&end) {
                    break 'rows;
                }
                at += length + 1;
            }
            at += returns;
            // Comments are no rows, whatever their columns hold.
            if slots.is_empty() || text[taken] == b'#' || (returns == 1 && text.get(at - 1) != Some(&b'\n')) {
                break;
            }
            line += 1;
            rows.lines.push(line);
            taken = at;
        }
        // Of the row that was given up some cells may stand there already.
        let whole = rows.lines.len();
        rows.values.iter_mut().for_each(|v| v.truncate(whole));
        lines.skip(taken, line - lines.line());
    }
}

#[cfg(test)]
mod tests {
    use crate::read::{ReadTrace, read_bytes};
    use crate::study::mapping::ColumnMapping;
    use crate::trace::About;

    fn read(text: &str) -> Result<ReadTrace, String> {
        read_bytes(text.as_bytes(), "r.csv", &ColumnMapping::default(), About::default()).map_err(|e| e.to_string())
    }

    /// A quote anywhere has every row read with care: one in a comment changes nothing else but the numbers of lines.
    #[test]
    fn rows_read_at_once_are_those_read_with_care() {
        let row = |i: usize, d: &str, note: &str| format!("{}.{:03}{d}{note}{d}-{}.5", i / 1000, i % 1000, i % 50);
        for (d, note) in [(",", "a note"), (";", "x"), ("\t", "# y"), (",", "")] {
            for end in ["\n", "\r\n"] {
                for odd in ["", "# 1,2,3", " ", "7.000,#,nan", "7.000;x;1e2", "7.000\tx\tbad", "7.0,x", "7.0,x,1,", "7,5;x;2,5", "#,#,#"] {
                    for last in ["", "7.5", "7.5,a note,4", "7.5;x;4.25"] {
                        let rows = (0..200).map(|i| row(i, d, note)).chain([odd.to_owned()]).chain((200..260).map(|i| row(i, d, note)));
                        let lines: Vec<String> = std::iter::once(format!("time_s{d}remark{d}force_n")).chain(rows).collect();
                        let text = format!("{}{end}{last}", lines.join(end));
                        let (quick, slow) = (read(&text), read(&format!("# \"{end}{text}")));
                        let told = |r: &ReadTrace| r.problems.iter().map(|p| p.found.clone()).collect::<Vec<_>>();
                        match (quick, slow) {
                            (Ok(quick), Ok(slow)) => {
                                assert_eq!(quick.trace, slow.trace, "{d:?} {odd:?} {last:?}");
                                assert_eq!(told(&quick), told(&slow));
                            }
                            (Err(quick), Err(slow)) => assert_eq!(quick.split(" line ").next(), slow.split(" line ").next()),
                            (quick, slow) => panic!("{d:?} {odd:?} {last:?}: {quick:?} {slow:?}"),
                        }
                    }
                }
            }
        }
    }
}
