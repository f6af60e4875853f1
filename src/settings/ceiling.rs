//! Ceilings of force, and whose they are: whoever warns of a force, draws a ceiling or prints one asks here.

use super::{CeilingN, Settings};
use crate::terms::{Level, Region};
use serde::Serialize;
use std::fmt;

/// Who set a ceiling.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum CeilingOrigin {
    /// A stand-in that came with the program.
    Shipped,
    /// The lab's own, be it of the same force.
    Lab,
}

impl fmt::Display for CeilingOrigin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            CeilingOrigin::Shipped => "default, the lab must set its own",
            CeilingOrigin::Lab => "set by this lab",
        })
    }
}

/// The most force allowed in a region, for the sum of all contacts at a level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ceiling {
    pub newtons: f64,
    pub region: Region,
    pub origin: CeilingOrigin,
}

impl Ceiling {
    /// Key of its setting.
    pub fn key(&self) -> String {
        format!("ceiling_n.{}", self.region)
    }
}

impl fmt::Display for Ceiling {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}\u{a0}N ({})", self.region, self.newtons, self.origin)
    }
}

impl Settings {
    /// The ceiling of a region. A lab that sets the very value that is shipped has set its own.
    pub fn ceiling(&self, region: Region) -> Ceiling {
        let shipped = Ceiling {
            newtons: CeilingN::default().of(region),
            region,
            origin: CeilingOrigin::Shipped,
        };
        let newtons = self.ceiling_n.of(region);
        match newtons == shipped.newtons && self.set_in(&shipped.key()).is_none() {
            true => shipped,
            false => Ceiling {
                newtons,
                origin: CeilingOrigin::Lab,
                ..shipped
            },
        }
    }

    /// The ceiling of every region, from the neck down.
    pub fn ceilings(&self) -> impl Iterator<Item = Ceiling> {
        Region::ALL.iter().map(|region| self.ceiling(*region))
    }

    /// The ceiling for a contact at these levels: the lowest of the regions it covers. `None` when no level is known.
    pub fn ceiling_at(&self, levels: impl IntoIterator<Item = Level>) -> Option<Ceiling> {
        let covered = levels.into_iter().map(|level| self.ceiling(level.region()));
        covered.min_by(|a, b| a.newtons.total_cmp(&b.newtons))
    }

    /// The lowest ceiling of all, for an alarm where no level is known: without any it would be none.
    pub fn lowest_ceiling(&self) -> Ceiling {
        let lower = |a: Ceiling, b: Ceiling| if b.newtons < a.newtons { b } else { a };
        self.ceilings().fold(self.ceiling(Region::Neck), lower)
    }
}

impl CeilingN {
    fn of(&self, region: Region) -> f64 {
        match region {
            Region::Neck => self.neck,
            Region::Thoracic => self.thoracic,
            Region::Lumbar => self.lumbar,
            Region::Sacral => self.sacral,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ceiling_is_the_labs_when_it_differs_or_was_set_to_the_same() {
        let mut settings = Settings::default();
        assert!(settings.ceilings().all(|c| c.origin == CeilingOrigin::Shipped));
        settings.ceiling_n.neck += 1.0;
        settings.set_in = vec![("ceiling_n.lumbar".to_owned(), "study.toml".to_owned())];
        let own = settings.ceilings().filter(|c| c.origin == CeilingOrigin::Lab);
        let own: Vec<Region> = own.map(|c| c.region).collect();
        assert_eq!(own, [Region::Neck, Region::Lumbar]);
    }

    #[test]
    fn a_contact_over_two_regions_has_the_lower_ceiling_and_one_nowhere_has_none() {
        let settings = Settings::default();
        let both = settings.ceiling_at([Level::L1, Level::T12]);
        assert_eq!(both, Some(settings.ceiling(Region::Thoracic)));
        assert_eq!(settings.ceiling_at([]), None);
    }
}
