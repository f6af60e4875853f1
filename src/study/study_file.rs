//! study.toml: what holds for a whole study. Written by people; the page of the class changes in it what they change there.

use super::gains::ColumnGains;
use super::mapping::ColumnMapping;
use super::objective::Objective;
use super::toml_doc::{Doc, Section, as_number, as_whole, describe};
use super::words::{nearest, resembles_ceiling};
use crate::error::{Error, Problem, Severity};
use crate::settings::{OPTIONAL, PRIMARY, REGIONAL, SETTINGS, Settings, every_setting};
use toml::de::DeValue;
use toml::{Spanned, Table, Value};

/// Name of the file in a study's folder.
pub const FILE_NAME: &str = "study.toml";

/// The section that holds, beside its settings, what the reference is.
const TECHNIQUE: &str = "technique";
/// The section of the ceilings of force.
const CEILINGS: &str = "ceiling_n";

/// The section of the factors of sensors.
const GAIN: &str = "gain";
/// The section of how another program writes recordings.
const IMPORT: &str = "import";

pub const PLAIN_KEYS: [&str; 7] = [
    "title",
    "site",
    "ethics_ref",
    "format",
    "calibration",
    "sensor",
    "blind",
];

/// What study.toml says.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct StudyFile {
    pub title: Option<String>,
    pub site: Option<String>,
    pub ethics_ref: Option<String>,
    /// Names of the calibrations that recordings are read by when their sidecars name none.
    pub calibrations: Vec<String>,
    /// Codes of the sensors, where the sidecars say none.
    pub sensors: Vec<String>,
    /// `[gain]`: factors of sensors, where the sidecars say none.
    pub gains: ColumnGains,
    /// `[import]`: how another program wrote the recordings whose sidecars have none.
    pub import: Option<ColumnMapping>,
    pub settings: Settings,
    /// `[plan] default`: a plan's name.
    pub default_plan: Option<String>,
    /// Line of `[plan] default`.
    pub default_plan_line: Option<u64>,
    /// `[technique] reference`: recordings that others are held against.
    pub reference: Vec<String>,
    /// `[objective]`: a goal for teaching.
    pub objective: Option<Objective>,
    /// `blind`: measured sides are hidden until the study is opened.
    pub blind: bool,
}

impl StudyFile {
    /// Reads the text of study.toml. `file` is the name that problems carry.
    ///
    /// A setting that cannot be meant is a problem of severity error; nothing should be analysed with the default in
    /// its place.
    pub fn parse(file: &str, text: &str) -> (StudyFile, Vec<Problem>) {
        let doc = Doc::new(file, text);
        let study = doc
            .parse()
            .map(|table| {
                read(&Section {
                    doc: &doc,
                    table: &table,
                    path: "",
                })
            })
            .unwrap_or_default();
        (study, doc.into_problems())
    }
}

/// Settings with those on top that a text sets in the way of study.toml; `source` names the text, and who set them.
///
/// # Errors
/// What is wrong with the text; a key that is no setting is wrong too, since it would have no effect.
pub fn settings_over(before: &Settings, text: &str, source: &str) -> Result<Settings, Vec<Problem>> {
    let doc = Doc::new(source, text);
    let mut study = StudyFile {
        settings: before.clone(),
        ..StudyFile::default()
    };
    if let Some(table) = doc.parse() {
        let top = Section {
            doc: &doc,
            table: &table,
            path: "",
        };
        read_sections(&top, &mut study);
        for key in unknown_settings(&text.parse().unwrap_or_default(), "") {
            let near = nearest(&key, every_setting().map(|s| s.key));
            let advice = near.map_or_else(|| "docs/settings.md lists them".to_owned(), |near| format!("write {near} if that is meant"));
            doc.error(0..0, &key, &format!("no setting of that name: {key}"), "a setting of study.toml", &advice);
        }
    }
    let mut settings = study.settings;
    for (_, place) in settings.set_in.iter_mut().skip(before.set_in.len()) {
        source.clone_into(place);
    }
    if let Err(error) = settings.check() {
        doc.error(0..0, "settings", &error.to_string(), "settings that agree", "correct them");
    }
    // Warnings are of ceilings that can hardly be meant, which every result tells.
    let problems = doc.into_problems().into_iter().filter(|p| p.severity == Severity::Error);
    let problems: Vec<Problem> = problems.map(|p| Problem { line: None, ..p }).collect();
    match problems.is_empty() {
        true => Ok(settings),
        false => Err(problems),
    }
}

/// Dotted keys of a text that are no settings.
fn unknown_settings(table: &Table, path: &str) -> Vec<String> {
    let mut unknown = Vec::new();
    for (key, value) in table {
        let dotted = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
        match value {
            Value::Table(inner) => unknown.extend(unknown_settings(inner, &dotted)),
            _ if every_setting().all(|s| s.key != dotted) => unknown.push(dotted),
            _ => {}
        }
    }
    unknown
}

