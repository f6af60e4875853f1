// The roster, the pairs, and what volunteers agreed to.

import { ask, lookWhileTyping, showFaults } from "./ask.js";
import { room, told } from "./teacher.js";
import { get, list, make, say } from "./words.js";

const FIELDS = ["learners", "volunteers", "teachers", "pairs", "group"];
const typed = () => Object.fromEntries(FIELDS.map((f) => [f, get(f).value]));

async function look() {
  const { ok, data } = await ask("/ask/look-at-people", typed());
  if (!ok) return true;
  const count = showFaults(data.faults);
  say(get("comes-to"), data.people || data.pairs ? `${data.people} new in the roster, ${data.pairs} ${data.pairs === 1 ? "pair" : "pairs"}.` : "");
  return count > 0;
}

function head(names) {
  const row = make("tr");
  for (const name of names) {
    // A column of buttons has no heading.
    const cell = make(name ? "th" : "td", name);
    if (name) cell.scope = "col";
    row.append(cell);
  }
  return make("thead", null, row);
}

function button(words, label, press) {
  const element = make("button", words);
  element.type = "button";
  element.setAttribute("aria-label", label);
  element.addEventListener("click", press);
  return element;
}

const row = (code, ...cells) => {
  const name = make("th", code);
  name.scope = "row";
  return make("tr", null, name, ...cells.map((c) => make("td", typeof c === "string" ? c : null, ...(typeof c === "string" ? [] : [c]))));
};

async function change(path, body, words) {
  const { ok, message } = await ask(path, body);
  told(ok ? words : message, !ok);
  await show();
}

function volunteer(v) {
  const tick = document.createElement("input");
  tick.type = "checkbox";
  tick.value = v.code;
  tick.setAttribute("aria-label", `Choose ${v.code}`);
  const n = v.note;
  const consent = n ? (n.consent === "model" ? "training model" : `${n.consent}, ${n.day}`) : "none noted: not pressed";
  const words = n ? (n.not_over.length ? n.not_over.join(", ") : "–") : "–";
  const cells = [tick, consent, words, n ? n.keep_until : "–", n?.noted_by ?? "–"];
  const buttons = make("span");
  buttons.append(button("Remove", `Remove ${v.code} from the roster`, () => change("/ask/remove-person", { code: v.code, role: "subject" }, `${v.code} is removed from the roster, and what was noted; recordings stay.`)));
  if (n) buttons.append(button("Delete the note", `Delete what is noted of ${v.code}`, () => change("/ask/forget-consent", { subject: v.code }, `Deleted what was noted of ${v.code}.`)));
  return row(v.code, ...cells, buttons);
}

async function show() {
  const { ok, data, message } = await ask("/ask/people");
  if (!ok) return told(message, true);
  list(get("problems"), data.problems);
  list(get("cautions"), data.cautions);
  const ticked = new Set([...document.querySelectorAll("#volunteer-rows input:checked")].map((t) => t.value));
  const rows = make("tbody", null, ...data.volunteers.map(volunteer));
  get("volunteer-rows").replaceChildren(head(["volunteer", "tick", "consent", "not over", "kept until", "noted by", ""]), rows);
  for (const tick of get("volunteer-rows").querySelectorAll("input")) tick.checked = ticked.has(tick.value);
  if (!get("keep-until").value) get("keep-until").value = data.keep_until;
  if (get("not-over").querySelectorAll("input").length === 0) {
    for (const region of data.regions) {
      const tick = document.createElement("input");
      tick.type = "checkbox";
      tick.value = region;
      const label = make("label", null, tick, make("span", region));
      label.className = "choice";
      get("not-over").append(label);
    }
  }
  const partner = new Map(data.pairs.flatMap(([a, b]) => [[a, b], [b, a]]));
  const remove = (p, role) => button("Remove", `Remove ${p.code} from the roster`, () => change("/ask/remove-person", { code: p.code, role }, `${p.code} is removed from the roster; recordings stay.`));
  const people = [...data.learners.map((p) => [p, "learner", "examiner"]), ...data.teachers.map((p) => [p, "teacher", "teacher"])];
  const body = make("tbody", null, ...people.map(([p, words, role]) => row(p.code, words, p.group ?? "–", partner.get(p.code) ?? "–", remove(p, role))));
  get("learner-rows").replaceChildren(head(["code", "part", "class", "pair with", ""]), body);
}

get("add-people").addEventListener("click", async () => {
  if (await look()) {
    document.querySelector("[aria-invalid=true]")?.focus();
    return told("Nothing is kept yet: see what is said beside the fields.", true);
  }
  const { ok, message } = await ask("/ask/add-people", typed());
  told(ok ? "Added to the roster." : message, !ok);
  if (!ok) return;
  for (const f of FIELDS) get(f).value = "";
  say(get("comes-to"), "");
  await show();
});

get("note").addEventListener("click", async () => {
  const subjects = [...document.querySelectorAll("#volunteer-rows input:checked")].map((t) => t.value);
  if (!subjects.length) return told("Tick the volunteers whom it is about first.", true);
  const not_over = [...get("not-over").querySelectorAll("input:checked")].map((t) => t.value);
  const body = { subjects, consent: get("consent-word").value, not_over, keep_until: get("keep-until").value, noted_by: get("noted-by").value };
  const { ok, message } = await ask("/ask/consent", body);
  told(ok ? `Noted of ${subjects.join(", ")}.` : message, !ok);
  if (!ok) return;
  for (const tick of document.querySelectorAll("#volunteer-rows input, #not-over input")) tick.checked = false;
  await show();
});

for (const form of document.querySelectorAll("form")) form.addEventListener("submit", (event) => event.preventDefault());
lookWhileTyping(get("add"), look);
room("/room/events");
show();
