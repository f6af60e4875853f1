//! What the detector says of one side.

/// Something that happened, at a sample index counted from the first sample pushed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Event {
    /// The hand came on.
    ContactBegan {
        /// The first sample of the contact.
        index: usize,
    },
    /// A spring's peak. Without displacement springs come only when the hand leaves, since their size is judged
    /// against the test's largest.
    Spring(SpringMark),
    /// The hand left; `cut_off` when the recording ended first.
    ContactEnded {
        /// The last sample of the contact.
        index: usize,
        /// The recording ended first.
        cut_off: bool,
    },
}

impl Event {
    /// The same event with its samples counted in another way.
    #[must_use]
    pub fn at(self, place: impl Fn(usize) -> usize) -> Event {
        match self {
            Event::ContactBegan { index } => Event::ContactBegan { index: place(index) },
            Event::Spring(mark) => Event::Spring(SpringMark {
                peak: place(mark.peak),
                rest: place(mark.rest),
            }),
            Event::ContactEnded { index, cut_off } => Event::ContactEnded {
                index: place(index),
                cut_off,
            },
        }
    }
}

/// Where a spring is: refined later on the zero-phase signals, never re-decided.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpringMark {
    /// Sample of the peak.
    pub peak: usize,
    /// Where the hand was slowest before this spring's rise; its limb does not start earlier.
    pub rest: usize,
}
