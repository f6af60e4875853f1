//! One row an estimate, with its codebook.

use crate::columns::{Column, Kind};
use crate::compare::ComparisonScale;
use crate::effects::{Effect, Effects, FittedPart};
use crate::stats::agreement::clustered::PartState;
use crate::report::tables::{Cell, Field, Table, codebook_with, field};

/// The estimates, what the models consist of, then the codebook.
pub fn tables(effects: &Effects) -> Vec<Table> {
    let (estimates, parts) = (estimates(effects), parts(effects));
    let book = codebook_with(&[&estimates, &parts]);
    vec![estimates, parts, book]
}

/// The table of what the models consist of.
pub(super) fn parts(effects: &Effects) -> Table {
    Table::fill("parts", part_fields(), &effects.parts)
}

fn part_fields() -> Vec<Field<FittedPart>> {
    let text = |name, meaning| column(name, Kind::Text, "", "14.1", meaning);
    vec![
        field(
            text("model", "volunteers, shared, learners, groups_of_volunteers or groups_of_learners"),
            |p: &FittedPart| Cell::term(Some(p.of)),
        ),
        field(text("measure", "column of the tests"), |p: &FittedPart| Cell::text(p.measure.info().name)),
        field(
            text("term", "spot, subject, place, examiner, visit, place_at_visit, sitting, day, examiner_at_visit or residual"),
            |p: &FittedPart| Cell::term(Some(p.part)),
        ),
        field(text("state", "estimated, at_bound (0), or not_told: left out of the model"), |p: &FittedPart| {
            Cell::text(p.state.word())
        }),
        field(text("reason", "why the design cannot tell it"), |p: &FittedPart| {
            Cell::maybe(reason(p.state).as_deref())
        }),
        field(
            column("variance", Kind::Num, "on the scale of the measure, squared", "14.1", "variance of the term; missing where it is left out"),
            |p: &FittedPart| Cell::num(p.variance),
        ),
    ]
}

/// Why a term is left out.
pub(super) fn reason(state: PartState) -> Option<String> {
    match state {
        PartState::NotTold(why) => Some(why.to_string()),
        PartState::Estimated | PartState::AtBound => None,
    }
}

/// The table of estimates.
pub(super) fn estimates(effects: &Effects) -> Table {
    Table::fill("estimates", fields(), &effects.rows)
}

fn column(name: &'static str, kind: Kind, unit: &'static str, section: &'static str, meaning: &'static str) -> Column {
    Column {
        name: name.into(),
        kind,
        unit,
        meaning: meaning.into(),
        section,
    }
}

const ON_SCALE: &str = "on the scale of the measure";
const AS_READ: &str = "as in unit";

fn fields() -> Vec<Field<Effect>> {
    let mut all = who();
    all.extend(numbers());
    all.extend(words());
    all
}

fn who() -> Vec<Field<Effect>> {
    let text = |name, section, meaning| column(name, Kind::Text, "", section, meaning);
    let int = |name, section, meaning| column(name, Kind::Int, "", section, meaning);
    vec![
        field(
            text("term", "14.1", "place, volunteer, shared, examiner_drift, learner, group, session or group_by_session"),
            |e: &Effect| Cell::term(Some(e.term)),
        ),
        field(text("measure", "14.1", "column of the tests"), |e: &Effect| Cell::text(e.measure.info().name)),
        field(text("subject", "14.2", "code of the volunteer"), |e: &Effect| Cell::maybe(e.subject.as_deref())),
        field(text("examiner", "14.2", "code of the examiner or learner"), |e: &Effect| {
            Cell::maybe(e.examiner.as_deref())
        }),
        field(text("level", "14.2", "level of the spine"), |e: &Effect| Cell::term(e.level)),
        field(text("side", "14.2", "left, right or midline"), |e: &Effect| Cell::term(e.side)),
        field(text("manner", "14.2", "posture, contact and line of drive"), |e: &Effect| {
            Cell::maybe(e.manner.as_deref())
        }),
        field(text("group", "14.5", "group that is compared, from roster.csv"), |e: &Effect| {
            Cell::maybe(e.group.as_deref())
        }),
        field(text("reference_group", "14.5", "group that it is compared with"), |e: &Effect| {
            Cell::maybe(e.reference_group.as_deref())
        }),
        field(text("session_from", "14.1", "the earlier session"), |e: &Effect| Cell::maybe(e.from.as_deref())),
        field(text("session_to", "14.1", "the later session"), |e: &Effect| Cell::maybe(e.to.as_deref())),
        field(
            int("tests_from", "14.2", "tests in the earlier session, or of the reference group"),
            |e: &Effect| Cell::int(e.tests[0]),
        ),
        field(int("tests_to", "14.2", "tests in the later session, or of the group"), |e: &Effect| {
            Cell::int(e.tests[1])
        }),
        field(int("places", "14.2", "places whose changes were averaged"), |e: &Effect| counted(e.places)),
        field(
            int("examiners", "14.4", "examiners whose changes were averaged; with one, that one's drift is in the estimate"),
            |e: &Effect| counted(e.examiners),
        ),
    ]
}

