//! Areas of invented frames to the subject's hands: who is left, who is right, who is neither.

use tautpoint::mat::Geometry;
use tautpoint::mat::areas::LoadedArea;
use tautpoint::mat::collect::Frames;
use tautpoint::mat::frame::FrameParts;
use tautpoint::mat::hands::{Expected, FoundHands, find_hands};
use tautpoint::study::mat_setup::{MatSetup, MatUnit};
use tautpoint::terms::Side;

/// An area: across in mm, force in N.
type At = (f64, f64);

/// FoundHands of frames 10 ms apart, each with its areas.
fn hands(frames: &[Vec<At>], expected: Expected) -> FoundHands {
    let geometry = Geometry::of(&MatSetup::new(32, 40, 8.0, MatUnit::Kpa));
    let mut all = Frames::new(geometry.tiles());
    for (i, areas) in frames.iter().enumerate() {
        let parts = FrameParts {
            areas: areas
                .iter()
                .map(|(across, force)| LoadedArea {
                    force_n: *force,
                    across_mm: *across as f32,
                    along_mm: 120.0,
                    area_mm2: 900.0,
                    ..LoadedArea::default()
                })
                .collect(),
            rest_n: vec![0.01; geometry.tiles()],
            ..FrameParts::default()
        };
        all.push(i as f64 * 0.01, i as u64, None, parts);
    }
    find_hands(&geometry, &all, expected)
}

fn stretch(frames: usize, areas: &[At]) -> Vec<Vec<At>> {
    vec![areas.to_vec(); frames]
}

fn force(hands: &FoundHands, side: Side, frame: usize) -> f64 {
    let hand = hands.hands.iter().find(|h| h.side == Some(side)).unwrap();
    hand.force_n[frame]
}

#[test]
fn hands_that_change_places_between_touches_are_named_by_where_they_land() {
    let mut frames = stretch(100, &[(100.0, 30.0), (200.0, 40.0)]);
    frames.extend(stretch(50, &[]));
    // Only one lands, at the right; later one at the left; then both, the right one first.
    frames.extend(stretch(100, &[(205.0, 22.0)]));
    frames.extend(stretch(50, &[]));
    frames.extend(stretch(100, &[(95.0, 33.0)]));
    frames.extend(stretch(50, &[]));
    frames.extend(stretch(30, &[(210.0, 15.0)]));
    frames.extend(stretch(100, &[(210.0, 15.0), (90.0, 12.0)]));
    let found = hands(&frames, Expected::default());
    assert_eq!(found.hands.len(), 2);
    assert_eq!(found.midline_mm.map(f64::round), Some(150.0));
    assert!(found.midline_found);
    let at = |side, frame| force(&found, side, frame);
    assert_eq!((at(Side::Left, 50), at(Side::Right, 50)), (30.0, 40.0));
    assert_eq!((at(Side::Left, 200) < 1.0, at(Side::Right, 200)), (true, 22.0));
    assert_eq!((at(Side::Left, 350), at(Side::Right, 350) < 1.0), (33.0, true));
    assert_eq!((at(Side::Left, 460) < 1.0, at(Side::Right, 460)), (true, 15.0));
    assert_eq!((at(Side::Left, 550), at(Side::Right, 550)), (12.0, 15.0));
}

#[test]
fn two_heaps_of_one_hand_are_one_hand_beside_the_other() {
    // Ball and heel of the left hand 28 mm apart, the right hand 90 mm off.
    let frames = stretch(200, &[(90.0, 18.0), (118.0, 12.0), (205.0, 35.0)]);
    let found = hands(&frames, Expected::default());
    assert_eq!(force(&found, Side::Left, 100), 30.0);
    assert_eq!(force(&found, Side::Right, 100), 35.0);
    assert!(found.other.is_none());
}

#[test]
fn one_hand_said_to_press_is_one_hand_whatever_its_heaps() {
    let frames = stretch(200, &[(90.0, 18.0), (118.0, 12.0)]);
    let two = hands(&frames, Expected::default());
    assert_eq!(two.hands.len(), 2);
    let expected = Expected {
        one_hand: true,
        midline_mm: Some(160.0),
        ..Expected::default()
    };
    let one = hands(&frames, expected);
    assert_eq!(one.hands.len(), 1);
    assert_eq!(force(&one, Side::Left, 100), 30.0);
}

#[test]
fn a_hand_that_lets_go_first_leaves_the_other_alone() {
    let mut frames = stretch(100, &[(130.0, 30.0), (175.0, 40.0)]);
    frames.extend((0..40).map(|i| vec![(130.0, 30.0 - 0.7 * f64::from(i)), (175.0, 40.0)]));
    frames.extend(stretch(100, &[(175.0, 40.0)]));
    let found = hands(&frames, Expected::default());
    for i in 145..235 {
        assert_eq!(force(&found, Side::Right, i), 40.0);
        assert!(force(&found, Side::Left, i) < 1.0);
    }
}

#[test]
fn an_area_far_from_both_hands_belongs_to_neither() {
    let frames = stretch(200, &[(100.0, 30.0), (190.0, 40.0), (310.0, 6.0)]);
    let found = hands(&frames, Expected::default());
    assert_eq!(
        (force(&found, Side::Left, 9), force(&found, Side::Right, 9)),
        (30.0, 40.0)
    );
    let other = found.other.unwrap();
    assert!((other.share - 6.0 / 76.0).abs() < 1e-9 && other.most_n == 6.0);
    assert!((other.across_mm - 310.0).abs() < 1e-3);
}
