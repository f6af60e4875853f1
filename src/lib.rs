//! tautpoint measures manual spinal palpation.
//!
//! Data flows one way; each module imports only those named before it here.

#![forbid(unsafe_code)]

pub mod error;
pub mod units;
pub mod terms;
pub mod settings;
pub mod columns;
pub mod trace;
pub mod study;
pub mod stats;
pub mod calibrate;
pub mod mat;
pub mod read;
pub mod write;
pub mod signal;
pub mod simulate;
pub mod instrument;
pub mod acquire;
pub mod compare;
pub mod agreement;
pub mod technique;
pub mod plot;
pub mod report;
pub mod batch;
pub mod cohort;
pub mod live;
pub mod cli;
