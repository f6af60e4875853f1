// The page at a table: what to do now, where, and what came of it.

import { Alarm } from "./alarm.js";
import { ask, commands } from "./ask.js";
import { buttons, twice } from "./keys.js";
import { drawPlace } from "./place.js";
import { Estimate } from "./estimate.js";
import { Stream } from "./stream.js";
import { Strip } from "./strip.js";
import { spoken, summary } from "./summary.js";
import { PHASES, get, list, make, newtons, say } from "./words.js";

// A value older than this is no value.
const OLD_MS = 200;
const NUMBER_EVERY_MS = 100;
// Kinds of the prompt in which somebody is at work on a step.
const AT_WORK = ["press", "on", "in", "zero", "call", "estimate", "end", "paused"];

const strip = new Strip(get("strip"));
let frame = null;
let table = null;
let both = [];
let received = 0;
let numberAt = 0;
let lastTest = null;
let choosing = false;
let choices = null;

buttons(
  "button[data-command], button[data-call], button[data-do]",
  press,
  // The next step is asked for twice while this one has no test: two quick presses leave no step out.
  (b) => (b.dataset.command === "next" && table?.place && table.tests === 0 ? "No test yet: press again" : twice(b)),
);
const alarm = new Alarm();
const estimate = new Estimate(send);

function told(words, fault = false) {
  say(get("told"), words);
  get("told").classList.toggle("wrong", fault);
}

new Stream(
  {
    state(on, words) {
      document.body.classList.toggle("lost", !on);
      say(get("connection"), on ? "" : words);
      // Nobody knows any more whether the force is still over.
      if (!on) alarm.set(null);
      if (!on) say(get("line"), "The program does not answer");
      else if (table) showTable();
    },
    welcome: () => strip.clear(),
    table(view) {
      const before = table;
      table = view;
      if (before && (before.examiner !== view.examiner || before.subject !== view.subject)) choosing = false;
      // Somebody may be choosing: what is chosen stays as it is until it is begun.
      if (before?.resting !== view.resting) choices = null;
      showTable();
    },
    both(tests) {
      both = tests;
      showBoth();
    },
    strip: (part) => strip.add(part),
    last(test) {
      if (test && test.number !== lastTest?.number) say(get("spoken"), spoken(test));
      lastTest = test;
      summary(test, frame?.last_hidden);
      showBoth();
    },
    alarm: (told) => alarm.set(told),
    frame(view) {
      frame = view;
      received = performance.now();
      if (view.hidden) strip.clear();
      else if (view.strip) strip.add(view.strip);
      if (!lastTest) summary(null, view.last_hidden ?? (view.hidden ? "Not shown." : null));
      estimate.show(view.state);
      alarm.set(view.alarm);
      list(get("warnings"), view.warnings);
      say(get("message"), view.state.message);
      requestAnimationFrame(show);
    },
  },
  "events",
);

// Age of the newest value: what the program said, what the way took, and what has gone by here.
const age = () => (frame?.age_ms == null ? Infinity : frame.age_ms + frame.late_ms + performance.now() - received);

function show() {
  if (!frame) return;
  const silent = age() > OLD_MS;
  const now = silent ? null : frame.now;
  document.body.classList.toggle("hiding", Boolean(frame.hidden));
  get("hidden").hidden = !frame.hidden || Boolean(frame.state.call_wanted || frame.state.estimates?.wanted);
  say(get("hidden"), frame.hidden);
  get("unit").hidden = !now;
  if (!now) {
    say(get("number"), silent ? "no signal" : frame.hidden ? "" : "–");
    for (const id of ["sides", "phase", "springs"]) say(get(id), "");
  } else {
    if (performance.now() - numberAt > NUMBER_EVERY_MS) {
      numberAt = performance.now();
      say(get("number"), newtons(now.total_n));
      const several = now.sides.length > 1;
      get("sides").hidden = !several;
      if (several) get("sides").replaceChildren(...now.sides.map((s, k) => make("span", null, make("b", frame.sides[k] ?? ""), newtons(s.force_n))));
    }
    say(get("phase"), PHASES[now.phase] ?? "");
    say(get("springs"), `${now.springs} ${now.springs === 1 ? "spring" : "springs"}`);
  }
  strip.draw(frame);
}

