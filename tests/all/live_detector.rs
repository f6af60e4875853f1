//! The detector says the same live and from the recorded file: same tests, same springs, times within one sample.

use crate::cases::cases;
use crate::live_page::session::{sample_of, station_of};
use tautpoint::live::control::SessionState;
use tautpoint::live::monitor::{Monitor, MonitorEvent, MonitorOptions};
use tautpoint::read::read_bytes;
use tautpoint::settings::Settings;
use tautpoint::signal::condition::condition;
use tautpoint::signal::episodes::find_episodes;
use tautpoint::simulate::{
    Condition, Dropped, Examiner, Rng, Sensor, Tissue, TraceSpec, TwoHands, simulate, simulate_bilateral,
    simulate_scan, trace_text,
};
use tautpoint::study::mapping::ColumnMapping;
use tautpoint::trace::{About, Trace};

/// One test: touch, release, and the peaks of each side's springs.
#[derive(Debug, Clone, PartialEq)]
struct Seen {
    begin_s: f64,
    end_s: f64,
    springs_s: Vec<Vec<f64>>,
}

/// As a stream gives it; a view is taken after each stretch of `stretch` samples, as the page would.
fn live(trace: &Trace, rate_hz: f64, settings: &Settings, stretch: usize) -> Vec<Seen> {
    let station = station_of(trace, rate_hz);
    let mut monitor = Monitor::new(&station, settings, MonitorOptions::default());
    let mut springs = vec![Vec::new(); trace.channels.len()];
    let mut seen = Vec::new();
    let mut take = |events: Vec<MonitorEvent>| {
        for event in events {
            match event {
                MonitorEvent::Spring { side, time_s, .. } => {
                    let k = trace.channels.iter().position(|c| c.side == side).unwrap();
                    springs[k].push(time_s);
                }
                MonitorEvent::TestEnded(ended) => {
                    let of_test = |all: &Vec<f64>| {
                        let inside = |t: &&f64| (ended.begin_s..=ended.end_s).contains(*t);
                        all.iter().filter(inside).copied().collect()
                    };
                    seen.push(Seen {
                        begin_s: ended.begin_s,
                        end_s: ended.end_s,
                        springs_s: springs.iter().map(of_test).collect(),
                    });
                }
                _ => {}
            }
        }
    };
    for row in 0..trace.time_s.len() {
        take(monitor.push(&sample_of(trace, row)));
        if row % stretch == 0 {
            monitor.view(&SessionState::default());
        }
    }
    take(monitor.finish());
    seen
}

/// As the analysis of the file finds it.
fn from_file(text: &str, settings: &Settings) -> Vec<Seen> {
    let read = read_bytes(
        text.as_bytes(),
        "recorded.csv",
        &ColumnMapping::default(),
        About::default(),
    )
    .unwrap();
    let c = condition(&read.trace, settings).unwrap();
    let (episodes, _) = find_episodes(&read.trace, &c, settings);
    let time = |i: usize| c.grid.time_s(i as f64);
    let seen = episodes.iter().map(|e| {
        let mut springs_s = vec![Vec::new(); c.sides.len()];
        for s in &e.sides {
            springs_s[s.channel] = s.springs.iter().map(|m| time(m.peak)).collect();
        }
        Seen {
            begin_s: time(e.sides.iter().map(|s| s.contact.start).min().unwrap()),
            end_s: time(e.sides.iter().map(|s| s.contact.end - 1).max().unwrap()),
            springs_s,
        }
    });
    seen.collect()
}

/// What differs by more than one sample, in words.
fn differs(live: &[Seen], file: &[Seen], step_s: f64) -> Option<String> {
    let near = |a: f64, b: f64| (a - b).abs() <= 1.01 * step_s;
    let same_springs = |a: &Seen, b: &Seen| {
        let pairs = a.springs_s.iter().zip(&b.springs_s);
        pairs.fold(a.springs_s.len() == b.springs_s.len(), |same, (a, b)| {
            same && a.len() == b.len() && a.iter().zip(b).all(|(x, y)| near(*x, *y))
        })
    };
    let same = live.len() == file.len()
        && live
            .iter()
            .zip(file)
            .all(|(a, b)| near(a.begin_s, b.begin_s) && near(a.end_s, b.end_s) && same_springs(a, b));
    (!same).then(|| format!("live {live:?}\nfile {file:?}"))
}

