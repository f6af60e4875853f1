//! Figures: what they hold, in which order they are drawn, and that they are pictures.

use crate::invented::{Push, comparison, neighbours, press};
use tautpoint::columns::Measure;
use tautpoint::compare::{Comparison, Decision, TrialsToDecide};
use tautpoint::plot::{Figure, PanelOptions, ScanOptions, png, scan_overview, test_panels};
use tautpoint::settings::{Ceiling, CeilingOrigin};
use tautpoint::terms::{Felt, Posture, Region};
use tautpoint::trace::{Knee, Test};

fn overview(comparisons: &[Comparison]) -> Figure {
    let options = ScanOptions {
        about: "subject V-07, examiner L-12, session 2026-09-14".to_owned(),
        measure: Measure::EndFeel,
        confidence: 0.95,
    };
    scan_overview(&comparisons.iter().collect::<Vec<_>>(), &options).unwrap()
}

/// Half a minute with noise on both channels.
fn noisy(plain: &Push) -> Test {
    let push = Push {
        springs: 15,
        hold_s: 10.0,
        ..plain.clone()
    };
    let mut test = press(&push, "T8", tautpoint::trace::Side::Right, 1);
    let noise = |i: usize| ((i * 7919 + 13) % 101) as f32 / 101.0 - 0.5;
    for i in 0..test.curve.force_n.len() {
        test.curve.force_n[i] += 2.0 * noise(i);
        test.curve.displacement_mm[i] += 0.1 * noise(3 * i + 5);
    }
    test
}

/// Shapes that labels must survive.
fn shapes() -> Vec<(&'static str, Test, PanelOptions)> {
    use tautpoint::trace::Side::{Left, Right};
    let plain = Push::default();
    let ceiling = |n: f64| PanelOptions {
        ceiling: Some(Ceiling {
            newtons: n,
            region: Region::Lumbar,
            origin: CeilingOrigin::Lab,
            assumed: false,
        }),
        trials: Some(3),
        ..PanelOptions::default()
    };
    let at = |push: &Push, level: &str| press(push, level, Left, 2);
    let mut both_hands = at(&plain, "L3");
    both_hands.total_peak_n = 131.0;
    both_hands.measures.set(
        Measure::HandShare,
        tautpoint::trace::Measured {
            estimate: tautpoint::trace::Estimate::new(52.0, Some((1.0 / 1.96, f64::INFINITY))),
            budget: vec![],
        },
    );
    vec![
        ("plain", at(&plain, "L3"), ceiling(60.0)),
        ("far-ceiling", at(&plain, "L3"), ceiling(175.0)),
        ("both-hands", both_hands, ceiling(105.0)),
        (
            "one-spring",
            at(
                &Push {
                    springs: 1,
                    ..plain.clone()
                },
                "T4",
            ),
            ceiling(70.0),
        ),
        (
            "nine-springs",
            at(
                &Push {
                    springs: 9,
                    ..plain.clone()
                },
                "T4",
            ),
            ceiling(80.0),
        ),
        (
            "no-springs",
            at(
                &Push {
                    springs: 0,
                    ..plain.clone()
                },
                "T4",
            ),
            ceiling(105.0),
        ),
        (
            "tiny",
            at(
                &Push {
                    knee_mm: 2.0,
                    k1: 0.2,
                    k2: 1.1,
                    preload_mm: 2.6,
                    excursion_mm: 0.8,
                    damping: 0.01,
                    ..plain.clone()
                },
                "C2",
            ),
            ceiling(60.0),
        ),
        (
            "large",
            at(
                &Push {
                    knee_mm: 14.0,
                    k1: 6.0,
                    k2: 38.0,
                    preload_mm: 16.0,
                    excursion_mm: 6.0,
                    damping: 0.9,
                    ..plain.clone()
                },
                "sacral_base",
            ),
            ceiling(175.0),
        ),
        (
            "negative-origin",
            at(
                &Push {
                    origin_mm: -31.5,
                    ..plain.clone()
                },
                "L5",
            ),
            ceiling(60.0),
        ),
        (
            "late",
            at(
                &Push {
                    begin_s: 312.4,
                    origin_mm: 44.0,
                    ..plain.clone()
                },
                "L1",
            ),
            PanelOptions::default(),
        ),
        (
            "no-knee",
            at(
                &Push {
                    knee: Knee::None,
                    knee_mm: 20.0,
                    k1: 3.0,
                    ..plain.clone()
                },
                "L4",
            ),
            ceiling(175.0),
        ),
        (
            "two-lines",
            at(
                &Push {
                    knee: Knee::TwoLines,
                    ..plain.clone()
                },
                "L4",
            ),
            ceiling(62.0),
        ),
        (
            "early",
            at(
                &Push {
                    preload_mm: 6.5,
                    ..plain.clone()
                },
                "L2",
            ),
            ceiling(60.0),
        ),
        (
            "low-knee",
            at(
                &Push {
                    knee_mm: 1.1,
                    preload_mm: 3.0,
                    lean_s: 0.3,
                    hold_s: 0.35,
                    ..plain.clone()
                },
                "L2",
            ),
            ceiling(60.0),
        ),
        ("noisy-long", noisy(&plain), ceiling(60.0)),
        (
            "force-only",
            press(
                &Push {
                    displacement: false,
                    knee: Knee::NotLooked,
                    ..plain
                },
                "L2",
                Right,
                1,
            ),
            ceiling(60.0),
        ),
    ]
}

