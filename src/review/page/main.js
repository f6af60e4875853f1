// The page on which marks are put right: what is proposed is worked out by the program, and kept only when it is saved.

import { ask } from "./ask.js";
import { Rails } from "./marks.js";
import { LoopPlot, TimePlot, marksOf } from "./plot.js";
import * as told from "./told.js";
import { get, level, list, make, say } from "./words.js";

// Keys may follow each other: what they come to is asked for when they rest.
const REST_MS = 350;
const STEP_S = 0.005;
const STEP_MM = 0.05;

const looked = new Set();
let study = null;
let recording = null; // as it stands
let proposed = null; // as it would be, with what changes
let drafts = [];
let row = 0;
let shown = null;
let cursor = null;
let within = null;
let waiting = 0;
let good = []; // what of it the program found to fit
let working = null;
let more = false;

const timePlot = new TimePlot(get("time-plot"), (range) => zoom(range));
const loopPlot = new LoopPlot(get("loops-plot"));
const timeRails = new Rails(get("time-rails"), timePlot, moved);
const loopRails = new Rails(get("loops-rails"), loopPlot, moved);

const view = () => proposed?.recording ?? recording;
const test = () => view()?.tests[row];

function message(words, wrong = false) {
  get("message").classList.toggle("wrong", wrong);
  say(get("message"), words);
}

async function load(id) {
  try {
    study = await ask("study", {});
    say(get("title"), study.title ?? "");
    get("blind").hidden = !study.hidden;
    get("places").hidden = study.hidden;
    choices("side", study.sides, (s) => s);
    choices("level", study.levels, level);
    await open(id ?? study.recordings[0].id);
  } catch (error) {
    say(get("name"), "Nothing can be shown");
    message(error.message, true);
  }
}

function choices(id, words, name) {
  if (get(id).children.length) return;
  get(id).append(
    ...words.map((word) => {
      const option = make("option", name(word));
      option.value = word;
      return option;
    }),
  );
}

async function open(id) {
  if (drafts.length && !confirm("What is proposed is not saved. Leave it?")) return;
  message("");
  // Nothing can be proposed for what is leaving.
  get("work").inert = true;
  try {
    take(await ask("recording", { id }));
    row = 0;
    whole();
  } catch (error) {
    message(error.message, true);
  } finally {
    get("work").inert = false;
  }
}

async function openAndGo(id) {
  await open(id);
  get("work").focus();
}

// A recording as it stands; what was proposed is over.
function take(stands) {
  recording = stands;
  looked.add(stands.id);
  proposed = null;
  drafts = good = [];
  within = null;
  cursor = null;
  clearTimeout(waiting);
}

async function refresh() {
  study = await ask("study", {});
}

function next() {
  const order = study.recordings.map((r) => r.id);
  const id = order.find((r) => !looked.has(r));
  if (id == null) return message("Every recording was looked at.");
  openAndGo(id);
}

// What is drawn and listed.
function show() {
  const now = test();
  say(get("name"), recording.name);
  list(get("problems"), view().problems);
  told.recordings(study, recording.id, looked, openAndGo);
  told.tests(view(), row, (k) => {
    row = k;
    whole();
  });
  get("recorded").hidden = !now;
  if (now) {
    draw();
    told.marks(now, (change) => propose(change), (spring) => propose({ what: "remove_spring", spring }));
    get("join").disabled = row + 1 >= view().tests.length;
  }
  told.proposal(drafts, proposed, recording.hidden, dropLast);
  told.entries(recording, undo);
  told.measured(recording.tests[row], recording.hidden);
}

function draw() {
  const now = test();
  const before = recording.tests[row];
  timePlot.draw(now, proposed ? before : null, shown, cursor);
  const moving = now.curve.displacement_mm.length > 0;
  get("loops").hidden = !moving;
  timeRails.show(rails(now, before));
  const keys = ["Ring: onset. Grey: outside the contact."];
  if (now.set_at_s.length) keys.push("Diamond: set by hand.");
  if (proposed) keys.push("Dotted: where a mark stood before.");
  say(get("time-key"), keys.join(" "));
  if (moving) {
    loopPlot.draw(now, proposed ? before : null, within);
    loopRails.show([{ name: "", marks: onsetMarks() }]);
    say(get("loops-note"), "Move ⟨ and ⟩ to say between which displacements the onset must lie.");
  }
  if (document.activeElement !== get("cursor-s")) get("cursor-s").value = cursorNow().toFixed(3);
}

const cursorNow = () => cursor ?? Number(((test().contact_begin_s + test().contact_end_s) / 2).toFixed(3));

