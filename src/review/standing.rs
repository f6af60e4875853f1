//! Whether each entry of corrections.toml holds: it may be taken back, or not fit its recording as it is now.

use super::desk::{CorrectionDesk, by_hash};
use crate::batch::{Loaded, RefusedCorrection, parallel_map};
use crate::study::corrections::{Correction, Corrections};
use crate::study::inputs::InputFile;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// Whether an entry is used.
#[derive(Debug, Clone, PartialEq)]
pub enum Standing {
    Holds,
    TakenBack,
    /// `analyze` leaves it out, and why.
    NotUsed(String),
}

impl fmt::Display for Standing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Standing::Holds => f.write_str("holds"),
            Standing::TakenBack => f.write_str("taken back"),
            Standing::NotUsed(why) => write!(f, "not used: {why}"),
        }
    }
}

impl Standing {
    /// That of an entry, by what its recording refused.
    pub fn of(known: &Corrections, number: u32, refused: &[RefusedCorrection]) -> Standing {
        match refused.iter().find(|r| r.number == number) {
            _ if !known.holds(number) => Standing::TakenBack,
            Some(refused) => Standing::NotUsed(refused.why.clone()),
            None => Standing::Holds,
        }
    }
}

/// The corrections that hold and whose recording is not there any more.
pub fn without_recording<'k>(desk: &CorrectionDesk, known: &'k Corrections) -> Vec<&'k Correction> {
    let there: BTreeSet<String> = desk.files().iter().filter_map(|f| desk.path_in_study(f).ok()).collect();
    known.active().into_iter().filter(|c| !there.contains(&c.recording)).collect()
}

/// That of every entry; each recording that an entry is about is analysed for it. `progress` is told how many are done, of how many.
pub fn standings(
    desk: &CorrectionDesk,
    known: &Corrections,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> BTreeMap<u32, Standing> {
    let about: BTreeSet<&str> = known.active().iter().map(|c| c.recording.as_str()).collect();
    let named = |file: &&InputFile| desk.path_in_study(file).is_ok_and(|path| about.contains(path.as_str()));
    let files: Vec<&InputFile> = desk.files().iter().filter(named).collect();
    let done = std::sync::atomic::AtomicUsize::new(0);
    let refused = parallel_map(&files, Vec::new, |buffer, file| {
        let outcome = desk.job().analyse(Loaded::read(file, buffer));
        progress(done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1, files.len());
        outcome.refused_corrections
    });
    let mut refused: Vec<RefusedCorrection> = refused.into_iter().flatten().collect();
    refused.extend(without_recording(desk, known).iter().map(|c| RefusedCorrection {
        number: c.number,
        why: "its recording is not in the study".to_owned(),
    }));
    let entries = known.entries.iter().map(crate::study::corrections::CorrectionEntry::number);
    entries.map(|number| (number, Standing::of(known, number, &refused))).collect()
}

/// What the page calls each recording of a blind study, by its path in the study.
pub fn hidden_names(desk: &CorrectionDesk) -> BTreeMap<String, String> {
    let hashes = parallel_map(desk.files(), Vec::new, |buffer, file| Loaded::read(file, buffer).sha256);
    let order = by_hash(desk.files(), &hashes);
    let named = order.iter().enumerate().filter_map(|(k, i)| Some((desk.path_in_study(&desk.files()[*i]).ok()?, hidden_name(k))));
    named.collect()
}

/// What a recording of a blind study is called, by its place in the order of hashes.
pub fn hidden_name(place: usize) -> String {
    format!("recording {}", place + 1)
}
