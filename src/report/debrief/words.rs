//! Findings in the words of a page: what to try, said to the one who pressed.

use crate::technique::TechniqueRule;

/// What to try, as a heading.
pub fn try_next(rule: TechniqueRule) -> &'static str {
    match rule {
        TechniqueRule::OverCeiling => "Stay under the ceiling",
        TechniqueRule::SprungBeforeSlackOut => "Let the slack come out before you spring",
        TechniqueRule::SlackNotShownOut => "Lean until the tissue stops giving way",
        TechniqueRule::SpringTooSmall => "Let the spring travel a little further",
        TechniqueRule::SpringTooDeep => "Let the spring travel a little less",
        TechniqueRule::QuickSpring => "Give the spring a little more time",
        TechniqueRule::UnsteadyHold => "Hold still before the spring",
        TechniqueRule::CameOffBetweenSprings => "Keep your weight on between springs",
        TechniqueRule::UnevenHands => "Put the same weight on both hands",
        TechniqueRule::UnevenSprings => "Make one spring like the next",
        TechniqueRule::OffLineOfDrive => "Follow the planned line of drive",
        TechniqueRule::LevelMissed => "Reach every level of the plan",
        TechniqueRule::LevelDoubled => "Count the levels as you go",
        TechniqueRule::LevelOutOfOrder => "Keep to the order of the plan",
    }
}

/// The finding's name as the beginning of a sentence: `Level missed`.
pub fn rule_words(rule: TechniqueRule) -> String {
    let words = rule.to_string();
    let mut letters = words.chars();
    let first = letters.next().into_iter().flat_map(char::to_uppercase);
    first.chain(letters).collect()
}

/// Seconds as minutes and seconds, or as seconds below a minute.
pub fn minutes(seconds: f64) -> String {
    let whole = seconds.round().max(0.0) as u64;
    match whole / 60 {
        0 => format!("{whole}\u{a0}s"),
        min => format!("{min}\u{a0}min {:02}\u{a0}s", whole % 60),
    }
}
