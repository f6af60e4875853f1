//! Single cells of delimited text: numbers with a point or a comma, missing ones, and the bad ones kept for the
//! message.

use crate::error::Problem;
use crate::study::words::{could_be_thousands, shown};

/// How many bad cells a message names.
const NAMED: usize = 4;

/// What one cell holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum TextCell {
    Number(f64),
    /// Written with a decimal comma.
    CommaNumber(f64),
    Missing,
    Bad,
}

/// Powers of ten that a double holds exactly, as far as they are needed.
const TENS: [f64; 16] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
];

/// A number of at most fifteen digits with at most one point and nothing else, that the delimiter or the end follows;
/// and its length. `None` for anything else, which is then read with more care.
///
/// Digits and power of ten are exact as doubles, so their quotient is the nearest double to what is written (Clinger 1990,
/// PLDI '90, 92-101, doi:10.1145/93542.93557, the simple case).
pub(super) fn plain_number(bytes: &[u8], delimiter: u8) -> Option<(f64, usize)> {
    let negative = bytes.first() == Some(&b'-');
    let (mut value, mut at) = (0_u64, usize::from(negative));
    // Of more digits than fit nothing comes: see below.
    let mut digits = |at: &mut usize| {
        let from = *at;
        while let Some(digit) = bytes.get(*at).map(|b| b.wrapping_sub(b'0')).filter(|d| *d < 10) {
            value = value.wrapping_mul(10).wrapping_add(u64::from(digit));
            *at += 1;
        }
        *at - from
    };
    let whole = digits(&mut at);
    let mut decimals = 0;
    if bytes.get(at) == Some(&b'.') {
        at += 1;
        decimals = digits(&mut at);
        if decimals == 0 {
            return None;
        }
    }
    let ends = bytes.get(at).is_none_or(|b| *b == delimiter);
    if whole == 0 || whole + decimals > 15 || !ends {
        return None;
    }
    let number = value as f64 / TENS.get(decimals)?;
    Some((if negative { -number } else { number }, at))
}

/// Reads one cell. `comma` allows a decimal comma.
pub(super) fn cell(bytes: &[u8], comma: bool) -> TextCell {
    let bytes = bytes.trim_ascii();
    if bytes.is_empty() || is_nan(bytes) {
        return TextCell::Missing;
    }
    if let Ok(value) = fast_float2::parse::<f64, _>(bytes) {
        return if value.is_finite() {
            TextCell::Number(value)
        } else {
            TextCell::Bad
        };
    }
    if comma && let Some(value) = comma_number(bytes) {
        return TextCell::CommaNumber(value);
    }
    TextCell::Bad
}

fn is_nan(bytes: &[u8]) -> bool {
    let bytes = bytes.strip_prefix(b"-").unwrap_or(bytes);
    bytes.eq_ignore_ascii_case(b"nan")
}

/// A number with one comma and no point.
fn comma_number(bytes: &[u8]) -> Option<f64> {
    let mut copy = [0_u8; 64];
    let copy = copy.get_mut(..bytes.len())?;
    copy.copy_from_slice(bytes);
    let at = memchr::memchr(b',', copy)?;
    if memchr::memchr(b'.', copy).is_some() {
        return None;
    }
    copy[at] = b'.';
    fast_float2::parse::<f64, _>(&*copy)
        .ok()
        .filter(|v| v.is_finite())
}

/// Cells that hold no number.
#[derive(Debug, Default)]
pub(super) struct BadCells {
    first: Vec<(u64, String, String)>,
    count: usize,
}

impl BadCells {
    pub fn count(&self) -> usize {
        self.count
    }

    /// Takes back the cells added since the count was this.
    pub fn back_to(&mut self, count: usize) {
        self.count = self.count.min(count);
        self.first.truncate(self.count);
    }

