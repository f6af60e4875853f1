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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_does_not_fit_ends_in_an_ellipsis() {
        let cut = fit("a very long heading of a test", 12.0, 60.0);
        assert!(cut.ends_with('…') && width(&cut, 12.0, false) <= 60.0, "{cut}");
        assert_eq!(fit("L3", 12.0, 60.0), "L3");
    }
}
