//! The direction of the push.

use serde::{Deserialize, Serialize};
use std::fmt;

/// Angle of the push above the horizontal toward the head, over 90° toward the feet, kept to the millionth of a degree:
/// two that agree so far are the same line of drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(into = "f64", try_from = "f64")]
pub struct LineOfDrive(u32);

impl LineOfDrive {
    /// `None` outside 0 to 180 degrees.
    pub fn new(degrees: f64) -> Option<LineOfDrive> {
        (0.0..=180.0)
            .contains(&degrees)
            .then(|| LineOfDrive((degrees * 1e6).round() as u32))
    }

    /// A whole number of degrees that the program itself knows.
    pub(crate) const fn whole(degrees: u32) -> LineOfDrive {
        assert!(degrees <= 180);
        LineOfDrive(degrees * 1_000_000)
    }

    /// In degrees. A quotient of whole numbers is the double nearest to the decimal, so that what was read with six
    /// places prints as it was written.
    pub fn degrees(self) -> f64 {
        f64::from(self.0) / 1e6
    }
}

impl fmt::Display for LineOfDrive {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.degrees(), f)
    }
}

impl From<LineOfDrive> for f64 {
    fn from(line: LineOfDrive) -> f64 {
        line.degrees()
    }
}

impl TryFrom<f64> for LineOfDrive {
    type Error = &'static str;

    fn try_from(degrees: f64) -> Result<LineOfDrive, &'static str> {
        LineOfDrive::new(degrees).ok_or("a line of drive outside 0 to 180 degrees")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_millionth_of_a_degree_tells_two_lines_apart_and_less_does_not() {
        let at = |d| LineOfDrive::new(d).unwrap();
        assert_eq!(at(60.0), at(60.000_000_4));
        assert_ne!(at(60.0), at(60.000_001));
        assert_eq!(LineOfDrive::whole(60), at(60.0));
        for outside in [-0.1, 180.1, f64::NAN] {
            assert_eq!(LineOfDrive::new(outside), None);
        }
    }

    proptest! {
        #[test]
        fn six_decimals_come_back_as_they_were_written(millionths in 0_u32..=180_000_000) {
            let text = format!("{}.{:06}", millionths / 1_000_000, millionths % 1_000_000);
            let degrees: f64 = text.parse().unwrap();
            prop_assert_eq!(LineOfDrive::new(degrees).unwrap().degrees(), degrees);
        }
    }
}
