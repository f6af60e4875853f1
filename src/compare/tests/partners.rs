//! Which tests meet, and what is said of those that do not.

use super::*;
use crate::terms::{Contact, Level, Side};

#[test]
fn what_finds_no_partner_is_listed_with_the_reason() {
    let mut thenar = about("L3", Side::Right, 1);
    thenar.contact = Some(Contact::Thenar);
    let mut no_level = about("L3", Side::Left, 1);
    no_level.level = None;
    let mut no_side = about("L3", Side::Left, 1);
    no_side.side = None;
    let value = [(Measure::EndFeel, 10.0)];
    let tests = [
        stiff("L3", Side::Left, 1, 10.0),
        stiff("L3", Side::Left, 2, 10.0),
        test(thenar, &value),
        stiff("L5", Side::Right, 1, 10.0),
        test(no_level, &value),
        test(no_side, &value),
        test(about("T4", Side::Midline, 1), &value),
        stiff("L1", Side::Left, 1, 10.0),
        test(about("L1", Side::Right, 1), &[(Measure::Peak, 50.0)]),
    ];
    let found = run(&tests);
    assert_eq!(found.comparisons.len(), 0);
    let said: Vec<String> = found
        .unpaired
        .iter()
        .map(|u| {
            let level = u.key.level.map_or("-", Level::word);
            format!("{level} {} {}: {}", u.side, u.trials, u.reason)
        })
        .collect();
    for (i, expected) in [
        "L3 right 1: the left side was tested with another contact: thumb, here thenar",
        "T4 midline 1: fewer than two neighbouring midline steps",
        "L1 left 1: the right side has no end-feel stiffness that is told from zero",
        "L3 left 2: the right side was tested with another contact: thenar, here thumb",
        "L3 not named 1: its side is not named",
        "L5 right 1: no test of the left side in this scan and posture",
        "- left 1: its level is not named",
    ]
    .iter()
    .enumerate()
    {
        assert!(said[i].starts_with(expected), "{said:#?}");
    }
    assert_eq!(said.len(), 7);
}

#[test]
fn tests_that_name_nobody_still_meet() {
    let nobody = |side| About {
        level: Some(Level::L3),
        side: Some(side),
        ..About::default()
    };
    let value = [(Measure::EndFeel, 10.0)];
    let found = run(&[
        test(nobody(Side::Left), &value),
        test(nobody(Side::Right), &value),
    ]);
    assert_eq!((found.comparisons.len(), found.unpaired.len()), (1, 0));
    assert_eq!(found.comparisons[0].asymmetry_percent, Some(0.0));
}
