// What both figures share: a sharp canvas, thin axes, labels beside what they name.

export class Figure {
  constructor(figure) {
    this.canvas = figure.querySelector("canvas");
    this.context = this.canvas.getContext("2d");
    this.left = 52;
    this.right = 12;
    this.top = 10;
    this.bottom = 24;
  }

  // Fits the canvas to its place and clears it. False when there is no room to draw.
  begin() {
    const scale = window.devicePixelRatio || 1;
    const { clientWidth: width, clientHeight: height } = this.canvas;
    if (width < 80 || height < 60) return false;
    if (this.canvas.width !== Math.round(width * scale) || this.canvas.height !== Math.round(height * scale)) {
      this.canvas.width = Math.round(width * scale);
      this.canvas.height = Math.round(height * scale);
    }
    this.width = width;
    this.height = height;
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(name).trim();
    this.colours = { ink: colour("--ink"), quiet: colour("--quiet"), hair: colour("--hair"), band: colour("--band"), accent: colour("--accent"), paper: colour("--paper") };
    this.size = Math.max(12, Math.min(20, window.innerWidth / 90));
    this.left = 3.9 * this.size;
    this.bottom = 1.7 * this.size;
    const c = this.context;
    c.setTransform(scale, 0, 0, scale, 0, 0);
    c.clearRect(0, 0, width, height);
    c.font = `${this.size}px ${getComputedStyle(this.canvas).fontFamily}`;
    c.lineJoin = "round";
    return true;
  }

  scale(x, y) {
    this.x = x;
    this.y = y;
    this.px = (v) => this.left + ((v - x[0]) / (x[1] - x[0])) * (this.width - this.left - this.right);
    this.py = (v) => this.height - this.bottom - ((v - y[0]) / (y[1] - y[0])) * (this.height - this.bottom - this.top);
  }

  // The unit stands at the last tick upwards, and at one end along.
  axes(xUnit, yUnit, { label = (v) => String(v), unitFirst = false } = {}) {
    const c = this.context;
    c.strokeStyle = this.colours.quiet;
    c.lineWidth = 1;
    c.beginPath();
    c.moveTo(Math.round(this.left) + 0.5, this.top);
    c.lineTo(Math.round(this.left) + 0.5, this.height - this.bottom);
    c.lineTo(this.width - this.right, this.height - this.bottom + 0.5);
    c.stroke();
    c.fillStyle = this.colours.quiet;
    const ys = ticks(this.y, Math.max(2, (this.height - this.bottom) / (3.2 * this.size)));
    c.textAlign = "right";
    c.textBaseline = "middle";
    for (const v of ys) {
      const y = Math.round(this.py(v)) + 0.5;
      c.beginPath();
      c.moveTo(this.left - 4, y);
      c.lineTo(this.left, y);
      c.stroke();
      c.fillText(v === ys[ys.length - 1] ? `${v} ${yUnit}` : String(v), this.left - 7, y);
    }
    const xs = ticks(this.x, Math.max(2, (this.width - this.left) / (5 * this.size)));
    c.textBaseline = "top";
    const marked = unitFirst ? 0 : xs.length - 1;
    xs.forEach((v, i) => {
      const x = Math.round(this.px(v)) + 0.5;
      c.beginPath();
      c.moveTo(x, this.height - this.bottom);
      c.lineTo(x, this.height - this.bottom + 4);
      c.stroke();
      const words = i === marked ? `${label(v)} ${xUnit}` : label(v);
      const over = x + c.measureText(words).width / 2 > this.width;
      c.textAlign = over ? "right" : "center";
      c.fillText(words, over ? this.width : x, this.height - this.bottom + 6);
    });
  }

  // A level line; its name comes when the curves are drawn, so that it can be read over them.
  level(value, colour, dash) {
    const c = this.context;
    const y = Math.round(this.py(value)) + 0.5;
    c.strokeStyle = colour;
    c.lineWidth = 1.5;
    c.setLineDash(dash);
    c.beginPath();
    c.moveTo(this.left, y);
    c.lineTo(this.width - this.right, y);
    c.stroke();
    c.setLineDash([]);
  }

  // Words with paper behind them, so that a line does not strike them out.
  label(words, x, y, colour, align = "left", baseline = "bottom") {
    const c = this.context;
    c.textAlign = align;
    c.textBaseline = baseline;
    c.lineWidth = 4;
    c.strokeStyle = this.colours.paper;
    c.strokeText(words, x, y);
    c.fillStyle = colour;
    c.fillText(words, x, y);
  }

  colourOf(index) {
    return index === 0 ? this.colours.ink : this.colours.accent;
  }
}

// Round numbers inside a range.
export function ticks([low, high], most) {
  const rough = (high - low) / Math.max(1, most);
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough) ?? power * 10;
  const found = [];
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k++) found.push(Number((k * step).toPrecision(10)));
  return found;
}

// The next round number up.
export function roundUp(value) {
  const power = 10 ** Math.floor(Math.log10(Math.max(value, 1e-6)));
  return [1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10].map((m) => m * power).find((s) => s >= value - 1e-9);
}
