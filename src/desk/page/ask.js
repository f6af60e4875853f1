// Questions to the program, and forms that are looked at while they are typed.

import { say } from "./words.js";

const LOOK_AFTER_MS = 300;

// Asks and gives what was answered: `ok`, the answer in `data`, or why not in `message`.
export async function ask(path, body = {}) {
  try {
    const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    const text = await answer.text();
    let data = null;
    try {
      data = JSON.parse(text);
    } catch {
      // A refusal before any answer comes as plain words.
    }
    return { ok: answer.ok, data, message: answer.ok ? "" : (data?.message ?? text) };
  } catch {
    return { ok: false, data: null, message: "The program does not answer. Nothing was done; look whether it still runs." };
  }
}

// Calls `look` some time after the last keystroke in a form.
export function lookWhileTyping(form, look) {
  let timer = null;
  form.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(look, LOOK_AFTER_MS);
  });
}

// Shows each fault beside its field: in the element `fault-FIELD`, which the field names as its description.
export function showFaults(faults) {
  for (const place of document.querySelectorAll(".fault")) {
    const field = place.id.replace("fault-", "");
    const words = faults.filter((f) => f.field === field).map((f) => f.words);
    say(place, words.join("\n"));
    document.getElementById(field)?.setAttribute("aria-invalid", String(words.length > 0));
  }
  return faults.length;
}

// Shows the commands that do the same.
export function commands(lines) {
  const place = document.getElementById("commands");
  if (place) place.textContent = lines.join("\n");
}