fn held(
    name: &str,
    trace: &Trace,
    sensor: &Sensor,
    settings: &Settings,
    stretch: usize,
    wrong: &mut Vec<String>,
) -> usize {
    let live = live(trace, sensor.rate_hz, settings, stretch);
    let file = from_file(&trace_text(trace, sensor), settings);
    wrong.extend(differs(&live, &file, 1.0 / sensor.rate_hz).map(|d| format!("{name}: {d}")));
    file.iter()
        .map(|t| t.springs_s.iter().map(Vec::len).sum::<usize>())
        .sum()
}

fn verdict(wrong: &[String]) {
    assert!(wrong.is_empty(), "{} differ:\n{}", wrong.len(), wrong.join("\n"));
}

#[test]
fn tests_and_springs_are_the_same_live_and_from_the_file_in_every_condition() {
    let (mut wrong, mut springs) = (Vec::new(), 0);
    for condition in Condition::ALL.into_iter().chain(Condition::OUTSIDE_THE_LAW) {
        for seed in 0..cases(2, 10, 40) {
            let spec = condition.spec(&mut Rng::stream(seed, 9));
            let trace = simulate(&spec, seed).trace;
            let stretch = [1, 66, 7, 200, 4096][(seed as usize + condition as usize) % 5];
            let name = format!("{} seed {seed}", condition.word());
            springs += held(
                &name,
                &trace,
                &spec.sensor,
                &Settings::default(),
                stretch,
                &mut wrong,
            );
        }
    }
    verdict(&wrong);
    assert!(springs > 17 * 2 * 2, "{springs} springs compared");
}

#[test]
fn the_same_holds_for_two_hands_a_whole_scan_and_an_instrument_with_a_delay() {
    let mut wrong = Vec::new();
    let mut settings = Settings::default();
    for (delay_ms, compliance) in [(0.0, 0.0), (7.3, 0.002), (-3.0, 0.01)] {
        settings.instrument.force_delay_ms = delay_ms;
        settings.instrument.plinth_compliance_mm_per_n = compliance;
        for shared in [true, false] {
            let sensor = Sensor {
                rate_hz: 2000.0,
                ..Sensor::default()
            };
            let hands = TwoHands {
                shared_displacement: shared,
                left_share: 0.45,
            };
            let tissue = Tissue::default();
            let made = simulate_bilateral(&tissue, &tissue, &Examiner::default(), &sensor, hands, 3);
            held("two hands", &made.trace, &sensor, &settings, 66, &mut wrong);
        }
        let specs: Vec<TraceSpec> = (0..4)
            .map(|seed| Condition::Offset.spec(&mut Rng::stream(seed, 9)))
            .collect();
        let scan = simulate_scan(&specs, false, 8);
        let springs = held("scan", &scan.trace, &specs[0].sensor, &settings, 66, &mut wrong);
        assert!(springs >= 8, "{springs}");
    }
    verdict(&wrong);
}

#[test]
fn the_same_holds_where_cells_are_empty_the_clock_jitters_or_nothing_came_for_a_while() {
    let sensors = [
        Sensor {
            dropped_share: 0.1,
            dropped: Dropped::Cells,
            ..Sensor::default()
        },
        Sensor {
            jitter_share: 0.15,
            ..Sensor::default()
        },
        Sensor {
            gap_s: Some([3.0, 3.4]),
            ..Sensor::default()
        },
        Sensor {
            rate_hz: 60.0,
            dropped_share: 0.05,
            ..Sensor::default()
        },
    ];
    let mut wrong = Vec::new();
    for (k, sensor) in sensors.into_iter().enumerate() {
        for seed in 0..4 {
            let spec = TraceSpec {
                sensor: sensor.clone(),
                ..Condition::Clean.spec(&mut Rng::stream(seed, 9))
            };
            let trace = simulate(&spec, seed).trace;
            held(
                &format!("sensor {k} seed {seed}"),
                &trace,
                &sensor,
                &Settings::default(),
                33,
                &mut wrong,
            );
        }
    }
    verdict(&wrong);
}