function showTable() {
  const t = table;
  document.title = `${t.name} · tautpoint desk`;
  say(get("name"), t.name);
  say(get("who"), t.examiner ? `${t.examiner} presses ${t.subject ?? ""} · ${t.session}` : "nobody chosen");
  say(get("line"), t.prompt.line);
  say(get("detail"), t.prompt.detail);
  const p = t.place;
  const where = p ? [`step ${p.number} of ${p.of}: ${p.level} ${p.side}`, p.trial > 1 && `trial ${p.trial}`, p.landmark, p.contact, p.posture] : [];
  say(get("where"), [...where.filter(Boolean), t.tests > 1 && `${t.tests} tests in this step`, t.ended && t.missing.length && `missing: ${t.missing.join(", ")}`].filter(Boolean).join(" · "));
  const working = AT_WORK.includes(t.prompt.kind) && !t.resting && !choosing;
  get("work").hidden = !working && t.prompt.kind !== "choose";
  get("call").hidden = t.prompt.kind !== "call" || choosing;
  get("choose").hidden = !(choosing || t.resting);
  get("not-now").hidden = t.resting;
  if (drawn !== JSON.stringify(p)) {
    drawn = JSON.stringify(p);
    drawPlace(get("place"), p);
  }
  showButtons();
  if (!get("choose").hidden && !choices) fill();
}
let drawn = "";

// Whether those who press now are a pair, who may swap.
let pair = false;

// Only what makes sense now.
function showButtons() {
  const t = table;
  const begun = !t.resting;
  const shown = {
    next: begun && (Boolean(t.place) || t.missing.length > 0) && !["call", "estimate"].includes(t.prompt.kind),
    undo: begun,
    repeat: begun && Boolean(t.place) && t.prompt.kind !== "call",
    skip: begun && Boolean(t.place),
    show: frame?.state.feedback === "on-request",
    again: begun && t.ended,
    swap: begun && pair && (t.ended || t.tests === 0),
    change: begun,
    rest: begun,
  };
  for (const b of document.querySelectorAll("button[data-command], button[data-do]")) {
    b.hidden = choosing || !shown[b.dataset.command ?? b.dataset.do];
  }
}

function showBoth() {
  const sides = both.filter((t) => t.level === lastTest?.level);
  const several = new Set(sides.flatMap((t) => t.sides.map((s) => s.side))).size > 1;
  get("both").hidden = !several;
  if (!several) return;
  say(get("both-title"), `${lastTest.level}: both sides`);
  const columns = sides.flatMap((t) => t.sides.map((s) => ({ name: `${s.side}${sides.length > t.sides.length ? `, test ${t.number}` : ""}`, rows: s.rows })));
  const head = make("tr", null, make("td", ""));
  for (const c of columns) {
    const cell = make("th", c.name);
    cell.scope = "col";
    head.append(cell);
  }
  const labels = [...new Set(columns.flatMap((c) => c.rows.map((r) => r.label)))].filter((l) => ["peak force", "excursion", "onset force", "end-feel stiffness"].includes(l));
  const rows = labels.map((label) => {
    const of = columns.map((c) => c.rows.find((r) => r.label === label));
    const unit = of.find(Boolean)?.unit;
    const name = make("th", unit ? `${label}, ${unit}` : label);
    name.scope = "row";
    return make("tr", null, name, ...of.map((r) => (r ? make("td", r.value, make("i", r.u95 ? ` ± ${r.u95}` : "")) : make("td", "–"))));
  });
  get("both-rows").replaceChildren(make("thead", null, head), make("tbody", null, ...rows));
}

