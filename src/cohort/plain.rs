//! A recording's delimited text as columns of numbers with the recipe to write the same bytes again.

use serde_json::{Value, json};
use std::fmt::Write as _;

/// How a column's numbers are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Digits {
    /// Always so many decimals.
    Fixed(usize),
    /// As few digits as tell the number.
    Shortest,
}

/// What the text has besides its numbers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recipe {
    /// Byte order mark, comments and headings, as they stand.
    pub head: String,
    pub delimiter: char,
    pub comma: bool,
    /// Lines end in CR LF.
    pub crlf: bool,
    /// The last line ends as the others do.
    pub ended: bool,
    pub digits: Vec<Digits>,
}

impl Recipe {
    /// As JSON, for a file that holds the numbers.
    pub fn to_json(&self) -> String {
        let digits = self.digits.iter().map(|d| match d {
            Digits::Fixed(n) => json!(n),
            Digits::Shortest => Value::Null,
        });
        json!({
            "head": self.head,
            "delimiter": self.delimiter,
            "decimal_comma": self.comma,
            "crlf": self.crlf,
            "last_line_ended": self.ended,
            "decimals": digits.collect::<Value>(),
        })
        .to_string()
    }

    /// Reads [`Recipe::to_json`]; `None` for anything else, or one for another number of columns.
    pub fn read(text: &str, columns: usize) -> Option<Recipe> {
        let recipe: Value = serde_json::from_str(text).ok()?;
        let yes = |key: &str| recipe[key].as_bool();
        let digits: Option<Vec<Digits>> = recipe["decimals"]
            .as_array()?
            .iter()
            .map(|d| match d {
                Value::Null => Some(Digits::Shortest),
                number => Some(Digits::Fixed(
                    usize::try_from(number.as_u64()?).ok().filter(|n| *n < 64)?,
                )),
            })
            .collect();
        Some(Recipe {
            head: recipe["head"].as_str()?.to_owned(),
            delimiter: recipe["delimiter"].as_str()?.chars().next()?,
            comma: yes("decimal_comma")?,
            crlf: yes("crlf")?,
            ended: yes("last_line_ended")?,
            digits: digits.filter(|d| d.len() == columns)?,
        })
    }
}

/// A text that comes back byte for byte.
#[derive(Debug, Clone, PartialEq)]
pub struct Plain {
    pub headings: Vec<String>,
    /// One list a heading, all as long; a missing cell is `None`.
    pub columns: Vec<Vec<Option<f64>>>,
    pub recipe: Recipe,
}

impl Plain {
    /// Reads a text that [`Plain::text`] gives back byte for byte; `None` for any other: with quotes, with comments
    /// between its rows, with cells that are no numbers or numbers written in several ways.
    pub fn read(text: &str) -> Option<Plain> {
        let crlf = text.contains("\r\n");
        let line_end = if crlf { "\r\n" } else { "\n" };
        let mut head_end = 0;
        let heading_line = loop {
            let line = text.get(head_end..)?.split(line_end).next()?;
            head_end += line.len() + line_end.len();
            let line = line.strip_prefix('\u{feff}').unwrap_or(line);
            if !line.trim().is_empty() && !line.starts_with('#') {
                break line;
            }
        };
        let head = text.get(..head_end)?;
        let delimiter = [',', ';', '\t']
            .into_iter()
            .max_by_key(|d| (heading_line.matches(*d).count(), *d == ','))?;
        let headings: Vec<String> = heading_line
            .split(delimiter)
            .map(|h| h.trim().to_owned())
            .collect();
        let body = text.get(head_end..)?;
        let ended = body.ends_with(line_end);
        let rows = body.strip_suffix(line_end).unwrap_or(body);
        let mut cells: Vec<Vec<&str>> = vec![Vec::new(); headings.len()];
        for row in rows.split(line_end) {
            let mut row = row.split(delimiter);
            for column in &mut cells {
                column.push(row.next()?);
            }
            if row.next().is_some() {
                return None;
            }
        }
        let comma = delimiter == ';' && rows.contains(',');
        let mut columns = Vec::new();
        let mut digits = Vec::new();
        for column in &cells {
            let (values, written) = numbers(column, comma)?;
            columns.push(values);
            digits.push(written);
        }
        let recipe = Recipe {
            head: head.to_owned(),
            delimiter,
            comma,
            crlf,
            ended,
            digits,
        };
        let plain = Plain {
            headings,
            columns,
            recipe,
        };
        (plain.text() == text).then_some(plain)
    }

