// Tables and their stations: added, told apart by a press, named, weighed; and the addresses of their pages.

import { ask } from "./ask.js";
import { room, told } from "./teacher.js";
import { get, list, make, newtons, say } from "./words.js";

const SURE_MS = 4000;
const cards = new Map();

function field(words, element) {
  const label = make("label", words);
  label.htmlFor = element.id;
  return [label, element];
}

function button(words, press) {
  const element = make("button", words);
  element.type = "button";
  element.addEventListener("click", () => press(element));
  return element;
}

// What ends something is asked for twice.
function twice(element, words, done) {
  if (element.classList.contains("sure")) return done();
  element.classList.add("sure");
  say(element, `${words}: press again`);
  setTimeout(() => {
    element.classList.remove("sure");
    say(element, words);
  }, SURE_MS);
}

async function change(path, body, words) {
  const { ok, data, message } = await ask(path, body);
  told(ok ? words(data) : message, !ok);
  await show();
  return ok;
}

class Station {
  constructor(table) {
    this.id = table.id;
    this.element = make("li");
    this.line = make("p");
    this.line.className = "table-line";
    this.device = make("p");
    this.device.className = "quiet";
    this.warnings = make("ul");
    this.name = document.createElement("input");
    this.name.type = "text";
    this.name.id = `name-${table.id}`;
    this.name.value = table.name;
    this.name.maxLength = 40;
    this.mass = document.createElement("input");
    this.mass.type = "text";
    this.mass.inputMode = "decimal";
    this.mass.id = `mass-${table.id}`;
    this.weighed = make("p");
    this.weighed.setAttribute("role", "status");
    const rename = button("Rename", () => change("/ask/rename-table", { table: this.id, name: this.name.value }, () => "Renamed."));
    const weigh = button("Weigh", () => this.weigh());
    const remove = button("Remove", (b) => twice(b, "Remove", () => change("/ask/remove-table", { table: this.id }, () => "The table is removed; what it recorded stays.")));
    const naming = make("div", null, ...field("Name", this.name), rename);
    const check = make("details", null, make("summary", "Daily check with a known weight"), make("p", "Lay the weight on the sensor with nobody near, wait three seconds, and weigh. It is written into daily-checks.csv."), ...field("Mass of the weight, kg", this.mass), weigh, this.weighed);
    this.heading = make("h3", table.name);
    const ends = make("div", null, remove);
    ends.className = "buttons";
    this.element.append(this.heading, this.line, this.device, this.warnings, naming, check, ends);
  }

  async weigh() {
    const { ok, data, message } = await ask("/ask/weigh", { table: this.id, mass_kg: Number(this.mass.value.replace(",", ".")) });
    say(this.weighed, ok ? data.words : message);
    this.weighed.classList.toggle("wrong", !ok || data.doubted);
  }

  show(t) {
    say(this.heading, t.name);
    const force = t.force_n == null ? "" : `, ${newtons(t.force_n)} N`;
    say(this.line, !t.connected ? "does not answer" : t.touched ? `this one is pressed now${force}` : `ready${force}`);
    const s = t.teacher;
    say(this.device, [s.port, s.device, s.rate_hz && `${Math.round(s.rate_hz)} samples a second`].filter(Boolean).join(" · "));
    const words = t.connected ? s.warnings : s.messages.slice(-1);
    list(this.warnings, words);
    this.element.classList.toggle("pressed", t.touched);
    this.element.classList.toggle("gone", !t.connected);
    this.element.classList.toggle("over-now", t.alarm);
  }
}

const hours = (h) => (h >= 48 ? `${Math.round(h / 24)} days` : `${Math.round(h)} h`);

function address(name, a) {
  const square = document.createElement("img");
  square.src = `/square/${a.word}`;
  square.alt = `Square with the address of ${name}`;
  square.width = square.height = 176;
  const link = make("a", a.url.replace(/\?token=.*/, ""));
  link.href = a.url;
  const renew = button("New address", (b) => twice(b, "New address", () => change("/ask/new-address", { word: a.word }, () => `${name} has a new address; the old one is good for nothing.`)));
  const whole = make("details", null, make("summary", "The whole address, to type"), make("code", a.url));
  return make("li", null, make("h3", name), square, make("p", null, link), make("p", `ends in ${hours(a.ends_h)}`), whole, renew);
}

async function show() {
  const { ok, data, message } = await ask("/ask/tables");
  if (!ok) return told(message, true);
  say(get("network"), data.in_the_room ? "These pages are open to this network. The way to them is not encrypted: use a network that you trust." : "These pages are open to this computer alone. For tablets, end the desk and start it with --listen 0.0.0.0:8351.");
  for (const [id, card] of cards) {
    if (!data.tables.some((t) => t.id === id)) {
      card.element.remove();
      cards.delete(id);
    }
  }
  for (const t of data.tables) {
    if (!cards.has(t.id)) {
      const card = new Station(t);
      cards.set(t.id, card);
      get("room").append(card.element);
    }
  }
  get("none").hidden = data.tables.length > 0;
  const ports = data.ports.map((p) => {
    const o = make("option", `${p.name}${p.description ? `: ${p.description}` : ""}${p.usb ? "" : " (no USB)"}`);
    o.value = p.name;
    return o;
  });
  const virtual = (words, more) => {
    const o = make("option", words);
    o.value = `sim:seed=${1 + Math.max(0, ...data.tables.map((t) => t.id))}${more}`;
    return o;
  };
  const chosen = get("port").value;
  get("port").replaceChildren(...ports, virtual("a virtual station, to try it", ""), virtual("a virtual station with two hands", ",two-handed"));
  if (ports.some((p) => p.value === chosen)) get("port").value = chosen;
  const whose = [["Projector (only looks)", data.look], ...data.tables.map((t) => [t.name, t.address]), ["Teacher", data.teacher]];
  get("addresses").replaceChildren(...whose.map(([name, a]) => address(name, a)));
}

let adding = false;
get("add-table").addEventListener("click", async () => {
  // Pressed twice in a hurry: one table.
  if (adding) return;
  adding = true;
  if (await change("/ask/add-table", { port: get("port").value, name: get("name").value }, () => "The table is added.")) get("name").value = "";
  adding = false;
});
get("look-again").addEventListener("click", show);
get("end").addEventListener("click", (event) => twice(event.currentTarget, "End the desk", async () => {
  const { ok, message } = await ask("/ask/end");
  told(ok ? "The desk ends. What was recorded is kept." : message, !ok);
}));
for (const form of document.querySelectorAll("form")) form.addEventListener("submit", (event) => event.preventDefault());
room("/room/events", (data) => {
  for (const t of data.tables) cards.get(t.id)?.show(t);
});
show();
