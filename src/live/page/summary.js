// The last test: measures beside the teacher's, what to try next, notes.

import { get, list, make, say } from "./words.js";

const SHORT = ["preload", "peak force", "peak force of a spring", "excursion", "spring rate", "onset force", "end-feel stiffness"];
const HINTS = 3;

export function summary(test, hidden) {
  const none = !test;
  say(get("last-none"), hidden ? "Not shown." : "None yet.");
  get("last-none").hidden = !none;
  get("measures").hidden = none;
  get("more").hidden = none;
  if (none) {
    say(get("last-title"), "Last test");
    get("hints").replaceChildren();
    return;
  }
  const where = [test.level, test.sides.length === 1 ? test.sides[0].side : "both sides"].filter(Boolean).join(" ");
  say(get("last-title"), `Last test: ${where || `number ${test.number}`}${test.provisional ? ", provisional" : ""}`);
  table(get("measures"), test, (label) => SHORT.includes(label));
  table(get("all"), test, () => true);
  const hints = test.hints.slice(0, HINTS).map((h) => make("li", `${h.text} `, make("q", h.advice)));
  get("hints").replaceChildren(...hints);
  list(get("notes"), test.notes);
  get("more").hidden = test.provisional;
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
