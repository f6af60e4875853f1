//! The whole job in a browser: an empty folder, a class of 24 at eight tables, and its debrief; and the start by keyboard alone.

use super::{Served, until, write_plan};
use crate::live_page::browser::Browser;
use crate::record::bench::kept;
use std::collections::{BTreeMap, HashMap};
use std::path::Path;
use std::time::{Duration, Instant};
use tautpoint::acquire::recorder::columns::TraceColumns;
use tautpoint::acquire::station::Sample;
use tautpoint::acquire::virtual_device::{Transmission, VirtualDevice, parse_port_name};
use tautpoint::acquire::wire::{Decoder, Message};
use tautpoint::desk::access::PageRole;

const LEARNERS: usize = 24;
/// Device seconds of each station that recordings are looked for in.
const SECONDS: f64 = 600.0;

/// What a station sent: a line of values for each sample, as recordings have it, and where each line stands.
struct Sent {
    lines: Vec<String>,
    places: HashMap<String, Vec<usize>>,
}

fn sent(port: &str) -> Sent {
    let spec = parse_port_name(port).unwrap().unwrap();
    let bytes = Transmission::new(&spec).unwrap().until(SECONDS / spec.speed);
    let mut columns = None;
    let mut lines = Vec::new();
    Decoder::default().push(&bytes, |heard| match heard {
        Message::Hello { station, .. } => columns = TraceColumns::of(&station).ok(),
        Message::Sample { values, .. } => {
            let sample = Sample {
                time_s: 0.0,
                arrived: Instant::now(),
                values,
            };
            let mut text = Vec::new();
            if let Some(columns) = &columns {
                columns.row(&sample, 0.0, &mut text);
            }
            lines.push(values_of(&String::from_utf8(text).unwrap()));
        }
        Message::Unusable(why) => panic!("{why}"),
    });
    let mut places: HashMap<String, Vec<usize>> = HashMap::new();
    for (at, line) in lines.iter().enumerate() {
        places.entry(line.clone()).or_default().push(at);
    }
    Sent { lines, places }
}

/// A row without its time.
fn values_of(row: &str) -> String {
    row.trim_end()
        .split_once(',')
        .map_or("", |(_, values)| values)
        .to_owned()
}

/// First and last sample of a recording in what its station sent: the one stretch in which every row is there, once and in its place.
fn place(text: &str, sent: &Sent) -> Option<(usize, usize)> {
    let rows: Vec<String> = text.lines().skip(1).map(values_of).collect();
    let starts = sent.places.get(rows.first()?)?;
    // At rest the same values come again and again: the whole recording decides.
    let begins = |start: &&usize| {
        sent.lines
            .get(**start..**start + rows.len())
            .is_some_and(|stretch| stretch == rows)
    };
    let start = *starts.iter().find(begins)?;
    Some((start, start + rows.len() - 1))
}

/// A page's own question, waited for.
fn asked(browser: &Browser, path: &str, body: &str) -> serde_json::Value {
    browser.run_async(&format!(
        "const done = arguments[0]; fetch({path:?}, {{ method: 'POST', headers: {{ 'Content-Type': 'application/json' }}, \
         body: JSON.stringify({body}) }}).then(async (a) => done([a.status, await a.text()]), (e) => done([0, String(e)]))"
    ))
}

fn set(browser: &Browser, id: &str, value: &str) {
    browser.run(&format!(
        "const e = document.getElementById({id:?}); e.value = {value:?}; for (const n of ['input', 'change']) e.dispatchEvent(new Event(n, {{ bubbles: true }}))"
    ));
}

fn click(browser: &Browser, id: &str) {
    browser.run(&format!("document.getElementById({id:?}).click()"));
}

