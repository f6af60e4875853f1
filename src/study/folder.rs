//! A study's folder: study.toml with the plans, the roster and the calls beside it.

use super::door;
use super::built_in;
use super::call::Call;
use super::calls;
use super::estimates::{self, PeakEstimate};
use super::gains::ColumnGains;
use super::mapping::ColumnMapping;
use super::objective::Objective;
use super::opened::{Opened, read_opened};
use super::plan::Plan;
use super::roster::Roster;
use super::sidecar::any_error;
use super::study_file::{self, StudyFile};
use super::toml_doc::read_text;
use super::words::{nearest, one_of, shown};
use crate::error::{Problem, Severity};
use crate::settings::Settings;
use std::path::{Path, PathBuf};

/// A file in `plans/` that cannot be used.
#[derive(Debug, Clone, PartialEq)]
pub struct FaultyPlan {
    /// What somebody may call it: the file's name without its ending, and the name that it gives itself.
    pub names: Vec<String>,
    /// What is wrong with it, and where.
    pub fault: Problem,
}

/// A folder with a study.toml.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Study {
    pub root: PathBuf,
    pub title: Option<String>,
    pub site: Option<String>,
    pub ethics_ref: Option<String>,
    /// Names of the calibrations that recordings are read by when their sidecars name none.
    pub calibrations: Vec<String>,
    /// Codes of the sensors, where the sidecars say none.
    pub sensors: Vec<String>,
    /// Factors of sensors, where the sidecars say none.
    pub gains: ColumnGains,
    /// How another program wrote the recordings whose sidecars do not say.
    pub import: Option<ColumnMapping>,
    pub settings: Settings,
    /// `[technique] reference`: recordings that others are held against; empty when the roster's teachers are.
    pub reference: Vec<String>,
    pub default_plan: Option<Plan>,
    /// Plans in `plans/`, by name.
    pub plans: Vec<Plan>,
    /// Files in `plans/` that cannot be used.
    pub faulty_plans: Vec<FaultyPlan>,
    pub calls: Vec<Call>,
    /// A goal for teaching that was set beforehand.
    pub objective: Option<Objective>,
    /// What learners thought the peak forces of their tests were.
    pub estimates: Vec<PeakEstimate>,
    pub roster: Roster,
    /// `blind = true`: measured sides are hidden until the study is opened.
    pub blind: bool,
    /// When it was opened; `None` when it was not, or opened.toml cannot be used.
    pub opened: Option<Opened>,
    /// study.toml has an error: nothing should be analysed until it is mended.
    pub faulty: bool,
}

impl Study {
    /// Whether measured sides are hidden still.
    pub fn hidden(&self) -> bool {
        self.blind && self.opened.is_none()
    }

    /// A plan of the study or, failing that, a built-in one, by name.
    pub fn plan(&self, name: &str) -> Option<Plan> {
        self.plans
            .iter()
            .find(|p| p.name == name)
            .cloned()
            .or_else(|| built_in::built_in(name))
    }

    /// Why [`Study::plan`] gives none of this name: its file has a fault, or there is no such plan. `file` is where the name
    /// stands.
    pub fn no_plan(&self, name: &str, file: &str) -> Problem {
        let faulty = self.faulty_plans.iter().find(|p| p.names.iter().any(|n| n == name));
        if let Some(FaultyPlan { fault, .. }) = faulty {
            return Problem::error(
                file,
                format!("the plan {}, which cannot be used ({fault})", shown(name)),
                "a plan without a fault",
                format!("correct {}", fault.file),
            );
        }
        let mut known: Vec<&str> = self.plans.iter().map(|p| p.name.as_str()).collect();
        let own = known.clone();
        known.extend(built_in::NAMES.iter().filter(|n| !own.contains(n)));
        let advice = match nearest(name, known.iter().copied()) {
            Some(near) => format!("write {} if that is meant", shown(near)),
            None => "correct the name, or put the plan's file into plans/".to_owned(),
        };
        let known: Vec<String> = known.into_iter().map(shown).collect();
        let known: Vec<&str> = known.iter().map(String::as_str).collect();
        Problem::error(
            file,
            format!("{}, a plan that is neither in plans/ nor built in", shown(name)),
            one_of(&known),
            advice,
        )
    }
}

