//! The names of the rules.

use serde::{Deserialize, Serialize};
use std::fmt;

/// A rule of technique, by the name of its findings. Findings come in this order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TechniqueRule {
    OverCeiling,
    SprungBeforeSlackOut,
    SlackNotShownOut,
    SpringTooSmall,
    SpringTooDeep,
    QuickSpring,
    UnsteadyHold,
    CameOffBetweenSprings,
    UnevenHands,
    UnevenSprings,
    OffLineOfDrive,
    LevelMissed,
    LevelDoubled,
    LevelOutOfOrder,
}

impl TechniqueRule {
    /// The word in tables and JSON.
    pub fn word(self) -> &'static str {
        match self {
            TechniqueRule::OverCeiling => "over_ceiling",
            TechniqueRule::SprungBeforeSlackOut => "sprung_before_slack_out",
            TechniqueRule::SlackNotShownOut => "slack_not_shown_out",
            TechniqueRule::SpringTooSmall => "spring_too_small",
            TechniqueRule::SpringTooDeep => "spring_too_deep",
            TechniqueRule::QuickSpring => "quick_spring",
            TechniqueRule::UnsteadyHold => "unsteady_hold",
            TechniqueRule::CameOffBetweenSprings => "came_off_between_springs",
            TechniqueRule::UnevenHands => "uneven_hands",
            TechniqueRule::UnevenSprings => "uneven_springs",
            TechniqueRule::OffLineOfDrive => "off_line_of_drive",
            TechniqueRule::LevelMissed => "level_missed",
            TechniqueRule::LevelDoubled => "level_doubled",
            TechniqueRule::LevelOutOfOrder => "level_out_of_order",
        }
    }

    /// Whether it is about how the scan plan was kept, so that it is counted by scans and tells nothing measured.
    pub fn is_of_the_plan(self) -> bool {
        matches!(
            self,
            TechniqueRule::LevelMissed | TechniqueRule::LevelDoubled | TechniqueRule::LevelOutOfOrder
        )
    }
}

/// The name as words: `level missed`.
impl fmt::Display for TechniqueRule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.word().replace('_', " "))
    }
}
