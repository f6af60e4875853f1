//! The study: made, its ceilings set by a person, and how the class is recorded.

use super::super::answers::{Answered, done, read, refused, told};
use super::super::home::{Desk, locked};
use super::super::opened::OpenStudy;
use super::super::new_study::{NewStudy, make_study};
use super::super::people::{FieldFault, unsound};
use super::super::study_form::{StudyChange, change_study};
use super::super::work::typed;
use crate::error::Error;
use crate::settings::{Ceiling, CeilingOrigin, Settings};
use crate::study::built_in;
use crate::study::plan::Plan;
use crate::study::words::shown;
use crate::terms::{Feedback, Region, StepSide, Term, looks_like_a_day};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Ceilings that are lower or higher than this help nobody: below, a lean goes over; above, no sensor of the trade reads on.
const CEILING_RANGE_N: std::ops::RangeInclusive<f64> = 5.0..=1000.0;
/// Longest title.
const MOST_TITLE: usize = 120;

/// What the page Study shows.
#[derive(Serialize)]
struct StudyPage {
    /// Whether there is a study.
    there: bool,
    folder: String,
    title: Option<String>,
    site: Option<String>,
    blind: bool,
    opened: bool,
    session: String,
    plan: Option<String>,
    plans: Vec<PlanView>,
    ceilings: Vec<CeilingView>,
    feedback: &'static str,
    feedbacks: Vec<&'static str>,
    calls: bool,
    estimates: bool,
    /// What a person should know, found when the study was opened or read.
    notices: Vec<String>,
    in_the_room: bool,
    /// What does the same on the command line.
    commands: Vec<String>,
}

#[derive(Serialize)]
struct PlanView {
    name: String,
    posture: Option<String>,
    steps: usize,
    /// With one sensor: a step on both sides is two presses.
    presses: usize,
    regions: Vec<Region>,
}

#[derive(Serialize)]
struct CeilingView {
    region: Region,
    newtons: f64,
    confirmed: bool,
}

fn plan_view(plan: &Plan) -> PlanView {
    let presses = |s: &crate::study::plan::Step| {
        let sides = if s.side == StepSide::Both { 2 } else { 1 };
        sides * s.trials as usize
    };
    let mut regions: Vec<Region> = Vec::new();
    for level in plan.steps.iter().flat_map(|s| s.covers.iter().chain([&s.level])) {
        if !regions.contains(&level.region()) {
            regions.push(level.region());
        }
    }
    PlanView {
        name: plan.name.clone(),
        posture: plan.posture.as_ref().map(ToString::to_string),
        steps: plan.steps.len(),
        presses: plan.steps.iter().map(presses).sum(),
        regions,
    }
}

fn ceiling_view(ceiling: &Ceiling) -> CeilingView {
    CeilingView {
        region: ceiling.region,
        newtons: ceiling.newtons,
        confirmed: ceiling.origin == CeilingOrigin::Lab,
    }
}

/// A new study as the page asks for it.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
struct NewStudyAsked {
    title: String,
    site: String,
    plan: String,
    blind: bool,
    ceilings: BTreeMap<Region, CeilingAsked>,
}

/// A ceiling as it was typed.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct CeilingAsked {
    newtons: String,
    /// A person says that this is the lab's own.
    confirmed: bool,
}

impl CeilingAsked {
    fn read(&self, region: Region) -> Result<f64, String> {
        let text = self.newtons.trim().replace(',', ".");
        let read = text.parse::<f64>().ok().filter(|n| CEILING_RANGE_N.contains(n));
        read.ok_or_else(|| {
            format!(
                "{region}: found {}; expected a force from {} to {} N",
                shown(&self.newtons),
                CEILING_RANGE_N.start(),
                CEILING_RANGE_N.end()
            )
        })
    }
}

fn read_ceilings(asked: &BTreeMap<Region, CeilingAsked>) -> (Vec<(Region, f64)>, Vec<FieldFault>) {
    let (mut set, mut faults) = (Vec::new(), Vec::new());
    for (region, ceiling) in asked {
        match ceiling.read(*region) {
            Ok(newtons) if ceiling.confirmed => set.push((*region, newtons)),
            Ok(_) => {}
            Err(words) => faults.push(FieldFault { field: "ceilings", words }),
        }
    }
    (set, faults)
}

impl NewStudyAsked {
    fn read(&self) -> (NewStudy, Vec<FieldFault>) {
        let (ceilings, mut faults) = read_ceilings(&self.ceilings);
        let mut fault = |field, words: &str| faults.push(FieldFault { field, words: words.to_owned() });
        let title = self.title.trim();
        if title.is_empty() {
            fault("title", "A title is missing: it stands on every page.");
        }
        for (field, text) in [("title", title), ("site", self.site.trim())] {
            if text.chars().count() > MOST_TITLE || text.chars().any(char::is_control) {
                fault(field, "Expected one line of at most 120 characters.");
            }
        }
        if built_in::built_in(&self.plan).is_none() {
            fault("plan", "Choose one of the plans.");
        }
        let site = Some(self.site.trim().to_owned()).filter(|s| !s.is_empty());
        let new = NewStudy {
            title: Some(title.to_owned()),
            site,
            plan: self.plan.clone(),
            shuffle: None,
            ceilings,
            blind: self.blind,
        };
        (new, faults)
    }
}

