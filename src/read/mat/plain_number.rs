//! Plain decimals, read quickly and to the last digit.

/// Powers of ten that a plain number is divided by; each is exact.
const POWERS: [f64; 16] = [
    1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
];

/// A plain decimal at the beginning of a text, up to the delimiter or the end, and its length: at most 15 digits, so
/// that digits and power are exact and one division rounds once. `None` for everything else.
pub(super) fn quick(text: &[u8], delimiter: u8) -> Option<(f64, usize)> {
    let minus = text.first() == Some(&b'-');
    let mut at = usize::from(minus);
    let start = at;
    let mut digits = 0_u64;
    let mut point = None;
    let end = loop {
        let Some(&b) = text.get(at) else { break at };
        let digit = b.wrapping_sub(b'0');
        if digit < 10 {
            digits = digits * 10 + u64::from(digit);
        } else if b == delimiter {
            break at;
        } else if b == b'.' && point.is_none() {
            point = Some(at);
        } else {
            return None;
        }
        at += 1;
        if at - start > 16 {
            return None;
        }
    };
    let count = end - start - usize::from(point.is_some());
    if count == 0 || count > 15 {
        return None;
    }
    let decimals = point.map_or(0, |p| end - p - 1);
    let value = match decimals {
        0 => digits as f64,
        d => digits as f64 / POWERS[d],
    };
    Some((if minus { -value } else { value }, end))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_decimals_are_read_to_the_last_digit() {
        for text in ["0", "-0.5", "12.34", "0.1", "123456789.012345", "7.", ".25", "-3"] {
            let (value, n) = quick(format!("{text},9").as_bytes(), b',').unwrap();
            assert_eq!((value, n), (text.parse::<f64>().unwrap(), text.len()), "{text}");
        }
        for text in [
            "",
            "-",
            ".",
            "1e3",
            "1.2.3",
            "1234567890123456",
            " 1",
            "nan",
            "1-2",
        ] {
            assert_eq!(quick(format!("{text},9").as_bytes(), b','), None, "{text}");
        }
    }
}
