//! What the monitor saw: the ceiling alarm first.

use super::{Hear, Session};
use crate::acquire::recorder::over_ceiling::OverCeiling;
use crate::acquire::recorder::stamp;
use crate::live::ceiling::Crossing;
use crate::live::monitor::{Monitor, MonitorEvent, alarm_view};

impl Session {
    pub(super) fn happened(&mut self, monitor: &Monitor, event: MonitorEvent, hears: &mut Vec<Hear>) {
        match event {
            MonitorEvent::AlarmBegan(crossing) => {
                self.meter.ring();
                self.tell_page(monitor, &crossing, true);
                self.over_since = Some(stamp());
                let c = crossing.ceiling;
                let assumed = if c.assumed {
                    " (no level is known: the lowest of all)"
                } else {
                    ""
                };
                self.meter.say(&format!(
                    "over the ceiling: {} {:.0} N{assumed}",
                    c.region, c.ceiling_n
                ));
            }
            MonitorEvent::AlarmEnded(crossing) => {
                self.meter.hush();
                self.tell_page(monitor, &crossing, false);
                hears.push(Hear::Over(self.over(&crossing)));
                let peak = match monitor.gate(&self.told.standing).running {
                    None => format!(", highest {:.0} N", crossing.peak_n),
                    Some(_) => String::new(),
                };
                self.meter.say(&format!(
                    "under the ceiling again after {:.2} s{peak}",
                    crossing.duration_s()
                ));
            }
            MonitorEvent::TestEnded(_) => hears.push(Hear::TestEnded),
            MonitorEvent::Spring { .. } | MonitorEvent::Analysed(_) => {}
        }
    }

    fn over(&mut self, crossing: &Crossing) -> OverCeiling {
        let about = &self.told.pressed_of;
        OverCeiling {
            time: self.over_since.take().unwrap_or_else(stamp),
            region: Some(crossing.ceiling.region).filter(|_| !crossing.ceiling.assumed),
            level: about.level,
            peak_n: crossing.peak_n,
            ceiling_n: crossing.ceiling.ceiling_n,
            duration_s: crossing.duration_s(),
            examiner: about.examiner.clone(),
        }
    }

    fn tell_page(&self, monitor: &Monitor, crossing: &Crossing, on: bool) {
        if let Some(hub) = &self.hub {
            let visible = monitor.gate(&self.told.standing).running.is_none();
            hub.alarm(&alarm_view(crossing, on, visible));
        }
    }
}
