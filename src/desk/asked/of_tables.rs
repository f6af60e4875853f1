//! Tables and their stations: found, named, weighed, held up, and the addresses of their pages.

use super::super::access::{PageRole, TableId, unix_s};
use super::super::answers::{Answered, NotAnswered, done, read, refused, told};
use super::super::home::Desk;
use super::super::table::TableOrder;
use super::role;
use crate::acquire::port::ports;
use crate::acquire::recorder::append::append_row;
use crate::acquire::recorder::disk::FileDisk;
use crate::acquire::recorder::stamp;
use crate::acquire::virtual_device::parse_port_name;
use crate::error::Error;
use crate::study::words::shown;
use crate::units::N_PER_KGF;
use serde::{Deserialize, Serialize};

/// Checks with a known weight, one line each.
const WEIGHED_FILE: &str = "daily-checks.csv";
/// A reading is doubted when it is off by more than this share of the weight, or by this many newtons. Our choice.
const DOUBT_SHARE: f64 = 0.02;
const DOUBT_N: f64 = 1.0;
/// A weight that lies still spreads no more than this, in N (standard deviation). Our choice.
const STILL_N: f64 = 0.5;

/// What the page Tables shows.
#[derive(Serialize)]
struct TablesPage {
    tables: Vec<TableSetUp>,
    /// Ports that no table has.
    ports: Vec<PortView>,
    /// What only looks.
    look: Address,
    teacher: Address,
    /// Other devices can reach the pages, by a way that is not encrypted.
    in_the_room: bool,
}

#[derive(Serialize)]
struct TableSetUp {
    id: TableId,
    name: String,
    port: String,
    address: Address,
}

#[derive(Serialize)]
struct PortView {
    name: String,
    description: String,
    usb: bool,
}

