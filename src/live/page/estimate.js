// What the learner thinks the peak force of the last test was, before its numbers are shown.

import { get, say } from "./words.js";

const MOST_N = 1000;

// `send` takes a command and its words.
export class Estimate {
  constructor(send) {
    this.section = get("estimate");
    this.field = get("estimate-n");
    this.wanted = null;
    this.send = send;
    this.section.querySelector("form").addEventListener("submit", (event) => {
      event.preventDefault();
      const newtons = Number(this.field.value.trim().replace(",", "."));
      if (this.field.value.trim() === "" || !(newtons >= 0 && newtons <= MOST_N)) {
        say(get("estimate-hint"), `Write a force from 0 to ${MOST_N} N.`);
        this.field.focus();
        return;
      }
      this.give(newtons);
    });
    this.section.querySelector("[data-pass]").addEventListener("click", () => this.give(null));
  }

  give(newtons) {
    const words = newtons == null ? "No estimate" : `Estimate ${newtons} N`;
    this.send({ command: "estimate", peak_n: newtons }, words);
  }

  // Shows the field while an estimate is waited for; a new test empties it.
  show(state) {
    const wanted = state.estimates?.wanted ?? null;
    if (wanted === this.wanted) return;
    this.wanted = wanted;
    this.field.value = "";
    say(get("estimate-hint"), "All hands together. Its numbers stay hidden until then.");
    const had = this.section.contains(document.activeElement);
    this.section.hidden = wanted == null;
    if (had && wanted == null) get("actions").focus();
  }
}
