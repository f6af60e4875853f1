//! Where each recording goes: under its own name, or under the next free trial where another study has that name for other bytes.

use super::source::Source;
use crate::study::words::shown;
use crate::error::Problem;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// What becomes of a recording.
#[derive(Debug, Clone, PartialEq)]
pub enum Fate {
    /// It goes there; the trial is another than it was where one is named.
    Placed { to: PathBuf, trial: Option<u32> },
    /// Another study has the same bytes there; the trial as above.
    SameAs { to: PathBuf, trial: Option<u32> },
    /// It is not what it was when it was recorded.
    Damaged,
}

/// One recording of one study.
pub type RecordingOfStudy = (usize, usize);

/// Where all recordings go.
#[derive(Debug, Default)]
pub struct MergedPlaces {
    pub fates: BTreeMap<RecordingOfStudy, Fate>,
    pub problems: Vec<Problem>,
}

impl MergedPlaces {
    /// The path of a recording in the merged study; `None` when it is not there.
    pub fn of(&self, place: RecordingOfStudy) -> Option<&Path> {
        match self.fates.get(&place)? {
            Fate::Placed { to, .. } | Fate::SameAs { to, .. } => Some(to),
            Fate::Damaged => None,
        }
    }

    /// The trial that a recording got, where it is another than it was.
    pub fn new_trial(&self, place: RecordingOfStudy) -> Option<u32> {
        match self.fates.get(&place)? {
            Fate::Placed { trial, .. } | Fate::SameAs { trial, .. } => *trial,
            Fate::Damaged => None,
        }
    }
}

/// Settles the places, study by study.
pub fn places(sources: &[Source]) -> MergedPlaces {
    let every = sources.iter().flat_map(|s| &s.recordings);
    let mut settled = Settling {
        sources,
        // A name that a later study has is free for nobody else.
        taken: every.map(|r| stem(&r.place)).collect(),
        holders: BTreeMap::new(),
        places: MergedPlaces::default(),
    };
    for (s, source) in sources.iter().enumerate() {
        (0..source.recordings.len()).for_each(|r| settled.settle((s, r)));
    }
    settled.places
}

struct Settling<'a> {
    sources: &'a [Source],
    taken: BTreeSet<String>,
    /// Who has a name, by its stem.
    holders: BTreeMap<String, Vec<RecordingOfStudy>>,
    places: MergedPlaces,
}

impl Settling<'_> {
    fn settle(&mut self, place @ (s, r): RecordingOfStudy) {
        let source = &self.sources[s];
        let recording = &source.recordings[r];
        if recording.damaged {
            self.places.problems.push(Problem::error(
                source.in_it(&recording.name),
                "a file that changed since it was recorded: its hash is not the one in SHA256SUMS",
                "the file as it was recorded",
                format!("put it back from a copy and merge again: it was put into {}, where no analysis looks", source.aside()),
            ));
            self.places.fates.insert(place, Fate::Damaged);
            return;
        }
        let own = stem(&recording.place);
        let others: Vec<RecordingOfStudy> = self.holders.get(&own).into_iter().flatten().copied().filter(|(o, _)| *o != s).collect();
        let fate = if others.is_empty() {
            Fate::Placed {
                to: recording.place.clone(),
                trial: None,
            }
        } else if let Some(same) = self.same_bytes(place, &own) {
            let (_, number) = base_and_number(&stem(&same));
            Fate::SameAs {
                trial: number.filter(|_| stem(&same) != own),
                to: same,
            }
        } else {
            self.moved(place)
        };
        if let Fate::Placed { to, .. } = &fate {
            self.holders.entry(stem(to)).or_default().push(place);
        }
        self.places.fates.insert(place, fate);
    }

    /// Where the same bytes lie already, under this name or under that of another trial.
    fn same_bytes(&self, (s, r): RecordingOfStudy, own: &str) -> Option<PathBuf> {
        let recording = &self.sources[s].recordings[r];
        let (base, _) = base_and_number(own);
        let alike = self.holders.iter().filter(|(stem, _)| *stem == own || base_and_number(stem).0 == base);
        let mut holders = alike.flat_map(|(_, places)| places).copied().filter(|(o, _)| *o != s);
        let same = |(o, k): &RecordingOfStudy| self.sources[*o].recordings[*k].sha256 == recording.sha256;
        self.places.of(holders.find(same)?).map(Path::to_owned)
    }

    fn moved(&mut self, (s, r): RecordingOfStudy) -> Fate {
        let source = &self.sources[s];
        let recording = &source.recordings[r];
        let name = recording.place.with_extension("").file_name().unwrap_or_default().to_owned();
        let (base, number) = base_and_number(&name.to_string_lossy());
        // A name that is no Unicode cannot be taken apart: something is put behind it.
        let behind = |n: u32| {
            let mut new = name.to_str().map_or_else(|| name.clone(), |_| base.clone().into());
            new.push(format!("_{n}"));
            new
        };
        let mut trial = number.unwrap_or(1);
        let to = loop {
            trial = trial.saturating_add(1);
            let mut to = recording.place.with_file_name(behind(trial));
            if let Some(ending) = recording.place.extension() {
                to.as_mut_os_string().push(".");
                to.as_mut_os_string().push(ending);
            }
            if self.taken.insert(stem(&to)) {
                break to;
            }
        };
        self.places.problems.push(Problem::warning(
            source.in_it(&recording.name),
            "a name that another study has for another recording",
            "a name of its own for each recording",
            format!("both are kept, this one as {}", shown(&to.to_string_lossy())),
        ));
        Fate::Placed {
            to,
            trial: Some(trial),
        }
    }
}

/// A path without its ending, as a disk that does not tell capitals from small letters takes it: trace and sidecar share it.
fn stem(place: &Path) -> String {
    place.with_extension("").to_string_lossy().to_lowercase()
}

/// `V-07_L-12_L3_left` and 2 of `V-07_L-12_L3_left_2`.
fn base_and_number(stem: &str) -> (String, Option<u32>) {
    let parts = stem.rsplit_once('_').and_then(|(base, n)| Some((base, n.parse::<u32>().ok().filter(|n| *n < 1_000_000)?)));
    match parts {
        Some((base, n)) => (base.to_owned(), Some(n)),
        None => (stem.to_owned(), None),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_trial_ends_the_name() {
        assert_eq!(base_and_number("V_L3_left_2"), ("V_L3_left".to_owned(), Some(2)));
        for other in ["press", "2026-09-14", "a_99999999", "a_b"] {
            assert_eq!(base_and_number(other), (other.to_owned(), None));
        }
    }
}
