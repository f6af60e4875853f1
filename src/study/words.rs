//! Words that a file may use, and how a wrong one is answered.

/// The known word nearest to a wrong one, when it is near enough to be meant.
///
/// Upper and lower case do not count; nearness is the Jaro-Winkler similarity, at least 0.75.
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word = word.to_lowercase();
    known
        .into_iter()
        .map(|k| (strsim::jaro_winkler(&word, &k.to_lowercase()), k))
        .filter(|(similarity, _)| *similarity >= 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, k)| k)
}

/// The same for a code: one of other digits is another's, however near it looks. Their order and zeros may be a slip.
pub fn nearest_code<'a>(code: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let digits = |code: &str| {
        let mut digits: Vec<char> = code.chars().filter(|c| ('1'..='9').contains(c)).collect();
        digits.sort_unstable();
        digits
    };
    let own = digits(code);
    nearest(code, known.into_iter().filter(|k| digits(k) == own))
}

/// Whether a word may be meant for a ceiling of force: `ceiling`, `cieling_n`, `force_limit`, `max_force_n`, `alarm`.
///
/// Whoever writes one counts on being warned at that force, so it must not be passed over as any unknown word is.
pub fn resembles_ceiling(word: &str) -> bool {
    let word = word.to_lowercase();
    let parts: Vec<&str> = word.split(|c: char| !c.is_alphanumeric()).filter(|p| !p.is_empty()).collect();
    let near_ceiling = |p: &&str| p.contains("ceil") || strsim::jaro_winkler(p, "ceiling") >= 0.85;
    let warns = |p: &&str| p.starts_with("limit") || p.starts_with("alarm") || p.ends_with("limit") || p.ends_with("limits");
    let most = |p: &&str| matches!(*p, "max" | "maximum" | "maximal" | "most" | "highest" | "upper");
    let loads = |p: &&str| matches!(*p, "force" | "pressure" | "peak" | "load" | "newton" | "newtons" | "n");
    let any = |is: &dyn Fn(&&str) -> bool| parts.iter().any(is);
    any(&near_ceiling) || any(&warns) || (any(&most) && (any(&loads) || parts.len() == 1))
}

/// `a, b or c`.
pub fn one_of(words: &[&str]) -> String {
    match words {
        [] => String::new(),
        [only] => (*only).to_owned(),
        [most @ .., last] => format!("{} or {last}", most.join(", ")),
    }
}

/// `a, b and c`.
pub fn list(words: &[String]) -> String {
    match words {
        [] => String::new(),
        [only] => only.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// Text taken from a file as it may stand in a message: one line, at most 60 characters, no control signs.
pub fn shown(text: &str) -> String {
    let clean: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(61)
        .collect();
    let clean = clean.trim();
    if clean.chars().count() > 60 {
        let cut: String = clean.chars().take(57).collect();
        format!("{cut}...")
    } else if clean.is_empty() {
        "an empty cell".to_owned()
    } else {
        clean.to_owned()
    }
}

/// Whether a cell with a comma may be a number with its thousands set apart, `3,231` for three thousand: one to three
/// digits, then groups of three. In a table separated by commas nothing else tells it from a decimal comma.
pub fn could_be_thousands(cell: &[u8]) -> bool {
    let cell = cell.trim_ascii();
    let cell = cell.strip_prefix(b"-").or(cell.strip_prefix(b"+")).unwrap_or(cell);
    let mut groups = cell.split(|b| *b == b',');
    let first = groups.next().unwrap_or_default();
    let digits = |group: &[u8]| group.iter().all(u8::is_ascii_digit);
    let rest: Vec<&[u8]> = groups.collect();
    // Nobody sets thousands apart behind a nought.
    !rest.is_empty()
        && matches!(first.len(), 1..=3)
        && digits(first)
        && first[0] != b'0'
        && rest.iter().all(|group| group.len() == 3 && digits(group))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_near_word_is_offered_and_a_far_one_is_not() {
        assert_eq!(nearest("examinr", ["subject", "examiner"]), Some("examiner"));
        assert_eq!(nearest("Leftt", ["left", "right"]), Some("left"));
        assert_eq!(nearest("zzz", ["subject", "examiner"]), None);
        assert_eq!(nearest_code("L-8", ["L-18", "L-08"]), Some("L-08"));
        assert_eq!(nearest_code("l-12", ["V-12", "L-12"]), Some("L-12"));
        assert_eq!(nearest_code("V-70", ["V-07", "V-17"]), Some("V-07"));
        assert_eq!(nearest_code("L-99", ["L-19", "L-09"]), None);
    }

    #[test]
    fn what_may_be_meant_for_a_ceiling_is_known_and_other_slips_are_not() {
        for word in [
            "ceiling", "ceilings", "Ceiling_N", "cieling_n", "celing", "ceiling-lumbar", "lumbar_ceiling", "force_limit",
            "limits", "max_force_n", "max", "alarm_n", "peak_max",
        ] {
            assert!(resembles_ceiling(word), "{word}");
        }
        for word in ["compair", "filtre", "titel", "examinr", "sitee", "maximum_rate_hz", "calling", "notes"] {
            assert!(!resembles_ceiling(word), "{word}");
        }
    }

    #[test]
    fn lists_read_as_english() {
        assert_eq!(one_of(&["a"]), "a");
        assert_eq!(one_of(&["a", "b", "c"]), "a, b or c");
        assert_eq!(list(&["a".into(), "b".into()]), "a and b");
    }

    #[test]
    fn shown_text_is_one_short_line() {
        assert_eq!(shown("a\nb\u{1b}[31m"), "a b [31m");
        assert_eq!(shown("").as_str(), "an empty cell");
        assert_eq!(shown(&"x".repeat(1000)).chars().count(), 60);
    }
}
