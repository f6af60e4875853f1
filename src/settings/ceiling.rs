//! Ceilings of force, and whose they are: whoever warns of a force, draws a ceiling or prints one asks here.

use super::{CeilingN, Settings};
use crate::terms::{Level, Region};
use crate::units::N_PER_KGF;
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
    /// No level is known: the lowest ceiling of all stands in.
    pub assumed: bool,
}

/// What is said where the lowest ceiling stands in.
pub const LEVEL_NOT_GIVEN: &str = "level not given: held against the lowest ceiling";

impl Ceiling {
    /// Key of its setting.
    pub fn key(&self) -> String {
        format!("ceiling_n.{}", self.region)
    }

    /// How a force over it is told: `over the neck ceiling of 60 N (set by this lab)`.
    pub fn over_words(&self) -> String {
        let Ceiling {
            newtons,
            region,
            origin,
            assumed,
        } = self;
        let assumed = if *assumed { format!("; {LEVEL_NOT_GIVEN}") } else { String::new() };
        format!("over the {region} ceiling of {newtons} N ({origin}{assumed})")
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
            assumed: false,
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

    /// Every ceiling in one line: `Held against neck 60 N, …`.
    pub fn ceilings_words(&self) -> String {
        let all: Vec<String> = self.ceilings().map(|c| c.to_string()).collect();
        match self.ceilings().any(|c| c.origin == CeilingOrigin::Lab) {
            true => format!("Held against {}.", all.join(", ")),
            false => {
                let plain: Vec<String> = self.ceilings().map(|c| format!("{} {}\u{a0}N", c.region, c.newtons)).collect();
                format!(
                    "Held against {}: all of them defaults; the lab must set its own, under [ceiling_n] in study.toml.",
                    plain.join(", ")
                )
            }
        }
    }

    /// The ceiling for a contact at these levels: the lowest of the regions it covers, or of all regions when no level is
    /// known. Without any ceiling a force would be warned of by nobody.
    pub fn ceiling_at(&self, levels: impl IntoIterator<Item = Level>) -> Ceiling {
        let covered = levels.into_iter().map(|level| self.ceiling(level.region()));
        covered.min_by(|a, b| a.newtons.total_cmp(&b.newtons)).unwrap_or_else(|| self.lowest_ceiling())
    }

    fn lowest_ceiling(&self) -> Ceiling {
        let lower = |a: Ceiling, b: Ceiling| if b.newtons < a.newtons { b } else { a };
        Ceiling {
            assumed: true,
            ..self.ceilings().fold(self.ceiling(Region::Neck), lower)
        }
    }
}

/// A ceiling of this many times the one that is shipped warns of hardly any push. Our choice.
const FAR_ABOVE: f64 = 2.0;
/// One below this share of it warns of nearly every push.
const FAR_BELOW: f64 = 0.2;
/// In kgf, a ceiling lies within these shares of the shipped one.
const LIKE_KGF: std::ops::RangeInclusive<f64> = 0.5..=2.0;

/// Why a ceiling that a lab set can hardly be meant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CeilingDoubt {
    /// Nobody is warned of pushes that the shipped one warns of.
    FarAbove { set: Ceiling, shipped_n: f64 },
    FarBelow { set: Ceiling, shipped_n: f64 },
    /// The number would be a usual one in kgf.
    InKgf { set: Ceiling, would_be_n: f64 },
    /// More is allowed in the neck than further down.
    NeckAbove { neck: Ceiling, other: Ceiling },
}

impl CeilingDoubt {
    /// The ceiling that it is about.
    pub fn ceiling(&self) -> Ceiling {
        match *self {
            CeilingDoubt::FarAbove { set, .. } | CeilingDoubt::FarBelow { set, .. } | CeilingDoubt::InKgf { set, .. } => set,
            CeilingDoubt::NeckAbove { neck, .. } => neck,
        }
    }

    /// What was found, and what was expected.
    pub fn found(&self) -> (String, String) {
        match self {
            CeilingDoubt::FarAbove { set, shipped_n } => (
                format!(
                    "a {} ceiling of {} N, {:.1} times the one that is shipped",
                    set.region,
                    set.newtons,
                    set.newtons / shipped_n
                ),
                format!("at most {} N, twice the {shipped_n} N that is shipped", FAR_ABOVE * shipped_n),
            ),
            CeilingDoubt::FarBelow { set, shipped_n } => (
                format!("a {} ceiling of {} N, which nearly every push goes over", set.region, set.newtons),
                format!("a force in N nearer to the {shipped_n} N that is shipped"),
            ),
            CeilingDoubt::InKgf { set, would_be_n } => (
                format!("a {} ceiling of {} N, which looks like kgf", set.region, set.newtons),
                format!("a force in N: {} kgf are {would_be_n:.0} N", set.newtons),
            ),
            CeilingDoubt::NeckAbove { neck, other } => (
                format!(
                    "a neck ceiling of {} N, above the {} ceiling of {} N",
                    neck.newtons, other.region, other.newtons
                ),
                "no more force allowed in the neck than further down".to_owned(),
            ),
        }
    }