    /// The text again.
    pub fn text(&self) -> String {
        let Recipe {
            head,
            delimiter,
            comma,
            crlf,
            ended,
            digits,
        } = &self.recipe;
        let line_end = if *crlf { "\r\n" } else { "\n" };
        let mut text = head.clone();
        let rows = self.columns.first().map_or(0, Vec::len);
        for row in 0..rows {
            for (i, (column, digits)) in self.columns.iter().zip(digits).enumerate() {
                if i > 0 {
                    text.push(*delimiter);
                }
                if let Some(value) = column.get(row).copied().flatten() {
                    let start = text.len();
                    write_number(&mut text, value, *digits);
                    if *comma && let Some(point) = text[start..].find('.') {
                        text.replace_range(start + point..=start + point, ",");
                    }
                }
            }
            if row + 1 < rows || *ended {
                text.push_str(line_end);
            }
        }
        text
    }
}

pub fn write_number(text: &mut String, value: f64, digits: Digits) {
    // Writing into a String cannot fail.
    let _ = match digits {
        Digits::Fixed(d) => write!(text, "{value:.d$}"),
        Digits::Shortest => write!(text, "{value}"),
    };
}

/// A number as text with as few digits as tell it.
pub fn shortest(value: f64) -> String {
    let mut text = String::new();
    write_number(&mut text, value, Digits::Shortest);
    text
}

/// The numbers of a column and how they are written; `None` when one is no number. Whether it is written that way
/// throughout is seen when the text is made again.
fn numbers(cells: &[&str], comma: bool) -> Option<(Vec<Option<f64>>, Digits)> {
    let mut values = Vec::with_capacity(cells.len());
    let mut decimals = None;
    let mut fixed = true;
    for cell in cells {
        if cell.is_empty() {
            values.push(None);
            continue;
        }
        let value = if comma {
            fast_float2::parse::<f64, _>(cell.replacen(',', ".", 1).as_bytes())
        } else {
            fast_float2::parse::<f64, _>(cell.as_bytes())
        };
        values.push(Some(value.ok().filter(|v| v.is_finite())?));
        let point = if comma { ',' } else { '.' };
        let own = cell.split_once(point).map_or(0, |(_, digits)| digits.len());
        fixed &= *decimals.get_or_insert(own) == own;
    }
    let digits = match (fixed, decimals) {
        (true, Some(d)) => Digits::Fixed(d),
        _ => Digits::Shortest,
    };
    Some((values, digits))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_can_be_written_again_comes_back_byte_for_byte() {
        for text in [
            "time_s,force_n\n0.000,0.10\n0.001,-0.00\n0.002,\n",
            "# a comment\n\ntime_s,force_n\n0,0.1\n1,12.25",
            "\u{feff}time_ms;force_kgf\r\n0;0,5\r\n5;1,0\r\n",
            "time_s\tforce_n\n0\t1\n1\t2\n",
            "time_s,force_n\n0.5,0.30000000000000004\n1,2\n",
        ] {
            let plain = Plain::read(text).unwrap_or_else(|| panic!("{text:?}"));
            assert_eq!(plain.text(), text);
        }
        let plain = Plain::read("time_s,force_n\n0.000,0.10\n0.001,\n").unwrap();
        assert_eq!(plain.columns, [[Some(0.0), Some(0.001)], [Some(0.1), None]]);
    }

    #[test]
    fn what_cannot_is_not_taken() {
        for text in [
            "",
            "# comments only\n",
            "time_s,force_n\n0,1\n# between\n1,2\n",
            "time_s,force_n\n0,\"1\"\n",
            "time_s,force_n\n0,abc\n",
            "time_s,force_n\n0,1\n1\n",
            "time_s,force_n\n0,1,2\n",
            "time_s,force_n\n0,+1\n",
            "time_s,force_n\n0,1e3\n",
            "time_s,force_n\n0,0.10\n1,0.2\n",
            "time_s,force_n\n0,NaN\n",
        ] {
            assert_eq!(Plain::read(text), None, "{text:?}");
        }
    }
}
