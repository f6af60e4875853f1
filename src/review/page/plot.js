// The curves: force and displacement against time, and force against displacement. Drawn as SVG, so that print is as sharp.

import { ticks } from "./draw.js";

const SVG = "http://www.w3.org/2000/svg";
export const LEFT = 52;
export const RIGHT = 14;
const TOP = 18;
const BOTTOM = 26;

function shape(name, attributes, text) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text != null) element.textContent = text;
  return element;
}

// Room above and below, so that no line runs along an edge.
function range(values, least) {
  let [low, high] = [Infinity, -Infinity];
  for (const v of values) {
    if (v == null) continue;
    low = Math.min(low, v);
    high = Math.max(high, v);
  }
  if (!(high >= low)) return [0, 1];
  const room = Math.max(least, 0.06 * (high - low));
  return [low - room, high + room];
}

class Plot {
  constructor(place, words) {
    this.place = place;
    this.svg = shape("svg", { role: "img", "aria-label": words });
    place.append(this.svg);
  }

  begin(height) {
    this.width = this.place.clientWidth;
    this.height = height;
    this.svg.setAttribute("viewBox", `0 0 ${this.width} ${height}`);
    this.svg.setAttribute("height", height);
    this.svg.replaceChildren();
    return this.width > 120;
  }

  add(name, attributes, text) {
    const element = shape(name, attributes, text);
    this.svg.append(element);
    return element;
  }

  scale(domain, from, to) {
    return (v) => from + ((v - domain[0]) / (domain[1] - domain[0])) * (to - from);
  }

  yAxis(domain, y, unit) {
    const [top, bottom] = [y(domain[1]), y(domain[0])];
    this.add("path", { class: "axis", d: `M${LEFT},${top}V${bottom}` });
    const values = ticks(domain, Math.max(2, (bottom - top) / 36));
    values.forEach((v, i) => {
      this.add("path", { class: "axis", d: `M${LEFT - 4},${y(v)}H${LEFT}` });
      const words = i === values.length - 1 ? `${v} ${unit}` : String(v);
      this.add("text", { x: LEFT - 7, y: y(v) + 4, "text-anchor": "end" }, words);
    });
  }

  xAxis(domain, x, bottom, unit) {
    const end = this.width - RIGHT;
    this.add("path", { class: "axis", d: `M${LEFT},${bottom}H${end}` });
    const values = ticks(domain, Math.max(2, (end - LEFT) / 75));
    values.forEach((v, i) => {
      this.add("path", { class: "axis", d: `M${x(v)},${bottom}v4` });
      const words = i === values.length - 1 ? `${v} ${unit}` : String(v);
      this.add("text", { x: Math.min(x(v), this.width - 4), y: bottom + 18, "text-anchor": x(v) > this.width - 40 ? "end" : "middle" }, words);
    });
  }
}

const path = (points) => points.map(([x, y], i) => `${i ? "L" : "M"}${x.toFixed(1)},${y.toFixed(1)}`).join("");

export class TimePlot extends Plot {
  constructor(place, zoomed) {
    super(place, "Force above and displacement below, against time, with the marks");
    this.zoomed = zoomed;
    place.addEventListener("pointerdown", (event) => this.drag(event));
  }

  // Where a moment stands, in pixels from the left.
  at(seconds) {
    return this.x(seconds);
  }

  moment(pixels) {
    const [low, high] = this.shown;
    return low + ((pixels - LEFT) / (this.width - LEFT - RIGHT)) * (high - low);
  }

