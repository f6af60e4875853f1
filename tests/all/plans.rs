//! Scan plans: read, written, and matched to the tests of one continuous trace.

use proptest::prelude::*;
use tautpoint::study::built_in;
use tautpoint::study::match_plan::{EpisodeShape, match_plan};
use tautpoint::study::plan::{Order, Plan, Step};
use tautpoint::terms::{Contact, Landmark, Level, LineOfDrive, Posture, Region, Side, StepSide};
use tautpoint::trace::About;

const EXAMPLE: &str = r#"
name = "prone-thumbs"
posture = "prone"
order = "as listed"             # or "random", with seed

[[step]]
level = "sacral_base"
side = "both"                   # one step, two tests: left and right, together or one after the other
contact = "thumb"
landmark = "medial to each PSIS"
line_of_drive_deg = 90.0

[[step]]
level = "L5"
side = "both"
contact = "thumb"
landmark = "mammillary processes"
line_of_drive_deg = 90.0

[[step]]
level = "T7"
side = "midline"
contact = "reinforced"
landmark = "spinous line"
line_of_drive_deg = 60.0
covers = ["T6", "T7", "T8"]
"#;

fn example() -> Plan {
    let (plan, problems) = Plan::parse("plan.toml", EXAMPLE);
    assert_eq!(problems, []);
    plan.unwrap()
}

fn episode(i: usize, sides: &[Side], marker: Option<i64>) -> EpisodeShape {
    let start_s = i as f64 * 10.0;
    EpisodeShape {
        start_s,
        end_s: start_s + 8.0,
        sides: sides.to_vec(),
        marker,
    }
}

fn unnamed(n: usize) -> Vec<EpisodeShape> {
    (0..n).map(|i| episode(i, &[], None)).collect()
}

fn with_markers(markers: &[i64]) -> Vec<EpisodeShape> {
    markers
        .iter()
        .enumerate()
        .map(|(i, m)| episode(i, &[], Some(*m)))
        .collect()
}

#[test]
fn the_example_plan_is_read() {
    let plan = example();
    assert_eq!(plan.name, "prone-thumbs");
    assert_eq!(plan.order, Order::AsListed);
    assert_eq!(plan.steps.len(), 3);
    assert_eq!(plan.steps[0].side, StepSide::Both);
    assert_eq!(plan.steps[2].covers, [Level::T6, Level::T7, Level::T8]);
    assert_eq!(plan.steps[1].trials, 1);
}

#[test]
fn faults_of_a_plan_are_named_with_their_line() {
    let cases = [
        (
            "name = \"p\"\n[[step]]\nlevel = \"L6\"\nside = \"both\"\n",
            3,
            "step 1.level",
            "found L6",
        ),
        (
            "name = \"p\"\n[[step]]\nlevel = \"L5\"\nside = \"bth\"\n",
            4,
            "step 1.side",
            "write \"both\"",
        ),
        (
            "name = \"p\"\n[[step]]\nlevel = \"L5\"\n",
            2,
            "step 1.side",
            "a level and a side",
        ),
        (
            "name = \"p\"\n[[step]]\nlevel = \"T7\"\nside = \"both\"\ncontact = \"reinforced\"\n",
            4,
            "step 1.side",
            "midline",
        ),
        (
            "name = \"p\"\n[[step]]\nlevel = \"T7\"\nside = \"midline\"\ncovers = [\"T1\"]\n",
            5,
            "step 1.covers",
            "T1 without T7",
        ),
        (
            "name = \"p\"\norder = \"random\"\n[[step]]\nlevel = \"T7\"\nside = \"left\"\n",
            2,
            "order",
            "without a seed",
        ),
        (
            "name = \"p\"\n[step]\nlevel = \"T7\"\nside = \"left\"\n",
            2,
            "step",
            "double brackets",
        ),
        (
            "name = \"p\"\n[[step]]\nlevel = \"T7\"\nside = \"left\"\ntrials = 0\n",
            5,
            "step 1.trials",
            "from 1",
        ),
        ("name = \"p\"\n", 1, "step", "at least one [[step]]"),
        (
            "[[step]]\nlevel = \"T7\"\nside = \"left\"\n",
            1,
            "name",
            "name the plan",
        ),
    ];
    for (text, line, column, words) in cases {
        let (plan, problems) = Plan::parse("p.toml", text);
        assert!(plan.is_none(), "{text}");
        assert_eq!(problems.len(), 1, "{text}: {problems:?}");
        assert_eq!(problems[0].line, Some(line), "{}", problems[0]);
        assert_eq!(problems[0].column.as_deref(), Some(column), "{}", problems[0]);
        assert!(problems[0].to_string().contains(words), "{}", problems[0]);
    }
}

