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
    f.axes("s", "N", (v) => (v === 0 ? "now" : String(v).replace("-", "−")));
    f.level(ceiling, `ceiling ${ceiling} N, ${view.ceiling.region}${view.ceiling.assumed ? " (lowest: no level is set)" : ""}`, f.colours.ink, [7, 4]);
    view.sides.forEach((side, k) => this.line(k, begin, side));
    c.lineWidth = 1;
  }

  line(k, begin, side) {
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
    const last = this.bins[this.bins.length - 1]?.sides[k];
    if (last && side && f.right > 3 * f.size) {
      const shift = k === 0 ? -0.1 : 0.1;
      f.label(side, f.width - f.right + 5, f.py(last.high) + shift * f.size, f.colourOf(k), "left", k === 0 ? "bottom" : "top");
    }
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
    const words = `pre-tension begins, ${Math.round(onset.force_n)}${u == null ? "" : ` ± ${Math.max(1, Math.round(u))}`} N${onset.provisional ? ", provisional" : ""}`;
    f.level(onset.force_n, words, f.colours.quiet, onset.provisional ? [2, 4] : [], true);
  }
}
