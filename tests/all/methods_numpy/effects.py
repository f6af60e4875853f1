"""Change and groups from the values in tests.csv by METHODS.md §13 and §14 alone, beside the program's estimates.csv.

    effects.py FOLDER

FOLDER holds tests.csv, roster.csv, settings.json (margins as in study.toml, the primary measure, confidence, rate),
change.csv and groups.csv (the program's estimates). Needs numpy. Covers tests of one posture and contact, sessions named
by numbers and volunteers who could have gone through all of them. Prints one JSON object: for each column how many cells
were compared, the largest difference relative to the value or to the row's standard error, and where it is.
"""

import csv
import json
import math
import os
import sys

import numpy as np

from comparison import benjamini_hochberg
from distributions import t_quantile, t_tail

LOG = (
    "preload_n peak_n spring_peak_n excursion_mm take_up_n_per_mm end_feel_n_per_mm fitted_end_feel_n_per_mm "
    "window_n_per_mm secant_n_per_mm displacement_at_30_n_mm time_to_peak_s spring_rate_hz force_amplitude_n "
    "peak_pressure_kpa loaded_area_mm2 centre_path_mm"
).split()
DECIDED = ["end_feel_n_per_mm", "fitted_end_feel_n_per_mm", "window_n_per_mm"]
WHO = "term measure subject examiner level side group reference_group session_from session_to".split()


class Fit:
    """§13: the restricted likelihood of y = Xb + Zb + e, by Fisher scoring on the variances themselves."""

    def __init__(self, y, columns, terms):
        self.X = np.array(columns, dtype=float).T
        n = len(y)
        full = {name: np.equal.outer(labels, labels).astype(float) for name, labels in terms.items()}
        self.told = told_apart(self.X, full)
        self.full, self.names = full, [name for name in full if self.told[name]]
        self.G = [full[name] for name in self.names] + [np.eye(n)]
        self.y, self.phi = y, None
        self.search()

    def at(self, phi):
        V = sum(f * G for f, G in zip(phi, self.G))
        sign, log = np.linalg.slogdet(V)
        W = np.linalg.inv(V)
        A = self.X.T @ W @ self.X
        C = np.linalg.inv(A)
        P = W - W @ self.X @ C @ self.X.T @ W
        Py = P @ self.y
        return log + np.linalg.slogdet(A)[1] + self.y @ Py, W, C, P, Py

    def search(self):
        k = len(self.G)
        rest = self.y - self.X @ np.linalg.lstsq(self.X, self.y, rcond=None)[0]
        whole = rest @ rest / (len(rest) - self.X.shape[1])
        phi, here = np.full(k, whole / k), None
        for _ in range(400):
            here = here or self.at(phi)
            _, _, _, P, Py = here
            PG = [P @ G for G in self.G]
            info = np.array([[np.sum(a * b.T) for b in PG] for a in PG])
            slope = np.array([Py @ G @ Py - np.trace(a) for a, G in zip(PG, self.G)])
            # A variance at 0 that wants below 0 stays there.
            free = [i for i in range(k) if phi[i] > 0 or slope[i] > 0]
            step = np.zeros(k)
            step[free] = np.linalg.solve(info[np.ix_(free, free)], slope[free])
            share, moved = 1.0, None
            while share > 1e-8:
                trial = np.maximum(phi + share * step, 0.0)
                trial[-1] = max(trial[-1], 1e-3 * phi[-1])
                there = self.at(trial)
                if there[0] <= here[0] + 1e-13 * abs(here[0]):
                    moved = there
                    break
                share /= 2
            if moved is None:
                break
            done = np.max(np.abs(trial - phi)) < 1e-11 * whole
            phi, here = trial, moved
            if done:
                break
        for i in range(k - 1):
            # Standard deviations below a thousandth of the residual's are 0 (§13.1).
            if 0 < phi[i] < 1e-6 * phi[-1]:
                phi[i] = 0.0
        self.phi = phi
        _, self.W, self.C, self.P, self.Py = self.at(phi)
        PG = [self.P @ G for G in self.G]
        self.info = np.array([[np.sum(a * b.T) for b in PG] for a in PG])
        self.beta = self.C @ self.X.T @ self.W @ self.y

    def tells(self, name):
        return self.told.get(name) is not None

    def error(self, c):
        """§14.2: of a weighted sum of tests."""
        for name, G in self.full.items():
            if self.told[name] is None and c @ G @ c > 1e-12:
                return None
        w = np.array([c @ G @ c for G in self.G])
        w[np.abs(w) < 1e-12] = 0.0
        v = w @ self.phi
        return math.sqrt(v), v * v / (w @ np.linalg.solve(self.info, w))

    def kenward_roger(self, column):
        """§13.3."""
        k, X, W, C = len(self.G), self.X, self.W, self.C
        inverse = np.linalg.inv(self.info)
        WX = [W @ G @ W @ X for G in self.G]
        once = [X.T @ a for a in WX]
        inner = np.zeros_like(C)
        for i in range(k):
            for j in range(k):
                Q = X.T @ W @ self.G[i] @ WX[j]
                inner += 2 * inverse[i, j] * (Q - once[i] @ C @ once[j])
        wide = C + 2 * C @ inner @ C
        m = np.zeros(len(C))
        m[column] = 1.0
        v = m @ C @ m
        g = np.array([(C @ m) @ a @ (C @ m) for a in once])
        return math.sqrt(max(m @ wide @ m, 0.0)), v * v / (g @ inverse @ g)

    def sum_without(self, names):
        w = np.array([0.0 if n in names else 1.0 for n in self.names] + [1.0])
        v = w @ self.phi
        return v, v * v / (w @ np.linalg.solve(self.info, w))

    def rests_on(self, column, labels):
        """§14.4: whether the effect moves with what a few people's tests are shifted by."""
        back = self.C @ self.X.T @ self.W
        moved = [abs(back[column] @ (labels == label)) for label in set(labels)]
        return sum(moved) > 0.5 and sum(moved) ** 2 < 6 * sum(m * m for m in moved)


