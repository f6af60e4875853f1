//! Sides of a test and of a step of a plan.

use super::closed_terms;

closed_terms! {
    /// Whose left and right: always the subject's.
    pub enum Side {
        Left = "left",
        Right = "right",
        Midline = "midline",
    }
}

closed_terms! {
    /// Which side a step is on.
    pub enum StepSide {
        Left = "left",
        Right = "right",
        Midline = "midline",
        /// One step with two tests: left and right, together or one after the other.
        Both = "both",
    }
}

impl StepSide {
    /// The sides of the tests that the step gives.
    pub fn sides(self) -> &'static [Side] {
        match self {
            StepSide::Left => &[Side::Left],
            StepSide::Right => &[Side::Right],
            StepSide::Midline => &[Side::Midline],
            StepSide::Both => &[Side::Left, Side::Right],
        }
    }
}

impl From<Side> for StepSide {
    fn from(side: Side) -> StepSide {
        match side {
            Side::Left => StepSide::Left,
            Side::Right => StepSide::Right,
            Side::Midline => StepSide::Midline,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sides_are_three_words_and_no_more() {
        assert_eq!(Side::parse("left"), Some(Side::Left));
        assert_eq!(Side::parse("Left"), None);
        assert_eq!(Side::parse("both"), None);
    }

    #[test]
    fn a_word_comes_back_from_serde_and_a_wrong_one_is_answered_with_the_list() {
        let json = serde_json::to_string(&StepSide::Both).unwrap();
        assert_eq!(json, "\"both\"");
        assert_eq!(serde_json::from_str::<StepSide>(&json).unwrap(), StepSide::Both);
        let wrong = serde_json::from_str::<Side>(&json).unwrap_err().to_string();
        assert!(wrong.contains("left, right, midline"), "{wrong}");
    }
}
