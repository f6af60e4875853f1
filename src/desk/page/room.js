// All tables at once: on the teacher's page with what the teacher may do, on the other one without.

import { ask } from "./ask.js";
import { room, told } from "./teacher.js";
import { get, list, make, newtons, say } from "./words.js";

const LOOKS = location.pathname === "/look/";
// A value older than this is no value.
const OLD_MS = 200;
const SVG = "http://www.w3.org/2000/svg";
const cards = new Map();
// Warnings that every table has stand once, under them.
let common = [];
let received = 0;
let frame = null;

function svg(name, attributes) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  return element;
}

// A bar of the force up to a fifth over the ceiling, with a line at the ceiling.
function gauge() {
  const drawing = svg("svg", { viewBox: "0 0 120 14", preserveAspectRatio: "none", "aria-hidden": "true" });
  const fill = svg("rect", { class: "fill", x: 0, y: 1, width: 0, height: 12 });
  drawing.append(fill, svg("rect", { class: "track", x: 0.5, y: 0.5, width: 119, height: 13 }), svg("line", { class: "mark", x1: 100, x2: 100, y1: 0, y2: 14 }));
  return { drawing, fill };
}

export class Card {
  constructor(id) {
    this.id = id;
    this.element = make("li");
    this.name = make("h2");
    this.step = make("span");
    const top = make("div", null, this.name, this.step);
    top.className = "table-name";
    this.who = make("p");
    this.line = make("p");
    this.line.className = "table-line";
    this.bar = gauge();
    this.number = make("b");
    this.force = make("div", null, this.number, this.bar.drawing);
    this.force.className = "gauge";
    this.more = make("p");
    this.more.className = "quiet";
    this.warnings = make("ul");
    this.messages = make("ul");
    this.said = make("details", null, make("summary", "What it said"), this.messages);
    this.said.hidden = LOOKS;
    this.element.append(top, this.who, this.line, this.force, this.more, this.warnings, this.said);
  }

  show(t, silent) {
    say(this.name, t.name);
    say(this.step, t.step ? `step ${t.step.number} of ${t.step.of}` : "");
    const who = [t.examiner, t.subject].filter(Boolean).join(" presses ");
    say(this.who, [who || "nobody chosen", t.step?.place].filter(Boolean).join(" · "));
    say(this.line, t.prompt.line);
    const old = silent || t.age_ms == null || t.age_ms > OLD_MS;
    const force = old ? null : t.force_n;
    say(this.number, !t.connected ? "away" : old ? "no signal" : force == null ? (t.hidden ? "hidden" : "–") : `${newtons(force)} N`);
    this.bar.fill.setAttribute("width", String(force == null || !t.ceiling_n ? 0 : Math.max(0, Math.min(119, (100 * force) / t.ceiling_n))));
    const ceiling = t.ceiling_n == null ? "" : `ceiling ${t.ceiling_n} N${t.region ? `, ${t.region}` : ", the lowest"}`;
    const crossed = t.crossings ? `over it ${t.crossings} ${t.crossings === 1 ? "time" : "times"}` : "";
    say(this.more, [old ? "" : t.phase, ceiling, crossed].filter(Boolean).join(" · "));
    this.element.classList.toggle("over-now", t.alarm);
    this.element.classList.toggle("gone", !t.connected);
    this.element.classList.toggle("pressed", t.touched && !t.alarm);
    list(this.warnings, (t.teacher?.warnings ?? []).filter((w) => !common.includes(w)));
    list(this.messages, t.teacher?.messages ?? []);
  }
}

// What the teacher may do at a table.
class TeacherCard extends Card {
  constructor(id) {
    super(id);
    this.paused = false;
    this.next = this.button("Next step", () => this.order("command", { command: "next" }));
    this.hold = this.button("Pause", () => this.teacher("/ask/pause-table", { table: this.id, paused: !this.paused }));
    this.end = this.button("End here", () => this.order("rest", {}));
    const link = make("a", "Open its page");
    link.href = `/table/${id}/`;
    const plan = make("label", "Plan of who is chosen next");
    this.plan = document.createElement("select");
    this.plan.id = `plan-${id}`;
    plan.htmlFor = this.plan.id;
    this.plan.addEventListener("change", () => this.teacher("/ask/send-plan", { table: this.id, plan: this.plan.value || null }));
    const buttons = make("div", null, this.next, this.hold, this.end, link);
    buttons.className = "buttons";
    this.element.append(buttons, plan, this.plan);
    fillPlans(this.plan);
  }

  button(words, press) {
    const element = make("button", words);
    element.type = "button";
    element.addEventListener("click", press);
    return element;
  }

  order(what, body) {
    return this.teacher(`/table/${this.id}/ask/${what}`, body);
  }

  async teacher(path, body) {
    const { ok, message } = await ask(path, body);
    told(ok ? "" : `${this.name.textContent}: ${message}`, !ok);
  }

  show(t, silent) {
    super.show(t, silent);
    this.paused = t.teacher?.paused ?? false;
    say(this.hold, this.paused ? "Go on" : "Pause");
    for (const b of [this.next, this.hold, this.end]) b.setAttribute("aria-label", `${b.textContent} at ${t.name}`);
    this.next.hidden = !t.step;
    this.end.hidden = !t.examiner;
  }
}

let plans = null;
async function fillPlans(select) {
  plans ??= ask("/ask/study");
  const { ok, data } = await plans;
  if (!ok) return;
  const whole = make("option", `the class's: ${data.plan ?? "none"}`);
  whole.value = "";
  const others = data.plans.map((p) => make("option", p.name));
  select.replaceChildren(whole, ...others);
}

function draw() {
  if (!frame) return;
  const silent = document.body.classList.contains("lost");
  const late = frame.late_ms + performance.now() - received;
  const tables = frame.tables;
  const there = tables.filter((t) => t.connected && t.teacher);
  common = there.length > 1 ? there[0].teacher.warnings.filter((w) => there.every((t) => t.teacher.warnings.includes(w))) : [];
  if (!LOOKS) list(get("common"), common.map((w) => `At every table: ${w}`));
  for (const [id, card] of cards) {
    if (!tables.some((t) => t.id === id)) {
      card.element.remove();
      cards.delete(id);
    }
  }
  tables.forEach((t, place) => {
    let card = cards.get(t.id);
    if (!card) {
      card = LOOKS ? new Card(t.id) : new TeacherCard(t.id);
      cards.set(t.id, card);
    }
    card.show({ ...t, age_ms: t.age_ms == null ? null : t.age_ms + late }, silent);
    // Alarms come first; a card that has the focus stays where it is.
    const at = get("room").children[place];
    if (at !== card.element && !card.element.contains(document.activeElement)) get("room").insertBefore(card.element, at ?? null);
  });
  get("none").hidden = tables.length > 0;
  const count = (what, words) => {
    const n = tables.filter(what).length;
    return n ? `${n} ${words}` : "";
  };
  say(get("summary"), [`${tables.length} ${tables.length === 1 ? "table" : "tables"}`, count((t) => t.alarm, "over the ceiling"), count((t) => !t.connected, "away"), count((t) => t.prompt.kind === "call", "waiting for a call"), count((t) => t.prompt.kind === "end", "at the end")].filter(Boolean).join(" · "));
}

room(
  LOOKS ? "/look/events" : "/room/events",
  (data) => {
    frame = data;
    received = performance.now();
    requestAnimationFrame(draw);
  },
  () => draw(),
);
// Frames may stop coming: the age is looked at all the same.
setInterval(draw, 200);