def told_apart(X, full):
    """§13.2: for each term True, False (another or the residual carries it) or None (the fixed effects explain it)."""
    n = len(X)
    M = np.eye(n) - X @ np.linalg.pinv(X)
    made = {name: M @ G @ M for name, G in full.items()}
    dot = lambda a, b: float(np.sum(a * b))
    kept, told = [M], {}
    for name, G in made.items():
        if dot(G, G) <= 1e-9 * dot(full[name], full[name]):
            told[name] = None
            continue
        unit = [k / math.sqrt(dot(k, k)) for k in kept]
        own = G / math.sqrt(dot(G, G))
        gram = np.array([[dot(a, b) for b in unit] for a in unit])
        with_own = np.array([dot(a, own) for a in unit])
        told[name] = bool(1 - with_own @ np.linalg.solve(gram, with_own) > 1e-9)
        if told[name]:
            kept.append(G)
    return told


class Study:
    """§14.1."""

    def __init__(self, folder):
        table = lambda name: list(csv.DictReader(open(os.path.join(folder, name), newline="", encoding="utf-8")))
        self.tests, self.settings = table("tests.csv"), json.load(open(os.path.join(folder, "settings.json")))
        roster = table("roster.csv")
        self.subject_group = {p["code"]: p["group"] for p in roster if p["role"] == "subject" and p["group"]}
        self.examiner_group = {p["code"]: p["group"] for p in roster if p["role"] == "examiner" and p["group"]}
        self.groups = list(dict.fromkeys(p["group"] for p in roster if p["group"]))
        self.order = sorted({t["session"] for t in self.tests}, key=int)

    def rows(self, measure):
        own = [t for t in self.tests if t[measure] and (measure not in LOG or float(t[measure]) > 0)]
        return Rows(self, own, np.array([math.log(float(t[measure])) if measure in LOG else float(t[measure]) for t in own]))


class Rows:
    def __init__(self, study, tests, y):
        self.study, self.tests, self.y = study, tests, y
        column = lambda of: np.array([of(t) for t in tests])
        self.subject, self.examiner, self.session = (column(lambda t, c=c: t[c]) for c in ("subject", "examiner", "session"))
        self.spot = column(lambda t: f"{t['level']} {t['side']}")
        self.place = column(lambda t: f"{t['subject']}|{t['level']} {t['side']}")
        self.group = column(lambda t: study.subject_group.get(t["subject"], ""))
        self.learner_group = column(lambda t: study.examiner_group.get(t["examiner"], ""))
        join = lambda *parts: np.array(["|".join(p) for p in zip(*parts)])
        self.visit = join(self.subject, self.session)
        self.place_at_visit = join(self.place, self.session)
        self.sitting = join(self.subject, self.session, self.examiner)
        self.day = join(self.examiner, self.session)

    def keep(self, which):
        return Rows(self.study, [t for t, k in zip(self.tests, which) if k], self.y[which])

    def terms(self, names):
        return {name: getattr(self, name) for name in names.split()}