fn numbers() -> Vec<Field<Effect>> {
    let num = |name, unit, section, meaning| column(name, Kind::Num, unit, section, meaning);
    let shown = |of: fn(&Effect) -> Option<f64>| move |e: &Effect| Cell::num(of(e).map(|v| e.scale().shown(v)));
    vec![
        field(
            column("scale", Kind::Text, "", "14.1", "log where the measure is compared as a ratio, else plain"),
            |e: &Effect| Cell::text(if e.scale() == ComparisonScale::Log { "log" } else { "plain" }),
        ),
        field(num("estimate", ON_SCALE, "14.2", "later less earlier, or group less reference group"), |e: &Effect| {
            Cell::num(e.estimate)
        }),
        field(num("se", ON_SCALE, "14.2", "standard error of estimate"), |e: &Effect| Cell::num(e.error.map(|e| e.0))),
        field(num("df", "", "14.2", "degrees of freedom of se"), |e: &Effect| Cell::num(e.error.map(|e| e.1))),
        field(num("low", ON_SCALE, "14.3", "lower end of the interval of estimate"), |e: &Effect| {
            Cell::num(e.interval.map(|i| i[0]))
        }),
        field(num("high", ON_SCALE, "14.3", "upper end of the interval of estimate"), |e: &Effect| {
            Cell::num(e.interval.map(|i| i[1]))
        }),
        field(
            column("unit", Kind::Text, "", "14.1", "unit of change, its ends, margin and detectable_change"),
            |e: &Effect| Cell::text(unit(e)),
        ),
        field(
            num("change", AS_READ, "14.1", "estimate in percent of the earlier session or the reference group, or in the measure's unit"),
            shown(|e| Some(e.estimate)),
        ),
        field(num("change_low", AS_READ, "14.3", "lower end of the interval of change"), shown(|e| e.interval.map(|i| i[0]))),
        field(num("change_high", AS_READ, "14.3", "upper end of the interval of change"), shown(|e| e.interval.map(|i| i[1]))),
        field(num("standardised", "", "14.5", "estimate over the standard deviation of a single test"), |e: &Effect| {
            Cell::num(e.standardised.map(|s| s[0]))
        }),
        field(num("standardised_low", "", "14.5", "lower end of the interval of standardised"), |e: &Effect| {
            Cell::num(e.standardised.map(|s| s[1]))
        }),
        field(num("standardised_high", "", "14.5", "upper end of the interval of standardised"), |e: &Effect| {
            Cell::num(e.standardised.map(|s| s[2]))
        }),
        field(num("margin", AS_READ, "14.3", "how large the lab said that it must be to matter"), shown(|e| e.margin)),
        field(
            num("detectable_change", AS_READ, "14.3", "a smaller one cannot be told from none: half the width of the interval"),
            shown(|e| e.detectable),
        ),
        field(
            num("power_unchanged", "", "14.3", "probability of the word unchanged, or alike, when there is no change"),
            |e: &Effect| Cell::num(e.power_unchanged),
        ),
        field(
            num("p", "", "14.3", "p of the minimum-effect test; without a margin, of the two-sided test of no change"),
            |e: &Effect| Cell::num(e.p),
        ),
        field(num("p_adjusted", "", "14.3", "p adjusted over its family"), |e: &Effect| Cell::num(e.p_adjusted)),
        field(num("p_within", "", "14.3", "p of the two one-sided tests: small when the change lies inside the margin"), |e: &Effect| {
            Cell::num(e.p_within)
        }),
    ]
}

fn words() -> Vec<Field<Effect>> {
    let text = |name, meaning| column(name, Kind::Text, "", "14.3", meaning);
    vec![
        field(column("family", Kind::Int, "", "14.3", "how many p were adjusted together"), |e: &Effect| {
            Cell::int(e.family)
        }),
        field(text("adjustment", "benjamini_hochberg, or primary: the registered measure stands alone"), |e: &Effect| {
            Cell::term(e.adjustment)
        }),
        field(text("word", "changed, unchanged, different, alike or undecided; missing without a margin"), |e: &Effect| {
            Cell::term(e.word)
        }),
        field(text("rule", "minimum_effect, no_margin, spread_not_told (the design gives no error) or people_differ (it rests on a few examiners' differences)"), |e: &Effect| {
            Cell::term(Some(e.rule))
        }),
    ]
}

/// How many were averaged; missing where nothing was.
fn counted(number: usize) -> Cell {
    if number == 0 { Cell::Missing } else { Cell::int(number) }
}

/// Unit of a change as people read it.
pub(super) fn unit(effect: &Effect) -> &'static str {
    match effect.scale() {
        ComparisonScale::Log => "%",
        ComparisonScale::Plain => effect.measure.info().unit,
    }
}