function rails(now, before) {
  const time = now.curve.time_s;
  const [least, most] = [time[0] ?? now.contact_begin_s, time[time.length - 1] ?? now.contact_end_s];
  const stood = before ? marksOf(before) : [];
  const one = (what, sign, label, value, spring) => {
    const isMoved = Boolean(proposed) && !stood.some((s) => Math.abs(s - value) < 0.002);
    return { key: `${what} ${spring ?? ""}`, what, spring, sign, label, value, least, most, step: STEP_S, unit: "s", digits: 3, isMoved };
  };
  const springs = (what, sign, verb, value) => now.springs.map((s) => one(what, sign, `spring ${s.number} ${verb}`, value(s), s.number));
  return [
    { name: "peak", marks: springs("spring_peak", "▲", "peaks", (s) => s.peak_s) },
    { name: "start", marks: springs("spring_start", "◁", "starts", (s) => s.start_s) },
    { name: "end", marks: springs("spring_end", "▷", "ends", (s) => s.end_s) },
    { name: "contact", marks: [one("contact_begin", "[", "contact begins", now.contact_begin_s), one("contact_end", "]", "contact ends", now.contact_end_s)] },
    { name: "moment", marks: [{ ...one("cursor", "✛", "moment for a new spring, a parting or a word", cursorNow()), isMoved: false }] },
  ];
}

function onsetMarks() {
  const [low, high] = loopPlot.shown.map((v) => Number(v.toFixed(2)));
  const [from, to] = within ?? [low, high];
  const one = (what, sign, label, value) => ({ key: what, what, sign, label, value, least: low, most: high, step: STEP_MM, unit: "mm", digits: 2, isMoved: Boolean(within) });
  return [one("onset_low", "⟨", "onset no lower than", from), one("onset_high", "⟩", "onset no higher than", to)];
}

// A mark was moved, by key or by hand.
function moved(mark, dragging) {
  clearTimeout(waiting);
  if (mark.what === "cursor") {
    cursor = mark.value;
    get("cursor-s").value = cursor.toFixed(3);
    if (!dragging) waiting = setTimeout(draw, REST_MS);
    return;
  }
  if (dragging) return;
  if (mark.what === "onset_low" || mark.what === "onset_high") {
    const marks = [...loopRails.handles.values()].map((h) => h.mark.value);
    waiting = setTimeout(() => propose({ what: "onset_within", low_mm: marks[0], high_mm: marks[1] }), REST_MS);
    return;
  }
  const change = { what: mark.what, to_s: mark.value };
  if (mark.spring) change.spring = mark.spring;
  waiting = setTimeout(() => propose(change), REST_MS);
}

const same = (a, b) => a && a.row === row && a.change.what === b.what && a.change.spring === b.spring && b.what !== "annotate" && b.what !== "add_spring" && b.what !== "remove_spring";

function words(change) {
  const name = test().label;
  const spring = change.spring ? `spring ${change.spring}` : "";
  const at = change.to_s == null ? "" : `${change.to_s.toFixed(3)} s`;
  const what = {
    contact_begin: `contact begins at ${at}`,
    contact_end: `contact ends at ${at}`,
    spring_start: `${spring} starts at ${at}`,
    spring_peak: `${spring} peaks at ${at}`,
    spring_end: `${spring} ends at ${at}`,
    remove_spring: `${spring} is none`,
    add_spring: `a spring peaks at ${at}`,
    split: `parted at ${at}`,
    join: "joined with the next one",
    leave_out: "left out",
    side: `the side was ${change.to}`,
    level: `the level was ${level(change.to ?? "")}`,
    onset_within: `onset between ${change.low_mm} and ${change.high_mm} mm`,
    annotate: `“${change.word}” at ${change.at_s?.toFixed(3)} s`,
  }[change.what];
  return view().tests.length > 1 ? `${name}: ${what}` : what;
}

// Works out what a change would come to; one that does not fit is told and forgotten.
function propose(change) {
  const draft = { row, change, words: words(change) };
  // Moved once more, a mark has one entry.
  drafts = same(drafts.at(-1), change) ? [...drafts.slice(0, -1), draft] : [...drafts, draft];
  return work();
}

function body() {
  return { id: recording.id, drafts: drafts.map(({ row, change }) => ({ row, change })), who: get("who").value, why: get("why").value, seen: recording.seen };
}

// One question at a time: what came meanwhile goes out with the next one.
function work() {
  more = true;
  working ??= questions().finally(() => (working = null));
  return working;
}

async function questions() {
  let fits = true;
  while (more) {
    more = false;
    const sent = drafts;
    if (sent.length && !recording.hidden) message("Working out what would change …");
    try {
      const answer = await ask("propose", body());
      good = sent;
      fits = true;
      if (!more) accept(answer);
    } catch (error) {
      fits = false;
      if (more) continue;
      drafts = good;
      show();
      message(error.message, true);
    }
  }
  return fits;
}

