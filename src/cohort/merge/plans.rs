//! Scan plans of several studies: one that asks for something else than another of its name gets a name of its own.

use super::making::Making;
use super::toml_text::{quoted, with_top};
use crate::error::{Error, Problem, Result};
use crate::study::built_in;
use crate::study::door::{self, FileKind};
use crate::study::plan::Plan;
use crate::study::words::shown;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Folder of a study that holds its plans.
pub const FOLDER: &str = "plans";

/// A plan of a study.
struct OwnPlan {
    place: PathBuf,
    text: String,
    /// `None` where the file has a fault.
    plan: Option<Plan>,
}

/// Puts all plans there; gives the new names, by study and old name.
///
/// # Errors
/// [`Error::Refused`] where recordings follow a default plan that would be another.
pub fn put_plans(making: &mut Making<'_>) -> Result<BTreeMap<(usize, String), String>> {
    let mut names = BTreeMap::new();
    let mut there: BTreeMap<String, Plan> = BTreeMap::new();
    let all: Vec<Vec<OwnPlan>> = making.sources.iter().map(|s| own_plans(&s.given)).collect();
    for s in 0..making.sources.len() {
        let source = &making.sources[s];
        for own in with_built_in(&all, s) {
            let name = own.plan.as_ref().map(|p| p.name.clone());
            let same = |p: &Plan| there.get(&p.name) == Some(p);
            if own.plan.as_ref().is_some_and(same) || is_written(making, &own) {
                continue;
            }
            let Some(plan) = own.plan else {
                let place = making.free_beside(&own.place);
                making.put(&place, own.text.as_bytes())?;
                continue;
            };
            let free = std::iter::once(plan.name.clone()).chain((2_u32..).map(|n| format!("{}-{n}", plan.name)));
            let new = free.into_iter().find(|n| !there.contains_key(n) && built_in_or_own(n, &plan)).unwrap_or_default();
            let renamed = name.as_ref() != Some(&new);
            let text = match renamed {
                true => with_top(&own.text, "name", &quoted(&new)).unwrap_or_else(|| own.text.clone()),
                false => own.text.clone(),
            };
            if renamed {
                refuse_by_default(making, s, &plan.name)?;
                making.problems.push(Problem::warning(
                    source.in_it(&own.place.to_string_lossy()),
                    format!("another plan {} than a study before it has", shown(&plan.name)),
                    "one plan for each name",
                    format!("it is called {} in the merged study, in the sidecars and draws that name it too", shown(&new)),
                ));
                names.insert((s, plan.name.clone()), new.clone());
            }
            let place = match renamed {
                true => own.place.with_file_name(format!("{new}.toml")),
                false => own.place,
            };
            let place = making.free_beside(&place);
            making.put(&place, text.as_bytes())?;
            there.insert(new.clone(), Plan { name: new, ..plan });
        }
    }
    Ok(names)
}

/// A new name must not be that of a plan that is built in.
fn built_in_or_own(name: &str, plan: &Plan) -> bool {
    name == plan.name || built_in::built_in(name).is_none()
}

fn is_written(making: &Making<'_>, own: &OwnPlan) -> bool {
    making.written.get(&own.place).is_some_and(|sha256| *sha256 == crate::read::sha256_hex(own.text.as_bytes()))
}

/// A recording that names neither level nor plan follows the default plan of its study, and cannot be told another name.
fn refuse_by_default(making: &Making<'_>, s: usize, plan: &str) -> Result<()> {
    let source = &making.sources[s];
    let by_default = source.study.default_plan.as_ref().is_some_and(|p| p.name == plan);
    match by_default && super::settings::unplanned(source) > 0 {
        false => Ok(()),
        true => Err(Error::Refused {
            found: format!(
                "recordings of {} that name neither level nor plan follow its plan {}, which is another one in a study before it",
                source.label,
                shown(plan)
            ),
            advice: "give that plan a name of its own, and write it into the sidecars of those recordings".to_owned(),
        }),
    }
}

/// The plans of a study, and the built-in ones that it may follow where another study has a plan of that name.
fn with_built_in(all: &[Vec<OwnPlan>], s: usize) -> Vec<OwnPlan> {
    let names = |plans: &[OwnPlan]| -> Vec<String> { plans.iter().filter_map(|p| Some(p.plan.as_ref()?.name.clone())).collect() };
    let own = names(&all[s]);
    let others: Vec<String> = all.iter().flat_map(|plans| names(plans)).collect();
    let missing = built_in::all().into_iter().filter(|p| !own.contains(&p.name) && others.contains(&p.name));
    let built = missing.map(|plan| OwnPlan {
        place: Path::new(FOLDER).join(format!("{}.toml", plan.name)),
        text: plan.to_toml(),
        plan: Some(plan),
    });
    let copies = all[s].iter().map(|p| OwnPlan {
        place: p.place.clone(),
        text: p.text.clone(),
        plan: p.plan.clone(),
    });
    copies.chain(built).collect()
}

fn own_plans(root: &Path) -> Vec<OwnPlan> {
    let entries = std::fs::read_dir(root.join(FOLDER)).into_iter().flatten().flatten();
    let mut names: Vec<_> = entries.map(|e| e.file_name()).collect();
    names.retain(|n| {
        let toml = Path::new(n).extension().is_some_and(|e| e.eq_ignore_ascii_case("toml"));
        toml && !n.to_string_lossy().starts_with('.')
    });
    names.sort();
    let read = |name: &std::ffi::OsString| {
        let place = Path::new(FOLDER).join(name);
        let text = door::read_to_string(&root.join(&place), FileKind::Settings).ok()?;
        Some(OwnPlan {
            plan: Plan::parse(&place.to_string_lossy(), &text).0,
            place,
            text,
        })
    };
    names.iter().filter_map(read).collect()
}