/// Names of the sections that hold settings.
fn sections() -> Vec<&'static str> {
    let all = SETTINGS.iter().chain(OPTIONAL);
    let mut names: Vec<&str> = all.filter_map(|s| s.key.split('.').next()).collect();
    names.dedup();
    names
}

/// Names of the sections within a section: `neck` in `technique`.
fn subsections(section: &str) -> Vec<&'static str> {
    let mut names: Vec<&str> = REGIONAL
        .iter()
        .filter_map(|s| s.key.strip_prefix(section)?.strip_prefix('.')?.split('.').next())
        .collect();
    names.dedup();
    names
}

fn read(top: &Section<'_, '_>) -> StudyFile {
    let mut known: Vec<&str> = PLAIN_KEYS.to_vec();
    known.extend(sections());
    known.extend(["plan", "registered", "objective", GAIN, IMPORT]);
    warn_unknown(top, &known);
    let mut study = StudyFile {
        title: top.text("title"),
        site: top.text("site"),
        ethics_ref: top.text("ethics_ref"),
        calibrations: top.texts("calibration"),
        sensors: top.texts("sensor"),
        // What cannot be read is an error and stops the analysis, so nothing is shown by mistake.
        blind: top.yes_or_no("blind").unwrap_or(false),
        ..StudyFile::default()
    };
    read_sections(top, &mut study);
    if let Some(table) = top.table(GAIN) {
        study.gains = ColumnGains::read(&Section {
            doc: top.doc,
            table,
            path: GAIN,
        });
    }
    if let Some(table) = top.table(IMPORT) {
        study.import = Some(ColumnMapping::read_import(&Section {
            doc: top.doc,
            table,
            path: IMPORT,
        }));
    }
    if let Some(table) = top.table("plan") {
        let plan = Section {
            doc: top.doc,
            table,
            path: "plan",
        };
        plan.warn_unknown(&["default"]);
        study.default_plan = plan.text("default");
        study.default_plan_line = plan.get("default").map(|v| top.doc.line(v.span().start));
    }
    if let Some(table) = top.table("objective") {
        study.objective = Objective::read(&Section {
            doc: top.doc,
            table,
            path: "objective",
        });
    }
    if let Some(table) = top.table("registered") {
        // What it says is read by `agreement::registered`; here only its keys are known.
        let registered = Section {
            doc: top.doc,
            table,
            path: "registered",
        };
        registered.warn_unknown(&["date", "settings_sha256", "settings"]);
    }
    if let Err(error) = study.settings.check() {
        // Each value passed alone, so this is a combination that check() alone knows of.
        top.doc.error(
            0..0,
            "settings",
            &error.to_string(),
            "settings that agree",
            "correct them",
        );
    }
    study
}

/// The sections that hold settings.
fn read_sections(top: &Section<'_, '_>, study: &mut StudyFile) {
    for name in sections() {
        if let Some(table) = top.table(name) {
            let section = Section {
                doc: top.doc,
                table,
                path: name,
            };
            let subsections = subsections(name);
            read_settings(&section, &subsections, study);
            for inner in subsections {
                if let Some(table) = section.table(inner) {
                    let path = section.dotted(inner);
                    let section = Section {
                        doc: top.doc,
                        table,
                        path: &path,
                    };
                    read_settings(&section, &[], study);
                }
            }
            if name == TECHNIQUE {
                study.reference = section.texts("reference");
            }
        }
    }
}

/// Unknown keys at the top: a setting outside its section is a common slip, so settings are searched too.
fn warn_unknown(top: &Section<'_, '_>, known: &[&str]) {
    for key in top.table.keys() {
        let word = key.get_ref().as_ref();
        if known.contains(&word) {
            continue;
        }
        let setting = SETTINGS
            .iter()
            .chain(OPTIONAL)
            .map(|s| s.key)
            .find(|k| k.rsplit('.').next() == Some(word));
        let of_ceiling = setting.is_some_and(|s| s.starts_with(CEILINGS));
        if of_ceiling || resembles_ceiling(word) {
            top.unknown_ceiling(key.span(), word);
            continue;
        }
        let advice = match (setting, nearest(word, known.iter().copied())) {
            (Some(setting), _) => {
                let section = setting.split('.').next().unwrap_or_default();
                format!("put it under [{section}]; the line has no effect")
            }
            (None, Some(near)) => format!("write {near} if that is meant; the line has no effect"),
            (None, None) => "take it out or correct it; the line has no effect".to_owned(),
        };
        top.doc.warning(
            key.span(),
            word,
            &format!("unknown key {word}"),
            "a key of study.toml",
            &advice,
        );
    }
}

