// Force against displacement: this touch over the last test, with the onset as soon as it is known.

import { Figure, roundUp } from "./draw.js";

export class Curve {
  constructor(element) {
    this.element = element;
    this.figure = new Figure(element);
    this.now = [];
    this.last = null;
    this.on = false;
  }

  clear() {
    this.now = [];
  }

  // A touch begins with an empty curve; after it the curve stays until the next.
  add(part, on) {
    if (on && !this.on) this.clear();
    this.on = on;
    if (!on) return;
    part.time_s.forEach((_, i) => {
      part.sides.forEach((s, k) => {
        const x = s.displacement_mm[i];
        if (x == null) return;
        (this.now[k] ??= []).push([x, (s.low_n[i] + s.high_n[i]) / 2]);
        // An hour of holding is no reason to draw a million points.
        if (this.now[k].length > 6000) this.now[k].splice(0, 1000);
      });
    });
  }

  draw(view) {
    const curves = this.now.filter((c) => c && c.length > 1);
    const before = (this.last?.sides ?? []).map((s) => s.curve).filter((c) => c && c.displacement_mm.length > 1);
    const empty = curves.length === 0 && before.length === 0;
    this.element.classList.toggle("empty", empty);
    const f = this.figure;
    if (!f.begin()) return;
    if (empty) {
      if (!view.hidden) f.label("It begins with the next touch.", 0, 2 * f.size, f.colours.quiet);
      return;
    }
    const xs = [...curves.flat().map((p) => p[0]), ...before.flatMap((c) => c.displacement_mm)];
    const ys = [...curves.flat().map((p) => p[1]), ...before.flatMap((c) => c.force_n)];
    let [low, high] = [Infinity, -Infinity];
    for (const x of xs) {
      low = Math.min(low, x);
      high = Math.max(high, x);
    }
    let most = 10;
    for (const y of ys) most = Math.max(most, y);
    const spare = Math.max(0.5, 0.05 * (high - low));
    f.right = f.size;
    f.scale([low - spare, high + spare], [-0.02 * most, roundUp(1.05 * most)]);
    f.axes("mm", "N");
    for (const c of before) this.line(c.displacement_mm.map((x, i) => [x, c.force_n[i]]), f.colours.hair, 1.5);
    curves.forEach((points, k) => this.line(points, f.colourOf(k), Math.max(1.6, f.size / 8)));
    const onsets = view.onsets.some(Boolean) ? view.onsets : (this.last?.sides ?? []).map((s) => s.onset);
    onsets.forEach((onset, k) => this.mark(onset, k));
    this.names(onsets, view);
  }

  line(points, colour, width) {
    const f = this.figure;
    const c = f.context;
    c.strokeStyle = colour;
    c.lineWidth = width;
    c.beginPath();
    points.forEach(([x, y], i) => (i ? c.lineTo(f.px(x), f.py(y)) : c.moveTo(f.px(x), f.py(y))));
    c.stroke();
  }

  mark(onset, k) {
    if (!onset || onset.displacement_mm < this.figure.x[0] || onset.displacement_mm > this.figure.x[1]) return;
    const f = this.figure;
    const c = f.context;
    const x = Math.round(f.px(onset.displacement_mm)) + 0.5;
    c.strokeStyle = f.colours.quiet;
    c.lineWidth = 1;
    c.setLineDash(onset.provisional ? [2, 4] : []);
    c.beginPath();
    c.moveTo(x, f.height - f.bottom);
    c.lineTo(x, f.top);
    c.stroke();
    c.setLineDash([]);
    c.fillStyle = f.colourOf(k);
    c.beginPath();
    c.arc(x, f.py(onset.force_n), f.size / 3, 0, 2 * Math.PI);
    c.fill();
  }

  // Both hands' onsets in one place, beside the first line.
  names(onsets, view) {
    const f = this.figure;
    const known = onsets.map((o, k) => o && { ...o, side: view.sides[k] }).filter(Boolean);
    if (!known.length) return;
    const name = (o) => `${known.length > 1 && o.side ? `${o.side} ` : ""}onset ${o.displacement_mm.toFixed(1)} mm`;
    const lines = known.map(name);
    if (known.some((o) => o.provisional)) lines.push("provisional");
    const x = f.px(Math.min(...known.map((o) => o.displacement_mm)));
    const room = x - f.left > 10 * f.size;
    lines.forEach((line, i) => f.label(line, room ? x - 6 : x + 6, f.top + f.size * (0.8 + 1.25 * i), f.colours.ink, room ? "right" : "left", "middle"));
  }
}
