// The last test: measures beside the teacher's, what to try next, notes.

import { get, list, make, say } from "./words.js";

const SHORT = ["preload", "peak force", "peak force of a spring", "excursion", "spring rate", "onset force", "end-feel stiffness"];
const HINTS = 3;

// `hidden` says why there is none to show.
export function summary(test, hidden) {
  const none = !test;
  say(get("last-none"), hidden ?? "None yet.");
  get("last-none").hidden = !none;
  get("measures").hidden = none;
  get("more").hidden = none;
  get("together").hidden = !test?.together.length;
  if (none) {
    say(get("last-title"), "Last test");
    get("hints").replaceChildren();
    get("together").replaceChildren();
    return;
  }
  if (test.together.length) together(get("together"), test.together);
  const where = [test.level, test.sides.length === 1 ? test.sides[0].side : "both sides"].filter(Boolean).join(" ");
  say(get("last-title"), `Last test: ${where || `number ${test.number}`}${test.provisional ? ", provisional" : ""}`);
  table(get("measures"), test, (label) => SHORT.includes(label));
  table(get("all"), test, () => true);
  const hints = test.hints.slice(0, HINTS).map((h) => make("li", `${h.text} `, make("q", h.advice)));
  get("hints").replaceChildren(...hints);
  list(get("notes"), test.notes);
  get("more").hidden = test.provisional;
}

// Several tests at once: a row for each side of each.
function together(element, tests) {
  const sides = tests.flatMap((t) => t.sides.map((s) => ({ name: [`test ${t.number}`, t.level, s.side].filter(Boolean).join(" "), rows: s.rows })));
  const labels = [...new Set(sides.flatMap((s) => s.rows.map((r) => r.label)))].filter((l) => SHORT.includes(l));
  const unit = (name) => sides.flatMap((s) => s.rows).find((r) => r.label === name).unit;
  const head = make("tr", null, make("td", ""), ...labels.map((name) => column(unit(name) ? `${name}, ${unit(name)}` : name)));
  const lines = sides.map((s) => {
    const cells = labels.map((name) => make("td", s.rows.find((r) => r.label === name)?.value ?? "–"));
    return make("tr", null, label(s.name), ...cells);
  });
  element.replaceChildren(make("thead", null, head), make("tbody", null, ...lines));
}

// What a screen reader hears of it, once.
export function spoken(test) {
  const side = (s) => {
    const peak = s.rows.find((r) => r.label === "peak force");
    return [s.side, `${s.springs} ${s.springs === 1 ? "spring" : "springs"}`, peak && `peak ${peak.value} newtons`].filter(Boolean).join(", ");
  };
  return `Test ${test.number} ended. ${test.sides.map(side).join(". ")}.`;
}

function table(element, test, wanted) {
  const several = test.sides.length > 1;
  const head = make("tr");
  head.append(make("td", ""));
  for (const s of test.sides) head.append(column(several ? (s.side ?? "") : "this test"));
  if (test.reference) head.append(column(test.reference));
  const body = make("tbody");
  const springs = make("tr", null, label("springs"));
  for (const s of test.sides) springs.append(make("td", String(s.springs)));
  if (test.reference) springs.append(make("td", ""));
  body.append(springs);
  const labels = [...new Set(test.sides.flatMap((s) => s.rows.map((r) => r.label)))].filter(wanted);
  for (const name of labels) {
    const rows = test.sides.map((s) => s.rows.find((r) => r.label === name));
    const any = rows.find(Boolean);
    const line = make("tr", null, label(any.unit ? `${name}, ${any.unit}` : name));
    for (const r of rows) line.append(r ? make("td", r.value, interval(r)) : make("td", "–"));
    if (test.reference) line.append(make("td", any.reference ?? ""));
    body.append(line);
  }
  element.replaceChildren(make("thead", null, head), body);
}

function interval(row) {
  return make("i", row.u95 ? ` ± ${row.u95}` : "");
}

function column(text) {
  const th = make("th", text);
  th.scope = "col";
  return th;
}

function label(text) {
  const th = make("th", text);
  th.scope = "row";
  return th;
}