#[test]
fn the_built_in_plans_follow_the_table_of_contacts() {
    // Contacts, sides and lines of drive by region: common practice, no source.
    let plans = built_in::all();
    assert_eq!(plans.len(), built_in::NAMES.len());
    for plan in &plans {
        assert!(!plan.steps.is_empty());
        for step in &plan.steps {
            assert!(step.landmark.is_some() && step.line_of_drive.is_some());
            assert_eq!(
                step.contact == Some(Contact::Reinforced),
                step.side == StepSide::Midline
            );
        }
    }
    let prone = built_in::built_in("prone-thumbs").unwrap();
    assert_eq!(prone.steps.len(), Level::ALL.len(), "every level once");
    for step in &prone.steps {
        let expected_deg = match step.level.region() {
            Region::Neck => 45.0,
            Region::Thoracic => 60.0,
            Region::Lumbar | Region::Sacral => 90.0,
        };
        assert_eq!(
            step.line_of_drive,
            LineOfDrive::new(expected_deg),
            "{}",
            step.level
        );
        assert_eq!(step.side, StepSide::Both);
    }
    assert_eq!(prone.steps[0].level, Level::Si);
    assert_eq!(prone.steps[0].contact, Some(Contact::Thenar));
    assert_eq!(prone.steps.last().unwrap().level, Level::C2);
    let propped = built_in::built_in("propped-on-elbows").unwrap();
    for step in &propped.steps {
        let flat = matches!(step.level.region(), Region::Neck | Region::Sacral);
        assert_eq!(
            propped.posture_of(step).map(Posture::as_str) == Some("prone"),
            flat,
            "{}",
            step.level
        );
        assert_eq!(step.line_of_drive.unwrap().degrees() > 90.0, !flat);
    }
}

#[test]
fn broad_steps_cover_every_level_of_their_regions_once() {
    let plan = built_in::built_in("prone-broad").unwrap();
    let mut covered: Vec<Level> = plan.steps.iter().flat_map(|s| s.covers.clone()).collect();
    for step in &plan.steps {
        assert!((2..=3).contains(&step.covers.len()), "{:?}", step.covers);
        assert!(step.covers.contains(&step.level));
    }
    covered.sort_unstable();
    assert_eq!(covered, Level::ALL[..23]);
}

#[test]
fn every_built_in_plan_reads_back_as_it_was_written() {
    for plan in built_in::all() {
        let (back, problems) = Plan::parse("p.toml", &plan.to_toml());
        assert_eq!(problems, []);
        assert_eq!(back.as_ref(), Some(&plan));
    }
}

#[test]
fn one_channel_takes_two_tests_for_a_step_on_both_sides() {
    let about = About {
        subject: Some("V-07".into()),
        ..About::default()
    };
    let matched = match_plan(&example(), &unnamed(5), &about, "a.csv").unwrap();
    let found: Vec<(usize, &str, Side)> = matched
        .iter()
        .map(|m| (m.step, m.sides[0].level.unwrap().word(), m.sides[0].side.unwrap()))
        .collect();
    assert_eq!(
        found,
        [
            (1, "sacral_base", Side::Left),
            (1, "sacral_base", Side::Right),
            (2, "L5", Side::Left),
            (2, "L5", Side::Right),
            (3, "T7", Side::Midline),
        ]
    );
    let last = &matched[4].sides[0];
    assert_eq!(last.subject.as_deref(), Some("V-07"));
    assert_eq!(last.posture, Posture::new("prone"));
    assert_eq!(last.contact, Some(Contact::Reinforced));
    assert_eq!(last.line_of_drive, LineOfDrive::new(60.0));
    assert_eq!(last.covers, [Level::T6, Level::T7, Level::T8]);
    assert_eq!(last.trial, None);
}

