// Words of the page and small helpers. Text from outside only ever becomes text, never markup.

export const PHASES = {
  off: "no hand on",
  lean: "lean",
  "take-up": "take-up",
  hold: "hold",
  "pre-tension": "pre-tension",
  spring: "spring",
  recoil: "recoil",
  release: "release",
};

export const get = (id) => document.getElementById(id);

// Writes a text only when it differs: nothing flickers, and nothing is read out twice.
export function say(element, text) {
  const words = text ?? "";
  if (element.textContent !== words) element.textContent = words;
}

export function make(name, text, ...children) {
  const element = document.createElement(name);
  if (text != null) element.textContent = text;
  element.append(...children);
  return element;
}

export const level = (word) => (word === "sacral_base" ? "sacral base" : word);

// Whole newtons; never a minus before nothing.
export const newtons = (value) => String(Math.round(value) || 0).replace("-", "−");

export function list(element, lines) {
  const old = [...element.children].map((c) => c.textContent).join("\n");
  if (old === lines.join("\n")) return;
  element.replaceChildren(...lines.map((line) => make("li", line)));
}
