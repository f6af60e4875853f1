// The study: made, its ceilings set, and how the class is recorded.

import { ask, commands, lookWhileTyping, showFaults } from "./ask.js";
import { room, told } from "./teacher.js";
import { get, list, make, say } from "./words.js";

const FEEDBACK = {
  live: "while the hand is on and after it",
  after: "after each test",
  "on-request": "after a test, when the learner asks",
  none: "never",
  faded: "after fewer and fewer tests",
  alternate: "after every second test",
  bandwidth: "after a test with something outside its band",
  summary: "after several tests, for all of them",
};

const plural = (n, word) => `${n} ${word}${n === 1 ? "" : "s"}`;

function option(value, words) {
  const element = make("option", words);
  element.value = value;
  return element;
}

const planWords = (p) => `${p.name}: ${plural(p.steps, "step")}, ${plural(p.presses, "press").replace("presss", "presses")} with one sensor, ${p.regions.join(", ")}${p.posture ? `, ${p.posture}` : ""}`;

function ceilings(all) {
  const rows = all.map((c) => {
    const field = document.createElement("fieldset");
    const number = document.createElement("input");
    number.type = "text";
    number.inputMode = "decimal";
    number.id = `ceiling-${c.region}`;
    number.value = String(c.newtons);
    number.style.maxWidth = "8rem";
    number.setAttribute("aria-describedby", "fault-ceilings");
    const tick = document.createElement("input");
    tick.type = "checkbox";
    tick.id = `confirmed-${c.region}`;
    tick.checked = c.confirmed;
    tick.addEventListener("change", () => say(choice.lastChild, tick.checked ? "this lab's own, once it is saved" : "not confirmed"));
    const label = make("label", `${c.region}, N`);
    label.htmlFor = number.id;
    const choice = make("label", null, tick, make("span", c.confirmed ? "set by this lab" : "shipped, not yet confirmed by this lab: tick to confirm the number as this lab's own"));
    choice.className = "choice";
    field.append(label, number, choice);
    return field;
  });
  get("ceilings").replaceChildren(...rows);
}

function typedCeilings() {
  const found = {};
  for (const number of get("ceilings").querySelectorAll("input[type=text]")) {
    const region = number.id.replace("ceiling-", "");
    found[region] = { newtons: number.value, confirmed: get(`confirmed-${region}`).checked };
  }
  return found;
}

const typedStudy = () => ({ title: get("title").value, site: get("site").value, plan: get("plan").value, blind: get("blind").checked, ceilings: typedCeilings() });

async function show() {
  const { ok, data, message } = await ask("/ask/study");
  if (!ok) return told(message, true);
  say(get("folder"), `${data.title ? `${data.title} · ` : ""}${data.folder}${data.blind ? (data.opened ? " · blind, opened" : " · blind: measured sides are hidden") : ""}`);
  list(get("notices"), [...data.notices, ...(data.in_the_room ? ["These pages are open to this network, and the way to them is not encrypted: use a network that you trust."] : [])]);
  get("new").hidden = data.there;
  get("make-part").hidden = data.there;
  get("class-part").hidden = !data.there;
  get("set-ceilings").hidden = !data.there;
  ceilings(data.ceilings);
  const classes = (p) => Number(!p.name.startsWith("class-"));
  const short = [...data.plans].sort((a, b) => classes(a) - classes(b) || a.presses - b.presses);
  get("plan").replaceChildren(...short.map((p) => option(p.name, planWords(p))));
  get("class-plan").replaceChildren(...short.map((p) => option(p.name, planWords(p))));
  if (data.plan) get("class-plan").value = data.plan;
  get("session").value = /^\d{4}-\d\d-\d\d$/.test(data.session) ? "" : data.session;
  get("session").placeholder = data.session;
  get("feedback").replaceChildren(...data.feedbacks.map((f) => option(f, FEEDBACK[f] ? `${f}: ${FEEDBACK[f]}` : f)));
  get("feedback").value = data.feedback;
  get("calls").checked = data.calls;
  get("estimates").checked = data.estimates;
  commands(data.commands);
}

async function look() {
  if (get("new").hidden) return;
  const { ok, data } = await ask("/ask/look-at-new-study", typedStudy());
  if (ok) showFaults(data.faults);
}

get("make").addEventListener("click", async () => {
  const { ok, data, message } = await ask("/ask/look-at-new-study", typedStudy());
  if (!ok) return told(message, true);
  if (showFaults(data.faults)) {
    document.querySelector("[aria-invalid=true]")?.focus();
    return told("Not made yet: see what is said beside the fields.", true);
  }
  const made = await ask("/ask/new-study", typedStudy());
  told(made.ok ? "The study is made. Next: People." : made.message, !made.ok);
  if (made.ok) await show();
});

get("set-ceilings").addEventListener("click", async () => {
  const { ok, data, message } = await ask("/ask/ceilings", { ceilings: typedCeilings() });
  if (!ok) return told(message, true);
  told(["Ceilings are saved, and hold at every table as soon as no hand is on.", ...data.notices].join(" "), data.notices.length > 0);
  showFaults([]);
  await show();
});

get("set-class").addEventListener("click", async () => {
  const asked = { plan: get("class-plan").value || null, session: get("session").value || null, feedback: get("feedback").value, calls: get("calls").checked, estimates: get("estimates").checked };
  const { ok, message } = await ask("/ask/class", asked);
  told(ok ? "Saved: it holds for everybody who is chosen from now on." : message, !ok);
});

for (const form of document.querySelectorAll("form")) form.addEventListener("submit", (event) => event.preventDefault());
lookWhileTyping(get("new"), look);
lookWhileTyping(get("ceilings"), look);
room("/room/events");
show();
