//! The sheet as a page to print.

use super::coverage::spot;
use super::sheet::{Sheet, SheetCall, SheetRow, SheetTest};
use super::words::minutes;
use crate::error::Result;
use crate::format::{number, plus_minus};
use crate::report::frame::Page;
use crate::terms::Contact;
use serde::Serialize;

const SHEET: &str = include_str!("sheet.html");
const STYLE: &str = include_str!("sheet.css");

/// What no sensor sees. The line of drive is among it where no tilt was measured.
const UNSEEN: [&str; 4] = [
    "landmark found",
    "stance and use of body weight",
    "the subject's comfort",
    "communication with the subject",
];
const UNTILTED: &str = "line of drive";

#[derive(Serialize)]
struct SheetView {
    version: &'static str,
    title: String,
    candidate: String,
    session: String,
    over_ceiling: Vec<String>,
    standing: Vec<String>,
    facts: Vec<[String; 2]>,
    rows: Vec<RowView>,
    hands: bool,
    tilted: bool,
    notes: Vec<String>,
    calls: Vec<CallView>,
    unseen: Vec<&'static str>,
}

#[derive(Serialize)]
pub(super) struct RowView {
    pub step: String,
    pub place: String,
    pub contact: String,
    pub done: String,
    pub pre_tension: String,
    pub excursion: String,
    pub hand_share: String,
    pub peak: String,
    pub drive: String,
}

#[derive(Serialize)]
pub(super) struct CallView {
    level: String,
    pub call: String,
    pub measured: String,
    agrees: &'static str,
}

impl Sheet {
    /// The page, for A4.
    ///
    /// # Errors
    /// [`crate::error::Error::Refused`] when the page could not be put together; that is a fault of the program.
    pub fn page(&self) -> Result<String> {
        let page = Page {
            what: "the assessment sheet",
            templates: &[("sheet.html", SHEET)],
            style: STYLE,
            script: None,
        };
        page.render(&self.view())
    }

    fn view(&self) -> SheetView {
        let scan = &self.request.scan;
        let tests: Vec<&SheetTest> = self.rows.iter().filter_map(|r| r.test.as_ref()).collect();
        SheetView {
            version: env!("CARGO_PKG_VERSION"),
            title: self
                .title
                .clone()
                .unwrap_or_else(|| "Manual palpation, measured".to_owned()),
            candidate: scan.examiner.clone().unwrap_or_default(),
            session: scan.session.clone().unwrap_or_default(),
            over_ceiling: self.over_ceiling.clone(),
            standing: self.standing.clone(),
            facts: self.facts(),
            rows: self.rows.iter().map(row_view).collect(),
            hands: tests.iter().any(|t| t.hand_share_percent.is_some()),
            tilted: self.tilted,
            notes: self.notes(),
            calls: self.calls.iter().map(|c| self.call_view(c)).collect(),
            unseen: self.unseen(),
        }
    }

