// The running force-time strip.

import { Figure, roundUp } from "./draw.js";

const SPAN_S = 10;
// A hole longer than this is a hole, not a line.
const HOLE_S = 0.1;

export class Strip {
  constructor(element) {
    this.figure = new Figure(element);
    this.bins = [];
    this.next = null;
  }

  clear() {
    this.bins = [];
    this.next = null;
  }

  add(part) {
    const newest = this.bins.length ? this.bins[this.bins.length - 1].t : -Infinity;
    // Another stream, or the device began anew.
    if (part.time_s.length && (part.time_s[0] < newest - 1 || (this.next !== null && part.from < this.next))) this.clear();
    part.time_s.forEach((t, i) => {
      const sides = part.sides.map((s) => ({ low: s.low_n[i], high: s.high_n[i] }));
      // The ceiling is for both hands together, so their sum is a line of its own.
      if (sides.length > 1) sides.push({ low: sides[0].low + sides[1].low, high: sides[0].high + sides[1].high });
      this.bins.push({ t, sides });
    });
    if (part.time_s.length) this.next = part.from + part.time_s.length;
    const end = this.bins.length ? this.bins[this.bins.length - 1].t : 0;
    const old = this.bins.findIndex((b) => b.t >= end - SPAN_S - 1);
    if (old > 0) this.bins.splice(0, old);
  }

  draw(view) {
    const f = this.figure;
    if (!f.begin()) return;
    const c = f.context;
    const end = this.bins.length ? this.bins[this.bins.length - 1].t : 0;
    const begin = end - SPAN_S;
    let most = 0;
    let least = 0;
    for (const b of this.bins) for (const s of b.sides) {
      most = Math.max(most, s.high);
      least = Math.min(least, s.low);
    }
    const ceiling = view.ceiling.ceiling_n;
    f.right = view.sides.length > 1 ? 4 * f.size : f.size;
    f.scale([-SPAN_S, 0], [Math.min(-0.02 * ceiling, least), roundUp(Math.max(1.12 * ceiling, 1.04 * most))]);
    view.onsets.forEach((onset) => this.band(onset));
    f.axes("s", "N", { label: (v) => (v === 0 ? "now" : String(v).replace("-", "−")), unitFirst: true });
    f.level(ceiling, f.colours.ink, [7, 4]);
    const names = view.sides.length > 1 ? [...view.sides, "both"] : view.sides;
    names.forEach((_, k) => this.line(k, begin, f.colourOf(k, names.length)));
    this.names(view);
    this.sides(names);
    c.lineWidth = 1;
  }

  names(view) {
    const f = this.figure;
    const { region, ceiling_n: ceiling, origin, assumed } = view.ceiling;
    const whose = origin === "lab" ? "set by this lab" : "shipped: the lab must set its own";
    f.label(`ceiling ${ceiling} N, ${assumed ? "the lowest, no level is set" : region} (${whose})`, f.left + 6, f.py(ceiling) - 4, f.colours.ink);
    // Two hands' onsets lie close together: one name serves both.
    const known = view.onsets.filter(Boolean);
    if (known.length) {
      const highest = known.reduce((a, b) => (b.force_n > a.force_n ? b : a));
      const about = known.map((o) => Math.round(o.force_n) + (o.force_u95_n == null ? "" : ` ± ${Math.max(1, Math.ceil(o.force_u95_n))}`));
      const words = `pre-tension begins${view.sides.length > 1 ? " on each side" : ""}, ${[...new Set(about)].join(" and ")} N${highest.provisional ? ", provisional" : ""}`;
      const lowest = known.reduce((a, b) => (b.force_n < a.force_n ? b : a));
      const under = f.py(lowest.force_n - (lowest.force_u95_n ?? 0));
      // Below the line, where only a lean passes; above it when it lies on the axis.
      if (f.height - f.bottom - under > 1.4 * f.size) f.label(words, f.left + 6, under + 3, f.colours.quiet, "left", "top");
      else f.label(words, f.left + 6, f.py(highest.force_n + (highest.force_u95_n ?? 0)) - 4, f.colours.quiet);
    }
  }

  // Each line's name beside its end, from the lowest up, never one over another.
  sides(names) {
    const f = this.figure;
    const last = this.bins[this.bins.length - 1];
    if (!last || names.length < 2) return;
    const ends = names.map((name, k) => ({ name: name ?? "", k, y: f.py(last.sides[k]?.high ?? 0) })).sort((a, b) => b.y - a.y);
    let floor = f.height - f.bottom + 0.3 * f.size;
    for (const end of ends) {
      const y = Math.min(end.y, floor);
      floor = y - 1.1 * f.size;
      f.label(end.name, f.width - f.right + 5, y, f.colourOf(end.k, names.length), "left", "middle");
    }
  }

  line(k, begin, colour) {
    const f = this.figure;
    const c = f.context;
    c.strokeStyle = colour;
    c.lineWidth = Math.max(1.6, f.size / 8);
    c.beginPath();
    let before = null;
    for (const b of this.bins) {
      const s = b.sides[k];
      if (!s || b.t < begin) continue;
      const x = f.px(b.t - begin - SPAN_S);
      if (before === null || b.t - before > HOLE_S) c.moveTo(x, f.py(s.low));
      else c.lineTo(x, f.py(s.low));
      c.lineTo(x, f.py(s.high));
      before = b.t;
    }
    c.stroke();
  }

  // Where pre-tension begins: a band as wide as it is known, a thin line while it is a guess.
  band(onset) {
    if (!onset) return;
    const f = this.figure;
    const c = f.context;
    const u = onset.force_u95_n;
    if (u != null) {
      c.fillStyle = f.colours.band;
      const y = f.py(onset.force_n + u);
      c.fillRect(f.left, y, f.width - f.left - f.right, Math.max(2, f.py(onset.force_n - u) - y));
    }
    f.level(onset.force_n, f.colours.quiet, onset.provisional ? [2, 4] : []);
  }
}
