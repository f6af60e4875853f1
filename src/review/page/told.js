// Lists and tables of the page. Text from files only ever becomes text, never markup.

import { get, list, make, say } from "./words.js";

// `key` tells it again when what it stands in is made anew.
function button(words, press, label, key) {
  const element = make("button", words);
  element.type = "button";
  if (key) element.dataset.key = key;
  if (label) element.setAttribute("aria-label", label);
  element.addEventListener("click", press);
  return element;
}

function table(caption, headings, rows) {
  const head = make("thead", null, make("tr", null, ...headings.map((h) => (h ? heading(h, "col") : make("td")))));
  const body = make("tbody", null, ...rows.map((cells) => make("tr", null, ...cells.map((c, i) => (i ? make("td", null, c) : heading(c, "row"))))));
  const parts = caption ? [make("caption", caption)] : [];
  return [...parts, head, body];
}

function heading(content, scope) {
  const element = make("th", null, content);
  element.scope = scope;
  return element;
}

export function recordings(study, current, seen, open) {
  const items = study.recordings.map((r) => {
    const name = make("span", r.name);
    const parts = [...r.reasons];
    if (r.corrections) parts.push(r.corrections === 1 ? "1 entry" : `${r.corrections} entries`);
    if (seen.has(r.id)) parts.push("looked at");
    const why = make("span", parts.join(" · ") || "nothing to note");
    why.className = "why";
    const element = button(null, () => open(r.id));
    element.append(name, why);
    if (r.id === current) element.setAttribute("aria-current", "true");
    return make("li", null, element);
  });
  get("recordings").replaceChildren(...items);
}

export function tests(recording, row, choose) {
  const place = get("tests");
  place.hidden = recording.tests.length < 2;
  place.replaceChildren(
    ...recording.tests.map((test, k) => {
      const element = button(test.label, () => choose(k), null, `test ${k}`);
      element.setAttribute("aria-pressed", String(k === row));
      return element;
    }),
  );
}

// The marks as numbers: the same as the rails, for whoever would rather type.
export function marks(test, move, remove, blank) {
  const field = (value, label, what) => {
    const input = make("input");
    input.type = "number";
    input.step = "0.005";
    input.value = value.toFixed(3);
    input.setAttribute("aria-label", label);
    input.dataset.key = `field ${what.what} ${what.spring ?? ""}`;
    input.addEventListener("change", () => {
      if (input.value !== "") return move({ ...what, to_s: Number(input.value) });
      input.value = value.toFixed(3);
      blank();
    });
    return input;
  };
  const rows = test.springs.map((s) => [
    `spring ${s.number}${s.counted ? "" : ", in no mean"}`,
    field(s.start_s, `spring ${s.number} starts`, { what: "spring_start", spring: s.number }),
    field(s.peak_s, `spring ${s.number} peaks`, { what: "spring_peak", spring: s.number }),
    field(s.end_s, `spring ${s.number} ends`, { what: "spring_end", spring: s.number }),
    removal(() => remove(s.number), s.number),
  ]);
  rows.unshift(["contact", field(test.contact_begin_s, "contact begins", { what: "contact_begin" }), "", field(test.contact_end_s, "contact ends", { what: "contact_end" }), ""]);
  get("marks").replaceChildren(...table(null, ["", "starts", "peaks", "ends", ""], rows));
}

// Where there is no room for its word, a sign.
function removal(remove, number) {
  const element = button(null, remove, `Remove spring ${number}`, `remove ${number}`);
  const [word, sign] = [make("span", "Remove"), make("span", "✕")];
  [word.className, sign.className] = ["word", "sign"];
  element.append(word, sign);
  return element;
}

export function proposal(drafts, proposed, hidden, drop) {
  get("none-proposed").hidden = drafts.length > 0;
  get("drafts").replaceChildren(
    ...drafts.map((d, k) => {
      const last = k === drafts.length - 1;
      return make("li", `${d.words} `, ...(last ? [button("Take it off again", drop, null, "take off")] : []));
    }),
  );
  const parts = [];
  for (const test of proposed?.changes ?? []) {
    if (test.gone) parts.push(make("p", `${test.label}: not used any more.`));
    if (!test.numbers.length) continue;
    const rows = test.numbers.map((n) => [n.unit ? `${n.label}, ${n.unit}` : n.label, n.before, n.now]);
    const wide = make("div", null, make("table", null, ...table(test.label, ["", "before", "now"], rows)));
    wide.className = "wide";
    wide.tabIndex = 0;
    wide.setAttribute("role", "region");
    wide.setAttribute("aria-label", `Numbers of ${test.label}, before and now`);
    parts.push(wide);
  }
  if (drafts.length && proposed && hidden) parts.push(make("p", "Numbers stay hidden until the study is opened."));
  else if (drafts.length && proposed && !parts.length) parts.push(make("p", "No number changes by as much as is shown."));
  get("changes").replaceChildren(...parts);
  list(get("losses"), proposed?.losses ?? []);
  get("commands").hidden = !proposed?.commands.length;
  say(get("command-lines"), (proposed?.commands ?? []).join("\n"));
}

export function entries(recording, undo) {
  get("no-entries").hidden = recording.entries.length > 0;
  get("entries").replaceChildren(
    ...recording.entries.map((e) => {
      const words = make("span", `${e.words}${e.state ? ` (${e.state})` : ""}; ${e.when.slice(0, 10)} by ${e.who}: ${e.why} `);
      if (!e.holds) words.className = "back";
      const item = make("li", null, words);
      item.value = e.number;
      if (!e.taken_back) item.append(button("Take back", () => undo(e.number), `Take back entry ${e.number}`, `back ${e.number}`));
      return item;
    }),
  );
}

export function measured(test, hidden) {
  get("measured").hidden = hidden || !test;
  if (!test) return;
  get("notes").replaceChildren(...test.notes.map((n) => make("li", n)));
  get("numbers").replaceChildren(...table(null, ["", "unit", "value"], test.numbers.map((n) => [n.label, n.unit, n.value])));
}