    pub(super) fn unseen(&self) -> Vec<&'static str> {
        let mut all = UNSEEN.to_vec();
        if !self.tilted {
            all.insert(2, UNTILTED);
        }
        all
    }

    /// The head of the sheet; what is not known is left to be written by hand.
    fn facts(&self) -> Vec<[String; 2]> {
        let scan = &self.request.scan;
        let code = |v: &Option<String>| v.clone().unwrap_or_default();
        let blank = String::new;
        let missed = self.rows.iter().filter(|r| r.step.is_some());
        let (mut planned, mut done) = (0, 0);
        for row in missed {
            planned += 1;
            done += usize::from(row.test.is_some());
        }
        let plan = self.request.plan.as_ref();
        let fact = |name: &str, value: String| [name.to_owned(), value];
        let mut facts = vec![
            fact("candidate", code(&scan.examiner)),
            fact("session", code(&scan.session)),
            fact("subject", code(&scan.subject)),
            fact(
                "attempt",
                self.request.attempt.map_or_else(blank, |n| n.to_string()),
            ),
            fact(
                "plan",
                plan.map_or_else(|| "none known".to_owned(), |p| p.name.clone()),
            ),
            fact(
                "drawn",
                self.request
                    .drawn
                    .clone()
                    .unwrap_or_else(|| "no draw is kept".to_owned()),
            ),
            fact(
                "time allowed",
                self.request.minutes_allowed.map_or_else(blank, |m| {
                    format!("{}\u{a0}min", number(m, usize::from(m.fract() != 0.0)))
                }),
            ),
            fact(
                "time taken",
                self.time
                    .map_or_else(|| "not known".to_owned(), |t| minutes(t.seconds)),
            ),
            fact(
                "feedback",
                if self.feedback.is_empty() {
                    "not said".to_owned()
                } else {
                    self.feedback.join(", ")
                },
            ),
        ];
        if plan.is_some() {
            facts.push(fact("tests of the plan made", format!("{done} of {planned}")));
            facts.push(fact(
                "out of order",
                match &self.out_of_order {
                    None => "order not known".to_owned(),
                    Some(list) if list.is_empty() => "none".to_owned(),
                    Some(list) => list.join(", "),
                },
            ));
        }
        facts
    }

    fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        let ceilings: Vec<String> = self.ceilings.iter().map(ToString::to_string).collect();
        notes.push(format!("Ceilings, for all contacts at a level together: {}.", ceilings.join("; ")));
        if let Some(time) = self.time {
            notes.push(format!("Time counts {}.", time.from));
        }
        if self.request.plan.is_none() {
            notes.push(
                "No plan is known for this scan, so nothing is said of coverage and order: name one with --plan."
                    .to_owned(),
            );
        }
        if self.rows.iter().any(|r| r.step.is_none()) && self.request.plan.is_some() {
            notes.push("Tests without a step are beyond the plan: made again, or elsewhere.".to_owned());
        }
        let tests: Vec<&SheetTest> = self.rows.iter().filter_map(|r| r.test.as_ref()).collect();
        if let Some(test) = tests.iter().find(|t| !t.hidden) {
            let [low, high] = test.excursion_band_mm;
            notes.push(format!(
                "Pre-tension: springs that began with the slack out, of all springs. Excursion ± half-width of its 95\u{a0}% \
                 interval; this study's band is {low} to {high}\u{a0}mm (regions may differ). Peak is the sum of all contacts."
            ));
        }
        notes
    }

    pub(super) fn call_view(&self, call: &SheetCall) -> CallView {
        CallView {
            level: call.level.label().to_owned(),
            call: match call.calls.as_slice() {
                [] => "no call".to_owned(),
                calls => calls.iter().map(|c| c.word()).collect::<Vec<_>>().join(", "),
            },
            measured: match (&call.measured, self.blinded) {
                (_, true) => "hidden while the study is blinded".to_owned(),
                (Some(words), _) => words.clone(),
                (None, _) => "not compared".to_owned(),
            },
            agrees: match call.agrees {
                Some(true) => "same",
                Some(false) => "differ",
                None => "",
            },
        }
    }
}

/// A row in words; where nothing could be measured the cell is empty.
pub(super) fn row_view(row: &SheetRow) -> RowView {
    let mut view = RowView {
        step: row.step.map_or_else(|| "–".to_owned(), |n| n.to_string()),
        place: spot(row.level, row.side),
        contact: row.contact.map_or(String::new(), Contact::label),
        done: "no test".to_owned(),
        pre_tension: String::new(),
        excursion: String::new(),
        hand_share: String::new(),
        peak: String::new(),
        drive: String::new(),
    };
    let Some(test) = &row.test else { return view };
    view.done = test
        .place
        .map_or_else(|| "made".to_owned(), |p| format!("test {p}"));
    if test.hidden {
        view.pre_tension = "hidden".to_owned();
        return view;
    }
    view.pre_tension = match (test.pre_tension, test.no_knee) {
        (Some([out, all]), _) => format!("{out} of {all}"),
        (None, true) => "not shown: no knee".to_owned(),
        (None, false) => String::new(),
    };
    view.excursion = test.excursion_mm.map_or_else(String::new, |e| {
        let [low, high] = test.excursion_band_mm;
        let u95 = e.u95().unwrap_or(0.0);
        // Outside only when the whole interval is, as the findings have it.
        let beside = match e.value {
            mm if mm - u95 > high => format!(", over {high}"),
            mm if mm + u95 < low => format!(", under {low}"),
            _ => String::new(),
        };
        format!("{}{beside}", plus_minus(e.value, e.u95(), 1))
    });
    view.hand_share = test
        .hand_share_percent
        .map_or_else(String::new, |e| plus_minus(e.value, e.u95(), 0));
    let lowest = if row.level.is_none() { ", the lowest: level not given" } else { "" };
    view.peak = match (test.total_peak_n, test.ceiling_n) {
        (Some(n), ceiling) if n > ceiling => {
            format!(
                "{}, over {} by {}{lowest}",
                number(n, 1),
                number(ceiling, 0),
                number(n - ceiling, 1)
            )
        }
        (Some(n), ceiling) => format!("{} ({}{lowest})", number(n, 1), number(ceiling, 0)),
        (None, _) => String::new(),
    };
    view.drive = match test.line_of_drive_deg {
        [Some(measured), Some(planned)] => format!("{} ({})", number(measured, 0), number(planned, 0)),
        [Some(measured), None] => number(measured, 0),
        _ => String::new(),
    };
    view
}
