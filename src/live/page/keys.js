// Buttons, the keys that stand on them, and those that are asked for twice.

import { make, say } from "./words.js";

const SURE_MS = 4000;

// Writes the key onto each button, and calls `press` with a button of `chosen` that was meant. `again` gives the words by which a
// button asks to be pressed a second time, where it must be.
export function buttons(chosen, press, again = twice) {
  for (const button of document.querySelectorAll("button[data-key]")) {
    const words = make("span", button.textContent);
    button.replaceChildren(words, make("kbd", button.dataset.key.toUpperCase()));
    button.setAttribute("aria-keyshortcuts", button.dataset.key.toUpperCase());
    button.dataset.words = words.textContent;
  }
  const sure = (button, words) => {
    button.classList.toggle("sure", words != null);
    if (button.dataset.words) say(button.firstChild, words ?? button.dataset.words);
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest(chosen);
    if (!button) return;
    const words = button.classList.contains("sure") ? null : again(button);
    sure(button, words);
    if (words == null) return press(button);
    setTimeout(() => sure(button, null), SURE_MS);
  });
  document.addEventListener("keydown", (event) => {
    if (event.repeat || event.ctrlKey || event.altKey || event.metaKey) return;
    // Digits and letters of a field are no keys.
    if (event.target.closest("input, select, textarea")) return;
    const key = event.key.toLowerCase();
    const button = [...document.querySelectorAll("button[data-key]")].find((b) => b.dataset.key === key);
    if (!button || button.closest("[hidden]")) return;
    event.preventDefault();
    button.focus();
    button.click();
  });
}

// What ends or undoes something is asked for twice.
export const twice = (button) => ("twice" in button.dataset ? `${button.dataset.words}: press again` : null);