/// Reads study.toml, plans, roster and calls of a study.
pub fn read_study(root: &Path, problems: &mut Vec<Problem>) -> Study {
    let (file, mut found) = match read_text(&root.join(study_file::FILE_NAME), study_file::FILE_NAME) {
        Ok(text) => StudyFile::parse(study_file::FILE_NAME, &text),
        Err(problem) => (StudyFile::default(), vec![problem]),
    };
    let faulty = any_error(&found);
    problems.append(&mut found);
    let (plans, faulty_plans) = read_plans(root, problems);
    let mut study = Study {
        root: root.to_owned(),
        title: file.title,
        site: file.site,
        ethics_ref: file.ethics_ref,
        calibrations: file.calibrations,
        sensors: file.sensors,
        gains: file.gains,
        import: file.import,
        settings: file.settings,
        reference: file.reference,
        objective: file.objective,
        plans,
        faulty_plans,
        blind: file.blind,
        opened: read_opened(root, problems),
        faulty,
        ..Study::default()
    };
    if let Some(text) = optional(root, "roster.csv", problems) {
        let (roster, mut found) = Roster::parse("roster.csv", &text);
        study.roster = roster;
        problems.append(&mut found);
    }
    if let Some(text) = optional(root, "calls.csv", problems) {
        let (rows, mut found) = calls::parse("calls.csv", &text);
        study.calls = rows;
        problems.append(&mut found);
    }
    if let Some(text) = optional(root, estimates::FILE_NAME, problems) {
        let (rows, mut found) = estimates::parse(estimates::FILE_NAME, &text);
        study.estimates = rows;
        problems.append(&mut found);
    }
    if let Some(name) = file.default_plan {
        study.default_plan = study.plan(&name);
        if study.default_plan.is_none() {
            let unknown = study.no_plan(&name, study_file::FILE_NAME);
            problems.push(unknown.at_line(file.default_plan_line).in_column("plan.default"));
        }
    }
    study
}

fn optional(root: &Path, name: &str, problems: &mut Vec<Problem>) -> Option<String> {
    let path = root.join(name);
    if !door::is_there(&path) {
        return None;
    }
    read_text(&path, name).map_err(|p| problems.push(p)).ok()
}

/// Plans in `plans/`; a name used twice keeps the first.
fn read_plans(root: &Path, problems: &mut Vec<Problem>) -> (Vec<Plan>, Vec<FaultyPlan>) {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(root.join("plans"))
        .map(|entries| entries.filter_map(|e| e.ok().map(|e| e.path())).collect())
        .unwrap_or_default();
    paths.retain(|p| {
        let hidden = p
            .file_name()
            .is_some_and(|n| n.to_string_lossy().starts_with('.'));
        !hidden && p.extension().is_some_and(|e| e == "toml")
    });
    paths.sort();
    let (mut plans, mut faulty): (Vec<Plan>, Vec<FaultyPlan>) = Default::default();
    for path in paths {
        let name = path
            .file_name()
            .map(|n| n.to_string_lossy().into_owned())
            .unwrap_or_default();
        let file = format!("plans/{name}");
        let (plan, own_name, mut found) = match read_text(&path, &file) {
            Ok(text) => {
                let (plan, found) = Plan::parse(&file, &text);
                (plan, Plan::name_in(&text), found)
            }
            Err(problem) => (None, None, vec![problem]),
        };
        let fault = found.iter().find(|p| p.severity == Severity::Error).cloned();
        problems.append(&mut found);
        let Some(plan) = plan else {
            let stem = path.file_stem().map(|n| n.to_string_lossy().into_owned());
            let names = stem.into_iter().chain(own_name).collect();
            faulty.extend(fault.map(|fault| FaultyPlan { names, fault }));
            continue;
        };
        if plans.iter().any(|p| p.name == plan.name) {
            problems.push(
                Problem::error(
                    file,
                    format!("a second plan named {}", shown(&plan.name)),
                    "a name of its own for each plan",
                    "rename one; this one is not used",
                )
                .in_column("name"),
            );
        } else {
            plans.push(plan);
        }
    }
    (plans, faulty)
}