/// What runs a class without a person: whoever has a test in goes on, whoever is at the end makes room for the next learner.
const CLASS: &str = "
    window.classDone = []; window.classFaults = []; const busy = new Set(); const left = new Map(); const at = new Map(); const queue = QUEUE;
    const ask = async (path, body) => { const a = await fetch(path, { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify(body) }); return [a.status, await a.text()]; };
    const turn = async (t) => {
      const step = `${t.examiner} ${t.step?.number}`;
      // What is shown is some frames old: once a step.
      if (t.prompt.kind === 'in') { if (left.get(t.id) === step) return; left.set(t.id, step); return ask(`/table/${t.id}/ask/command`, { command: 'next' }); }
      const here = at.get(t.id);
      if (t.prompt.kind === 'end' && here && t.examiner === here[0]) { classDone.push(here[0]); at.delete(t.id); return ask(`/table/${t.id}/ask/rest`, {}); }
      if (t.prompt.kind === 'choose' && !here && queue.length && !TAKEN_OUT.includes(t.id)) {
        const next = queue.shift(); at.set(t.id, next);
        const [status, text] = await ask(`/table/${t.id}/ask/begin`, { examiner: next[0], subject: next[1], cautions: true });
        if (status !== 200) { at.delete(t.id); queue.unshift(next); if (!/hand is on|is at table/.test(text)) classFaults.push(text); }
      }
      // Somebody whose station is gone goes on at another.
      if ((t.prompt.kind === 'away' || t.prompt.kind === 'stopped') && here && TAKEN_OUT.includes(t.id)) { at.delete(t.id); await ask(`/table/${t.id}/ask/rest`, {}); queue.push(here); }
    };
    window.TAKEN_OUT = [];
    const source = new EventSource('/room/events');
    source.addEventListener('frame', (e) => { for (const t of JSON.parse(e.data).tables) { if (busy.has(t.id)) continue; busy.add(t.id);
      turn(t).catch((f) => classFaults.push(String(f))).finally(() => setTimeout(() => busy.delete(t.id), 60)); } });
";

