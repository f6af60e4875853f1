// The live page: frames in, commands out.

import { Alarm } from "./alarm.js";
import { Curve } from "./curve.js";
import { Estimate } from "./estimate.js";
import { buttons } from "./keys.js";
import { Stream } from "./stream.js";
import { Strip } from "./strip.js";
import { spoken, summary } from "./summary.js";
import { PHASES, get, level, list, make, newtons, say } from "./words.js";

// A value older than this is no value.
const OLD_MS = 200;
const NUMBER_EVERY_MS = 100;

const strip = new Strip(get("strip"));
const curve = new Curve(get("curve"));
const still = matchMedia("(prefers-reduced-motion: reduce)");
let frame = null;
let received = 0;
let numberAt = 0;
let drawnAt = 0;
let lastNumber = null;

buttons("button[data-command], button[data-call]", press);
const alarm = new Alarm();
const estimate = new Estimate(send);

const stream = new Stream({
  state(on, words) {
    document.body.classList.toggle("lost", !on);
    say(get("connection"), words);
    // Nobody knows any more whether the force is still over.
    if (!on) alarm.set(null);
  },
  welcome() {
    strip.clear();
    curve.clear();
  },
  strip: (part) => strip.add(part),
  last(test) {
    curve.last = test;
    summary(test, frame?.last_hidden);
    if (test && test.number !== lastNumber) say(get("spoken"), spoken(test));
    lastNumber = test?.number ?? null;
  },
  alarm: (told) => alarm.set(told),
  frame: take,
});

function take(view) {
  frame = view;
  received = performance.now();
  if (view.hidden) {
    strip.clear();
    curve.clear();
  } else if (view.strip) {
    strip.add(view.strip);
    curve.add(view.strip, view.now != null && view.now.phase !== "off");
  }
  if (!curve.last) summary(null, view.last_hidden ?? (view.hidden ? "Not shown." : null));
  alarm.set(view.alarm);
  showState(view);
  requestAnimationFrame(show);
}

// Age of the newest value: what the program said, what the way took, and what has gone by here.
const age = () => (frame?.age_ms == null ? Infinity : frame.age_ms + frame.late_ms + performance.now() - received);

function show() {
  if (!frame) return;
  const silent = age() > OLD_MS;
  const now = silent ? null : frame.now;
  const clock = performance.now();
  document.body.classList.toggle("silent", !now);
  document.body.classList.toggle("hiding", Boolean(frame.hidden));
  get("hidden").hidden = !frame.hidden || Boolean(frame.state.call_wanted || frame.state.estimates?.wanted);
  say(get("hidden"), frame.hidden);
  if (!now) {
    say(get("number"), silent ? "no signal" : frame.hidden ? "" : "–");
    for (const id of ["sides", "phase", "springs"]) say(get(id), "");
  } else {
    if (clock - numberAt > NUMBER_EVERY_MS || get("phase").textContent === "") {
      numberAt = clock;
      numbers(frame, now);
    }
    say(get("phase"), PHASES[now.phase] ?? "");
    say(get("springs"), `${now.springs} ${now.springs === 1 ? "spring" : "springs"} · highest ${newtons(now.peak_n)} N`);
  }
  if (still.matches && clock - drawnAt < 500) return;
  drawnAt = clock;
  strip.draw(frame);
  curve.draw(frame);
}

function numbers(view, now) {
  say(get("number"), newtons(now.total_n));
  const several = now.sides.length > 1;
  const sides = now.sides.map((s, k) => make("span", null, make("b", view.sides[k] ?? ""), newtons(s.force_n)));
  get("sides").hidden = !several;
  if (several) get("sides").replaceChildren(...sides);
}

function showState(view) {
  const s = view.state;
  const step = s.step;
  say(get("step"), step ? `${level(step.level)} ${step.side}` : "Free recording");
  const parts = step
    ? [
        `step ${step.number} of ${step.of}`,
        step.trial > 1 && `trial ${step.trial}`,
        step.landmark,
        step.contact?.replaceAll("_", " and "),
        step.posture,
        step.line_of_drive_deg != null && `line of drive ${step.line_of_drive_deg}°`,
      ]
    : [];
  say(get("where"), parts.filter(Boolean).join(" · "));
  const who = [s.subject && `subject ${s.subject}`, s.examiner && `examiner ${s.examiner}`, s.session, s.practice && "practice, nothing is kept"];
  say(get("who"), who.filter(Boolean).join(" · "));
  say(get("message"), s.ended ? `${s.message ?? ""} The recording has ended.`.trim() : s.message);
  say(get("missing"), s.ended && s.missing.length ? `Missing: ${s.missing.join(", ")}.` : "");
  list(get("warnings"), view.warnings);
  say(get("device"), `${view.device}, ${Math.round(view.rate_hz)} samples a second`);
  // One question at a time.
  get("call").hidden = !s.call_wanted || Boolean(s.estimates?.wanted);
  if (s.call_wanted) say(get("call-title"), `Which side of ${level(s.call_wanted)} felt more resistant?`);
  estimate.show(s);
  for (const b of document.querySelectorAll("[data-plan]")) b.hidden = !step || s.ended;
  for (const b of document.querySelectorAll("[data-on-request]")) b.hidden = s.feedback !== "on-request" || s.ended;
  for (const b of document.querySelectorAll("[data-twice]")) b.hidden = s.ended;
}

async function send(body, words) {
  try {
    const answer = await fetch("/command", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    say(get("spoken"), answer.ok ? `${words}: sent.` : `${words}: not sent, ${await answer.text()}.`);
    if (!answer.ok) say(get("message"), `${words}: not sent.`);
  } catch {
    say(get("message"), `${words}: not sent, the program does not answer.`);
  }
}

function press(button) {
  if (button.dataset.call) return send({ command: "call", call: button.dataset.call }, `Call ${button.dataset.call}`);
  send({ command: button.dataset.command }, button.dataset.words);
}

// Frames may stop coming: the age is looked at all the same.
setInterval(show, 100);
addEventListener("resize", show);
