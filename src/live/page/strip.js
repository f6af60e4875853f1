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
      this.bins.push({ t, sides: part.sides.map((s) => ({ low: s.low_n[i], high: s.high_n[i], x: s.displacement_mm[i] })) });
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
    view.sides.forEach((_, k) => this.line(k, begin));
    this.names(view);
    c.lineWidth = 1;
  }

  names(view) {
    const f = this.figure;
    const { region, ceiling_n: ceiling, assumed } = view.ceiling;
    f.label(`ceiling ${ceiling} N, ${region}${assumed ? " (lowest: no level is set)" : ""}`, f.left + 6, f.py(ceiling) - 4, f.colours.ink);
    // Two hands' onsets lie close together: one name serves both.
    const known = view.onsets.filter(Boolean);
    if (known.length) {
      const highest = known.reduce((a, b) => (b.force_n > a.force_n ? b : a));
      const about = known.map((o) => Math.round(o.force_n) + (o.force_u95_n == null ? "" : ` ± ${Math.max(1, Math.ceil(o.force_u95_n))}`));
      const words = `pre-tension begins, ${[...new Set(about)].join(" and ")} N${highest.provisional ? ", provisional" : ""}`;
      const lowest = known.reduce((a, b) => (b.force_n < a.force_n ? b : a));
      const under = f.py(lowest.force_n - (lowest.force_u95_n ?? 0));
      // Below the line, where only a lean passes; above it when it lies on the axis.
      if (f.height - f.bottom - under > 1.4 * f.size) f.label(words, f.left + 6, under + 3, f.colours.quiet, "left", "top");
      else f.label(words, f.left + 6, f.py(highest.force_n + (highest.force_u95_n ?? 0)) - 4, f.colours.quiet);
    }
    const last = this.bins[this.bins.length - 1];
    if (!last || view.sides.length < 2) return;
    const upper = last.sides[0].high >= last.sides[1].high ? 0 : 1;
    const middle = (f.py(last.sides[0].high) + f.py(last.sides[1].high)) / 2;
    view.sides.forEach((side, k) => {
      // Beside its line, and never on the other's name.
      const y = k === upper ? Math.min(f.py(last.sides[k].high), middle - 0.55 * f.size) : Math.max(f.py(last.sides[k].high), middle + 0.55 * f.size);
      f.label(side ?? "", f.width - f.right + 5, y, f.colourOf(k), "left", "middle");
    });
  }

  line(k, begin) {
    const f = this.figure;
    const c = f.context;
    c.strokeStyle = f.colourOf(k);
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
