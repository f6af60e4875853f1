//! Findings in the words of a page: what to try, said to the one who pressed.

/// Short headings that say what to try, by the finding's fixed name.
const TRY: [(&str, &str); 15] = [
    ("over_ceiling", "Stay under the ceiling"),
    (
        "sprung_before_slack_out",
        "Let the slack come out before you spring",
    ),
    ("slack_not_shown_out", "Lean until the tissue stops giving way"),
    ("spring_too_small", "Let the spring travel a little further"),
    ("spring_too_deep", "Let the spring travel a little less"),
    ("quick_spring", "Give the spring a little more time"),
    ("unsteady_hold", "Hold still before the spring"),
    ("came_off_between_springs", "Keep your weight on between springs"),
    ("uneven_hands", "Put the same weight on both hands"),
    ("uneven_springs", "Make one spring like the next"),
    ("off_line_of_drive", "Follow the planned line of drive"),
    ("level_missed", "Reach every level of the plan"),
    ("level_doubled", "Count the levels as you go"),
    ("level_out_of_order", "Keep to the order of the plan"),
    ("came_off", "Keep your weight on between springs"),
];

/// What to try, as a heading. A finding without a heading of its own keeps its name.
pub fn try_next(finding: &str) -> String {
    let found = TRY.iter().find(|(name, _)| *name == finding);
    found.map_or_else(|| finding_words(finding), |(_, words)| (*words).to_owned())
}

/// The finding's name as words: `Level missed`.
pub fn finding_words(finding: &str) -> String {
    let words = finding.replace('_', " ");
    let mut letters = words.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => String::new(),
    }
}

/// `1 test`, `3 tests`.
pub fn count(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// Seconds as minutes and seconds, or as seconds below a minute.
pub fn minutes(seconds: f64) -> String {
    let whole = seconds.round().max(0.0) as u64;
    match whole / 60 {
        0 => format!("{whole}\u{a0}s"),
        min => format!("{min}\u{a0}min {:02}\u{a0}s", whole % 60),
    }
}