#[test]
fn a_class_of_24_at_eight_tables_from_an_empty_folder_to_its_debrief() {
    let Some(browser) = Browser::start() else { return };
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path().join("autumn");
    let served = Served::at(&root);
    browser.goto(&served.url(PageRole::Teacher));
    browser.until(
        "the form",
        "!document.getElementById('new').hidden && document.querySelectorAll('#ceilings input').length === 8",
    );
    set(&browser, "title", "Invented class");
    set(&browser, "plan", "class-lumbar");
    browser.run("for (const t of document.querySelectorAll('#ceilings [type=checkbox]')) t.checked = true; for (const n of document.querySelectorAll('#ceilings [type=text]')) n.value = '300'");
    click(&browser, "make");
    browser.until("the study", "!document.getElementById('class-part').hidden");
    // A plan of the lab's own, so short that a test has time for 24 learners.
    write_plan(&root, "two-levels");
    browser.goto(&served.url(PageRole::Teacher));
    browser.until(
        "its plan",
        "[...document.querySelectorAll('#class-plan option')].some((o) => o.value === 'two-levels')",
    );
    set(&browser, "class-plan", "two-levels");
    set(&browser, "session", "first-evening");
    click(&browser, "set-class");
    browser.until(
        "it is saved",
        "/^Saved/.test(document.getElementById('told').textContent)",
    );

    browser.run("location.href = '/people'");
    browser.until(
        "the page People",
        "document.getElementById('cautions')?.children.length > 0",
    );
    let codes = |letter: &str| {
        (1..=LEARNERS)
            .map(|n| format!("{letter}-{n:02}"))
            .collect::<Vec<_>>()
            .join(" ")
    };
    set(&browser, "learners", &codes("L"));
    set(&browser, "volunteers", &codes("V").replace(' ', "\n"));
    set(&browser, "teachers", "T-01");
    click(&browser, "add-people");
    browser.until(
        "the volunteers",
        &format!("document.querySelectorAll('#volunteer-rows tbody tr').length === {LEARNERS}"),
    );
    browser.run("for (const t of document.querySelectorAll('#volunteer-rows input')) t.checked = true");
    set(&browser, "noted-by", "T-01");
    click(&browser, "note");
    browser.until(
        "their consent",
        &format!(
            "document.getElementById('volunteer-rows').textContent.split('given').length === {}",
            LEARNERS + 1
        ),
    );

    // Five stations that stay, one that is unplugged for a second now and then, two that will be killed.
    let staying = |seed: u32, more: &str| format!("sim:two-handed,speed=3,seed={seed}{more}");
    let mut ports: Vec<String> = (1..=5).map(|seed| staying(seed, "")).collect();
    ports.push(staying(6, ",unplug=9+1"));
    let spec = |seed: u32| parse_port_name(&staying(seed, "")).unwrap().unwrap();
    let links = [7, 8].map(|seed| dir.path().join(format!("port-{seed}")));
    let mut killed: Vec<VirtualDevice> = Vec::new();
    for (seed, link) in [7, 8].into_iter().zip(&links) {
        match VirtualDevice::start(&spec(seed), Some(link)) {
            Ok(device) => killed.push(device),
            Err(error) => {
                assert!(
                    std::env::var_os("TAUTPOINT_FULL_TESTS").is_none(),
                    "no pseudo-terminal: {error}"
                );
                println!("skipped: no pseudo-terminal ({error})");
                return;
            }
        }
        ports.push(link.display().to_string());
    }
    browser.run("location.href = '/tables'");
    browser.until(
        "the page Tables",
        "document.getElementById('port')?.options.length > 0",
    );
    for port in &ports {
        let answer = asked(
            &browser,
            "/ask/add-table",
            &serde_json::json!({ "port": port }).to_string(),
        );
        assert_eq!(answer[0], 200, "{answer}");
    }
    browser.run("location.reload()");
    browser.until(
        "eight tables",
        "document.querySelectorAll('#room > li').length === 8",
    );
    browser.until(
        "all of them answer",
        "document.querySelectorAll('#room > li.gone').length === 0",
    );
    browser.until("their addresses", "document.querySelectorAll('#addresses img').length === 10 && [...document.querySelectorAll('#addresses img')].every((i) => i.complete && i.naturalWidth > 0)");

    // The first learner, as a person does it at the table.
    let first = served.url(PageRole::Table(tautpoint::desk::access::TableId(1)));
    browser.goto(&first);
    browser.until(
        "people to choose",
        "document.getElementById('examiner').options.length === 25",
    );
    browser.run("document.getElementById('cautions-hold').checked = true");
    browser.within(Duration::from_secs(60), "the first learner", "(/L-01 presses V-01/.test(document.getElementById('who').textContent)) || (document.getElementById('begin').click(), false)");
    browser.within(
        Duration::from_secs(60),
        "a test",
        "/test is in|tests are in/.test(document.getElementById('line').textContent)",
    );
    browser.key("n");
    browser.until(
        "the second step",
        "/step 2 of 2: L3 both/.test(document.getElementById('where').textContent)",
    );
    // The tablet is reloaded in the middle and knows where it was.
    browser.run("location.reload()");
    browser.until("the step after the tablet was reloaded", "/step 2 of 2/.test(document.getElementById('where')?.textContent ?? '') && /L-01/.test(document.getElementById('who').textContent)");
    browser.within(
        Duration::from_secs(60),
        "its test",
        "/test is in|tests are in/.test(document.getElementById('line').textContent)",
    );
    browser.key("n");
    browser.until(
        "the end",
        "/^Done: every step is in/.test(document.getElementById('line').textContent)",
    );
    browser.key("d");
    browser.key("d");
    browser.until(
        "the table at rest",
        "/Choose learner/.test(document.getElementById('line').textContent)",
    );

    // The others, at all tables at once.
    browser.goto(&served.url(PageRole::Teacher));
    browser.run("location.href = '/room'");
    browser.until("the room", "document.querySelectorAll('#room > li').length === 8");
    let queue: Vec<[String; 2]> = (2..=LEARNERS)
        .map(|n| [format!("L-{n:02}"), format!("V-{n:02}")])
        .collect();
    browser.run(&CLASS.replace("QUEUE", &serde_json::to_string(&queue).unwrap()));
    // Two stations die while a hand is on them.
    for (id, device) in [7, 8].into_iter().zip(killed) {
        until("a hand on a station that dies", || {
            served
                .desk
                .tables_shown()
                .iter()
                .any(|t| t.id.0 == id && t.touched && t.examiner.is_some())
        });
        browser.run(&format!("TAKEN_OUT.push({id})"));
        drop(device);
    }
    browser.until("both are said to be away", "[...document.querySelectorAll('#room > li.gone')].filter((c) => /Table [78]/.test(c.textContent)).length === 2");
    browser.keep("desk-room-class");
    browser.within(
        Duration::from_secs(240),
        "every learner",
        &format!("classDone.length === {}", LEARNERS - 1),
    );
    assert_eq!(browser.run("return classFaults"), serde_json::json!([]));
    assert_eq!(
        browser
            .complaints()
            .iter()
            .filter(|c| !c.contains("favicon") && !c.contains("422"))
            .collect::<Vec<_>>(),
        Vec::<&String>::new()
    );

    union_is_what_was_sent(&root, &served, &ports);
    debriefed(&browser, &served);
}

