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
let zoomed = null; // the part of the test that is shown; all of it without one
let cursor = null;
let within = [null, null]; // where the onset is looked for; open sides are null
let waiting = 0;
let pending = null; // a mark that was moved and not asked about yet
let good = []; // what of it the program found to fit
let working = null;
let more = false;

const timePlot = new TimePlot(get("time-plot"), (range) => zoom(range));
const loopPlot = new LoopPlot(get("loops-plot"));
const timeRails = new Rails(get("time-rails"), timePlot, moved);
const loopRails = new Rails(get("loops-rails"), loopPlot, moved);

// The test that is shown as it stands: where there are more or fewer now, the one that shares most of its contact.
function stood() {
  const [all, now] = [recording.tests, test()];
  if (all.length === view().tests.length) return all[row];
  const shared = (t) => Math.min(t.contact_end_s, now.contact_end_s) - Math.max(t.contact_begin_s, now.contact_begin_s);
  return all.reduce((best, t) => (best && shared(best) >= shared(t) ? best : t), null);
}

const view = () => proposed?.recording ?? recording;
const test = () => view()?.tests[row];

function message(words, wrong = false) {
  get("message").classList.toggle("wrong", wrong);
  say(get("message"), words);
}

function tellOf(error) {
  message(error.message, true);
  if (error.field) get(error.field).focus();
}

async function load(id) {
  try {
    await refresh();
    say(get("title"), study.title ?? "");
    get("blind").hidden = !study.hidden;
    get("places").hidden = study.hidden;
    choices("side", study.sides, (s) => s);
    choices("level", study.levels, level);
    await open(id ?? study.recordings[0].id);
  } catch (error) {
    say(get("name"), "Nothing can be shown");
    tellOf(error);
  }
}

