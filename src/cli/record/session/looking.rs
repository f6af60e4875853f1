//! Between samples: what people wish, what the keeper tells, page and meter, and whether it is time to end.

use super::{FRAME, GRACE, Session, UNSEEN};
use crate::acquire::control::{Standing, Wish};
use crate::cli::record::keeping::{Hear, Told};
use crate::cli::record::keys::Key;
use crate::cli::record::meter;
use crate::live::view::View;
use std::sync::Arc;
use std::time::Instant;

impl Session {
    /// What people wish, what the keeper tells, page and meter.
    pub(super) fn look(&mut self) {
        while let Ok(key) = self.keys.keys.try_recv() {
            self.key(key);
        }
        let wishes: Vec<Wish> = self.hub.iter().flat_map(|hub| hub.wishes.try_iter()).collect();
        wishes.into_iter().for_each(|wish| self.wish(wish));
        let told: Vec<Told> = self.keeping.told().collect();
        told.into_iter().for_each(|told| self.hear_keeper(told));
        if self.targets.arrived()
            && let Some(monitor) = &mut self.monitor
        {
            monitor.set_reference(self.targets.at(&self.told.pressed_of, self.hands));
        }
        if self.over_since.is_some() {
            self.meter.ring();
        }
        self.show();
    }

    fn key(&mut self, key: Key) {
        match key {
            Key::Wish(wish) => self.wish(wish),
            Key::Again(what) => self.meter.say(&format!("once more to {what}")),
            Key::Unknown(word) => self.meter.say(&format!(
                "{} means nothing here",
                crate::study::words::shown(&word)
            )),
            Key::Closed => self.keys_open = false,
        }
    }

    fn wish(&mut self, wish: Wish) {
        match wish {
            Wish::Stop => self.stopping = true,
            Wish::Show => {
                if let Some(monitor) = &mut self.monitor {
                    monitor.show_last();
                }
            }
            other => self.keeping.hear(Hear::Wish(other)),
        }
    }

    pub(super) fn hear_keeper(&mut self, told: Told) {
        for message in &told.messages {
            self.meter.say(message);
        }
        if told.pressed_of != self.told.pressed_of
            && let Some(mut monitor) = self.monitor.take()
        {
            let mut hears = Vec::new();
            for event in monitor.set_about(&told.pressed_of) {
                self.happened(&monitor, event, &mut hears);
            }
            hears.into_iter().for_each(|h| self.keeping.hear(h));
            monitor.set_reference(self.targets.at(&told.pressed_of, self.hands));
            self.monitor = Some(monitor);
        }
        self.told = told;
        let step = meter::step_words(&self.told.standing);
        if step != self.printed_step && !self.told.ended {
            if let Some(words) = step.as_ref().filter(|_| !self.quiet) {
                self.meter.say(words);
            }
            self.printed_step = step;
        }
    }

    fn standing(&self) -> &Standing {
        &self.told.standing
    }

    fn show(&mut self) {
        // With nobody to look, warnings of the station are still looked for.
        let due = self.framed.elapsed() >= if self.hub.is_some() { FRAME } else { UNSEEN };
        if !due && !self.meter.is_due() {
            return;
        }
        self.framed = Instant::now();
        let standing = self.standing().clone();
        match (&mut self.monitor, &mut self.view) {
            (Some(monitor), view) => *view = Some(monitor.view(&standing)),
            (None, Some(view)) => *view = without_device(view, &standing),
            (None, None) => {}
        }
        if let (Some(hub), Some(view)) = (&self.hub, &self.view) {
            hub.publish(view);
        }
        self.warn();
        if self.meter.is_due() {
            self.print_test();
            let line = meter::line(&standing, self.view.as_ref());
            self.meter.draw(&line);
        }
    }

    /// What a person must know of the station, each once.
    fn warn(&mut self) {
        let warnings = self.view.iter().flat_map(|v| &v.warnings);
        let new: Vec<String> = warnings.filter(|w| !self.warned.contains(w)).cloned().collect();
        for warning in new {
            self.meter.say(&warning);
            self.warned.push(warning);
        }
    }

    /// One line for the last test, once its full analysis is there and it may be shown.
    fn print_test(&mut self) {
        let last = self.view.as_ref().and_then(|v| v.last.clone());
        let Some(test) = last.filter(|t| !t.provisional) else {
            return;
        };
        if self.printed.as_ref().is_some_and(|p| Arc::ptr_eq(p, &test)) {
            return;
        }
        for side in &test.sides {
            let rows = side
                .rows
                .iter()
                .map(|r| format!("{} {} {}", r.label, r.value, r.unit));
            let head = [test.level.as_deref(), side.side].into_iter().flatten();
            let head: Vec<&str> = head.collect();
            let rows: Vec<String> = rows.collect();
            self.meter.say(&format!(
                "{}: {} springs; {}",
                head.join(" "),
                side.springs,
                rows.join(", ")
            ));
        }
        self.printed = Some(test);
    }

    /// Ends by time, or when nobody could say anything more.
    pub(super) fn mind_the_end(&mut self) {
        if let Some(seconds) = self.seconds {
            match self.first_sample {
                Some(first) => self.stopping |= first.elapsed() >= seconds,
                None if self.begun.elapsed() >= seconds + GRACE => {
                    self.failed = Some(
                        "no sample came: look whether the device is the right one and switched on".to_owned(),
                    );
                    self.stopping = true;
                }
                None => {}
            }
        }
        let alone = !self.keys_open && self.hub.is_none();
        self.stopping |= alone && self.told.at_end;
    }
}

/// The last view as it is while no device is connected: nothing measured now, the standing as it is.
pub(super) fn without_device(view: &View, standing: &Standing) -> View {
    View {
        standing: standing.clone(),
        age_ms: None,
        arrived_unix_ms: None,
        alarm: None,
        now: None,
        strip: None,
        // The level's call may have been asked for since.
        last: view.last.clone().filter(|_| standing.call_wanted.is_none()),
        ..view.clone()
    }
}
