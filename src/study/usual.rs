//! How a level is usually touched, one level at a time: common practice, no source.

use crate::terms::{Contact, Landmark, Level, LineOfDrive, Region};

/// Contact, landmark and line of drive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UsualContact {
    pub contact: Contact,
    pub landmark: Landmark,
    pub line_of_drive: LineOfDrive,
}

impl UsualContact {
    /// For a subject who lies prone.
    pub fn at(level: Level) -> UsualContact {
        let (contact, landmark, degrees) = match (level, level.region()) {
            (Level::Si, _) => (Contact::Thenar, "PSIS", 90),
            (_, Region::Sacral) => (Contact::Thumb, "medial to each PSIS", 90),
            (_, Region::Lumbar) => (Contact::Thumb, "mammillary processes", 90),
            (_, Region::Thoracic) => (Contact::Thumb, "transverse processes", 60),
            (_, Region::Neck) => (Contact::ThumbFinger, "articular pillars", 45),
        };
        UsualContact {
            contact,
            landmark: Landmark::known(landmark),
            line_of_drive: LineOfDrive::whole(degrees),
        }
    }
}
