//! Codes of people: warned of when they look like a name, a mail address or a birth date.

/// What a code looks like, when it looks like something that tells who a person is.
///
/// A guess by form alone: anything with digits beside letters passes as a code; so do words in small letters or in
/// capitals only (`dummy`, `MODEL`).
///
/// ```
/// use tautpoint::study::codes::code_warning;
/// assert_eq!(code_warning("V-07"), None);
/// assert_eq!(code_warning("Anna Example"), Some("a name"));
/// assert_eq!(code_warning("a@b.example"), Some("a mail address"));
/// assert_eq!(code_warning("1987-03-02"), Some("a birth date"));
/// ```
pub fn code_warning(code: &str) -> Option<&'static str> {
    let code = code.trim();
    if looks_like_mail(code) {
        Some("a mail address")
    } else if looks_like_date(code) {
        Some("a birth date")
    } else if looks_like_name(code) {
        Some("a name")
    } else {
        None
    }
}

fn looks_like_mail(code: &str) -> bool {
    code.split_once('@')
        .is_some_and(|(user, host)| !user.is_empty() && host.contains('.'))
}

/// A year of 1900 to 2099 with a month and a day beside it, in any usual order, or the same without separators.
fn looks_like_date(code: &str) -> bool {
    let numbers: Vec<&str> = code
        .split(|c: char| !c.is_ascii_digit())
        .filter(|part| !part.is_empty())
        .collect();
    let value = |s: &str| s.parse::<u32>().unwrap_or(0);
    let is_year = |s: &str| s.len() == 4 && (1900..=2099).contains(&value(s));
    let is_small = |s: &str, most: u32| s.len() <= 2 && (1..=most).contains(&value(s));
    let day_and_month =
        |a: &str, b: &str| (is_small(a, 31) && is_small(b, 12)) || (is_small(a, 12) && is_small(b, 31));
    let apart = numbers.windows(3).any(|w| match w {
        [a, b, c] => (is_year(a) && day_and_month(b, c)) || (is_year(c) && day_and_month(a, b)),
        _ => false,
    });
    let together = numbers.iter().any(|n| {
        n.len() == 8
            && ((is_year(&n[..4]) && day_and_month(&n[4..6], &n[6..]))
                || (is_year(&n[4..]) && day_and_month(&n[..2], &n[2..4])))
    });
    apart || together
}

/// Two or more words of letters, or one word with a capital and then small letters.
fn looks_like_name(code: &str) -> bool {
    if code.chars().any(|c| c.is_ascii_digit() || "<>&".contains(c)) {
        return false;
    }
    let words: Vec<&str> = code
        .split(|c: char| c.is_whitespace() || ".,_".contains(c))
        .filter(|w| !w.is_empty())
        .collect();
    let spelt = |w: &str| w.chars().all(|c| c.is_alphabetic() || c == '-' || c == '\'');
    if words.is_empty() || !words.iter().all(|w| spelt(w)) {
        return false;
    }
    let titled = |w: &str| {
        let mut letters = w.chars();
        letters.next().is_some_and(char::is_uppercase) && w.chars().filter(|c| c.is_lowercase()).count() >= 2
    };
    let whole_words = words.iter().filter(|w| w.chars().count() >= 2).count();
    words.iter().any(|w| titled(w)) || (whole_words >= 2 && !code.contains('_'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_pass_and_people_are_noticed() {
        for good in [
            "V-07",
            "L-12",
            "s1",
            "dummy",
            "MODEL",
            "foam_block",
            "A",
            "2026-a",
            "<b>x</b>",
            "P0031",
            "T12",
        ] {
            assert_eq!(code_warning(good), None, "{good}");
        }
        for name in [
            "Anna",
            "anna example",
            "anna.example",
            "Example, Anna",
            "Anna_Example",
            "Änne",
            "O'Example",
        ] {
            assert_eq!(code_warning(name), Some("a name"), "{name}");
        }
        for date in [
            "02.03.1987",
            "1987-03-02",
            "19870302",
            "V-1987-3-2",
            "03/02/1987",
            "02031987",
        ] {
            assert_eq!(code_warning(date), Some("a birth date"), "{date}");
        }
        assert_eq!(code_warning("a.b@c.example"), Some("a mail address"));
    }
}