    pub fn add(&mut self, line: u64, heading: &str, bytes: &[u8]) {
        self.count += 1;
        if self.first.len() <= NAMED {
            let text = shown(&String::from_utf8_lossy(bytes));
            self.first.push((line, heading.to_owned(), text));
        }
    }

    /// One problem for all of them: the first by its place, a few more by theirs, then how many more.
    pub fn problem(self, file: &str) -> Option<Problem> {
        let mut cells = self.first.into_iter();
        let (line, heading, found) = cells.next()?;
        let others: Vec<String> = cells
            .take(NAMED - 1)
            .map(|(line, heading, text)| format!("line {line} ({heading}: {text})"))
            .collect();
        let mut advice = "correct or empty the cell".to_owned();
        if !others.is_empty() {
            advice.push_str("; likewise ");
            advice.push_str(&others.join(", "));
        }
        let expected = match could_be_thousands(found.as_bytes()) {
            true => "a number that can be read in one way: without separators between thousands, with a decimal point",
            false => "a number",
        };
        let more = self.count.saturating_sub(1 + others.len());
        if more > 0 {
            advice.push_str(&format!(" and {more} more"));
        }
        Some(
            Problem::error(file, found, expected, advice)
                .at_line(line)
                .in_column(heading),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_numbers_missing_or_bad() {
        assert_eq!(cell(b" 1.5e-3 ", false), TextCell::Number(1.5e-3));
        assert_eq!(cell(b"+2", false), TextCell::Number(2.0));
        assert_eq!(cell(b"-0,25", true), TextCell::CommaNumber(-0.25));
        assert_eq!(cell(b"-0,25", false), TextCell::Bad);
        assert_eq!(cell(b"1,234.5", true), TextCell::Bad);
        assert_eq!(cell(b"1,2,3", true), TextCell::Bad);
        assert_eq!(cell(b"", false), TextCell::Missing);
        assert_eq!(cell(b"NaN", false), TextCell::Missing);
        assert_eq!(cell(b"inf", false), TextCell::Bad);
        assert_eq!(cell(b"1e999", false), TextCell::Bad);
        assert_eq!(cell(b"abc", true), TextCell::Bad);
    }

    #[test]
    fn plain_numbers_are_the_bits_that_the_careful_parser_gives() {
        for text in [
            "0",
            "-0",
            "0.1",
            "-0.00",
            "12.345",
            "123456789012345",
            "0.12345678901234",
            "1.7",
            "9007199254.74099",
        ] {
            let (value, n) = plain_number(text.as_bytes(), b',').unwrap_or_else(|| panic!("{text}"));
            assert_eq!(value.to_bits(), text.parse::<f64>().unwrap().to_bits(), "{text}");
            assert_eq!(n, text.len());
        }
        for k in 0..20_000_u64 {
            let digits = k.wrapping_mul(6_364_136_223_846_793_005) % 1_000_000_000;
            let text = format!("{}.{:04}", digits / 10_000, digits % 10_000);
            let (value, _) = plain_number(text.as_bytes(), b',').unwrap();
            assert_eq!(value.to_bits(), text.parse::<f64>().unwrap().to_bits(), "{text}");
        }
        assert_eq!(plain_number(b"1.5,2", b','), Some((1.5, 3)));
        for text in [
            "",
            "-",
            ".5",
            "5.",
            "1e3",
            "+1",
            " 1",
            "1 ",
            "nan",
            "1,5;2",
            "1.2.3",
            "1234567890123456",
        ] {
            assert_eq!(plain_number(text.as_bytes(), b';'), None, "{text}");
        }
    }

    #[test]
    fn many_bad_cells_are_counted_not_all_listed() {
        let mut bad = BadCells::default();
        for line in 2..12 {
            bad.add(line, "force_n", b"x");
        }
        let problem = bad.problem("a.csv").unwrap();
        assert_eq!(problem.line, Some(2));
        assert!(
            problem.advice.contains("line 5 (force_n: x) and 6 more"),
            "{problem}"
        );
    }
}
