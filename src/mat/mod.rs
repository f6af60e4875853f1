//! A pressure mat between hands and back: frames to hands. Pure; [`crate::read`] brings the frames.
//!
//! Each frame is worked on by itself ([`frame`]): baseline off, loaded areas found ([`areas`]), the rest summed over
//! coarse squares. What is kept of the frames ([`collect`]) is then followed through time ([`tracks`]), episode by episode
//! ([`episode`]), to the subject's left and right hand ([`hands`]), whose forces become the channels of a trace.

pub mod areas;
pub mod baseline;
pub mod cells;
pub mod collect;
pub mod fill;
pub mod frame;
pub mod geometry;
pub mod hands;
pub mod record;
pub mod shown;
pub mod episode;
pub mod tracks;

pub use geometry::Geometry;
pub use record::{MatRecord, MatUncertainty};
pub use shown::MatTest;
