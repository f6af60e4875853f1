//! A stream followed sample by sample: where contact begins and ends, and each spring, as soon as they are certain.
//!
//!     cargo run --example follow_a_stream

use tautpoint::Settings;
use tautpoint::simulation::{TraceSpec, simulate};
use tautpoint::streaming::{Event, Feed, FeedSettings};

fn main() {
    let made = simulate(&TraceSpec::default(), 1);
    let trace = &made.trace;
    let channel = &trace.channels[0];
    let rate_hz = 1.0 / (trace.time_s[1] - trace.time_s[0]);
    let displacement = channel.displacement_mm.as_deref();
    let settings = FeedSettings::live(rate_hz, displacement.is_some(), &Settings::default());
    let mut feed = Feed::new(settings);
    let mut events = Vec::new();
    for (i, (time_s, force_n)) in trace.time_s.iter().zip(&channel.force_n).enumerate() {
        feed.push(*time_s, *force_n, displacement.map(|x| x[i]), &mut events);
        tell(&feed, *time_s, &mut events);
    }
    feed.finish(&mut events);
    let end_s = trace.time_s.last().copied().unwrap_or(0.0);
    tell(&feed, end_s, &mut events);
}

/// Says what has just become certain, and how long after it happened.
fn tell(feed: &Feed, now_s: f64, events: &mut Vec<Event>) {
    for event in events.drain(..) {
        let (what, index) = match event {
            Event::ContactBegan { index } => ("contact began", index),
            Event::Spring(mark) => ("peak of a spring", mark.peak),
            Event::ContactEnded { index, .. } => ("contact ended", index),
        };
        let at_s = feed.time_s(index);
        println!("{at_s:6.3} s: {what}, known {:.3} s later", now_s - at_s);
    }
}
