//! Whose a ceiling is: every page of one study says the same.

use super::{FIRST, analysed, class, is, page, spoil};
use tautpoint::report::debrief::Debrief;
use tautpoint::report::html::{self, PageOptions};
use tautpoint::report::station::station_card;
use tautpoint::simulate::ExaminerFault;
use tautpoint::study::built_in::built_in;
use tautpoint::terms::{Level, Region, Side};

/// A ceiling as study.toml sets it; nothing else of the study differs.
const CASES: [Option<(Region, f64)>; 4] = [
    None,
    Some((Region::Lumbar, 150.0)),
    // The values that are shipped (METHODS.md §9.3), written out.
    Some((Region::Lumbar, 175.0)),
    Some((Region::Thoracic, 105.0)),
];

#[test]
fn every_page_of_a_study_says_the_same_of_each_ceiling() {
    let (_dir, root) = class(|p| {
        if is(p, "L-01", FIRST, "L3", Side::Left) {
            spoil(p, ExaminerFault::Over(175.0));
        }
        let about = &p.about;
        (about.examiner.as_deref(), about.session.as_deref()) == (Some("L-01"), Some(FIRST))
            && about.level == Some(Level::L3)
    });
    let file = root.join("study.toml");
    let plain = std::fs::read_to_string(&file).unwrap();
    assert!(!plain.contains("\n[ceiling_n]"));
    for set in CASES {
        let line = set.map_or_else(String::new, |(region, n)| {
            format!("\n[ceiling_n]\n{region} = {n:.1}\n")
        });
        std::fs::write(&file, format!("{plain}{line}")).unwrap();
        let (results, study) = analysed(&root);
        let debrief = Debrief::of(&results, &study);
        let report = html::page(&results, &PageOptions::default()).unwrap();
        let class = page(&debrief, &results, true, "class.html");
        let learner = page(&debrief, &results, true, "learners/L-01.html");
        let card = station_card("t", &built_in("prone-thumbs").unwrap(), &study.settings).unwrap();
        for (region, shipped) in [
            (Region::Neck, 60.0),
            (Region::Thoracic, 105.0),
            (Region::Lumbar, 175.0),
            (Region::Sacral, 175.0),
        ] {
            let own = set.filter(|(of, _)| *of == region).map(|(_, n)| n);
            let n = own.unwrap_or(shipped);
            let (whose, short, other, cells) = match own {
                Some(n) => (
                    "set by this lab",
                    "(set by this lab)",
                    "(a default)",
                    format!("<td class=\"n\"></td><td>{n}</td>"),
                ),
                None => (
                    "default, the lab must set its own",
                    "(a default)",
                    "(set by this lab)",
                    format!("<td class=\"n\">{n}</td><td><span"),
                ),
            };
            let said = format!("{region} {n}\u{a0}N ({whose})");
            assert!(report.contains(&said), "{set:?}: the report lacks {said}");
            assert!(class.contains(&said), "{set:?}: the class page lacks {said}");
            let row = format!("<th scope=\"row\">{region}</th>{cells}");
            assert!(card.contains(&row), "{set:?}: the card lacks {row}");
            // All tests here are lumbar; findings and figures tell of no other region.
            if region == Region::Lumbar {
                let finding = format!("over the lumbar ceiling of {n} N ({whose})");
                for (name, html) in [("report", &report), ("learner's page", &learner)] {
                    assert!(html.contains(&finding), "{set:?}: the {name} lacks {finding}");
                    assert!(html.contains(short), "{set:?}: the {name}'s figure lacks {short}");
                }
                assert!(
                    !learner.contains(other),
                    "{set:?}: the learner's page has {other}"
                );
            }
        }
    }
}