/// How the class is recorded, as the page asks for it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct ClassAsked {
    plan: Option<String>,
    session: Option<String>,
    feedback: Feedback,
    calls: bool,
    #[serde(default)]
    estimates: bool,
}

/// Ceilings that a person confirms or changes.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct CeilingsAsked {
    ceilings: BTreeMap<Region, CeilingAsked>,
}

/// Why a form is not taken, beside its fields.
#[derive(Serialize)]
struct Faults {
    faults: Vec<FieldFault>,
}

impl Desk {
    pub(super) fn study_view(&self) -> Answered {
        let study = self.study();
        let class = self.class();
        let plans: Vec<Plan> = match &study {
            Some(study) => {
                let own = study.plans.iter().cloned();
                let further = built_in::all().into_iter().filter(|p| !study.plans.iter().any(|o| o.name == p.name));
                own.chain(further).collect()
            }
            None => built_in::all(),
        };
        let fallback = Settings::default();
        let settings = study.as_ref().map_or(&fallback, |s| &s.settings);
        let root = self.root().display().to_string();
        let words = |words: &[&str]| typed(&words.iter().map(|w| (*w).to_owned()).collect::<Vec<_>>());
        let commands = match &study {
            Some(_) => vec![words(&["check", &root])],
            None => vec![words(&["prepare", &root, "--title", "TITLE", "--plan", "class-lumbar"])],
        };
        told(&StudyPage {
            there: study.is_some(),
            folder: root,
            title: study.as_ref().and_then(|s| s.title.clone()),
            site: study.as_ref().and_then(|s| s.site.clone()),
            blind: study.as_ref().is_some_and(|s| s.blind),
            opened: study.as_ref().is_some_and(|s| s.opened.is_some()),
            session: self.session(),
            plan: class.class.plan.clone().or_else(|| study.as_ref()?.default_plan.as_ref().map(|p| p.name.clone())),
            plans: plans.iter().map(plan_view).collect(),
            ceilings: settings.ceilings().map(|c| ceiling_view(&c)).collect(),
            feedback: class.class.feedback.word(),
            feedbacks: Feedback::words(),
            calls: class.class.calls,
            estimates: class.class.estimates,
            notices: self.notices(),
            in_the_room: self.is_in_the_room(),
            commands,
        })
    }

    pub(super) fn look_at_new_study(&self, body: &[u8]) -> Answered {
        let asked: NewStudyAsked = read(body)?;
        told(&Faults { faults: asked.read().1 })
    }

    pub(super) fn new_study(&self, body: &[u8]) -> Answered {
        let asked: NewStudyAsked = read(body)?;
        let (new, faults) = asked.read();
        if let Some(fault) = faults.into_iter().next() {
            return Err(refused(fault.words, "nothing was made"));
        }
        let _alone = locked(&self.editing);
        // Another desk may have made it meanwhile: then this one is told so, or takes it up.
        if !OpenStudy::is_there(self.root()) {
            make_study(self.root(), &new)?;
        }
        self.open_study()?;
        done()
    }

    pub(super) fn set_ceilings(&self, body: &[u8]) -> Answered {
        let asked: CeilingsAsked = read(body)?;
        self.sound_study()?;
        let (ceilings, faults) = read_ceilings(&asked.ceilings);
        if let Some(fault) = faults.into_iter().next() {
            return Err(refused(fault.words, "nothing was changed"));
        }
        let _alone = locked(&self.editing);
        let change = StudyChange {
            ceilings,
            ..StudyChange::default()
        };
        change_study(self.root(), &change)?;
        told(&Notices { notices: self.read_again() })
    }

    pub(super) fn set_class(&self, body: &[u8]) -> Answered {
        let asked: ClassAsked = read(body)?;
        let study = self.sound_study()?;
        let trimmed = |text: Option<String>| text.map(|t| t.trim().to_owned()).filter(|t| !t.is_empty());
        let (plan, session) = (trimmed(asked.plan), trimmed(asked.session));
        if let Some(name) = &plan
            && study.plan(name).is_none()
        {
            return Err(Error::from(study.no_plan(name, "the class's plan")).into());
        }
        if let Some(session) = &session {
            crate::acquire::recorder::file_names::sound_code("the session", session)?;
            if let Some(words) = unsound(session) {
                return Err(refused(words, "nothing was changed"));
            }
            if looks_like_a_day(session) {
                let words = format!("the session is {}", shown(session));
                return Err(refused(words, "write a day of ISO 8601 such as 2026-09-14, or a name"));
            }
        }
        self.change_class(|class| {
            (class.class.plan, class.class.session) = (plan, session);
            (class.class.feedback, class.class.calls, class.class.estimates) = (asked.feedback, asked.calls, asked.estimates);
            Ok(())
        })?;
        done()
    }
}

/// What could not be done at once, and where.
#[derive(Serialize)]
struct Notices {
    notices: Vec<String>,
}
