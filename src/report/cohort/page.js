"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  if (!data.measures.length) return;
  const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const facets = data.facets.map((f) => {
    const raw = bytes(f.codes);
    const codes = new Uint16Array(data.tests);
    for (let i = 0; i < codes.length; i++) codes[i] = raw[2 * i] + 256 * raw[2 * i + 1];
    return { ...f, codes, chosen: new Set(), all: false };
  });
  const measures = data.measures.map((m) => ({ ...m, codes: bytes(m.codes) }));
  let measure = measures[0];
  const NONE = 255;
  const SHOWN_AT_FIRST = 24;
  const element = (name, attributes, parent, text) => {
    const e = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) e.setAttribute(key, value);
    if (text !== undefined) e.textContent = text;
    if (parent) parent.append(e);
    return e;
  };
  const width = () => (measure.high - measure.low) / data.bins;
  const number = (value) => value.toFixed(measure.decimals);
  const unit = () => (measure.unit ? " " + measure.unit : "");

  // Counts of a facet's groups see the filters of the other facets only: what a click would give stays in sight.
  const count = () => {
    const whole = new Uint32Array(data.bins);
    const chosen = new Uint32Array(data.bins);
    const groups = facets.map((f) => f.groups.map(() => new Uint32Array(data.bins)));
    for (let i = 0; i < data.tests; i++) {
      const bin = measure.codes[i];
      if (bin === NONE) continue;
      whole[bin]++;
      let out = 0, by = -1;
      facets.forEach((f, k) => {
        if (f.chosen.size && !f.chosen.has(f.codes[i])) { out++; by = k; }
      });
      if (out === 0) chosen[bin]++;
      facets.forEach((f, k) => {
        if (out === 0 || (out === 1 && by === k)) groups[k][f.codes[i]][bin]++;
      });
    }
    return { whole, chosen, groups };
  };
  const total = (bins) => bins.reduce((a, b) => a + b, 0);
  // Within a bin, values are taken to lie evenly.
  const quantile = (bins, share) => {
    const n = total(bins);
    if (!n) return null;
    const wanted = share * n;
    let below = 0;
    for (let b = 0; b < bins.length; b++) {
      if (bins[b] && below + bins[b] >= wanted) return measure.low + (b + (wanted - below) / bins[b]) * width();
      below += bins[b];
    }
    return measure.high;
  };
  const spread = (bins) => [0.05, 0.5, 0.95].map((q) => quantile(bins, q));

  const ticks = () => {
    const span = measure.high - measure.low;
    if (!(span > 0)) return [measure.low];
    const rough = span / 5;
    const power = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough);
    const all = [];
    for (let t = Math.ceil(measure.low / step) * step; t <= measure.high + step * 1e-9; t += step) all.push(t);
    return all.map((t) => Number(t.toPrecision(10)));
  };
  const axis = (svg, x, y, top) => {
    for (const t of ticks()) {
      element("line", { x1: x(t), x2: x(t), y1: top, y2: y, class: "hair" }, svg);
      element("text", { x: x(t), y: y + 16, "text-anchor": "middle", class: "quiet" }, svg, String(t));
    }
  };
  const scale = (left, right) => (v) => {
    const span = measure.high - measure.low;
    const share = span > 0 ? Math.min(1, Math.max(0, (v - measure.low) / span)) : 0.5;
    return left + (right - left) * share;
  };

  const drawWhole = ({ whole, chosen }) => {
    const W = 960, H = 250, left = 8, right = 952, base = 205, top = 34;
    const svg = element("svg", { viewBox: `0 0 ${W} ${H}`, role: "img" });
    const x = scale(left, right);
    axis(svg, x, base, top);
    // Five bins a bar: a bar should hold enough tests to have a height.
    const per = 5;
    const bars = (bins) => Array.from({ length: data.bins / per }, (_, i) => total(bins.slice(i * per, i * per + per)));
    const all = bars(whole), some = bars(chosen);
    const filtered = facets.some((f) => f.chosen.size);
    const most = Math.max(...(filtered ? some : all), 1);
    const w = (right - left) / all.length;
    const bar = (n, i, name) => {
      const h = ((base - top) * Math.min(n, most)) / most;
      if (n) element("rect", { x: left + i * w + 0.5, y: base - h, width: w - 1, height: h, class: name }, svg);
    };
    if (!filtered) all.forEach((n, i) => bar(n, i, "bar"));
    else some.forEach((n, i) => bar(n, i, "bar chosen"));
    element("line", { x1: left, x2: right, y1: base, y2: base, class: "axis" }, svg);
    const [low, median, high] = spread(chosen);
    if (median !== null) {
      element("line", { x1: x(low), x2: x(high), y1: 22, y2: 22, class: "reach" }, svg);
      element("circle", { cx: x(median), cy: 22, r: 4.5, class: "median" }, svg);
      // Beside the line where there is room, else above its end.
      const lowInside = x(low) < 52, highInside = x(high) > right - 44;
      element("text", { x: lowInside ? x(low) : x(low) - 6, y: lowInside ? 12 : 26, "text-anchor": lowInside ? "start" : "end", class: "quiet" }, svg, number(low));
      element("text", { x: x(median), y: 12, "text-anchor": "middle" }, svg, number(median));
      element("text", { x: highInside ? x(high) : x(high) + 6, y: highInside ? 12 : 26, "text-anchor": highInside ? "end" : "start", class: "quiet" }, svg, number(high));
    }
    element("text", { x: right, y: H - 4, "text-anchor": "end", class: "quiet" }, svg, measure.label + (measure.unit ? ", " + measure.unit : ""));
    const n = total(chosen), of = total(whole);
    const words = n ? `${n} of ${of} ${of === 1 ? "test" : "tests"}: median ${number(median)}${unit()}, 5–95 % from ${number(low)} to ${number(high)}${unit()}` : "No test is left: take a choice away.";
    element("title", {}, svg, words);
    document.getElementById("whole").replaceChildren(svg);
    const line = document.getElementById("chosen");
    line.replaceChildren();
    const p = document.createElement("span");
    p.id = "words";
    p.textContent = words;
    line.append(p);
    facets.forEach((f) => f.chosen.forEach((g) => {
      const b = document.createElement("button");
      b.textContent = `${f.name}: ${f.groups[g]} ×`;
      b.setAttribute("aria-label", `take away ${f.name} ${f.groups[g]}`);
      b.addEventListener("click", () => { f.chosen.delete(g); draw(); });
      line.append(b);
    }));
  };

  const drawFacet = (f, k, bins) => {
    const all = f.groups.map((_, g) => g);
    const rows = f.all ? all : all.slice(0, SHOWN_AT_FIRST);
    const W = 480, left = 118, right = 424, step = 22, top = 6;
    const base = top + rows.length * step;
    const svg = element("svg", { viewBox: `0 0 ${W} ${base + 24}`, role: "group", "aria-label": "by " + f.name });
    const x = scale(left, right);
    axis(svg, x, base, top);
    rows.forEach((g, i) => {
      const n = total(bins[g]);
      const y = top + i * step + step / 2;
      const on = !f.chosen.size || f.chosen.has(g);
      const row = element("g", { class: "row" + (on ? "" : " off"), tabindex: 0, role: "button", "aria-pressed": f.chosen.has(g), "data-facet": f.name, "data-group": f.groups[g] }, svg);
      element("rect", { x: 0, y: y - step / 2, width: W, height: step, class: "under" }, row);
      if (f.chosen.has(g)) element("rect", { x: 0, y: y - step / 2 + 3, width: 3, height: step - 6, class: "mark" }, row);
      const name = f.groups[g].length > 15 ? f.groups[g].slice(0, 14) + "…" : f.groups[g];
      element("text", { x: 8, y: y + 4 }, row, name);
      const [low, median, high] = spread(bins[g]);
      if (median !== null) {
        element("line", { x1: x(low), x2: x(high), y1: y, y2: y, class: "reach" }, row);
        element("circle", { cx: x(median), cy: y, r: 4, class: "median" }, row);
      }
      element("text", { x: W - 4, y: y + 4, "text-anchor": "end", class: "quiet" }, row, String(n));
      const words = median === null ? `${f.groups[g]}: no test` : `${f.groups[g]}: ${n} ${n === 1 ? "test" : "tests"}, median ${number(median)}${unit()}, 5–95 % from ${number(low)} to ${number(high)}${unit()}`;
      element("title", {}, row, words);
      row.setAttribute("aria-label", words);
      const toggle = () => { f.chosen.has(g) ? f.chosen.delete(g) : f.chosen.add(g); draw([k, g]); };
      row.addEventListener("click", toggle);
      row.addEventListener("keydown", (e) => { if (e.key === "Enter" || e.key === " ") { e.preventDefault(); toggle(); } });
    });
    element("line", { x1: left, x2: right, y1: base, y2: base, class: "axis" }, svg);
    const section = document.createElement("section");
    const h = document.createElement("h2");
    h.textContent = "By " + f.name;
    section.append(h, svg);
    if (all.length > SHOWN_AT_FIRST) {
      const b = document.createElement("button");
      b.textContent = f.all ? "show fewer" : `show all ${all.length}`;
      b.addEventListener("click", () => { f.all = !f.all; draw(); });
      section.append(b);
    }
    return section;
  };

  const draw = (focus) => {
    const counted = count();
    drawWhole(counted);
    const sections = facets.map((f, k) => (f.groups.length > 1 || f.groups[0] !== "not named" ? drawFacet(f, k, counted.groups[k]) : null));
    document.getElementById("facets").replaceChildren(...sections.filter(Boolean));
    if (focus) {
      const [k, g] = focus;
      document.querySelector(`.row[data-facet="${facets[k].name}"][data-group="${CSS.escape(facets[k].groups[g])}"]`)?.focus({ preventScroll: true });
    }
    document.getElementById("note").textContent = `Dot: median; line: from 5 % to 95 % of the tests; at the right their number. Click a row to choose it, again to take it away. Figures come from ${data.bins} bins of ${Number(width().toPrecision(2))}${unit()} and are good to that; values beyond the axis stand at its ends.`;
    document.querySelectorAll("#measures button").forEach((b) => b.setAttribute("aria-pressed", b.dataset.name === measure.name));
  };
  measures.forEach((m) => {
    const b = document.createElement("button");
    b.textContent = m.label;
    b.dataset.name = m.name;
    b.addEventListener("click", () => { measure = m; draw(); });
    document.getElementById("measures").append(b);
  });
  draw();
})();
