//! Which force and which displacement belong together, and under which side.

use super::alike::{ColumnsAlike, alike};
use super::assemble::RawTable;
use super::headings::SourceColumn;
use crate::error::Problem;
use crate::study::mapping::ColumnKey;
use crate::terms::Side;
use crate::trace::{About, Channel};

/// So many samples that are alike are no chance.
const FEWEST_ALIKE: usize = 50;

/// Left and right in mm, and whether they are the same sensor's.
type BothDisplacements = ([Option<Vec<f64>>; 2], bool);

impl RawTable<'_> {
    /// One channel, or left and right.
    pub(super) fn channels(&mut self, about: &About) -> Result<Vec<Channel>, Problem> {
        let (plain, left, right) = (
            self.has(ColumnKey::Force),
            self.has(ColumnKey::ForceLeft),
            self.has(ColumnKey::ForceRight),
        );
        let channels = match (plain, left, right) {
            (_, true, true) => self.both(about)?,
            (false, true, false) => vec![self.one_named(Side::Left, about)?],
            (false, false, true) => vec![self.one_named(Side::Right, about)?],
            (true, false, false) => vec![self.one_plain(about)?],
            _ => {
                return Err(self.error(
                    &self.heading(ColumnKey::Force),
                    self.header_line,
                    "a force column without a side beside one with a side".to_owned(),
                    "one force column, or force_left and force_right",
                    "rename or remove one of them",
                ));
            }
        };
        self.drop_silent(channels)
    }

    fn both(&mut self, about: &About) -> Result<Vec<Channel>, Problem> {
        if self.has(ColumnKey::Force) {
            let heading = self.heading(ColumnKey::Force);
            self.warn(
                &heading,
                "a third force column beside left and right".to_owned(),
                "force_left and force_right",
                "it is not used",
            );
        }
        if let Some(side) = about.side.filter(|s| *s != Side::Midline) {
            self.warn(
                "side",
                format!("side {side} for a recording of both sides"),
                "no side in the sidecar",
                "the columns say which side is which; take the side out of the sidecar",
            );
        }
        let ([left_mm, right_mm], displacement_shared) = self.both_displacements()?;
        let mut channels = Vec::with_capacity(2);
        for (key, side, displacement_mm) in [
            (ColumnKey::ForceLeft, Side::Left, left_mm),
            (ColumnKey::ForceRight, Side::Right, right_mm),
        ] {
            if let Some((_, force_n)) = self.take(key) {
                channels.push(Channel {
                    side: Some(side),
                    force_n,
                    displacement_mm,
                    displacement_shared,
                });
            }
        }
        Ok(channels)
    }

    /// Displacement of left and right, and whether it is one shared by both.
    fn both_displacements(&mut self) -> Result<BothDisplacements, Problem> {
        let shared = self.take(ColumnKey::Displacement);
        let left = self.take(ColumnKey::DisplacementLeft);
        let right = self.take(ColumnKey::DisplacementRight);
        Ok(match (shared, left, right) {
            (None, None, None) => ([None, None], false),
            (Some((_, mm)), None, None) => ([Some(mm.clone()), Some(mm)], true),
            (shared, Some((_, left)), Some((_, right))) => {
                if let Some((column, _)) = shared {
                    self.unused(&column.heading);
                }
                ([Some(left), Some(right)], false)
            }
            (Some((column, _)), ..) => {
                return Err(self.error(
                    &column.heading,
                    self.header_line,
                    "a shared displacement beside one of a single side".to_owned(),
                    "one shared displacement, or one for each side",
                    "rename or remove one of them",
                ));
            }
            (None, left, right) => {
                let (has, lacks) = if left.is_some() {
                    ("left", "right")
                } else {
                    ("right", "left")
                };
                self.warn(
                    &format!("displacement_{has}"),
                    format!("a displacement of the {has} side only"),
                    "one for each side, or a shared one",
                    &format!(
                        "the {lacks} side gives force only; if both hands moved together, name the column displacement_mm"
                    ),
                );
                ([left.map(|l| l.1), right.map(|r| r.1)], false)
            }
        })
    }

    fn unused(&mut self, heading: &str) {
        self.warn(
            heading,
            "one displacement column too many".to_owned(),
            "one for each force column, or a shared one",
            "it is not used",
        );
    }

    /// One force column that names its side.
    fn one_named(&mut self, side: Side, about: &About) -> Result<Channel, Problem> {
        let (force_key, own, other) = match side {
            Side::Right => (
                ColumnKey::ForceRight,
                ColumnKey::DisplacementRight,
                ColumnKey::DisplacementLeft,
            ),
            _ => (
                ColumnKey::ForceLeft,
                ColumnKey::DisplacementLeft,
                ColumnKey::DisplacementRight,
            ),
        };
        let heading = self.heading(force_key);
        if let Some(said) = about.side.filter(|s| *s != side) {
            return Err(self.error(
                &heading,
                self.header_line,
                format!("force of the {side} side, and side = \"{said}\" in the sidecar"),
                "one side",
                "correct the heading or the sidecar",
            ));
        }
        self.notes.push(format!(
            "one side only: the file has a force column for the {side} side alone"
        ));
        if self.has(own) && self.has(ColumnKey::Displacement) {
            return Err(self.error(
                &self.heading(ColumnKey::Displacement),
                self.header_line,
                "two displacement columns for one force column".to_owned(),
                "one displacement column",
                "rename or remove one of them",
            ));
        }
        if let Some((column, _)) = self.take(other) {
            self.unused(&column.heading);
        }
        let displacement = self.take(own).or_else(|| self.take(ColumnKey::Displacement));
        let force_n = self.take(force_key).map(|f| f.1).unwrap_or_default();
        Ok(Channel {
            side: Some(side),
            force_n,
            displacement_mm: displacement.map(|d| d.1),
            displacement_shared: false,
        })
    }

    /// One force column without a side: the sidecar's side, which may be unknown.
    fn one_plain(&mut self, about: &About) -> Result<Channel, Problem> {
        let plain = self.take(ColumnKey::Displacement);
        let left = self.take(ColumnKey::DisplacementLeft);
        let right = self.take(ColumnKey::DisplacementRight);
        let displacement_mm = match (plain, left, right) {
            (Some((_, mm)), left, right) => {
                for (column, _) in left.into_iter().chain(right) {
                    self.unused(&column.heading);
                }
                Some(mm)
            }
            (None, None, None) => None,
            (None, left, right) => Some(self.sided_displacement(about.side, left, right)?),
        };
        let force_n = self.take(ColumnKey::Force).map(|f| f.1).unwrap_or_default();
        Ok(Channel {
            side: about.side,
            force_n,
            displacement_mm,
            displacement_shared: false,
        })
    }

    /// The displacement that belongs to a force column without a side: that of the sidecar's side.
    fn sided_displacement(
        &mut self,
        side: Option<Side>,
        left: Option<(SourceColumn, Vec<f64>)>,
        right: Option<(SourceColumn, Vec<f64>)>,
    ) -> Result<Vec<f64>, Problem> {
        let (own, other) = match side {
            Some(Side::Left) => (left, right),
            Some(Side::Right) => (right, left),
            _ => (None, left.or(right)),
        };
        if let Some((_, mm)) = own {
            if let Some((column, _)) = other {
                self.unused(&column.heading);
            }
            return Ok(mm);
        }
        let heading = other.map_or_else(|| "displacement".to_owned(), |o| o.0.heading);
        Err(self.error(
            &heading,
            self.header_line,
            "a displacement with a side and a force without one".to_owned(),
            "force and displacement of the same side",
            "name the force column force_left or force_right, or the displacement column displacement_mm",
        ))
    }

    /// Says of a force that is one number in every sample that it is: a live sensor trembles, and a dead one gives no test that
    /// anybody would miss.
    fn name_dead(&mut self, channel: &Channel, name: &str) {
        let mut valid = channel.force_n.iter().filter(|n| !n.is_nan());
        let first = valid.next().copied().unwrap_or_default();
        let alike = valid.clone().all(|n| *n == first);
        // A few rows may be alike by chance.
        if alike && (first == 0.0 || valid.count() >= FEWEST_ALIKE) {
            self.warn(
                name,
                format!("exactly {first} N in every sample"),
                "the noise of a live sensor at least",
                "no test can be found in it; check the sensor and its cable",
            );
        }
    }

    /// Says of columns that are one, or stand under each other's heading.
    fn tell_alike(&mut self, found: Vec<ColumnsAlike>) {
        for ColumnsAlike { columns, found, expected, advice } in found {
            self.warn(&columns, found, expected, advice);
        }
    }

    /// Drops channels that never hold a number.
    fn drop_silent(&mut self, channels: Vec<Channel>) -> Result<Vec<Channel>, Problem> {
        let silent = |values: &[f64]| values.iter().all(|v| v.is_nan());
        let two = channels.len() == 2;
        let mut kept = Vec::with_capacity(channels.len());
        for mut channel in channels {
            let name = |what: &str| {
                channel
                    .side
                    .filter(|_| two)
                    .map_or_else(|| what.to_owned(), |s| format!("{what}_{s}"))
            };
            if silent(&channel.force_n) {
                let name = name("force");
                self.warn(
                    &name,
                    "no number in the whole column".to_owned(),
                    "a force for each sample",
                    "this side is left out; check the sensor and its cable",
                );
                self.force_unseen(format!("no number in {name}"));
                continue;
            }
            if channel.displacement_mm.as_deref().is_some_and(silent) {
                let name = name("displacement");
                self.warn(
                    &name,
                    "no number in the whole column".to_owned(),
                    "a displacement for each sample",
                    "only force is reported; check the sensor and its cable",
                );
                channel.displacement_mm = None;
                channel.displacement_shared = false;
            }
            self.name_dead(&channel, &name("force"));
            kept.push(channel);
        }
        if kept.is_empty() {
            return Err(self.error(
                "force",
                None,
                "no number in any force column".to_owned(),
                "a force for each sample",
                "check the sensor and its cable, and record again",
            ));
        }
        self.tell_alike(alike(&kept));
        if two && kept.len() == 1 {
            kept.iter_mut().for_each(|c| c.displacement_shared = false);
        }
        Ok(kept)
    }
}