  draw(test, before, shown, cursor) {
    this.shown = shown;
    const { time_s: time, force_n: force, displacement_mm: way } = test.curve;
    const both = way.length > 0;
    const height = both ? 360 : 260;
    this.x = this.scale(shown, LEFT, Math.max(LEFT + 1, this.place.clientWidth - RIGHT));
    if (!this.begin(height)) return;
    const first = Math.max(0, time.findIndex((t) => t >= shown[0]) - 1);
    let last = time.findIndex((t) => t > shown[1]);
    if (last < 0) last = time.length - 1;
    const part = (values) => values.slice(first, last + 1);
    const middle = both ? 0.6 * height : height - BOTTOM;
    const forces = range(part(force), 1);
    const y = this.scale(forces, middle, TOP);
    const clip = this.add("clipPath", { id: "inside" });
    clip.append(shape("rect", { x: LEFT, y: 0, width: this.width - LEFT - RIGHT, height }));
    const inside = this.add("g", { "clip-path": "url(#inside)" });
    const line = (at, name, top = TOP, bottom = height - BOTTOM) => inside.append(shape("path", { class: name, d: `M${this.x(at).toFixed(1)},${top}V${bottom}` }));
    const [begin, end] = [this.x(test.contact_begin_s), this.x(test.contact_end_s)];
    const shade = (from, to) => to > from && inside.append(shape("rect", { class: "outside", x: from, y: TOP, width: to - from, height: height - BOTTOM - TOP }));
    shade(LEFT, begin);
    shade(end, this.width - RIGHT);
    if (before) {
      for (const at of marksOf(before)) if (!marksOf(test).some((now) => Math.abs(now - at) < 0.002)) line(at, "mark was");
    }
    for (const at of [test.contact_begin_s, test.contact_end_s]) line(at, "mark contact");
    for (const s of test.springs) {
      line(s.start_s, "mark");
      line(s.end_s, "mark");
      line(s.peak_s, "mark peak");
    }
    const points = (values, to) => part(time).map((t, i) => [this.x(t), to(part(values)[i])]);
    const seconds = part(time).map((t) => this.x(t));
    const drawn = (values, to) => path(part(values).map((v, i) => [seconds[i], to(v)]));
    inside.append(shape("path", { class: "curve", d: drawn(force, y) }));
    this.yAxis(forces, y, "N");
    if (both) {
      const ways = range(part(way), 0.1);
      const yWay = this.scale(ways, height - BOTTOM, middle + 16);
      inside.append(shape("path", { class: "curve x", d: drawn(way, yWay) }));
      this.yAxis(ways, yWay, "mm");
    }
    this.xAxis(shown, this.x, height - BOTTOM, "s");
    const near = (t) => {
      let best = 0;
      for (let i = 0; i < time.length; i++) if (Math.abs(time[i] - t) < Math.abs(time[best] - t)) best = i;
      return best;
    };
    if (test.onset_s != null) inside.append(shape("circle", { class: "onset", cx: this.x(test.onset_s), cy: y(force[near(test.onset_s)]), r: 5 }));
    for (const t of test.set_at_s) {
      const [x, at] = [this.x(t), y(force[near(t)])];
      inside.append(shape("path", { class: "set", d: `M${x - 6},${at}l6,-6l6,6l-6,6z` }));
    }
    for (const [t, word] of test.words) {
      line(t, "flag", 4);
      inside.append(shape("text", { class: "word", x: this.x(t) + 4, y: 14 }, word));
    }
    if (cursor != null) line(cursor, "mark was", TOP);
  }

  // Across the curve: that part is shown.
  drag(event) {
    if (event.button !== 0 || event.pointerType === "touch") return;
    const left = this.place.getBoundingClientRect().left;
    const from = event.clientX - left;
    const box = this.add("rect", { class: "drawn", x: from, y: TOP, width: 0, height: this.height - BOTTOM - TOP });
    const move = (e) => {
      const to = e.clientX - left;
      box.setAttribute("x", Math.min(from, to));
      box.setAttribute("width", Math.abs(to - from));
    };
    const up = (e) => {
      removeEventListener("pointermove", move);
      const to = e.clientX - left;
      box.remove();
      if (Math.abs(to - from) > 12) this.zoomed([from, to].sort((a, b) => a - b).map((p) => this.moment(p)));
    };
    addEventListener("pointermove", move);
    addEventListener("pointerup", up, { once: true });
  }
}

// Every moment that is marked.
export function marksOf(test) {
  return [test.contact_begin_s, test.contact_end_s, ...test.springs.flatMap((s) => [s.start_s, s.peak_s, s.end_s])];
}

export class LoopPlot extends Plot {
  constructor(place) {
    super(place, "Force against displacement within the contact, with the onset");
  }

  at(mm) {
    return this.x(mm);
  }

  moment(pixels) {
    const [low, high] = this.shown;
    return low + ((pixels - LEFT) / (this.width - LEFT - RIGHT)) * (high - low);
  }

  draw(test, before, within) {
    const { time_s: time, force_n: force, displacement_mm: way } = test.curve;
    const inside = time.map((t, i) => i).filter((i) => time[i] >= test.contact_begin_s && time[i] <= test.contact_end_s);
    this.shown = range(inside.map((i) => way[i]), 0.2);
    const forces = range(inside.map((i) => force[i]), 1);
    this.x = this.scale(this.shown, LEFT, Math.max(LEFT + 1, this.place.clientWidth - RIGHT));
    if (!this.begin(360)) return;
    const y = this.scale(forces, this.height - BOTTOM, TOP);
    const shade = (from, to) => to > from && this.add("rect", { class: "outside", x: from, y: TOP, width: to - from, height: this.height - BOTTOM - TOP });
    const [low, high] = within;
    if (low != null) shade(LEFT, this.x(low));
    if (high != null) shade(this.x(high), this.width - RIGHT);
    this.add("path", { class: "curve", d: path(inside.map((i) => [this.x(way[i]), y(force[i])])) });
    this.yAxis(forces, y, "N");
    this.xAxis(this.shown, this.x, this.height - BOTTOM, "mm");
    if (before?.onset_mm != null && before.onset_mm !== test.onset_mm) this.add("path", { class: "mark was", d: `M${this.x(before.onset_mm)},${TOP}V${this.height - BOTTOM}` });
    if (test.onset_mm != null) {
      const x = this.x(test.onset_mm);
      this.add("path", { class: "mark", d: `M${x},${TOP}V${this.height - BOTTOM}` });
      if (test.onset_n != null) this.add("circle", { class: "onset", cx: x, cy: y(test.onset_n), r: 5 });
      const late = x > this.width / 2;
      this.add("text", { class: "word", x: late ? x - 8 : x + 8, y: TOP + 12, "text-anchor": late ? "end" : "start" }, "onset");
    }
  }
}
