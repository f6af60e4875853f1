//! How wide words are, so that labels can be placed before anything draws them.

/// Advance widths of the printable ASCII characters in DejaVu Sans 2.37, in 1/2048 em (the font's own table).
const ADVANCE: [u16; 95] = [
    651, 821, 942, 1716, 1303, 1946, 1597, 563, 799, 799, 1024, 1716, 651, 739, 651, 690, 1303, 1303, 1303,
    1303, 1303, 1303, 1303, 1303, 1303, 1303, 690, 690, 1716, 1716, 1716, 1087, 2048, 1401, 1405, 1430, 1577,
    1294, 1178, 1587, 1540, 604, 604, 1343, 1141, 1767, 1532, 1612, 1235, 1612, 1423, 1300, 1251, 1499, 1401,
    2025, 1403, 1251, 1403, 799, 690, 799, 1716, 1024, 1024, 1255, 1300, 1126, 1300, 1260, 721, 1300, 1298,
    569, 569, 1186, 569, 1995, 1298, 1253, 1300, 1300, 842, 1067, 803, 1298, 1212, 1675, 1212, 1212, 1075,
    1303, 690, 1303, 1716,
];
/// Bold runs about this much wider.
const BOLD: f64 = 1.12;

/// Width of a line of text in DejaVu Sans, in the unit of `size`.
///
/// Signs outside ASCII count as 0.84 em, wide scripts as a full em: an upper bound for what figures use.
pub fn width(text: &str, size: f64, bold: bool) -> f64 {
    let units: f64 = text
        .chars()
        .map(|c| match c as u32 {
            code @ 32..=126 => f64::from(ADVANCE[(code - 32) as usize]),
            0xb7 => 651.0,
            0x2013 => 1024.0,
            0..=0x2fff => 1716.0,
            _ => 2048.0,
        })
        .sum();
    units / 2048.0 * size * if bold { BOLD } else { 1.0 }
}

/// Cuts a text to a width, ending it in an ellipsis.
pub fn fit(text: &str, size: f64, room: f64) -> String {
    if width(text, size, false) <= room {
        return text.to_owned();
    }
    let mut kept = String::new();
    for c in text.chars() {
        kept.push(c);
        if width(&kept, size, false) + 0.84 * size > room {
            kept.pop();
            break;
        }
    }
    format!("{}…", kept.trim_end())
}

/// One line, without control characters: they are not allowed in XML.
pub fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| {
            if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') {
                ' '
            } else {
                c
            }
        })
        .collect()
}

/// Escapes for XML and HTML text and attributes.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

/// A number as people write it: a true minus sign, no `-0`.
pub fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let zero = text.chars().all(|c| matches!(c, '-' | '0' | '.'));
    match text.strip_prefix('-') {
        Some(rest) if zero => rest.to_owned(),
        Some(rest) => format!("\u{2212}{rest}"),
        None => text,
    }
}

/// Coverage of an interval as people write it: `95 %`, `99.9 %`.
pub fn coverage(confidence: f64) -> String {
    let text = format!("{:.2}", 100.0 * confidence);
    format!("{} %", text.trim_end_matches('0').trim_end_matches('.'))
}

/// A value with the half-width of its interval; up to two more decimals when the half-width would print as 0.
pub fn plus_minus(value: f64, u95: Option<f64>, decimals: usize) -> String {
    let Some(u) = u95.filter(|u| u.is_finite() && *u > 0.0) else {
        return number(value, decimals);
    };
    let shows = |d: usize| u >= 0.5 * 10f64.powi(-(d as i32));
    let d = (decimals..=decimals + 2)
        .find(|&d| shows(d))
        .unwrap_or(decimals + 2);
    format!("{} ± {}", number(value, d), number(u, d))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_half_width_is_never_printed_as_nought() {
        assert_eq!(plus_minus(8.2, Some(0.02), 2), "8.20 ± 0.02");
        assert_eq!(plus_minus(17.5, Some(0.4), 1), "17.5 ± 0.4");
        assert_eq!(plus_minus(17.5, Some(0.013), 1), "17.50 ± 0.01");
        assert_eq!(plus_minus(17.5, None, 1), "17.5");
        assert_eq!(number(-0.04, 1), "0.0");
        assert_eq!(number(-3.0, 0), "\u{2212}3");
    }

    #[test]
    fn coverage_has_no_needless_decimals() {
        assert_eq!(coverage(0.95), "95 %");
        assert_eq!(coverage(0.999), "99.9 %");
        assert_eq!(coverage(0.9), "90 %");
    }

    #[test]
    fn what_does_not_fit_ends_in_an_ellipsis() {
        let cut = fit("a very long heading of a test", 12.0, 60.0);
        assert!(cut.ends_with('…') && width(&cut, 12.0, false) <= 60.0, "{cut}");
        assert_eq!(fit("L3", 12.0, 60.0), "L3");
    }
}
