//! The same designs by lme4 and pbkrtest, live. Skipped with a word where they are not installed; a failure under
//! TAUTPOINT_FULL_TESTS=1.

use super::{design, of, with_margin};
use crate::mixed::libraries::answer;
use std::fmt::Write as _;
use tautpoint::effects::{Effect, EffectTerm, between_groups_in, changes_in};
use tautpoint::planning::{MEASURE, PlannedEffect, Spreads, simulated_tests};
use tautpoint::trace::Test;

/// Spreads so large that no variance comes out at its bound, where optimisers stop at different places.
const LARGE: Spreads = Spreads {
    subject: 0.3,
    place: 0.2,
    examiner: 0.0,
    session: 0.15,
    place_at_session: 0.1,
    trial: 0.05,
};

const SCRIPT: &str = r#"
suppressMessages({library(lme4); library(pbkrtest)})
d <- read.csv(file("stdin"), stringsAsFactors = TRUE)
d$session <- factor(d$session)
control <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9))
random <- "(1|spot) + (1|subject) + (1|subject:spot) + (1|subject:session) + (1|subject:spot:session)"
tell <- function(name, m, terms) for (i in terms) {
  one <- as.numeric(seq_along(fixef(m)) == i)
  cat(name, format(c(fixef(m)[i], sqrt(as.matrix(vcovAdj(m))[i, i]), Lb_ddf(one, vcov(m), vcovAdj(m))), digits = 17), "\n")
}
d$g <- (d$group == "B") - .5
d$s2 <- (d$session == 2) - 1/3; d$s3 <- (d$session == 3) - 1/3
tell("groups", lmer(as.formula(paste("y ~ g + s2 + s3 + g:s2 + g:s3 +", random)), d, control = control), 2:6)
tell("shared", lmer(as.formula(paste("y ~ session +", random)), d, control = control), 2:3)
# A volunteer's change at a place: error from the matrices themselves.
m <- lmer(as.formula(paste("y ~ 0 + group:session +", random)), d, control = control)
Z <- lapply(getME(m, "Ztlist"), t)
G <- lapply(Z, function(z) as.matrix(z %*% t(z)))
s2 <- sigma(m)^2
G <- c(G, list(diag(nrow(d))))
phi <- c(getME(m, "theta")^2 * s2, s2)
V <- Reduce(`+`, Map(`*`, G, phi))
X <- getME(m, "X"); W <- solve(V)
P <- W - W %*% X %*% solve(t(X) %*% W %*% X) %*% t(X) %*% W
PG <- lapply(G, function(g) P %*% g)
I <- outer(seq_along(G), seq_along(G), Vectorize(function(i, j) sum(PG[[i]] * t(PG[[j]]))))
for (spot in levels(d$spot)) {
  at <- function(k) d$subject == "V-002" & d$spot == spot & d$session == k
  w <- at(3) / sum(at(3)) - at(1) / sum(at(1))
  l <- sapply(G, function(g) as.numeric(t(w) %*% g %*% w))
  v <- sum(l * phi)
  cat("place", format(c(sum(w * d$y), sqrt(v), v^2 / as.numeric(t(l) %*% solve(I, l))), digits = 17), "\n")
}
"#;

fn table(tests: &[Test]) -> String {
    let mut text = "y,spot,subject,session,group\n".to_owned();
    for test in tests {
        let a = &test.about;
        let subject = a.subject.clone().unwrap();
        let group = if subject[2..].parse::<u32>().unwrap() % 2 == 0 {
            "B"
        } else {
            "A"
        };
        let (spot, session) = (
            format!("{} {}", a.level.unwrap(), a.side.unwrap()),
            a.session.clone().unwrap(),
        );
        writeln!(
            text,
            "{},{spot},{subject},{session},{group}",
            test.value(MEASURE).unwrap().ln()
        )
        .unwrap();
    }
    text
}

#[test]
fn fixed_effects_and_changes_equal_those_of_lme4_and_pbkrtest() {
    let (mut tests, roster) = simulated_tests(&design(12, 1, 3), &LARGE, PlannedEffect::None, 21);
    // Some tests are missing, so that nothing is balanced.
    let mut at = 0;
    tests.retain(|_| {
        at += 1;
        at % 7 != 0
    });
    let Some(told) = answer(
        "R with lme4 and pbkrtest",
        "Rscript",
        &["-e", SCRIPT],
        &table(&tests),
    ) else {
        return;
    };
    let settings = with_margin(10.0);
    let groups = between_groups_in(&tests, &roster, &settings, &[MEASURE]);
    let change = changes_in(&tests, &roster, &settings, &[MEASURE]);
    let mut places: Vec<&Effect> = of(&change, EffectTerm::Place)
        .filter(|r| r.subject.as_deref() == Some("V-002") && r.to.as_deref() == Some("3"))
        .collect();
    places.sort_by_key(|r| format!("{} {}", r.level.unwrap(), r.side.unwrap()));
    let ours = |name: &str| -> Vec<&Effect> {
        match name {
            "groups" => groups.rows.iter().collect(),
            "shared" => of(&change, EffectTerm::Shared).collect(),
            _ => places.clone(),
        }
    };
    for name in ["groups", "shared", "place"] {
        let found = ours(name);
        let lines: Vec<&str> = told.lines().filter(|l| l.starts_with(name)).collect();
        assert_eq!(found.len(), lines.len(), "{name}: {told}");
        for (row, line) in found.iter().zip(lines) {
            let theirs: Vec<f64> = line
                .split_whitespace()
                .skip(1)
                .map(|w| w.parse().unwrap())
                .collect();
            let (se, df) = row.error.unwrap();
            let close = |what: &str, mine: f64, theirs: f64, off: f64| {
                assert!(
                    (mine - theirs).abs() <= off,
                    "{name} {what}: {mine}, R {theirs}\n{row:?}"
                );
            };
            close(
                "estimate",
                row.estimate,
                theirs[0],
                1e-4 * theirs[0].abs().max(theirs[1]),
            );
            close("standard error", se, theirs[1], 1e-4 * theirs[1]);
            close("df", df, theirs[2], 0.01 * theirs[2]);
        }
    }
}