#[test]
fn both_sides_at_once_take_one_episode_with_two_tests() {
    let both = [Side::Left, Side::Right];
    let episodes = [
        episode(0, &both, None),
        episode(1, &both, None),
        episode(2, &[], None),
    ];
    let matched = match_plan(&example(), &episodes, &About::default(), "a.csv").unwrap();
    assert_eq!(matched[1].sides.len(), 2);
    assert_eq!(matched[1].sides[1].side, Some(Side::Right));
    assert_eq!(matched[1].sides[1].level, Some(Level::L5));
    // One step together, the other one side after the other, the right first.
    let episodes = [
        episode(0, &both, None),
        episode(1, &[Side::Right], None),
        episode(2, &[Side::Left], None),
        episode(3, &[], None),
    ];
    let matched = match_plan(&example(), &episodes, &About::default(), "a.csv").unwrap();
    assert_eq!(matched[1].sides[0].side, Some(Side::Right));
    assert_eq!(matched[2].sides[0].side, Some(Side::Left));
    assert_eq!(matched[2].step, 2);
}

#[test]
fn trials_follow_one_another_with_both_their_sides() {
    let mut plan = example();
    plan.steps.truncate(1);
    plan.steps[0].trials = 3;
    let matched = match_plan(&plan, &unnamed(6), &About::default(), "a.csv").unwrap();
    let found: Vec<(Option<u32>, Side)> = matched
        .iter()
        .map(|m| (m.sides[0].trial, m.sides[0].side.unwrap()))
        .collect();
    let expected: Vec<(Option<u32>, Side)> = (1..=3)
        .flat_map(|t| [(Some(t), Side::Left), (Some(t), Side::Right)])
        .collect();
    assert_eq!(found, expected);
}

#[track_caller]
fn fault(plan: &Plan, episodes: &[EpisodeShape], words: &[&str]) {
    let problem = match_plan(plan, episodes, &About::default(), "a.csv").unwrap_err();
    let text = problem.to_string();
    for word in words {
        assert!(text.contains(word), "no \"{word}\" in: {text}");
    }
}

#[test]
fn markers_tell_which_step_is_missing_or_doubled() {
    let plan = example();
    assert!(match_plan(&plan, &with_markers(&[1, 2, 3, 4, 5]), &About::default(), "a.csv").is_ok());
    assert!(match_plan(&plan, &with_markers(&[0, 1, 2, 3, 4]), &About::default(), "a.csv").is_ok());
    fault(
        &plan,
        &with_markers(&[1, 2, 4, 5]),
        &["none for step 2 (L5 left)", "5 tests, as in the plan"],
    );
    fault(
        &plan,
        &with_markers(&[2, 3, 4, 5]),
        &["none for step 1 (sacral base left)"],
    );
    fault(
        &plan,
        &with_markers(&[1, 2, 3, 4]),
        &["none for step 3 (T7 midline)"],
    );
    fault(
        &plan,
        &with_markers(&[1, 2, 2, 3, 4, 5]),
        &["two for step 1 (sacral base right)", "test 3 at 20.0 s"],
    );
    // The right number of tests, but one twice and one not at all.
    fault(
        &plan,
        &with_markers(&[1, 2, 2, 4, 5]),
        &["two for step 1 (sacral base right)"],
    );
    fault(
        &plan,
        &with_markers(&[1, 2, 3, 4, 5, 6]),
        &["6 tests", "test 6 at 50.0 s is the first without a step"],
    );
}

#[test]
fn named_sides_tell_where_the_order_breaks() {
    let sides = [&[Side::Left][..], &[Side::Left], &[Side::Right], &[Side::Midline]];
    let episodes: Vec<_> = sides
        .iter()
        .enumerate()
        .map(|(i, s)| episode(i, s, None))
        .collect();
    fault(
        &example(),
        &episodes,
        &["test 2 at 10.0 s is on left where step 1 (sacral base right) should be"],
    );
}

#[test]
fn a_wrong_number_alone_says_where_to_look_first() {
    let mut episodes = unnamed(4);
    episodes[2].start_s += 1.5;
    fault(
        &example(),
        &episodes,
        &[
            "found 4 tests",
            "expected 5 tests, as in the plan prone-thumbs",
            "no test is left for step 3 (T7 midline)",
            "longest break, 3.5 s, is between tests 2 and 3",
        ],
    );
    fault(
        &example(),
        &unnamed(6),
        &["found 6 tests", "test 6 at 50.0 s is the first without a step"],
    );
    fault(&example(), &[], &["found 0 tests"]);
}