/// Reads the settings of one section; `besides` are keys of it that are read elsewhere.
fn read_settings(section: &Section<'_, '_>, besides: &[&str], study: &mut StudyFile) {
    let prefix = format!("{}.", section.path);
    let known: Vec<&str> = every_setting()
        .filter_map(|s| s.key.strip_prefix(prefix.as_str()))
        .filter(|key| !key.contains('.'))
        .collect();
    let mut expected = known.clone();
    expected.extend(besides);
    if section.path == TECHNIQUE {
        expected.push("reference");
    }
    if section.path == CEILINGS {
        // Whatever it is called, a line in here is meant for a ceiling.
        for key in section.table.keys().filter(|k| !expected.contains(&k.get_ref().as_ref())) {
            section.unknown_ceiling(key.span(), key.get_ref());
        }
    } else {
        section.warn_unknown(&expected);
    }
    for key in known {
        let Some(value) = section.get(key) else { continue };
        match read_setting(section, key, value, &study.settings) {
            Ok(settings) => study.settings = settings,
            Err((found, expected)) => section.doc.error(
                value.span(),
                &section.dotted(key),
                &found,
                &expected,
                match section.path {
                    CEILINGS => "write the most force allowed in N, such as neck = 60; without the line the shipped one holds",
                    _ => "correct the value or take the line out",
                },
            ),
        }
    }
    if section.path == CEILINGS {
        doubt_ceilings(section, &study.settings);
    }
}

/// Warns of ceilings that can be read and hardly be meant.
fn doubt_ceilings(section: &Section<'_, '_>, settings: &Settings) {
    for doubt in settings.ceiling_doubts() {
        let region = doubt.ceiling().region.to_string();
        let span = section.get(&region).map_or(0..0, Spanned::span);
        let (found, expected) = doubt.found();
        section.doc.warning(span, &section.dotted(&region), &found, &expected, &doubt.advice());
    }
}

/// The settings with one key set, or what was found and what was expected.
fn read_setting(
    section: &Section<'_, '_>,
    key: &str,
    value: &Spanned<DeValue<'_>>,
    before: &Settings,
) -> Result<Settings, (String, String)> {
    let fault = |expected: &str| (describe(value.get_ref()), expected.to_owned());
    let unreadable = |e: &dyn std::fmt::Display| (e.to_string(), "a setting".to_owned());
    // A region's band is of the kind of the one for all regions.
    let outer = section.path.split('.').next().unwrap_or_default();
    let default = Settings::default()
        .value_of(&format!("{outer}.{key}"))
        .unwrap_or_default();
    let dotted = section.dotted(key);
    let new = if dotted == PRIMARY {
        let text = value.get_ref().as_str().ok_or_else(|| fault("a measure in quotes, such as \"end_feel_n_per_mm\""))?;
        Value::String(text.to_owned())
    } else if OPTIONAL.iter().any(|s| s.key == dotted) {
        Value::Float(as_number(value.get_ref()).ok_or_else(|| fault("a number without quotes"))?)
    } else if default.starts_with('[') {
        two_numbers(value.get_ref()).ok_or_else(|| fault("two numbers, [low, high]"))?
    } else if default.contains(['.', 'e']) {
        let number = as_number(value.get_ref()).ok_or_else(|| fault("a number without quotes"))?;
        Value::Float(number)
    } else {
        let number = as_whole(value.get_ref()).filter(|n| (0..=i64::from(u32::MAX)).contains(n));
        Value::Integer(number.ok_or_else(|| fault("a whole number without quotes"))?)
    };
    let mut table = Table::try_from(before).map_err(|e| unreadable(&e))?;
    let mut inner = &mut table;
    for part in section.path.split('.') {
        let empty = || Value::Table(Table::new());
        match inner.entry(part).or_insert_with(empty) {
            Value::Table(next) => inner = next,
            _ => return Err(unreadable(&"no section")),
        }
    }
    inner.insert(key.to_owned(), new);
    let mut settings: Settings = table.try_into().map_err(|e| unreadable(&e))?;
    settings.set_in.clone_from(&before.set_in);
    settings.set_in.push((section.dotted(key), FILE_NAME.to_owned()));
    match settings.check() {
        Ok(()) => Ok(settings),
        Err(Error::Setting { found, expected, .. }) => Err((found, expected)),
        Err(other) => Err(unreadable(&other)),
    }
}

fn two_numbers(value: &DeValue<'_>) -> Option<Value> {
    let DeValue::Array(items) = value else { return None };
    let numbers: Vec<f64> = items.iter().filter_map(|i| as_number(i.get_ref())).collect();
    (numbers.len() == 2 && items.len() == 2)
        .then(|| Value::Array(numbers.into_iter().map(Value::Float).collect()))
}
