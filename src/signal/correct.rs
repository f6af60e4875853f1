//! Corrections applied to the tests that were found, before they are measured (METHODS.md §2.11).

use super::edits::SAME_PEAK_S;
use super::episodes::{Episode, SideEpisode};
use super::events::SpringMark;
use super::{EpisodeNames, FoundTests, Stretch};
use crate::study::corrections::{Change, CorrectedMark, Correction, Moved};
use crate::terms::Side;
use crate::trace::Corrected;
use std::fmt;
use std::ops::Range;

/// A mark may lie so far, in s, from where a correction says that it was.
const SAME_MARK_S: f64 = 0.3;
/// A limb reaches no further than this from its peak, in s.
const LIMB_S: f64 = 1.5;
/// A contact that is left by moving or parting is at least this long, in s.
const SHORTEST_S: f64 = 0.2;

/// Why a correction does not fit the recording as it stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unfit {
    /// No test is there.
    NoTest,
    /// Both hands are on, and no side is named.
    WhichSide,
    /// What is to be moved or removed is not there.
    NotThere,
    /// What is set lies outside of the test, in a neighbour, or on the wrong side of another mark.
    NoRoom,
    /// No other test of the same stretch follows.
    NothingToJoin,
    /// The test has that side already.
    SideTaken,
    /// There is no displacement to look along.
    NoDisplacement,
}

impl fmt::Display for Unfit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Unfit::NoTest => "no test is found at that moment",
            Unfit::WhichSide => "both hands are on, and it names no side",
            Unfit::NotThere => "what it puts right is not found there",
            Unfit::NoRoom => "what it sets lies outside the test, within a neighbour, or beyond another mark",
            Unfit::NothingToJoin => "no test follows that could be joined to this one",
            Unfit::SideTaken => "the test has a side of that name already",
            Unfit::NoDisplacement => "the recording has no displacement in which an onset could be looked for",
        })
    }
}

impl FoundTests<'_> {
    /// Applies one correction.
    ///
    /// # Errors
    /// Why it does not fit; the tests are then as they were.
    pub fn correct(&mut self, correction: &Correction) -> Result<(), Unfit> {
        let place = |s: &Stretch| s.episode_at(correction.at_s, correction.side);
        let found = self.stretches.iter().enumerate().find_map(|(k, s)| Some((k, place(s)?)));
        let (stretch, episode) = found.ok_or(Unfit::NoTest)?;
        self.stretches[stretch].correct(episode, correction)
    }

    /// Puts sides and levels that were put right into the tests' names.
    pub fn rename(&self, names: &mut EpisodeNames) {
        let episodes = self.stretches.iter().flat_map(|s| &s.episodes);
        for (episode, names) in episodes.zip(names) {
            for (side, about) in episode.sides.iter().zip(names) {
                about.side = side.edits.side.or(about.side);
                about.level = side.edits.level.or(about.level);
            }
        }
    }

    /// Whether each episode is to be matched with a plan: one that a person left out whole need not be.
    pub fn kept(&self) -> Vec<bool> {
        let episodes = self.stretches.iter().flat_map(|s| &s.episodes);
        episodes.map(|e| e.sides.iter().any(|s| s.edits.left_out.is_none())).collect()
    }

    /// Why a person left each test out, in the order of [`measure`](super::measure).
    pub fn left_out(&self) -> Vec<Option<String>> {
        let sides = self.stretches.iter().flat_map(|s| &s.episodes).flat_map(|e| &e.sides);
        sides.map(|s| s.edits.left_out.clone()).collect()
    }
}

impl Stretch {
    /// An episode with what lies around it, up to its neighbours.
    pub(super) fn around(&self, episode: usize, around_s: f64) -> Range<usize> {
        let sides = |k: usize| self.episodes.get(k).into_iter().flat_map(|e| &e.sides);
        let before = episode.checked_sub(1).and_then(|k| sides(k).map(|s| s.contact.end).max());
        let after = sides(episode + 1).map(|s| s.contact.start).min();
        let begin = sides(episode).map(|s| s.contact.start).min().unwrap_or(0);
        let end = sides(episode).map(|s| s.contact.end).max().unwrap_or(0);
        let margin = self.conditioned.grid.samples(around_s);
        let (low, high) = (before.unwrap_or(0), after.unwrap_or(self.conditioned.grid.len));
        begin.saturating_sub(margin).max(low).min(begin)..(end + margin).min(high).max(end)
    }