// Who may be chosen, those first who have not had their turn.
async function fill() {
  choices = { loading: true };
  const { ok, data, message } = await ask("ask/choices");
  if (!ok) {
    choices = null;
    return told(message, true);
  }
  choices = data;
  const words = (code, ...notes) => [code, ...notes.filter(Boolean)].join(", ");
  const option = (code, text, off) => {
    const o = make("option", text);
    o.value = code;
    o.disabled = off;
    return o;
  };
  const learners = [...data.learners].sort((a, b) => Number(a.teacher) - Number(b.teacher) || Number(a.recorded) - Number(b.recorded) || Number(a.at != null) - Number(b.at != null));
  get("examiner").replaceChildren(...learners.map((l) => option(l.code, words(l.code, l.teacher && "teacher", l.group, l.recorded && "has a recording", l.at != null && `at ${l.at}`), l.at != null)));
  get("subject").replaceChildren(...data.volunteers.map((v) => option(v.code, words(v.code, v.at != null && `at ${v.at}`, v.refused), v.at != null)));
  const free = data.volunteers.find((v) => v.at == null && !v.refused);
  if (free) get("subject").value = free.code;
  list(get("cautions"), data.cautions);
  say(get("way"), `Plan ${data.plan ?? "none"}, feedback ${data.feedback}${data.calls ? ", each level is called before its values are shown" : ""}${data.estimates ? ", the peak of each test is guessed first" : ""}, session ${data.session}.`);
  commands([data.command]);
  pairUp();
}

// The partner of a pair is the volunteer that is meant.
function pairUp() {
  const learner = choices?.learners?.find((l) => l.code === get("examiner").value);
  const partner = choices?.volunteers?.find((v) => v.code === learner?.partner && v.at == null);
  if (partner) get("subject").value = partner.code;
  volunteerChosen();
}

function volunteerChosen() {
  const v = choices?.volunteers?.find((x) => x.code === get("subject").value);
  if (!choices?.learners) return say(get("refused"), "");
  const none = !choices?.learners?.length ? "The roster has no learners: the teacher adds them on the page People." : !choices?.volunteers?.length ? "The roster has no volunteers: the teacher adds them on the page People." : "";
  say(get("refused"), none || v?.refused || "");
  get("cautions-part").hidden = !v || v.cautions_met;
  get("cautions-hold").checked = false;
  say(get("cautions-words"), `All of this holds for ${v?.code ?? "the volunteer"} now`);
}

let asking = false;
async function begin(examiner, subject, cautions, afresh = false) {
  // Pressed twice in a hurry.
  if (asking) return false;
  asking = true;
  const { ok, message } = await ask("ask/begin", { examiner, subject, cautions, afresh });
  asking = false;
  told(ok ? "" : message, !ok);
  if (ok) {
    choosing = false;
    pair = choices?.learners?.find((l) => l.code === examiner)?.partner === subject || (afresh && pair);
    choices = null;
  }
  if (table) showTable();
  return ok;
}

get("begin").addEventListener("click", () => {
  const v = choices?.volunteers?.find((x) => x.code === get("subject").value);
  if (v && !v.cautions_met && !get("cautions-hold").checked) {
    told("Read the cautions out, and tick that all of this holds.", true);
    return get("cautions-hold").focus();
  }
  begin(get("examiner").value, get("subject").value, get("cautions-hold").checked);
});
get("not-now").addEventListener("click", () => {
  choosing = false;
  showTable();
});
get("examiner").addEventListener("change", pairUp);
get("subject").addEventListener("change", volunteerChosen);
get("people").addEventListener("submit", (event) => event.preventDefault());

async function send(body, words) {
  const { ok, message } = await ask("ask/command", body);
  told(ok ? "" : `${words}: ${message}`, !ok);
  if (ok) say(get("spoken"), `${words}: sent.`);
}

async function act(what) {
  if (what === "change") {
    choosing = true;
    choices = null;
    return showTable();
  }
  if (what === "rest") {
    const { ok, message } = await ask("ask/rest");
    return told(ok ? "" : message, !ok);
  }
  if (what === "again") return begin(table.examiner, table.subject, false, true);
  // The other one of the pair: cautions of a volunteer who was not pressed yet are read out first.
  if (await begin(table.subject, table.examiner, false)) return;
  choosing = true;
  showTable();
  await fill();
  get("examiner").value = table.subject;
  get("subject").value = table.examiner;
  volunteerChosen();
}

function press(button) {
  if (button.dataset.call) return send({ command: "call", call: button.dataset.call }, `Call ${button.dataset.call}`);
  if (button.dataset.do) return act(button.dataset.do);
  send({ command: button.dataset.command }, button.dataset.words);
}

// Frames may stop coming: the age is looked at all the same.
setInterval(show, 100);
addEventListener("resize", show);
