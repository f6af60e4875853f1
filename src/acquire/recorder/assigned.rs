//! Plans that were drawn for learners before an assessment (draws.toml).

use super::request::RecordingRequest;
use crate::study::draws;
use crate::study::folder::Study;
use crate::study::plan::Plan;
use crate::study::words::shown;

/// The plans drawn for one session.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct AssignedPlans {
    /// Code of the examiner with the plan.
    plans: Vec<(String, Plan)>,
}

impl AssignedPlans {
    /// Those of the session that is recorded, and what is wrong with the draws, in words.
    pub fn read(study: &Study, request: &RecordingRequest) -> (AssignedPlans, Vec<String>) {
        let mut problems = Vec::new();
        // Without a plan of its own, what has a level is recorded outside of any.
        if request.level.is_some() {
            return (AssignedPlans::default(), Vec::new());
        }
        let mut plans = Vec::new();
        let all = draws::read(&study.root, &mut problems);
        let mut words: Vec<String> = problems.iter().map(ToString::to_string).collect();
        for draw in all.into_iter().filter(|d| d.session == request.session) {
            match study.plan(&draw.plan) {
                Some(plan) => plans.push((draw.examiner, plan)),
                None => words.push(format!(
                    "{}, or record with --plan ({} has it for {})",
                    study.no_plan(&draw.plan, draws::FILE_NAME),
                    draws::FILE_NAME,
                    shown(&draw.examiner)
                )),
            }
        }
        (AssignedPlans { plans }, words)
    }

    /// Whether nothing was drawn for this session.
    pub fn is_empty(&self) -> bool {
        self.plans.is_empty()
    }

    /// The plan of a learner; of several draws the last.
    pub fn plan_of(&self, examiner: Option<&str>) -> Option<Plan> {
        let mut own = self.plans.iter().rev().filter(|(code, _)| Some(code.as_str()) == examiner);
        own.next().map(|(_, plan)| plan.clone())
    }

    /// What a person should know: which plan is followed, and when it is not the one drawn.
    pub fn words(&self, request: &RecordingRequest) -> Option<String> {
        if self.is_empty() {
            return None;
        }
        let examiner = request.examiner.as_deref();
        let who = examiner.map_or_else(|| "nobody".to_owned(), shown);
        let drawn = self.plan_of(examiner).map(|p| p.name);
        match (drawn, &request.plan) {
            (Some(drawn), Some(plan)) if drawn == plan.name => {
                Some(format!("{who} follows the plan {}, which was drawn", shown(&drawn)))
            }
            (Some(drawn), _) => Some(format!(
                "the plan {} was drawn for {who}, and another one is followed: leave --plan out to follow the draw",
                shown(&drawn)
            )),
            (None, _) => Some(format!(
                "no plan was drawn for {who} in this session: draw one with `debrief --draw`, or give --plan"
            )),
        }
    }
}