/// Every row that was kept was sent, once and in its place; and between the first step and the last of a learner none is missing.
fn union_is_what_was_sent(root: &Path, served: &Served, ports: &[String]) {
    until("every recording is closed", || {
        served
            .desk
            .tables_shown()
            .iter()
            .all(|t| t.examiner.is_none() || !t.connected)
    });
    let recordings = kept(root);
    let sums = std::fs::read_to_string(root.join("recordings/SHA256SUMS")).unwrap();
    // By what its values are, each recording is one station's.
    let stations: Vec<Sent> = ports
        .iter()
        .enumerate()
        .map(|(i, port)| match port.starts_with("sim") {
            true => sent(&port.replace(",unplug=9+1", "")),
            false => sent(&format!("sim:two-handed,speed=3,seed={}", i + 1)),
        })
        .collect();
    let mut of_learner: BTreeMap<String, Vec<(usize, usize, usize)>> = BTreeMap::new();
    for (name, (text, sidecar)) in &recordings {
        let found = stations
            .iter()
            .enumerate()
            .find_map(|(i, sent)| place(text, sent).map(|(first, last)| (i, first, last)));
        let (station, first, last) =
            found.unwrap_or_else(|| panic!("{name} is no stretch of what any station sent"));
        assert!(
            sums.contains(name.trim_start_matches("recordings/")),
            "{name} has no hash"
        );
        let learner = sidecar.about.examiner.clone().unwrap();
        of_learner
            .entry(learner)
            .or_default()
            .push((station, first, last));
    }
    assert_eq!(of_learner.len(), LEARNERS);
    let mut whole = 0;
    for (learner, mut parts) in of_learner {
        parts.sort_unstable();
        for pair in parts.windows(2).filter(|p| p[0].0 == p[1].0 && p[0].0 < 5) {
            assert_eq!(pair[0].2 + 1, pair[1].1, "{learner}: samples between two steps");
            whole += 1;
        }
    }
    assert!(
        whole >= 10,
        "{whole} learners stayed at one of the stations that stayed"
    );
}

fn debriefed(browser: &Browser, served: &Served) {
    browser.run("location.href = '/after'");
    browser.until(
        "the page After",
        "document.querySelectorAll('#tasks button').length === 6",
    );
    browser.run("document.querySelector('#tasks button').click()");
    browser.until(
        "a task that runs",
        "/Debrief/.test(document.getElementById('running').textContent)",
    );
    browser.within(
        Duration::from_secs(300),
        "the debrief",
        "/Debrief is done/.test(document.getElementById('running').textContent)",
    );
    browser.until("its page", "document.querySelector('#results a')");
    let path = browser.run("return document.querySelector('#results a').getAttribute('href')");
    let url = format!("http://{}{}", served.addr, path.as_str().unwrap());
    browser.goto(&url);
    browser.until("24 learners", "/24 learners/.test(document.body.innerText)");
    assert_eq!(browser.complaints(), Vec::<String>::new());
    // A page of results is in a box: it has no cookies and may ask nothing.
    let reached = browser.run_async("const done = arguments[0]; fetch('/ask/study', { method: 'POST' }).then((a) => done(a.status), (e) => done('blocked'))");
    assert_eq!(reached, "blocked");
    assert_eq!(
        browser.run("try { return document.cookie } catch { return '' }"),
        ""
    );
}