/// An address with its token, and the hours until it ends.
#[derive(Serialize)]
struct Address {
    /// Whose, for its square.
    word: String,
    url: String,
    ends_h: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TableAsked {
    table: TableId,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AddAsked {
    port: String,
    #[serde(default)]
    name: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RenameAsked {
    table: TableId,
    name: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AddressAsked {
    word: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PauseAsked {
    table: TableId,
    paused: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PlanAsked {
    table: TableId,
    /// `None` is the class's again.
    plan: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WeighAsked {
    table: TableId,
    /// Mass of the weight that lies on the sensor.
    mass_kg: f64,
}

/// What a known weight was read as.
#[derive(Serialize)]
struct Weighed {
    known_n: f64,
    read_n: f64,
    spread_n: f64,
    /// In words: what it comes to and, where it is doubted, what to do.
    words: String,
    doubted: bool,
}

impl Desk {
    pub(super) fn tables_view(&self) -> Answered {
        let class = self.class();
        let address = |role: PageRole| -> Result<Address, NotAnswered> {
            let token = self.token(role)?;
            let hours = token.ends_unix_s.saturating_sub(unix_s()) as f64 / 3600.0;
            Ok(Address {
                word: role.word(),
                url: self.url_in_the_room(role)?,
                ends_h: (hours * 10.0).round() / 10.0,
            })
        };
        let tables = class.tables.iter().map(|entry| {
            Ok(TableSetUp {
                id: entry.id,
                name: entry.name.clone(),
                port: entry.port.clone(),
                address: address(PageRole::Table(entry.id))?,
            })
        });
        let free = ports().unwrap_or_default().into_iter().filter(|p| !class.tables.iter().any(|t| t.port == p.name));
        told(&TablesPage {
            tables: tables.collect::<Result<_, NotAnswered>>()?,
            ports: free.map(|p| PortView { name: p.name, description: p.description, usb: p.usb }).collect(),
            look: address(PageRole::Look)?,
            teacher: address(PageRole::Teacher)?,
            in_the_room: self.is_in_the_room(),
        })
    }

    pub(super) fn asked_to_add_table(&self, body: &[u8]) -> Answered {
        let asked: AddAsked = read(body)?;
        self.sound_study()?;
        let port = asked.port.trim();
        if let Some(spec) = parse_port_name(port) {
            spec?;
        } else if !is_port(port) {
            return Err(refused(format!("{} is no serial port of this computer", shown(port)), "choose one of the list"));
        }
        let id = self.add_table(&asked.name, port)?;
        told(&id)
    }

    pub(super) fn asked_to_remove_table(&self, body: &[u8]) -> Answered {
        let asked: TableAsked = read(body)?;
        self.remove_table(asked.table)?;
        done()
    }

    pub(super) fn asked_to_rename_table(&self, body: &[u8]) -> Answered {
        let asked: RenameAsked = read(body)?;
        self.rename_table(asked.table, &asked.name)?;
        done()
    }

    pub(super) fn new_address(&self, body: &[u8]) -> Answered {
        let asked: AddressAsked = read(body)?;
        self.replace_token(role(&asked.word)?)?;
        done()
    }

    pub(super) fn pause_table(&self, body: &[u8]) -> Answered {
        let asked: PauseAsked = read(body)?;
        self.table(asked.table)?.order(TableOrder::Pause(asked.paused))?;
        done()
    }

    /// The plan holds for who is chosen next; whoever presses now goes on by the one that was begun.
    pub(super) fn send_plan(&self, body: &[u8]) -> Answered {
        let asked: PlanAsked = read(body)?;
        let study = self.sound_study()?;
        self.table(asked.table)?;
        if let Some(name) = &asked.plan
            && study.plan(name).is_none()
        {
            return Err(Error::from(study.no_plan(name, "the table's plan")).into());
        }
        self.change_class(|class| {
            class.tables.iter_mut().filter(|t| t.id == asked.table).for_each(|t| t.plan.clone_from(&asked.plan));
            Ok(())
        })?;
        done()
    }

    pub(super) fn weigh(&self, body: &[u8]) -> Answered {
        let asked: WeighAsked = read(body)?;
        if !(0.05..=200.0).contains(&asked.mass_kg) {
            return Err(refused(format!("a weight of {} kg", asked.mass_kg), "expected 0.05 to 200 kg"));
        }
        let table = self.room.tables().into_iter().find(|t| t.id == asked.table);
        let Some((table, load)) = table.and_then(|t| t.load.map(|load| (t, load))) else {
            return Err(refused("no force comes from this station, or its values are hidden", "connect it, wait for its zero, and put the weight on"));
        };
        let known_n = asked.mass_kg * N_PER_KGF;
        let off_n = load.mean_n - known_n;
        let (still, near) = (load.spread_n <= STILL_N, off_n.abs() <= DOUBT_N.max(DOUBT_SHARE * known_n));
        let words = match (still, near) {
            (false, _) => "The force is not still: let the weight lie by itself, and weigh again. Nothing was written down.".to_owned(),
            (true, true) => format!("Reads {:.1} N for {known_n:.1} N: off by {off_n:+.1} N.", load.mean_n),
            (true, false) => format!(
                "Reads {:.1} N for {known_n:.1} N: off by {off_n:+.1} N. Look at zero, sign, gain and calibration before anybody is pressed here.",
                load.mean_n
            ),
        };
        if still {
            let cells = [
                ("time", stamp()),
                ("table", table.name.clone()),
                ("device", table.teacher.as_ref().and_then(|t| t.device.clone()).unwrap_or_default()),
                ("known_n", format!("{known_n:.3}")),
                ("read_n", format!("{:.3}", load.mean_n)),
                ("spread_n", format!("{:.3}", load.spread_n)),
            ];
            let cells: Vec<(&str, &str)> = cells.iter().map(|(h, c)| (*h, c.as_str())).collect();
            append_row(&FileDisk, &self.root().join(WEIGHED_FILE), &cells, &["time", "known_n", "read_n"])?;
        }
        told(&Weighed {
            known_n,
            read_n: load.mean_n,
            spread_n: load.spread_n,
            words,
            doubted: !(still && near),
        })
    }
}

/// Whether a name leads to a serial line: one that the system lists, or a pseudo-terminal, which a virtual device has. Other devices
/// may do something when they are merely opened.
fn is_port(name: &str) -> bool {
    let device = name.split_once('@').map_or(name, |(device, _)| device);
    let real = std::fs::canonicalize(device).unwrap_or_else(|_| device.into());
    let listed = ports().is_ok_and(|ports| ports.iter().any(|p| p.name == device || std::path::Path::new(&p.name) == real));
    listed || cfg!(unix) && real.starts_with("/dev/pts")
}
