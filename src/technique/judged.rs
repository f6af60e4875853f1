//! Whether a rule could be judged in a test at all: what was not measured is neither kept nor broken.

use super::TechniqueRule;
use super::band::{Aspect, band_check};
use crate::settings::Settings;
use crate::trace::{Knee, Test};

impl TechniqueRule {
    /// Whether the test was measured by what the rule is judged by; rules on the plan are judged by scans.
    pub fn is_judged_in(self, test: &Test, settings: &Settings) -> bool {
        match self.aspect() {
            Some(aspect) => band_check(test, aspect, settings).is_some(),
            None if self == TechniqueRule::SlackNotShownOut => test.knee != Knee::NotLooked,
            None => true,
        }
    }

    fn aspect(self) -> Option<Aspect> {
        match self {
            TechniqueRule::OverCeiling => Some(Aspect::TotalPeak),
            TechniqueRule::SprungBeforeSlackOut => Some(Aspect::PastOnset),
            TechniqueRule::SpringTooSmall | TechniqueRule::SpringTooDeep => Some(Aspect::Excursion),
            TechniqueRule::QuickSpring => Some(Aspect::TimeToPeak),
            TechniqueRule::UnsteadyHold => Some(Aspect::Hold),
            TechniqueRule::CameOffBetweenSprings => Some(Aspect::BetweenSprings),
            TechniqueRule::UnevenHands => Some(Aspect::HandShare),
            TechniqueRule::UnevenSprings => Some(Aspect::PeakSpread),
            TechniqueRule::OffLineOfDrive => Some(Aspect::LineOfDrive),
            TechniqueRule::SlackNotShownOut
            | TechniqueRule::LevelMissed
            | TechniqueRule::LevelDoubled
            | TechniqueRule::LevelOutOfOrder => None,
        }
    }

    /// Why it was not measured where no test or scan could be judged by it.
    pub fn lacks(self) -> &'static str {
        match self {
            TechniqueRule::OverCeiling => "no test with a force",
            TechniqueRule::SprungBeforeSlackOut => "no test with an onset and a spring in displacement",
            TechniqueRule::SlackNotShownOut => "no test with a displacement to look for the knee in",
            TechniqueRule::SpringTooSmall | TechniqueRule::SpringTooDeep => "no test with springs in displacement",
            TechniqueRule::QuickSpring => "no test with springs",
            TechniqueRule::UnsteadyHold => "no test with a hold before the springs",
            TechniqueRule::CameOffBetweenSprings => "no test with several springs",
            TechniqueRule::UnevenHands => "no test with both hands on a sensor of its own",
            TechniqueRule::UnevenSprings => "no test with several springs that count",
            TechniqueRule::OffLineOfDrive => "no test with a tilt sensor and a planned line of drive",
            TechniqueRule::LevelMissed | TechniqueRule::LevelDoubled | TechniqueRule::LevelOutOfOrder => {
                "no scan with a plan"
            }
        }
    }
}