function accept(answer) {
  const others = answer.recording.seen !== recording.seen;
  const tests = view().tests.length;
  proposed = drafts.length ? answer : null;
  recording.seen = answer.recording.seen;
  row = Math.min(row, Math.max(0, answer.recording.tests.length - 1));
  if (view().tests.length !== tests && test()) shown = bounds();
  const last = drafts.findLast((d) => d.change.what === "onset_within")?.change;
  within = last ? [last.low_mm, last.high_mm] : null;
  show();
  if (others) message("Somebody else added an entry meanwhile: what is shown rests on it too. Look once more before you save.", true);
  else message(drafts.length ? "Proposed, not saved." : "");
}

function dropLast() {
  drafts = drafts.slice(0, -1);
  return work();
}

function discard() {
  take(recording);
  row = Math.min(row, Math.max(0, recording.tests.length - 1));
  message("Discarded.");
  show();
}

async function save() {
  clearTimeout(waiting);
  if (working && !(await working)) return;
  const number = drafts.length;
  await write("save", body(), number === 1 ? "Saved as one entry." : `Saved as ${number} entries.`);
}

async function undo(entry) {
  if (!get("who").value.trim() || !get("why").value.trim()) {
    message("To take an entry back, first say who and why.", true);
    get(get("who").value.trim() ? "why" : "who").focus();
    return;
  }
  if (drafts.length) return message("Save or discard what is proposed first.", true);
  await write("undo", { id: recording.id, entry, who: get("who").value, why: get("why").value, seen: recording.seen }, `Entry ${entry} is taken back.`);
}

async function write(what, request, done) {
  clearTimeout(waiting);
  try {
    take(await ask(what, request));
    get("why").value = "";
    row = Math.min(row, Math.max(0, recording.tests.length - 1));
    await refresh();
    message(done);
    show();
  } catch (error) {
    message(error.message, true);
    // What somebody else wrote is shown with what is proposed here, which is not lost.
    if (error.conflict) await again();
  }
}

async function again() {
  const told = get("message").textContent;
  try {
    const stands = await ask("recording", { id: recording.id });
    recording = stands;
    if (drafts.length && !(await work())) return;
    show();
    message(told, true);
  } catch (error) {
    message(error.message, true);
  }
}

// Which part is shown.
function bounds() {
  const now = test();
  const time = now.curve.time_s;
  return time.length ? [time[0], time[time.length - 1]] : [now.contact_begin_s - 1, now.contact_end_s + 1];
}

function zoom([from, to]) {
  const [low, high] = bounds();
  const length = Math.min(Math.max(to - from, 0.1), high - low);
  const begin = Math.min(Math.max(from, low), high - length);
  shown = [begin, begin + length];
  draw();
}

function whole() {
  shown = test() ? bounds() : null;
  show();
}

function closer(factor) {
  const [low, high] = shown;
  // Around the mark in hand, else the middle.
  const held = timeRails.handles.get(document.activeElement?.dataset?.key)?.mark.value;
  const middle = held ?? cursor ?? (low + high) / 2;
  const length = (high - low) * factor;
  zoom([middle - length / 2, middle + length / 2]);
}

function along(part) {
  const by = part * (shown[1] - shown[0]);
  zoom([shown[0] + by, shown[1] + by]);
}

const press = (id, act) => get(id).addEventListener("click", act);
press("next", next);
press("closer", () => closer(0.5));
press("wider", () => closer(2));
press("earlier", () => along(-0.5));
press("later", () => along(0.5));
press("whole", whole);
press("add-spring", () => propose({ what: "add_spring", to_s: cursorNow() }));
press("split", () => propose({ what: "split", to_s: cursorNow() }));
press("annotate", () => {
  if (!get("word").value.trim()) return message("Write the word first.", true), get("word").focus();
  propose({ what: "annotate", word: get("word").value.trim(), at_s: cursorNow() });
  get("word").value = "";
});
press("join", () => propose({ what: "join" }));
press("leave-out", () => propose({ what: "leave_out" }));
press("set-side", () => propose({ what: "side", to: get("side").value }));
press("set-level", () => propose({ what: "level", to: get("level").value }));
press("save", save);
press("discard", discard);
get("cursor-s").addEventListener("change", () => {
  if (get("cursor-s").value !== "") cursor = Number(get("cursor-s").value);
  draw();
});
for (const id of ["who", "why"]) get(id).addEventListener("change", () => drafts.length && work());
addEventListener("resize", () => test() && draw());
addEventListener("beforeunload", (event) => drafts.length && event.preventDefault());
load();