def cells(*labels):
    joined = ["|".join(p) for p in zip(*labels)]
    return [[float(j == cell) for j in joined] for cell in sorted(set(joined))]


def later(study, session):
    return [s for s in study.order if study.order.index(s) > study.order.index(session)]


# §14.2


def between(rows, mine, first, then, examiners=None):
    """Weights of a place's change, the mean over the examiners who tested it both times; nothing where none did."""
    c, both = np.zeros(len(rows.y)), []
    for e in sorted(set(rows.examiner)):
        a, b = (mine & (rows.session == s) & (rows.examiner == e) for s in (first, then))
        if a.any() and b.any() and (examiners is None or e in examiners):
            both.append((a, b))
    for a, b in both:
        c += (b / b.sum() - a / a.sum()) / len(both)
    return c if both else None


def whole(rows, subject, first, then):
    """Weights of each place of a volunteer, by place, and their mean."""
    places = {}
    for place in sorted(set(rows.place[rows.subject == subject])):
        c = between(rows, rows.place == place, first, then)
        if c is not None:
            places[place] = c
    return places, sum(places.values()) / len(places) if places else None


def volunteer_model(rows, apart):
    own = np.array([s if s in apart else "" for s in rows.subject])
    columns = cells(own, rows.group, rows.examiner, rows.session)
    names = "spot subject place visit place_at_visit sitting"
    if len(columns) <= 60:
        fit = Fit(rows.y, columns, rows.terms(names))
        if fit.tells("visit"):
            return fit
    if len(set(rows.examiner)) > 1:
        names = "spot subject place examiner visit place_at_visit sitting day"
    fit = Fit(rows.y, cells(own, rows.group, rows.session), rows.terms(names))
    return fit if fit.tells("visit") else Fit(rows.y, cells(own, rows.session), rows.terms(names))


def firsts(rows):
    of = {}
    for subject in sorted(set(rows.subject)):
        mine = [s for s in rows.study.order if (rows.session[rows.subject == subject] == s).any()]
        of[subject] = [(mine[0], s) for s in mine[1:]]
    return of


def standing_out(rows, fit, apart):
    found = {}
    for subject, changes in firsts(rows).items():
        for first, then in changes if subject not in apart else []:
            _, c = whole(rows, subject, first, then)
            error = fit.error(c) if c is not None else None
            if error:
                found.setdefault((first, then), []).append((subject, c @ rows.y, *error))
    number, out = sum(len(f) for f in found.values()), set()
    for all_of in found.values():
        middle = sum(f[1] for f in all_of) / len(all_of)
        for subject, d, se, df in all_of:
            t = (d - middle) / se
            if df <= 2:
                continue
            if t * t >= df:
                out.add(subject)
            elif 2 * t_tail(abs(t) * math.sqrt((df - 1) / (df - t * t)), df - 1) < 0.05 / number:
                out.add(subject)
    return out


def volunteers(rows, made):
    apart, fit = set(), volunteer_model(rows, set())
    for _ in range(3):
        more = standing_out(rows, fit, apart)
        if not more or 3 * len(apart | more) > len(set(rows.subject)):
            break
        apart |= more
        following = volunteer_model(rows, apart)
        if not following.tells("visit"):
            break
        fit = following
    for subject, changes in firsts(rows).items():
        for first, then in changes:
            places, c = whole(rows, subject, first, then)
            if c is None:
                continue
            key = dict(subject=subject, session_from=first, session_to=then)
            made.append([row("volunteer", c @ rows.y, fit.error(c), **key)])
            of_places = []
            for place, w in places.items():
                level, side = place.split("|")[1].split(" ")
                of_places.append(row("place", w @ rows.y, fit.error(w), level=level, side=side, **key))
            made.append(of_places)
    examiners(rows, fit, made)
    return apart


def examiners(rows, fit, made):
    everybody = sorted(set(rows.examiner))
    first = rows.study.order[0]
    for then in later(rows.study, first) if len(everybody) > 1 else []:
        family = []
        for examiner in everybody:
            each = []
            for place in sorted(set(rows.place)):
                mine = rows.place == place
                own = between(rows, mine, first, then, [examiner])
                others = between(rows, mine, first, then, [e for e in everybody if e != examiner])
                if own is not None and others is not None:
                    each.append(own - others)
            if each:
                c = sum(each) / len(each)
                family.append(row("examiner_drift", c @ rows.y, fit.error(c), examiner=examiner, session_from=first, session_to=then))
        made.append(family)