fn scans() -> Vec<(&'static str, Vec<Comparison>)> {
    use Decision::{Even, LikeNeighbours, Right, StifferThanNeighbours, Undecided};
    let mut full: Vec<Comparison> = ["C2", "C4", "C6", "T1", "T5", "T7", "T11", "L2", "L4"]
        .iter()
        .enumerate()
        .map(|(i, level)| {
            comparison(
                level,
                [-4.0, -6.0, -1.0, 2.0, 1.0, -2.0, 4.0, 1.5, -5.0][i],
                8.0,
                Even,
            )
        })
        .collect();
    full.push(comparison("T3", -18.5, 17.5, Undecided));
    full.push(comparison("T9", 14.0, 11.0, Undecided));
    full.push(comparison("L3", 34.6, 8.2, Right));
    full.push(comparison("sacral_base", 1.0, 7.0, Even));
    full[11].call = Some(Felt::Right);
    full[11].call_agrees = Some(true);
    full[9].call = Some(Felt::Unsure);
    full[1].call = Some(Felt::Left);
    full[1].call_agrees = Some(false);
    full[10].trials_to_decide = Some(TrialsToDecide::NotInOneSession);
    let mut wide = full.clone();
    wide.push(comparison("L5", -70.0, 75.0, Undecided));
    wide.push(comparison("L1", 130.0, 20.0, Right));
    let midline = vec![
        neighbours(&["T2", "T3", "T4"], 4.0, 9.0, LikeNeighbours),
        neighbours(&["T5", "T6"], 31.0, 9.0, StifferThanNeighbours),
        neighbours(&["T7", "T8"], 14.0, 14.0, Undecided),
    ];
    let mut mixed = full.clone();
    mixed.extend(midline.clone());
    vec![
        ("full", full.clone()),
        ("wide", wide),
        ("midline", midline),
        ("mixed", mixed),
        ("single", vec![full[11].clone()]),
    ]
}

/// Writes figures to look at, when a folder is named.
fn keep(name: &str, figure: &Figure) {
    if let Ok(folder) = std::env::var("TAUTPOINT_KEEP_FIGURES") {
        let path = std::path::Path::new(&folder).join(name);
        std::fs::write(path.with_extension("svg"), &figure.svg).unwrap();
        std::fs::write(path.with_extension("png"), png(figure, 1.0).unwrap()).unwrap();
    }
}

/// A text of a figure, as the font draws it.
struct Drawn {
    words: String,
    left: f32,
    top: f32,
    right: f32,
    bottom: f32,
}

