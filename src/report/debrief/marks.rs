//! The rows of a sheet as a table to mark in.

use super::sheet::{Sheet, SheetRow};
use super::sheet_page::row_view;
use crate::columns::table as c;
use crate::columns::table::debrief as d;
use crate::format::number;
use crate::report::tables::{Cell, Table, field};
use crate::terms::{Level, Side};

/// One row of the marks.
#[derive(Debug, Clone, Default)]
struct Item {
    item: &'static str,
    step: Option<usize>,
    level: Option<Level>,
    side: Option<Side>,
    value: Option<f64>,
    unit: &'static str,
    low: Option<f64>,
    high: Option<f64>,
    words: String,
}

impl Sheet {
    /// One row an item of the sheet, with empty columns for the marks of both assessors.
    pub fn marks(&self) -> Table {
        let items = self.items();
        let scan = self.request.scan.clone();
        let plan = self.request.plan.as_ref().map(|p| p.name.clone());
        let attempt = self.request.attempt;
        let fields = vec![
            field(d::CANDIDATE, {
                let code = scan.examiner.clone();
                move |_: &Item| Cell::maybe(code.as_deref())
            }),
            field(c::SESSION, {
                let code = scan.session.clone();
                move |_: &Item| Cell::maybe(code.as_deref())
            }),
            field(c::SUBJECT, move |_: &Item| Cell::maybe(scan.subject.as_deref())),
            field(d::PLAN, move |_: &Item| Cell::maybe(plan.as_deref())),
            field(d::ATTEMPT, move |_: &Item| {
                attempt.map_or(Cell::Missing, Cell::int)
            }),
            field(d::STEP, |i: &Item| i.step.map_or(Cell::Missing, Cell::int)),
            field(c::LEVEL, |i: &Item| Cell::term(i.level)),
            field(c::SIDE, |i: &Item| Cell::term(i.side)),
            field(d::ITEM, |i: &Item| Cell::text(i.item)),
            field(c::VALUE, |i: &Item| Cell::num(i.value)),
            field(c::VALUE_UNIT, |i: &Item| Cell::text(i.unit)),
            field(c::BAND_LOW, |i: &Item| Cell::num(i.low)),
            field(c::BAND_HIGH, |i: &Item| Cell::num(i.high)),
            field(d::SEEN, |i: &Item| Cell::text(&i.words)),
            field(d::MARK_1, |_: &Item| Cell::Missing),
            field(d::MARK_2, |_: &Item| Cell::Missing),
        ];
        Table::fill("marks", fields, &items)
    }

    fn items(&self) -> Vec<Item> {
        let mut items = Vec::new();
        let seconds = self.time.map(|t| t.seconds);
        items.push(Item {
            item: "time",
            value: seconds,
            unit: "s",
            high: self.request.minutes_allowed.map(|m| 60.0 * m),
            words: self.time.map_or("not known".to_owned(), |t| t.from.to_owned()),
            ..Item::default()
        });
        items.extend(self.rows.iter().flat_map(|row| self.items_of(row)));
        items.extend(self.calls.iter().map(|call| {
            let view = self.call_view(call);
            Item {
                item: "call",
                level: Some(call.level),
                words: format!("called {}; measured {}", view.call, view.measured),
                ..Item::default()
            }
        }));
        items.extend(self.unseen().into_iter().map(|item| Item {
            item,
            ..Item::default()
        }));
        items
    }

    fn items_of(&self, row: &SheetRow) -> Vec<Item> {
        let of = |item: &'static str| Item {
            item,
            step: row.step,
            level: row.level,
            side: row.side,
            ..Item::default()
        };
        let Some(test) = &row.test else {
            return vec![Item {
                value: Some(0.0),
                unit: "tests",
                low: Some(1.0),
                words: "no test".to_owned(),
                ..of("coverage")
            }];
        };
        let view = row_view(row);
        let mut items = vec![
            Item {
                value: Some(1.0),
                unit: "tests",
                low: row.step.map(|_| 1.0),
                high: row.step.is_none().then_some(0.0),
                words: if row.step.is_some() {
                    "made"
                } else {
                    "beyond the plan"
                }
                .to_owned(),
                ..of("coverage")
            },
            Item {
                value: test.place.map(|p| p as f64),
                unit: "place in the scan",
                words: view.done,
                ..of("order")
            },
            Item {
                value: test.pre_tension.map(|p| p[0] as f64),
                unit: "springs",
                low: test.pre_tension.map(|p| p[1] as f64),
                words: view.pre_tension,
                ..of("pre-tension before each spring")
            },
            Item {
                value: test.excursion_mm.map(|e| e.value),
                unit: "mm",
                low: Some(test.excursion_band_mm[0]),
                high: Some(test.excursion_band_mm[1]),
                words: view.excursion,
                ..of("excursion")
            },
            Item {
                value: test.total_peak_n,
                unit: "N",
                high: Some(test.ceiling_n),
                words: view.peak,
                ..of("peak force")
            },
        ];
        if let Some(share) = test.hand_share_percent {
            items.push(Item {
                value: Some(share.value),
                unit: "%",
                low: Some(test.hand_share_band_percent[0]),
                high: Some(test.hand_share_band_percent[1]),
                words: view.hand_share,
                ..of("hand share")
            });
        }
        if let ([Some(measured), planned], true) = (test.line_of_drive_deg, self.tilted) {
            items.push(Item {
                value: Some(measured),
                unit: "deg",
                words: planned.map_or(String::new(), |p| format!("planned {}", number(p, 0))),
                ..of("line of drive")
            });
        }
        items
    }
}
