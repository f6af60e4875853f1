//! What a virtual device sends: the same bytes for the same seed, and what it was told to send.

use tautpoint::acquire::station::StationChannel;
use tautpoint::acquire::virtual_device::{
    DeviceSpec, LinkFaults, ScanPosition, Sensors, Transmission, parse_port_name,
};
use tautpoint::acquire::wire::{Decoder, Message, WireCounts};
use tautpoint::simulate::ExaminerFault;
use tautpoint::study::built_in::built_in;
use tautpoint::terms::{Level, Side};

fn told(spec: &DeviceSpec, seconds: f64) -> (Vec<Message>, WireCounts) {
    let bytes = Transmission::new(spec).unwrap().until(seconds);
    let mut decoder = Decoder::default();
    let mut heard = Vec::new();
    decoder.push(&bytes, |h| heard.push(h));
    (heard, decoder.counts())
}

/// Largest value of each channel.
fn peaks(heard: &[Message], channels: usize) -> Vec<f64> {
    let mut peaks = vec![f64::NEG_INFINITY; channels];
    for one in heard {
        if let Message::Sample { values, .. } = one {
            for (peak, value) in peaks.iter_mut().zip(values) {
                *peak = peak.max(*value);
            }
        }
    }
    peaks
}

#[test]
fn the_same_seed_sends_the_same_bytes_however_they_are_asked_for() {
    let spec = DeviceSpec {
        link_faults: LinkFaults {
            dropped: 0.01,
            corrupted: 0.01,
            reordered: 0.01,
        },
        ..DeviceSpec::default()
    };
    let whole = Transmission::new(&spec).unwrap().until(15.0);
    let mut pieces = Transmission::new(&spec).unwrap();
    let in_pieces: Vec<u8> = (0..=1500)
        .flat_map(|i| pieces.until(f64::from(i) * 0.01))
        .collect();
    assert!(whole.len() > 200_000);
    assert_eq!(whole, in_pieces);
    let other = DeviceSpec { seed: 2, ..spec };
    assert_ne!(whole, Transmission::new(&other).unwrap().until(15.0));
}

#[test]
fn every_set_of_sensors_says_what_it_has_and_sends_it() {
    for (sensors, headings) in [
        (Sensors::OneHand, "force_n displacement_mm drive_deg"),
        (Sensors::ForceOnly, "force_n drive_deg"),
        (
            Sensors::TwoHanded,
            "force_left_n force_right_n displacement_mm drive_deg",
        ),
        (
            Sensors::TwoHandedTwoDisplacements,
            "force_left_n force_right_n displacement_left_mm displacement_right_mm drive_deg",
        ),
    ] {
        for (ascii, tilt) in [(false, true), (true, true), (false, false)] {
            let spec = DeviceSpec {
                sensors,
                ascii,
                tilt,
                rate_hz: 200.0,
                ..DeviceSpec::default()
            };
            let (heard, counts) = told(&spec, 9.0);
            let Message::Hello { station, .. } = &heard[0] else {
                panic!("{:?}", heard[0]);
            };
            let names: Vec<String> = station.channels.iter().map(StationChannel::heading).collect();
            let expected = headings.replace(" drive_deg", if tilt { " drive_deg" } else { "" });
            assert_eq!(names.join(" "), expected);
            assert_eq!((counts.bad, counts.lost), (0, 0));
            for (peak, name) in peaks(&heard, names.len()).iter().zip(&names) {
                let usual = match &name[..5] {
                    "force" => 20.0..400.0,
                    "displ" => 5.0..40.0,
                    _ => 88.0..94.0,
                };
                assert!(usual.contains(peak), "{name}: {peak}");
            }
        }
    }
}

#[test]
fn lines_hold_the_same_values_as_frames() {
    let frames = DeviceSpec {
        rate_hz: 100.0,
        ..DeviceSpec::default()
    };
    let lines = DeviceSpec {
        ascii: true,
        ..frames.clone()
    };
    let samples = |spec| -> Vec<String> {
        let (heard, _) = told(spec, 12.0);
        heard
            .iter()
            .filter(|h| matches!(h, Message::Sample { .. }))
            .map(|h| format!("{h:?}"))
            .collect()
    };
    assert_eq!(samples(&frames), samples(&lines));
}

#[test]
fn a_fault_comes_in_every_second_test() {
    let one = |faults: Vec<ExaminerFault>| DeviceSpec {
        rate_hz: 200.0,
        faults,
        once: true,
        steps: vec![
            ScanPosition {
                level: Level::L3,
                side: Side::Left,
            };
            2
        ],
        ..DeviceSpec::default()
    };
    let (plain, _) = told(&one(Vec::new()), 1e4);
    let (heavy, _) = told(&one(vec![ExaminerFault::Over(175.0)]), 1e4);
    assert!(peaks(&plain, 1)[0] < 130.0, "{:?}", peaks(&plain, 1));
    assert!(peaks(&heavy, 1)[0] > 175.0, "{:?}", peaks(&heavy, 1));
    // The first test is the same in both.
    assert_eq!(format!("{:?}", &plain[..1000]), format!("{:?}", &heavy[..1000]));
}

#[test]
fn a_plan_is_gone_through_step_by_step() {
    let plan = built_in("prone-thumbs").unwrap();
    let spec = DeviceSpec::default().along(&plan);
    assert_eq!(spec.steps.len(), 2 * plan.steps.len());
    assert_eq!(
        (spec.steps[0].level.word(), spec.steps[0].side),
        ("SI", Side::Left)
    );
    let sim = parse_port_name("sim:plan=prone-thumbs,two-handed")
        .unwrap()
        .unwrap();
    assert_eq!((sim.steps, sim.sensors), (spec.steps, Sensors::TwoHanded));
}

#[test]
fn a_name_that_only_begins_like_sim_is_a_port() {
    assert!(parse_port_name("simulator").is_none() && parse_port_name("/dev/sim").is_none());
    assert_eq!(parse_port_name("sim").unwrap().unwrap(), DeviceSpec::default());
    for (words, said) in [
        ("sim:rate-hz=1", "the rate is 1"),
        ("sim:levels=L9", "a level is \"L9\""),
        ("sim:faults=quick+slow", "sprung-early"),
        ("sim:unplug=3", "such as 10+2"),
        ("sim:seed=x", "a whole number"),
    ] {
        let error = parse_port_name(words).unwrap().unwrap_err().to_string();
        assert!(error.contains(said), "{words}: {error}");
    }
}