#[test]
fn a_study_is_begun_and_a_test_pressed_by_the_keyboard_alone() {
    const TAB: &str = "\u{E004}";
    const ENTER: &str = "\u{E007}";
    const SPACE: &str = " ";
    let Some(browser) = Browser::start() else { return };
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path().join("evening");
    let served = Served::at(&root);
    let focused = |id: &str| browser.run("return document.activeElement?.id ?? ''") == id;
    let tab_to = |id: &str| {
        for _ in 0..80 {
            if focused(id) {
                return;
            }
            browser.key(TAB);
        }
        panic!("{id} is not reached by Tab");
    };
    let typed = |text: &str| text.chars().for_each(|c| browser.key(&c.to_string()));
    browser.goto(&served.url(PageRole::Teacher));
    browser.until(
        "the form",
        "!document.getElementById('new').hidden && document.querySelectorAll('#ceilings input').length === 8",
    );
    tab_to("title");
    typed("Evening");
    for region in ["neck", "thoracic", "lumbar", "sacral"] {
        tab_to(&format!("confirmed-{region}"));
        browser.key(SPACE);
    }
    tab_to("make");
    browser.key(ENTER);
    browser.until("the study", "!document.getElementById('class-part').hidden");
    let follow = |page: &str| {
        for _ in 0..60 {
            if browser.run("return document.activeElement?.textContent ?? ''") == page {
                break;
            }
            browser.key(TAB);
        }
        browser.key(ENTER);
        browser.until(
            page,
            &format!("document.querySelector('h1')?.textContent === '{page}'"),
        );
    };
    follow("People");
    browser.until(
        "the fields",
        "document.getElementById('cautions').children.length > 0",
    );
    tab_to("learners");
    typed("L-01");
    tab_to("volunteers");
    typed("V-01");
    tab_to("add-people");
    browser.key(ENTER);
    browser.until(
        "the volunteer",
        "document.querySelectorAll('#volunteer-rows tbody tr').length === 1",
    );
    for _ in 0..80 {
        if browser.run("return document.activeElement?.getAttribute('aria-label') ?? ''") == "Choose V-01" {
            break;
        }
        browser.key(TAB);
    }
    browser.key(SPACE);
    tab_to("note");
    browser.key(ENTER);
    browser.until(
        "the consent",
        "/given/.test(document.getElementById('volunteer-rows').textContent)",
    );
    browser.run("document.activeElement.blur()");
    follow("Tables");
    browser.until("stations", "document.getElementById('port').options.length > 0");
    // The last of the list is a virtual station with two hands.
    tab_to("port");
    browser.key("\u{E010}");
    tab_to("add-table");
    browser.key(ENTER);
    browser.until(
        "the table",
        "document.querySelectorAll('#room > li').length === 1",
    );
    follow("Room");
    browser.until("its card", "document.querySelector('#room a')");
    follow_link(&browser, "Open its page");
    browser.until(
        "people to choose",
        "document.getElementById('examiner')?.options.length === 1",
    );
    tab_to("cautions-hold");
    browser.key(SPACE);
    let end = Instant::now() + Duration::from_secs(60);
    while browser
        .run("return document.getElementById('who').textContent")
        .as_str()
        == Some("nobody chosen")
    {
        assert!(
            Instant::now() < end,
            "{}",
            browser.run("return document.body.innerText")
        );
        tab_to("begin");
        browser.key(ENTER);
        std::thread::sleep(Duration::from_millis(500));
    }
    browser.within(
        Duration::from_secs(60),
        "a test",
        "/test is in|tests are in/.test(document.getElementById('line').textContent)",
    );
    browser.key("n");
    browser.until(
        "the next step",
        "/step 2 of/.test(document.getElementById('where').textContent)",
    );
    served.desk.close();
    assert!(
        kept(&root)
            .values()
            .any(|(_, sidecar)| sidecar.about.examiner.as_deref() == Some("L-01"))
    );
}

fn follow_link(browser: &Browser, words: &str) {
    for _ in 0..60 {
        if browser.run("return document.activeElement?.textContent ?? ''") == words {
            break;
        }
        browser.key("\u{E004}");
    }
    browser.key("\u{E007}");
}