/// The texts of a figure with their boxes in page pixels, measured by a general SVG library (usvg) with the font
/// itself, not by our table of widths.
fn texts(figure: &Figure) -> Vec<Drawn> {
    use resvg::usvg;
    fn walk(group: &usvg::Group, out: &mut Vec<Drawn>) {
        for node in group.children() {
            match node {
                usvg::Node::Group(g) => walk(g, out),
                usvg::Node::Text(t) => {
                    let b = t.abs_bounding_box();
                    let words = t.chunks().iter().map(|c| c.text()).collect();
                    out.push(Drawn {
                        words,
                        left: b.left(),
                        top: b.top(),
                        right: b.right(),
                        bottom: b.bottom(),
                    });
                }
                _ => {}
            }
        }
    }
    static OPTIONS: std::sync::OnceLock<usvg::Options<'static>> = std::sync::OnceLock::new();
    let options = OPTIONS.get_or_init(|| {
        let mut options = usvg::Options::default();
        for font in [dejavu::sans::regular(), dejavu::sans::bold()] {
            options.fontdb_mut().load_font_data(font.to_vec());
        }
        options
    });
    let tree = usvg::Tree::from_str(&figure.svg, options).unwrap();
    let mut out = Vec::new();
    walk(tree.root(), &mut out);
    out
}

fn all_figures() -> Vec<(String, Figure)> {
    let tests = shapes()
        .into_iter()
        .map(|(name, test, options)| (format!("test-{name}"), test_panels(&test, &options)));
    let scans = scans()
        .into_iter()
        .map(|(name, comparisons)| (format!("scan-{name}"), overview(&comparisons)));
    tests.chain(scans).collect()
}

#[test]
fn no_label_is_cut_off_or_covers_another() {
    for (name, figure) in all_figures() {
        keep(&name, &figure);
        let texts = texts(&figure);
        // The heading ends at the right edge: the boxes are in page pixels.
        let right = texts.iter().map(|t| t.right).fold(0.0, f32::max);
        assert!(
            texts.len() > 10 && right > figure.width as f32 - 8.0,
            "{name}: {right}"
        );
        for (i, a) in texts.iter().enumerate() {
            let inside = a.left >= 0.0
                && a.top >= 0.0
                && a.right <= figure.width as f32
                && a.bottom <= figure.height as f32;
            assert!(
                inside,
                "{name}: {} is cut off at {} {} {} {}",
                a.words, a.left, a.top, a.right, a.bottom
            );
            for b in &texts[i + 1..] {
                let apart = a.right <= b.left || b.right <= a.left || a.bottom <= b.top || b.bottom <= a.top;
                assert!(apart, "{name}: \"{}\" covers \"{}\"", a.words, b.words);
            }
        }
    }
}

#[test]
fn our_widths_are_those_of_the_font() {
    use tautpoint::plot::text::width;
    let figure = |words: &str| Figure {
        svg: format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"2000\" height=\"40\"><text x=\"10\" y=\"30\" \
             font-family=\"DejaVu Sans\" font-size=\"20\">{words}</text></svg>"
        ),
        width: 2000.0,
        height: 40.0,
        title: String::new(),
        alt: String::new(),
    };
    for words in [
        "pre-tension begins at the quick brown fox",
        "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789",
        "abcdefghijklmnopqrstuvwxyz (95 % interval)",
    ] {
        let drawn = &texts(&figure(words))[0];
        let (ours, font) = (width(words, 20.0, false), f64::from(drawn.right - drawn.left));
        // The drawn box lacks the side bearings of the first and last letter and has kerning.
        assert!(
            (ours - font).abs() < 0.02 * font,
            "{words}: {ours} against {font}"
        );
    }
}

#[test]
fn figures_are_small_named_described_and_the_same_every_time() {
    for ((name, figure), (_, again)) in all_figures().into_iter().zip(all_figures()) {
        assert_eq!(figure, again, "{name}");
        assert!(figure.svg.len() < 40_000, "{name}: {} bytes", figure.svg.len());
        assert!(!figure.title.is_empty() && figure.alt.len() > 40, "{name}");
        for part in ["role=\"img\"", "<title>", "<desc>", "</svg>"] {
            assert_eq!(figure.svg.matches(part).count(), 1, "{name}: {part}");
        }
        // Inlined twice in one page, an id would clash.
        assert!(!figure.svg.contains(" id="), "{name}");
        assert!(
            !figure.svg.contains("NaN") && !figure.svg.contains("inf"),
            "{name}"
        );
    }
}