    /// The episode that a moment lies in.
    fn episode_at(&self, at_s: f64, side: Option<Side>) -> Option<usize> {
        let at = self.index(at_s)?;
        let here = |s: &SideEpisode| s.contact.contains(&at) && side.is_none_or(|side| self.side_of(s) == Some(side));
        self.episodes.iter().position(|e| e.sides.iter().any(here)).or_else(|| {
            // A recording of one sensor whose file names no side has the one that its sidecar names.
            let unnamed = |s: &SideEpisode| s.contact.contains(&at) && self.side_of(s).is_none();
            self.episodes.iter().position(|e| e.sides.iter().any(unnamed))
        })
    }

    fn side_of(&self, side: &SideEpisode) -> Option<Side> {
        side.edits.side.or(self.conditioned.sides[side.channel].side)
    }

    fn index(&self, time_s: f64) -> Option<usize> {
        let grid = &self.conditioned.grid;
        let at = ((time_s - grid.start_s) / grid.step_s).round();
        (at >= 0.0 && at < grid.len as f64).then_some(at as usize)
    }

    fn correct(&mut self, episode: usize, correction: &Correction) -> Result<(), Unfit> {
        let by = correction.as_applied();
        let touched = match &correction.change {
            Change::Split { to_s } => return self.split(episode, *to_s, by),
            Change::Join => return self.join(episode, by),
            Change::LeaveOut | Change::Annotate { .. } if correction.side.is_none() => {
                (0..self.episodes[episode].sides.len()).collect()
            }
            _ => vec![self.one_side(episode, correction.side)?],
        };
        for side in touched {
            self.correct_side(episode, side, correction)?;
            if !correction.change.is_annotation() {
                self.episodes[episode].sides[side].edits.by.push(by.clone());
            }
        }
        Ok(())
    }

    fn one_side(&self, episode: usize, named: Option<Side>) -> Result<usize, Unfit> {
        let sides = &self.episodes[episode].sides;
        match (named, sides.len()) {
            (_, 1) => Ok(0),
            (None, _) => Err(Unfit::WhichSide),
            (Some(named), _) => sides.iter().position(|s| self.side_of(s) == Some(named)).ok_or(Unfit::NoTest),
        }
    }

    fn correct_side(&mut self, episode: usize, side: usize, correction: &Correction) -> Result<(), Unfit> {
        match &correction.change {
            Change::Move(mark @ (CorrectedMark::ContactBegin | CorrectedMark::ContactEnd), moved) => {
                self.move_contact(episode, side, *mark, *moved)
            }
            Change::Move(mark, moved) => self.move_spring(episode, side, *mark, *moved),
            Change::AddSpring { to_s } => {
                let at = self.index(*to_s).ok_or(Unfit::NoRoom)?;
                let side = &mut self.episodes[episode].sides[side];
                if !side.contact.contains(&at) || side.springs.iter().any(|s| s.peak == at) {
                    return Err(Unfit::NoRoom);
                }
                side.springs.push(SpringMark { peak: at, rest: at });
                side.springs.sort_by_key(|s| s.peak);
                side.edits.spring(at);
                Ok(())
            }
            Change::RemoveSpring { from_s } => {
                let mark = self.spring_near(episode, side, *from_s).ok_or(Unfit::NotThere)?;
                let side = &mut self.episodes[episode].sides[side];
                side.springs.retain(|s| s.peak != mark);
                side.edits.springs.retain(|s| s.peak != mark);
                side.edits.removed.push(mark);
                Ok(())
            }
            Change::Side { to, .. } => {
                let others = self.episodes[episode].sides.iter().enumerate().filter(|(k, _)| *k != side);
                if others.map(|(_, s)| self.side_of(s)).any(|s| s == Some(*to)) {
                    return Err(Unfit::SideTaken);
                }
                self.episodes[episode].sides[side].edits.side = Some(*to);
                Ok(())
            }
            Change::Level { to, .. } => {
                self.episodes[episode].sides[side].edits.level = Some(*to);
                Ok(())
            }
            Change::LeaveOut => {
                self.episodes[episode].sides[side].edits.left_out = Some(correction.by.why.clone());
                Ok(())
            }
            Change::OnsetWithin { mm } => {
                let channel = self.episodes[episode].sides[side].channel;
                if self.conditioned.sides[channel].displacement.is_none() {
                    return Err(Unfit::NoDisplacement);
                }
                self.episodes[episode].sides[side].edits.onset_within_mm = Some([mm[0].unwrap_or(f64::NEG_INFINITY), mm[1].unwrap_or(f64::INFINITY)]);
                Ok(())
            }
            Change::Annotate { word } => {
                let words = &mut self.episodes[episode].sides[side].edits.words;
                words.push((correction.at_s, word.clone()));
                Ok(())
            }
            // Of the episode as a whole.
            Change::Split { .. } | Change::Join => Ok(()),
        }
    }