#[test]
fn a_random_order_is_kept_by_its_seed() {
    let mut plan = built_in::built_in("prone-broad").unwrap();
    let listed: Vec<usize> = plan.ordered().iter().map(|(i, _)| *i).collect();
    assert_eq!(listed, (0..plan.steps.len()).collect::<Vec<_>>());
    plan.order = Order::Random;
    plan.seed = Some(7);
    let first: Vec<usize> = plan.ordered().iter().map(|(i, _)| *i).collect();
    let again: Vec<usize> = plan.ordered().iter().map(|(i, _)| *i).collect();
    assert_eq!(first, again);
    assert_ne!(first, listed);
    let mut sorted = first.clone();
    sorted.sort_unstable();
    assert_eq!(sorted, listed);
    plan.seed = Some(8);
    assert_ne!(plan.ordered().iter().map(|(i, _)| *i).collect::<Vec<_>>(), first);
    let (back, _) = Plan::parse("p.toml", &plan.to_toml());
    assert_eq!(back.unwrap(), plan);
    // The matched steps name their place in the list, not in the shuffled order.
    let matched = match_plan(&plan, &unnamed(plan.steps.len()), &About::default(), "a.csv").unwrap();
    let steps: Vec<usize> = matched.iter().map(|m| m.step - 1).collect();
    assert_eq!(steps, plan.ordered().iter().map(|(i, _)| *i).collect::<Vec<_>>());
}

#[test]
fn a_shuffle_puts_every_step_first_about_equally_often() {
    // 4 steps, 4,000 seeds: binomial with mean 1,000 and SD 27.4 (closed form); 5 SD either way.
    let mut plan = example();
    plan.steps.push(plan.steps[0].clone());
    plan.order = Order::Random;
    let mut counts = [0_u32; 4];
    for seed in 0..4000 {
        plan.seed = Some(seed);
        counts[plan.ordered()[0].0] += 1;
    }
    assert!(counts.iter().all(|c| (863..=1137).contains(c)), "{counts:?}");
}

fn step() -> impl Strategy<Value = Step> {
    let side = prop::sample::select(vec![
        StepSide::Left,
        StepSide::Right,
        StepSide::Midline,
        StepSide::Both,
    ]);
    (
        prop::sample::select(Level::ALL.to_vec()),
        side,
        1_u32..4,
        prop::option::of(0.0..180.0_f64),
        prop::option::of("[a-z\"\\\\ \u{e4}]{1,9}[a-z]"),
    )
        .prop_map(|(level, side, trials, degrees, landmark)| Step {
            level,
            side,
            contact: None,
            landmark: landmark.and_then(|l| Landmark::new(&l)),
            line_of_drive: degrees.and_then(LineOfDrive::new),
            covers: Vec::new(),
            trials,
            posture: None,
        })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 100, ..ProptestConfig::default() })]

    #[test]
    fn any_plan_reads_back_as_it_was_written(steps in prop::collection::vec(step(), 1..12), seed in prop::option::of(0_u64..1 << 60)) {
        let plan = Plan { name: "p".into(), posture: None, order: if seed.is_some() { Order::Random } else { Order::AsListed }, seed, steps };
        let (back, problems) = Plan::parse("p.toml", &plan.to_toml());
        prop_assert_eq!(problems, vec![]);
        prop_assert_eq!(back, Some(plan));
    }

    #[test]
    fn as_many_tests_as_the_plan_asks_for_always_match(steps in prop::collection::vec(step(), 1..12), drop in 0_usize..40) {
        let plan = Plan { name: "p".into(), posture: None, order: Order::AsListed, seed: None, steps };
        let n: usize = plan.steps.iter().map(|s| s.trials as usize * s.side.sides().len()).sum();
        let mut episodes = unnamed(n);
        let matched = match_plan(&plan, &episodes, &About::default(), "a.csv");
        prop_assert_eq!(matched.map(|m| m.len()).ok(), Some(n));
        episodes.remove(drop % n);
        prop_assert!(match_plan(&plan, &episodes, &About::default(), "a.csv").is_err());
    }
}