function choices(id, words, name) {
  if (get(id).children.length) return;
  get(id).append(
    ...["", ...words].map((word) => {
      const option = make("option", word ? name(word) : "–");
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
  const tests = view()?.tests.length;
  const other = recording?.id !== stands.id;
  recording = stands;
  looked.add(stands.id);
  proposed = null;
  drafts = good = [];
  within = [null, null];
  forget();
  if (other) cursor = null;
  row = Math.min(row, Math.max(0, stands.tests.length - 1));
  if (other || stands.tests.length !== tests) anotherTest();
}

// Another test is shown, or the same one cut otherwise: what was looked at closely and chosen is not its own.
function anotherTest() {
  zoomed = null;
  for (const id of ["side", "level"]) delete get(id).dataset.own;
}

function forget() {
  clearTimeout(waiting);
  pending = null;
}

async function refresh() {
  study = await ask("study", {});
  list(get("study-problems"), study.problems);
}

function next() {
  const order = study.recordings.map((r) => r.id);
  const id = order.find((r) => !looked.has(r));
  if (id == null) return message("Every recording was looked at.");
  openAndGo(id);
}

// What is drawn and listed.
function show() {
  const held = document.activeElement;
  const [key, home] = [held?.dataset?.key, held?.closest("section, figure, nav")];
  const now = test();
  say(get("name"), recording.name);
  list(get("problems"), view().problems);
  told.recordings(study, recording.id, looked, openAndGo);
  told.tests(view(), row, (k) => {
    row = k;
    anotherTest();
    show();
  });
  for (const part of document.querySelectorAll(".of-test")) part.hidden = !now;
  if (now) {
    draw();
    told.marks(now, (change) => propose(change), (spring) => propose({ what: "remove_spring", spring }), blank);
    idle("join", row + 1 >= view().tests.length);
    own("side", now.side);
    own("level", now.level);
  }
  told.proposal(drafts, proposed, recording.hidden, dropLast);
  for (const id of ["save", "discard"]) idle(id, !drafts.length);
  told.entries(recording, undo);
  told.measured(now ? stood() : recording.tests[row], recording.hidden);
  keepFocus(held, key, home);
}

// What had the focus may be gone: what came in its place has it then, else the heading of its part.
function keepFocus(held, key, home) {
  if (!held || held === document.body || (held.isConnected && held.checkVisibility())) return;
  const keyed = key ? [...document.querySelectorAll("[data-key]")] : [];
  const same = keyed.find((e) => e.dataset.key === key && e.checkVisibility());
  const heading = home?.checkVisibility() ? home.querySelector("[tabindex='-1']") : null;
  (same ?? heading ?? get("name")).focus();
}

// A button that does nothing now keeps the focus, so it is not disabled.
function idle(id, is) {
  get(id).setAttribute("aria-disabled", String(is));
}

// Side and level stand on the test's own until somebody chooses.
function own(id, word) {
  const select = get(id);
  if (select.dataset.own === (word ?? "")) return;
  select.dataset.own = select.value = word ?? "";
}

function blank() {
  message("A number is needed there: the field shows again where the mark stands.", true);
}

function draw() {
  const now = test();
  const before = stood();
  timePlot.draw(now, proposed ? before : null, shown(), cursor);
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
    say(get("loops-note"), "Move ⟨ or ⟩ to say between which displacements the onset must lie; at the end of the axis a side is open.");
  }
  if (document.activeElement !== get("cursor-s")) get("cursor-s").value = cursorNow().toFixed(3);
}

const cursorNow = () => cursor ?? Number(((test().contact_begin_s + test().contact_end_s) / 2).toFixed(3));

function rails(now, before) {
  const time = now.curve.time_s;
  const [least, most] = [time[0] ?? now.contact_begin_s, time[time.length - 1] ?? now.contact_end_s];
  const stood = before ? marksOf(before) : [];
  const step = Math.max(STEP_S, now.step_s ?? 0);
  const one = (what, sign, label, value, spring) => {
    const isMoved = Boolean(proposed) && !stood.some((s) => Math.abs(s - value) < 0.002);
    return { key: `${what} ${spring ?? ""}`, what, spring, sign, label, value, least, most, step, unit: "s", digits: 3, isMoved };
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
  const [from, to] = within;
  const one = (what, sign, label, value, open) => ({ key: what, what, sign, label, value: value ?? open, least: low, most: high, step: STEP_MM, unit: "mm", digits: 2, isMoved: value != null });
  return [one("onset_low", "⟨", "onset no lower than", from, low), one("onset_high", "⟩", "onset no higher than", to, high)];
}

// A mark was moved, by key or by hand.
function moved(mark, dragging) {
  if (mark.what === "cursor") {
    cursor = mark.value;
    get("cursor-s").value = cursor.toFixed(3);
    if (!dragging) rest(mark.key, draw);
    return;
  }
  if (dragging) return;
  if (mark.what === "onset_low" || mark.what === "onset_high") {
    rest("onset", () => proposeWithin([...loopRails.handles.values()].map((h) => h.mark)));
    return;
  }
  const change = { what: mark.what, to_s: mark.value };
  if (mark.spring) change.spring = mark.spring;
  rest(mark.key, () => propose(change));
}

// An end that was not moved, or was moved back to the end of the axis, stays open.
function proposeWithin([low, high]) {
  const ends = [low.value <= low.least ? null : low.value, high.value >= high.most ? null : high.value];
  if (ends.some((end) => end != null)) return propose({ what: "onset_within", low_mm: ends[0], high_mm: ends[1] });
  if (drafts.at(-1)?.change.what === "onset_within") return dropLast();
  return draw();
}

// What a mark comes to is asked when its keys rest; that of another one is not lost by it.
function rest(key, act) {
  if (pending && pending.key !== key) atOnce();
  clearTimeout(waiting);
  pending = { key, act };
  waiting = setTimeout(atOnce, REST_MS);
}

function atOnce() {
  const act = pending?.act;
  forget();
  return act?.();
}

const same = (a, b) => a && a.row === row && a.change.what === b.what && a.change.spring === b.spring && b.what !== "annotate" && b.what !== "add_spring" && b.what !== "remove_spring";

function range({ low_mm: low, high_mm: high }) {
  if (low == null) return `at ${high} mm or less deep`;
  return high == null ? `at ${low} mm or deeper` : `between ${low} and ${high} mm`;
}

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
    onset_within: `onset ${range(change)}`,
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
  const proposals = drafts.map(({ row, change }) => ({ row, change }));
  return { id: recording.id, drafts: proposals, who: get("who").value, why: get("why").value, seen: recording.seen, version: recording.version };
}

// One question at a time: what came meanwhile goes out with the next one.
function work() {
  more = true;
  working ??= questions().finally(() => (working = null));
  return working;
}

async function questions() {
  let fits = true;
  let note = null; // what is told when all is shown
  while (more) {
    more = false;
    const sent = drafts;
    if (sent.length && !recording.hidden) message("Working out what would change …");
    try {
      const answer = await ask("propose", body());
      good = sent;
      if (more) continue;
      accept(answer);
      if (note) message(note, !fits);
    } catch (error) {
      if (more) continue;
      if (error.nothing && sent.length) {
        // A mark that was moved back where it stood is no change; a new one that changes nothing is refused.
        fits = fits && good.length === sent.length;
        drafts = sent.slice(0, -1);
        more = true;
        note = `${sentence(error.message)} Nothing is proposed for it.`;
        continue;
      }
      fits = false;
      if (error.conflict && !note && (await standsNow())) {
        note = error.message;
        more = true;
        continue;
      }
      drafts = good;
      show();
      message(error.message, true);
    }
  }
  return fits;
}

const sentence = (words) => `${words.charAt(0).toUpperCase()}${words.slice(1)}.`;

// Takes the recording as it stands, with what is proposed kept.
async function standsNow() {
  try {
    recording = await ask("recording", { id: recording.id });
    return true;
  } catch {
    return false;
  }
}

function accept(answer) {
  const others = answer.recording.seen !== recording.seen;
  const tests = view().tests.length;
  proposed = drafts.length ? answer : null;
  recording.seen = answer.recording.seen;
  row = Math.min(row, Math.max(0, answer.recording.tests.length - 1));
  if (view().tests.length !== tests) anotherTest();
  const last = drafts.findLast((d) => d.change.what === "onset_within")?.change;
  within = [last?.low_mm ?? null, last?.high_mm ?? null];
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
  message("Discarded.");
  show();
}

async function save() {
  if (pending) await atOnce();
  if (working && !(await working)) return;
  if (!drafts.length) return;
  if (!get("who").value.trim()) return fault("who", "Write your code first: the file keeps who made an entry.");
  const number = drafts.length;
  await write("save", body(), number === 1 ? "Saved as one entry." : `Saved as ${number} entries.`);
}

function fault(id, words) {
  message(words, true);
  get(id).focus();
}

async function undo(entry) {
  if (drafts.length || pending) return message("Save or discard what is proposed first.", true);
  for (const id of ["who", "why"]) if (!get(id).value.trim()) return fault(id, "To take an entry back, first say who and why.");
  await write("undo", { id: recording.id, entry, who: get("who").value, why: get("why").value, seen: recording.seen }, `Entry ${entry} is taken back.`);
}

async function write(what, request, done) {
  forget();
  try {
    take(await ask(what, request));
    get("why").value = "";
    message(done);
    show();
    await refresh();
    told.recordings(study, recording.id, looked, openAndGo);
  } catch (error) {
    tellOf(error);
    // What stands now is shown with what is proposed here, which is not lost.
    if (error.conflict) await again(error.message);
  }
}

async function again(told) {
  if (!(await standsNow())) return;
  if (drafts.length) await work();
  else show();
  message(told, true);
}

// Which part is shown.
function bounds() {
  const now = test();
  const time = now.curve.time_s;
  return time.length ? [time[0], time[time.length - 1]] : [now.contact_begin_s - 1, now.contact_end_s + 1];
}

function shown() {
  const [low, high] = bounds();
  if (!zoomed || zoomed[0] >= high || zoomed[1] <= low) return [low, high];
  return [Math.max(low, zoomed[0]), Math.min(high, zoomed[1])];
}

function zoom([from, to]) {
  const [low, high] = bounds();
  const length = Math.min(Math.max(to - from, 0.1), high - low);
  const begin = Math.min(Math.max(from, low), high - length);
  zoomed = length < high - low ? [begin, begin + length] : null;
  draw();
}

function whole() {
  zoomed = null;
  show();
}

function closer(factor) {
  const [low, high] = shown();
  // Around the mark in hand, else the middle.
  const held = timeRails.handles.get(document.activeElement?.dataset?.key)?.mark.value;
  const middle = held ?? cursor ?? (low + high) / 2;
  const length = (high - low) * factor;
  zoom([middle - length / 2, middle + length / 2]);
}

function along(part) {
  const [low, high] = shown();
  const by = part * (high - low);
  zoom([low + by, high + by]);
}

// `why` is told when the button does nothing now.
const press = (id, act, why) => get(id).addEventListener("click", () => (get(id).getAttribute("aria-disabled") === "true" && !pending ? message(why) : act()));
press("next", next);
press("closer", () => closer(0.5));
press("wider", () => closer(2));
press("earlier", () => along(-0.5));
press("later", () => along(0.5));
press("whole", whole);
press("add-spring", () => propose({ what: "add_spring", to_s: cursorNow() }));
press("split", () => propose({ what: "split", to_s: cursorNow() }));
press("annotate", () => {
  if (!get("word").value.trim()) return fault("word", "Write the word first.");
  propose({ what: "annotate", word: get("word").value.trim(), at_s: cursorNow() });
  get("word").value = "";
});
press("join", () => propose({ what: "join" }), "No test follows that could be joined to this one.");
press("leave-out", () => propose({ what: "leave_out" }));
for (const [id, what] of [["set-side", "side"], ["set-level", "level"]]) {
  press(id, () => (get(what).value ? propose({ what, to: get(what).value }) : fault(what, `Choose the ${what} first.`)));
}
press("save", save, "Nothing is proposed yet.");
press("discard", discard, "Nothing is proposed yet.");
get("cursor-s").addEventListener("change", () => {
  if (get("cursor-s").value === "") blank();
  else cursor = Number(get("cursor-s").value);
  get("cursor-s").value = cursorNow().toFixed(3);
  draw();
});
for (const id of ["who", "why"]) get(id).addEventListener("change", () => drafts.length && work());
addEventListener("resize", () => test() && draw());
addEventListener("beforeunload", (event) => (drafts.length || pending) && event.preventDefault());
load();