    /// What to do.
    pub fn advice(&self) -> String {
        let set = self.ceiling();
        let write = match self {
            CeilingDoubt::FarAbove { shipped_n, .. } | CeilingDoubt::FarBelow { shipped_n, .. } => *shipped_n,
            CeilingDoubt::InKgf { would_be_n, .. } => would_be_n.round(),
            CeilingDoubt::NeckAbove { other, .. } => other.newtons,
        };
        let at_most = if matches!(self, CeilingDoubt::NeckAbove { .. }) { " at most" } else { "" };
        format!(
            "write {} = {write:.0}{at_most} under [ceiling_n] unless it is meant; until then pushes are warned of at {} N",
            set.region, set.newtons
        )
    }
}

impl fmt::Display for CeilingDoubt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (found, expected) = self.found();
        write!(f, "Check the ceiling in study.toml: found {found}; expected {expected}; {}.", self.advice())
    }
}

impl Settings {
    /// Ceilings that this lab set and can hardly mean, from the neck down.
    pub fn ceiling_doubts(&self) -> Vec<CeilingDoubt> {
        let own = self.ceilings().filter(|c| c.origin == CeilingOrigin::Lab);
        let mut doubts: Vec<CeilingDoubt> = own.filter_map(doubt).collect();
        let neck = self.ceiling(Region::Neck);
        let further_down = [Region::Thoracic, Region::Lumbar].map(|region| self.ceiling(region));
        let below = further_down.into_iter().filter(|other| neck.newtons > other.newtons);
        let lowest = below.min_by(|a, b| a.newtons.total_cmp(&b.newtons));
        let told = doubts.iter().any(|d| d.ceiling().region == Region::Neck);
        let own = neck.origin == CeilingOrigin::Lab;
        doubts.extend(lowest.filter(|_| own && !told).map(|other| CeilingDoubt::NeckAbove { neck, other }));
        doubts
    }
}

fn doubt(set: Ceiling) -> Option<CeilingDoubt> {
    let shipped_n = CeilingN::default().of(set.region);
    let would_be_n = set.newtons * N_PER_KGF;
    if set.newtons > FAR_ABOVE * shipped_n {
        Some(CeilingDoubt::FarAbove { set, shipped_n })
    } else if set.newtons < shipped_n / 3.0 && LIKE_KGF.contains(&(would_be_n / shipped_n)) {
        Some(CeilingDoubt::InKgf { set, would_be_n })
    } else if set.newtons < FAR_BELOW * shipped_n {
        Some(CeilingDoubt::FarBelow { set, shipped_n })
    } else {
        None
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
    fn a_ceiling_that_can_hardly_be_meant_is_doubted_and_a_plausible_one_is_not() {
        let doubts = |neck: f64, lumbar: f64| -> Vec<String> {
            let mut settings = Settings::default();
            settings.ceiling_n.neck = neck;
            settings.ceiling_n.lumbar = lumbar;
            settings.ceiling_doubts().iter().map(ToString::to_string).collect()
        };
        for (neck, lumbar, words) in [
            (400.0, 175.0, "6.7 times the one that is shipped"),
            (6.0, 175.0, "write neck = 59 under [ceiling_n]"),
            (2.0, 175.0, "which nearly every push goes over"),
            (60.0, 17.8, "a lumbar ceiling of 17.8 N, which looks like kgf"),
            (110.0, 175.0, "above the thoracic ceiling of 105 N"),
        ] {
            let said = doubts(neck, lumbar);
            assert!(said.iter().any(|d| d.contains(words)), "{neck} {lumbar}: {said:?}");
        }
        // One that is shipped was not set by anybody.
        for (neck, lumbar) in [(60.0, 175.0), (60.0, 50.0), (45.0, 150.0), (100.0, 340.0), (20.0, 60.0)] {
            assert_eq!(doubts(neck, lumbar), Vec::<String>::new(), "{neck} {lumbar}");
        }
    }

    #[test]
    fn a_contact_over_two_regions_has_the_lower_ceiling_and_one_nowhere_the_lowest_of_all() {
        let mut settings = Settings::default();
        let both = settings.ceiling_at([Level::L1, Level::T12]);
        assert_eq!(both, settings.ceiling(Region::Thoracic));
        let nowhere = settings.ceiling_at([]);
        assert!(nowhere.assumed && nowhere.region == Region::Neck, "{nowhere:?}");
        assert!(nowhere.over_words().contains(LEVEL_NOT_GIVEN));
        settings.ceiling_n.sacral = 40.0;
        assert_eq!(settings.ceiling_at([]).region, Region::Sacral);
    }
}