/// Number of an attribute of an element.
fn attribute(element: &str, name: &str) -> Option<f64> {
    let rest = element.split_once(&format!(" {name}=\""))?.1;
    rest.split_once('"')?.0.parse().ok()
}

/// Centre of the words' place along x, for a text that stands alone with these words, in canvas units.
fn x_of(svg: &str, words: &str, last: bool) -> f64 {
    let end = format!(">{words}</text>");
    let mut found = svg.lines().filter(|l| l.ends_with(&end));
    let line = if last { found.next_back() } else { found.next() };
    attribute(line.unwrap(), "x").unwrap()
}

#[test]
fn a_dot_stands_where_the_axis_says() {
    // METHODS.md §6.2: percent = 200·tanh(d/2), so d = 2·atanh(percent/200); the axis is straight in d.
    let d = |percent: f64| 2.0 * (percent / 200.0f64).atanh();
    let figure = overview(&[comparison("L3", 34.6, 8.2, Decision::Right)]);
    let circle = figure.svg.lines().find(|l| l.starts_with("<circle")).unwrap();
    let zero = x_of(&figure.svg, "0", false);
    let forty = x_of(&figure.svg, "40 %", true);
    let expected = zero + (forty - zero) * d(34.6) / d(40.0);
    assert!(
        (attribute(circle, "cx").unwrap() - expected).abs() <= 2.0,
        "{circle}, expected {expected}"
    );
}

#[test]
fn the_onset_ring_stands_where_the_axes_say() {
    let test = press(&Push::default(), "L3", tautpoint::trace::Side::Left, 1);
    let svg = test_panels(&test, &PanelOptions::default()).svg;
    let ring = svg
        .lines()
        .rfind(|l| l.starts_with("<circle") && l.contains("fill=\"none\""))
        .unwrap();
    let (five, ten) = (x_of(&svg, "5", true), x_of(&svg, "10", true));
    let at_mm = 5.0 + 5.0 * (attribute(ring, "cx").unwrap() - five) / (ten - five);
    assert!((at_mm - 8.2).abs() < 0.02, "{at_mm}");
}

#[test]
fn a_test_with_force_only_has_one_panel_and_says_so() {
    let push = Push {
        displacement: false,
        knee: Knee::NotLooked,
        ..Push::default()
    };
    let figure = test_panels(
        &press(&push, "L2", tautpoint::trace::Side::Right, 1),
        &PanelOptions::default(),
    );
    assert!(!figure.svg.contains("displacement (mm)"));
    assert!(figure.alt.contains("No displacement was recorded"));
}

#[test]
fn what_comes_from_a_file_is_escaped() {
    let hostile = "</text><script>alert('1')</script>\" onload=\"x\u{1}\n&amp;";
    let mut test = press(&Push::default(), hostile, tautpoint::trace::Side::Left, 1);
    test.recording = hostile.to_owned();
    let mut f = comparison(hostile, 34.6, 8.2, Decision::Right);
    f.key.posture = Posture::new(hostile);
    let options = ScanOptions {
        about: hostile.to_owned(),
        measure: Measure::EndFeel,
        confidence: 0.95,
    };
    for figure in [
        test_panels(&test, &PanelOptions::default()),
        scan_overview(&[&f], &options).unwrap(),
    ] {
        assert!(!figure.svg.contains("<script"), "{}", figure.svg);
        assert!(!figure.svg.contains("\" onload"), "{}", figure.svg);
        // A strict XML reader takes it.
        texts(&figure);
    }
}

#[test]
fn a_picture_is_a_png_of_the_size_asked_for() {
    let figure = overview(&scans().remove(4).1);
    let bytes = png(&figure, 1.5).unwrap();
    // PNG, W3C recommendation, 5.2 and 11.2.2: signature, then width and height.
    assert_eq!(bytes[..8], [0x89, b'P', b'N', b'G', 0x0d, 0x0a, 0x1a, 0x0a]);
    let word = |at: usize| u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap());
    assert_eq!((word(16), word(20)), (1500, (figure.height * 1.5).ceil() as u32));
    assert!(
        png(&figure, 0.0)
            .unwrap_err()
            .to_string()
            .contains("from 0.1 to 20")
    );
    assert!(png(&figure, f64::NAN).is_err());
}
