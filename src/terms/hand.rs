//! What of the hand is on the back.

use super::closed_terms;

closed_terms! {
    /// The part of the hand in contact. The order is that of the words, which tables are sorted by.
    pub enum Contact {
        /// One hand on the other over the spinous line.
        Reinforced = "reinforced",
        Thenar = "thenar",
        Thumb = "thumb",
        ThumbFinger = "thumb_finger",
    }
}

impl Contact {
    /// The contact as a person reads it.
    pub fn label(self) -> String {
        self.word().replace('_', " and ")
    }
}
