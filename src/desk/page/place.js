// A drawing of where to press: the back from behind with the level and side, and the line of drive from the side.
// Not to scale, and no one's anatomy: it says which way round, nothing more.

import { make } from "./words.js";

const SVG = "http://www.w3.org/2000/svg";
// Rank of a level from the neck down: C2 to C7, T1 to T12, L1 to L5, sacral base, SI.
const BONES = 25;
const TOP = 52;
const STEP = 11.6;
const MIDDLE = 90;
const ASIDE = 15;

function svg(name, attributes, ...children) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, String(value));
  element.append(...children);
  return element;
}

function text(x, y, words, anchor = "middle") {
  return svg("text", { x, y, "text-anchor": anchor }, words);
}

// Seen from behind: the subject's left is on the left.
function back(place) {
  const bones = [];
  for (let rank = 0; rank < BONES - 1; rank++) {
    const width = rank < 6 ? 9 : rank < 18 ? 10 + (rank - 6) * 0.35 : rank < 23 ? 16 : 26;
    bones.push(svg("rect", { class: rank === place.rank ? "here" : "bone", x: MIDDLE - width, y: TOP + rank * STEP, width: 2 * width, height: STEP - 3.5, rx: 3 }));
  }
  const joints = [-1, 1].map((s) => svg("ellipse", { class: place.rank === BONES - 1 && (place.side === "both" || place.side === (s < 0 ? "left" : "right")) ? "here" : "bone", cx: MIDDLE + s * 30, cy: TOP + 24 * STEP, rx: 5, ry: 12 }));
  const y = TOP + Math.min(place.rank, BONES - 1) * STEP + 4;
  const out = place.rank === BONES - 1 ? 30 : ASIDE;
  const marks = { left: [-1], right: [1], both: [-1, 1], midline: [0] }[place.side] ?? [];
  return svg(
    "svg",
    { viewBox: "0 0 180 372", role: "img", "aria-label": `The back from behind: ${place.level} ${place.side}` },
    svg("path", { class: "body", d: "M72 6 q18 -10 36 0 q6 14 -2 28 l2 12 q38 6 50 26 l-6 96 q-8 30 -4 62 q10 40 6 88 q-3 40 -34 46 l-60 0 q-31 -6 -34 -46 q-4 -48 6 -88 q4 -32 -4 -62 l-6 -96 q12 -20 50 -26 l2 -12 q-8 -14 -2 -28 z" }),
    ...bones,
    ...joints,
    ...marks.map((s) => svg("circle", { class: "mark", cx: MIDDLE + s * out, cy: y, r: 8 })),
    text(26, 366, "left"),
    text(154, 366, "right"),
  );
}

// Seen from the subject's left side, head on the left: the push goes the way of the arrow.
function aside(place) {
  const angle = (place.line_of_drive_deg * Math.PI) / 180;
  // Toward the head is to the left, into the body is down.
  const [dx, dy] = [-Math.cos(angle), Math.sin(angle)];
  const [x, y] = [90, 78];
  const [fromX, fromY] = [x - 60 * dx, y - 60 * dy];
  const head = [[x, y], [x - 12 * dx - 6 * dy, y - 12 * dy + 6 * dx], [x - 12 * dx + 6 * dy, y - 12 * dy - 6 * dx]];
  return svg(
    "svg",
    { viewBox: "0 0 180 132", role: "img", "aria-label": `From the side, head on the left: line of drive ${place.line_of_drive_deg} degrees` },
    svg("path", { class: "body", d: "M6 98 q4 -18 22 -14 q8 -6 16 0 q60 -14 128 0 l2 26 l-150 0 q-16 4 -18 -12 z" }),
    svg("line", { class: "arrow", x1: fromX, y1: fromY, x2: x - 8 * dx, y2: y - 8 * dy }),
    svg("polygon", { class: "arrow-head", points: head.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" ") }),
    text(20, 128, "head"),
    text(160, 128, "feet"),
  );
}

export function drawPlace(element, place) {
  if (!place) return element.replaceChildren();
  const figures = [];
  const behind = make("figure", null, back(place), make("figcaption", `${place.level} ${place.side}: the subject's ${place.side === "left" || place.side === "right" ? place.side : "back"}`));
  behind.className = "back";
  figures.push(behind);
  if (place.line_of_drive_deg != null) {
    const side = make("figure", null, aside(place), make("figcaption", `line of drive ${place.line_of_drive_deg}°`));
    side.className = "aside";
    figures.push(side);
  }
  element.replaceChildren(...figures);
}