    /// Whether a sample lies in another contact of the same sensor.
    fn is_taken(&self, episode: usize, channel: usize, at: usize) -> bool {
        let others = self.episodes.iter().enumerate().filter(|(k, _)| *k != episode);
        let mut contacts = others.flat_map(|(_, e)| &e.sides).filter(|s| s.channel == channel);
        contacts.any(|s| s.contact.contains(&at))
    }

    fn move_contact(&mut self, episode: usize, side: usize, mark: CorrectedMark, moved: Moved) -> Result<(), Unfit> {
        let own = &self.episodes[episode].sides[side];
        let (contact, channel) = (own.contact.clone(), own.channel);
        let begins = mark == CorrectedMark::ContactBegin;
        let is_s = self.time_s(if begins { contact.start } else { contact.end.saturating_sub(1) });
        if (is_s - moved.from_s).abs() > SAME_MARK_S {
            return Err(Unfit::NotThere);
        }
        let to = self.index(moved.to_s).ok_or(Unfit::NoRoom)?;
        let new = if begins { to..contact.end } else { contact.start..to + 1 };
        let (low, high) = (new.start.min(contact.start), new.end.max(contact.end));
        let neighbours = (low..high).step_by(self.conditioned.grid.samples(0.01).max(1));
        let long_enough = new.end > new.start && new.len() >= self.conditioned.grid.samples(SHORTEST_S);
        if !long_enough || neighbours.into_iter().any(|i| self.is_taken(episode, channel, i)) {
            return Err(Unfit::NoRoom);
        }
        let own = &mut self.episodes[episode].sides[side];
        own.edits.loaded.push(contact);
        own.springs.retain(|s| new.contains(&s.peak));
        own.contact = new;
        match begins {
            true => own.edits.begin_fixed = true,
            false => own.edits.end_fixed = true,
        }
        Ok(())
    }

    /// CorrectedMark of the spring whose peak is about there.
    fn spring_near(&self, episode: usize, side: usize, time_s: f64) -> Option<usize> {
        let springs = self.episodes[episode].sides[side].springs.iter();
        let away = |s: &SpringMark| (self.time_s(s.peak) - time_s).abs();
        let nearest = springs.min_by(|a, b| away(a).total_cmp(&away(b)))?;
        (away(nearest) <= SAME_PEAK_S).then_some(nearest.peak)
    }