def shared(rows, made):
    sessions = [s for s in rows.study.order if (rows.session == s).any()]
    columns = [[1.0] * len(rows.y)] + [list(map(float, rows.session == s)) for s in sessions[1:]]
    fit = Fit(rows.y, columns, rows.terms("spot subject place examiner visit place_at_visit sitting"))
    family = []
    for i, then in enumerate(sessions[1:], 1):
        few = fit.rests_on(i, rows.examiner)
        error = fit.kenward_roger(i) if fit.tells("visit") and not few else None
        family.append(row("shared", fit.beta[i], error, session_from=sessions[0], session_to=then))
    made.append(family)


def learners(rows, made):
    columns = cells(rows.learner_group, rows.session)
    fit = Fit(rows.y, columns, rows.terms("spot subject place examiner day sitting"))
    for examiner in sorted(set(rows.examiner)):
        family = []
        mine = rows.examiner == examiner
        sessions = [s for s in rows.study.order if (rows.session[mine] == s).any()]
        for then in sessions[1:]:
            for of in (rows.place, rows.spot, np.array(["all"] * len(rows.y))):
                each = []
                for label in sorted(set(of[mine])):
                    c = between(rows, mine & (of == label), sessions[0], then, [examiner])
                    if c is not None:
                        each.append(c)
                if each:
                    break
            if each:
                c = sum(each) / len(each)
                family.append(row("learner", c @ rows.y, fit.error(c), examiner=examiner, session_from=sessions[0], session_to=then))
        made.append(family)


# §14.5


def groups(rows, confidence):
    rows = rows.keep(rows.group != "")
    names = [g for g in rows.study.groups if (rows.group == g).any()]
    has = lambda g, s: ((rows.group == g) & (rows.session == s)).any()
    sessions = [s for s in rows.study.order if all(has(g, s) for g in names)]
    rows = rows.keep(np.isin(rows.session, sessions))
    x_g = {g: (rows.group == g) - 1 / len(names) for g in names[1:]}
    x_t = {s: (rows.session == s) - 1 / len(sessions) for s in sessions[1:]}
    effects = [("group", g, None, x_g[g]) for g in x_g]
    effects += [("session", None, s, x_t[s]) for s in x_t]
    effects += [("group_by_session", g, s, x_g[g] * x_t[s]) for g in x_g for s in x_t]
    terms = rows.terms("spot subject place examiner visit place_at_visit sitting day")
    fit = Fit(rows.y, [np.ones(len(rows.y))] + [e[3] for e in effects], terms)
    spread, spread_df = fit.sum_without(["spot"])
    made = []
    for i, (term, group, then, _) in enumerate(effects, 1):
        few = fit.rests_on(i, rows.examiner) or (term == "group_by_session" and fit.rests_on(i, rows.day))
        told = fit.tells("subject") and not few and (then is None or fit.tells("visit"))
        error = fit.kenward_roger(i) if told else None
        key = dict(group=group or "", reference_group=names[0] if group else "")
        key.update(session_from=sessions[0] if then else "", session_to=then or "")
        made.append(row(term, fit.beta[i], error, **key))
        if error:
            g = fit.beta[i] / math.sqrt(spread)
            half = t_quantile(0.5 + confidence / 2, error[1]) * math.sqrt(error[0] ** 2 / spread + g * g / (2 * spread_df))
            made[-1].update(standardised=g, standardised_low=g - half, standardised_high=g + half)
    return made


# §14.3


def row(term, estimate, error, **key):
    se, df = error or (None, None)
    return dict(term=term, estimate=float(estimate), se=se, df=df, **key)


