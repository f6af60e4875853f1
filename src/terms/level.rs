//! Levels and regions of the spine, in the order a scan meets them from the neck down.

use super::closed_terms;

closed_terms! {
    /// A level of the spine; the order is from the neck down.
    pub enum Level {
        C2 = "C2",
        C3 = "C3",
        C4 = "C4",
        C5 = "C5",
        C6 = "C6",
        C7 = "C7",
        T1 = "T1",
        T2 = "T2",
        T3 = "T3",
        T4 = "T4",
        T5 = "T5",
        T6 = "T6",
        T7 = "T7",
        T8 = "T8",
        T9 = "T9",
        T10 = "T10",
        T11 = "T11",
        T12 = "T12",
        L1 = "L1",
        L2 = "L2",
        L3 = "L3",
        L4 = "L4",
        L5 = "L5",
        SacralBase = "sacral_base",
        /// The joint between sacrum and ilium.
        Si = "SI",
    }
}

impl Level {
    /// Rank from the neck down, from 0.
    pub fn rank(self) -> usize {
        self as usize
    }

    /// The stretch of the spine it belongs to.
    pub fn region(self) -> Region {
        match self {
            l if l <= Level::C7 => Region::Neck,
            l if l <= Level::T12 => Region::Thoracic,
            l if l <= Level::L5 => Region::Lumbar,
            _ => Region::Sacral,
        }
    }

    /// The level as a person reads it.
    pub fn label(self) -> &'static str {
        match self {
            Level::SacralBase => "sacral base",
            _ => self.word(),
        }
    }
}

/// What a contact covered, as a person reads it: its own level, or `T4–T6` where it covered several.
pub fn covered_label(covers: &[Level], level: Option<Level>) -> Option<String> {
    match covers {
        [first, .., last] => Some(format!("{}–{}", first.label(), last.label())),
        _ => level.map(|l| l.label().to_owned()),
    }
}

closed_terms! {
    /// A stretch of the spine with one ceiling.
    pub enum Region {
        Neck = "neck",
        Thoracic = "thoracic",
        Lumbar = "lumbar",
        Sacral = "sacral",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn regions_meet_where_anatomy_says() {
        // Seven cervical, twelve thoracic and five lumbar vertebrae: common knowledge of the trade, no source.
        for (level, region) in [
            ("C7", Region::Neck),
            ("T1", Region::Thoracic),
            ("T12", Region::Thoracic),
            ("L1", Region::Lumbar),
            ("L5", Region::Lumbar),
            ("sacral_base", Region::Sacral),
            ("SI", Region::Sacral),
        ] {
            assert_eq!(Level::parse(level).map(Level::region), Some(region), "{level}");
        }
        assert_eq!(Level::parse("L6"), None);
    }
}