    fn move_spring(&mut self, episode: usize, side: usize, mark: CorrectedMark, moved: Moved) -> Result<(), Unfit> {
        let to = self.index(moved.to_s).ok_or(Unfit::NoRoom)?;
        let peaks: Vec<usize> = self.episodes[episode].sides[side].springs.iter().map(|s| s.peak).collect();
        let contact = self.episodes[episode].sides[side].contact.clone();
        let at = |time_s: f64| self.index(time_s).ok_or(Unfit::NotThere);
        let found = match mark {
            CorrectedMark::SpringStart => at(moved.from_s).map(|from| peaks.iter().position(|p| *p > from))?,
            CorrectedMark::SpringEnd => at(moved.from_s).map(|from| peaks.iter().rposition(|p| *p < from))?,
            _ => self.spring_near(episode, side, moved.from_s).and_then(|m| peaks.iter().position(|p| *p == m)),
        };
        let k = found.ok_or(Unfit::NotThere)?;
        let peak = peaks[k];
        if (self.time_s(peak) - moved.from_s).abs() > LIMB_S {
            return Err(Unfit::NotThere);
        }
        let before = k.checked_sub(1).map_or(contact.start, |k| peaks[k] + 1);
        let after = peaks.get(k + 1).copied().unwrap_or(contact.end);
        let room = match mark {
            CorrectedMark::SpringStart => before..peak,
            CorrectedMark::SpringEnd => peak + 1..after,
            _ => before..after,
        };
        if !room.contains(&to) {
            return Err(Unfit::NoRoom);
        }
        let own = &mut self.episodes[episode].sides[side];
        let edit = own.edits.spring(peak);
        match mark {
            CorrectedMark::SpringStart => edit.start = Some(to),
            CorrectedMark::SpringEnd => edit.end = Some(to),
            _ => {
                (edit.peak, edit.exact) = (to, true);
                own.springs[k] = SpringMark { peak: to, rest: to };
            }
        }
        Ok(())
    }

    fn split(&mut self, episode: usize, to_s: f64, by: Corrected) -> Result<(), Unfit> {
        let at = self.index(to_s).ok_or(Unfit::NoRoom)?;
        let least = self.conditioned.grid.samples(SHORTEST_S);
        let whole = self.episodes[episode].clone();
        let (mut first, mut second) = (Vec::new(), Vec::new());
        for side in &whole.sides {
            let piece = |contact: std::ops::Range<usize>, begins: bool| {
                let mut piece = SideEpisode {
                    springs: side.springs.iter().filter(|s| contact.contains(&s.peak)).copied().collect(),
                    cut_off: side.cut_off && !begins,
                    contact,
                    ..side.clone()
                };
                let here = piece.contact.clone();
                piece.edits.springs.retain(|s| here.contains(&s.peak));
                let (from_s, to_s) = (self.time_s(here.start), self.time_s(here.end));
                piece.edits.words.retain(|(at_s, _)| (from_s..to_s).contains(at_s));
                piece.edits.by.push(by.clone());
                match begins {
                    true => piece.edits.end_fixed = true,
                    false => piece.edits.begin_fixed = true,
                }
                piece
            };
            let contact = side.contact.clone();
            if contact.contains(&at) {
                if at - contact.start < least || contact.end - at < least {
                    return Err(Unfit::NoRoom);
                }
                first.push(piece(contact.start..at, true));
                second.push(piece(at..contact.end, false));
            } else if contact.end <= at {
                first.push(side.clone());
            } else {
                second.push(side.clone());
            }
        }
        if first.is_empty() || second.is_empty() {
            return Err(Unfit::NoRoom);
        }
        let marker = whole.marker;
        let pieces = [first, second].map(|sides| Episode { sides, marker });
        self.episodes.splice(episode..=episode, pieces);
        Ok(())
    }

    fn join(&mut self, episode: usize, by: Corrected) -> Result<(), Unfit> {
        if episode + 1 >= self.episodes.len() {
            return Err(Unfit::NothingToJoin);
        }
        let next = self.episodes.remove(episode + 1);
        let joined = &mut self.episodes[episode];
        for side in next.sides {
            match joined.sides.iter_mut().find(|s| s.channel == side.channel) {
                Some(same) => {
                    same.contact.end = same.contact.end.max(side.contact.end);
                    same.springs.extend(side.springs);
                    same.cut_off = side.cut_off;
                    same.edits.end_fixed = side.edits.end_fixed;
                    same.edits.add(side.edits);
                }
                None => joined.sides.push(side),
            }
        }
        joined.sides.sort_by_key(|s| s.channel);
        joined.sides.iter_mut().for_each(|s| s.edits.by.push(by.clone()));
        Ok(())
    }
}