def decide(family, measure, settings, alone=False):
    confidence, rate = settings["confidence"], settings["rate"]
    given = settings["margins"].get(measure)
    for r in family:
        r["measure"] = measure
        margin = given if given is None or measure not in LOG else math.log1p(given / 100)
        shown = (lambda v: 100 * math.expm1(v)) if measure in LOG else float
        r.update(margin=None if margin is None else shown(margin), change=shown(r["estimate"]), word="")
        r["family"] = 1 if alone else 0
        if r["se"] is None:
            continue
        d, se, df = r["estimate"], r["se"], r["df"]
        half = t_quantile(0.5 + confidence / 2, df) * se
        r.update(low=d - half, high=d + half, change_low=shown(d - half), change_high=shown(d + half), detectable_change=shown(half))
        r["p"] = min(1.0, sum(t_tail((abs(d) + sign * (margin or 0.0)) / se, df) for sign in (-1, 1)))
        if margin is not None:
            r["p_within"] = max(t_tail((d + margin) / se, df), t_tail((margin - d) / se, df))
            room = margin / se - t_quantile(confidence, df)
            r["power_unchanged"] = 0.0 if room <= 0 or half > margin else max(0.0, 1 - 2 * t_tail(room, df))
            r["inside"] = r["p_within"] <= 1 - confidence and half <= margin
    tested = [r for r in family if r.get("p") is not None]
    adjusted = [r["p"] for r in tested] if alone else benjamini_hochberg([r["p"] for r in tested])
    for r, p in zip(tested, adjusted):
        r.update(p_adjusted=p, family=1 if alone else len(tested), adjustment="primary" if alone else "benjamini_hochberg")
        if r["margin"] is not None:
            beyond, within = ("different", "alike") if r["term"] in ("group", "group_by_session") else ("changed", "unchanged")
            r["word"] = beyond if p <= rate else within if r["inside"] else "undecided"


def rebuilt(study):
    change, by_term, apart = [], {}, {}
    settings = study.settings
    for measure in settings["measures"]:
        rows, made = study.rows(measure), []
        apart[measure] = sorted(volunteers(rows, made))
        shared(rows, made)
        learners(rows, made)
        for family in made:
            decide(family, measure, settings)
            change += family
        for r in groups(rows, settings["confidence"]):
            r["measure"] = measure
            by_term.setdefault((r["term"], r["group"], r["session_to"]), []).append(r)
    of_groups = []
    for family in by_term.values():
        of_measures = {r["measure"]: r for r in family}
        for measure in of_measures:
            decide([of_measures[measure]], measure, settings, alone=measure == settings["primary"])
        others = [r for r in family if r["measure"] != settings["primary"] and r.get("p") is not None]
        for r, p in zip(others, benjamini_hochberg([r["p"] for r in others])):
            r.update(p_adjusted=p, family=len(others), adjustment="benjamini_hochberg")
            if r["margin"] is not None:
                beyond, within = ("changed", "unchanged") if r["term"] == "session" else ("different", "alike")
                r["word"] = beyond if p <= settings["rate"] else within if r["inside"] else "undecided"
        of_groups += family
    return {"change": change, "groups": of_groups}, apart


NUMBERS = (
    "estimate se df low high change change_low change_high standardised standardised_low standardised_high margin "
    "detectable_change power_unchanged p p_adjusted p_within family"
).split()


def main():
    study = Study(sys.argv[1])
    found, apart = rebuilt(study)
    columns = {}

    def seen(column, where, off):
        entry = columns.setdefault(column, {"cells": 0, "worst": 0.0, "where": ""})
        entry["cells"] += 1
        if not off <= entry["worst"]:
            entry["worst"], entry["where"] = off if math.isfinite(off) else 1e9, where

    for name, rows in found.items():
        table = list(csv.DictReader(open(os.path.join(sys.argv[1], name + ".csv"), newline="", encoding="utf-8")))
        table = [t for t in table if t["measure"] in study.settings["measures"]]
        mine = {tuple(r.get(c) or "" for c in WHO): r for r in rows}
        seen(name + ".rows", str(len(rows)), 0.0 if len(table) == len(mine) == len(rows) else 1e9)
        for t in table:
            key = tuple(t[c] for c in WHO)
            r = mine.get(key, {})
            for column in NUMBERS:
                value, theirs = r.get(column), t[column]
                if value is None or theirs == "":
                    off = 0.0 if value is None and theirs == "" else 1e9
                else:
                    floor = 0.01 if column.startswith(("p", "stand")) else 1e-3 * (r["se"] or 1.0)
                    off = abs(float(theirs) - value) / max(abs(value), floor)
                seen(f"{name}.{column}", f"{key}: {theirs} in the table, {value} rebuilt", off)
            seen(f"{name}.word", f"{key}: {t['word']}, rebuilt {r.get('word')}", 0.0 if t["word"] == r.get("word") else 1e9)
    print(json.dumps({"columns": columns, "apart": apart}))


main()
