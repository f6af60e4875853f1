//! Cells of another program's file.

use crate::read::lines::split_quoted;
use crate::study::import::ImportProfile;
use std::borrow::Cow;

/// The cells of a line, without blanks and quotes around them.
pub(super) fn cells_of(line: &str, delimiter: u8) -> Vec<String> {
    let cells = split_quoted(line.as_bytes(), delimiter);
    let text = |c: &Cow<'_, [u8]>| String::from_utf8_lossy(c).trim().to_owned();
    cells.iter().map(text).collect()
}

/// How a cell is written.
#[derive(Debug, PartialEq)]
pub(super) enum NumberCell {
    /// As plain text has it.
    Number(Vec<u8>),
    /// A number, but with other marks than the profile's.
    OtherMarks,
    /// No number.
    Other,
}

/// Reads a cell as the profile says.
pub(super) fn number(cell: &[u8], profile: &ImportProfile) -> NumberCell {
    let numeric = cell.iter().all(|b| b.is_ascii_digit() || b"+-.,eE' ".contains(b));
    if !numeric || !cell.iter().any(u8::is_ascii_digit) {
        return NumberCell::Other;
    }
    let decimal = profile.decimal_mark();
    let mut parts = cell.splitn(2, |b| *b == decimal);
    let whole = parts.next().unwrap_or_default();
    let rest = parts.next();
    let mut plain = Vec::with_capacity(cell.len());
    match profile.thousands {
        Some(mark) if whole.contains(&mark) => {
            let (sign, digits) = match whole.first() {
                Some(sign @ (b'-' | b'+')) => (Some(*sign), &whole[1..]),
                _ => (None, whole),
            };
            let groups: Vec<&[u8]> = digits.split(|b| *b == mark).collect();
            let all = |g: &[u8]| !g.is_empty() && g.iter().all(u8::is_ascii_digit);
            let right = groups.iter().enumerate().all(|(i, g)| {
                all(g) && if i == 0 { g.len() <= 3 } else { g.len() == 3 }
            });
            if !right {
                return NumberCell::OtherMarks;
            }
            plain.extend(sign);
            plain.extend(groups.concat());
        }
        _ => plain.extend(whole),
    }
    if let Some(rest) = rest {
        plain.push(b'.');
        plain.extend(rest);
    }
    let other = |b: &u8| b",' ".contains(b);
    let points = plain.iter().filter(|b| **b == b'.').count();
    match plain.iter().any(other) || points > usize::from(rest.is_some()) {
        true => NumberCell::OtherMarks,
        false => NumberCell::Number(plain),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_the_marks_of_the_profile_and_no_others() {
        let german = ImportProfile {
            decimal: Some(b','),
            thousands: Some(b'.'),
            ..ImportProfile::default()
        };
        let read = |text: &str, profile: &ImportProfile| match number(text.as_bytes(), profile) {
            NumberCell::Number(plain) => String::from_utf8(plain).unwrap(),
            other => format!("{other:?}"),
        };
        assert_eq!(read("-1.234,5", &german), "-1234.5");
        assert_eq!(read("0,25", &german), "0.25");
        assert_eq!(read("1.23,5", &german), "OtherMarks");
        assert_eq!(read("1,234.5", &german), "OtherMarks");
        let plain = ImportProfile::default();
        assert_eq!(read("1,5", &plain), "OtherMarks");
        assert_eq!(read("1.5e-3", &plain), "1.5e-3");
        assert_eq!(read("off", &plain), "Other");
        let apart = ImportProfile {
            thousands: Some(b','),
            ..ImportProfile::default()
        };
        assert_eq!(read("3,231.25", &apart), "3231.25");
        assert_eq!(read("3,23", &apart), "OtherMarks");
    }
}
