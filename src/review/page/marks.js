// Marks on rails under a curve: each is a slider, moved by the arrow keys or dragged.

import { make } from "./words.js";

export class Rails {
  // `plot` says where a value stands; `moved` hears of a mark's new value.
  constructor(place, plot, moved) {
    this.place = place;
    this.plot = plot;
    this.moved = moved;
    this.handles = new Map();
  }

  // Rails with marks: { name, sign, label, value, least, most, step, unit, isMoved, key }.
  show(rails) {
    const focused = document.activeElement?.dataset?.key;
    this.handles.clear();
    this.place.replaceChildren(
      ...rails.map(({ name, marks }) => {
        const rail = make("div", null, make("span", name));
        rail.className = "rail";
        rail.append(...marks.map((mark) => this.handle(mark)));
        return rail;
      }),
    );
    this.settle();
    if (focused && this.handles.has(focused)) this.handles.get(focused).element.focus({ preventScroll: true });
  }

  handle(mark) {
    const element = make("div", mark.sign);
    element.className = mark.isMoved ? "handle moved" : "handle";
    element.tabIndex = 0;
    element.dataset.key = mark.key;
    element.setAttribute("role", "slider");
    element.setAttribute("aria-label", mark.label);
    element.setAttribute("aria-valuemin", mark.least);
    element.setAttribute("aria-valuemax", mark.most);
    element.title = mark.label;
    this.handles.set(mark.key, { element, mark });
    this.tell(element, mark, mark.value);
    element.addEventListener("keydown", (event) => this.key(event, element, mark));
    element.addEventListener("pointerdown", (event) => this.drag(event, element, mark));
    return element;
  }

  tell(element, mark, value) {
    element.setAttribute("aria-valuenow", value.toFixed(3));
    element.setAttribute("aria-valuetext", `${value.toFixed(mark.digits)} ${mark.unit}`);
  }

  // Handles to where their values are; those outside of what is shown are out of the way.
  settle() {
    for (const { element, mark } of this.handles.values()) this.put(element, mark.value);
  }

  put(element, value) {
    const [low, high] = this.plot.shown;
    const room = 0.01 * (high - low);
    element.hidden = value < low - room || value > high + room;
    element.style.left = `${this.plot.at(value)}px`;
  }

  key(event, element, mark) {
    const far = event.shiftKey ? 10 : 1;
    const by = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -10, PageUp: 10 }[event.key];
    if (!by || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    this.move(element, mark, mark.value + by * far * mark.step, false);
  }

  move(element, mark, value, dragging) {
    mark.value = Math.min(mark.most, Math.max(mark.least, Math.round(value / mark.step) * mark.step));
    mark.value = Number(mark.value.toFixed(3));
    this.tell(element, mark, mark.value);
    this.put(element, mark.value);
    element.classList.add("moved");
    this.moved(mark, dragging);
  }

  drag(event, element, mark) {
    if (event.button !== 0) return;
    event.preventDefault();
    element.focus({ preventScroll: true });
    element.setPointerCapture(event.pointerId);
    const left = this.place.getBoundingClientRect().left;
    let stirred = false;
    const move = (e) => {
      stirred = true;
      this.move(element, mark, this.plot.moment(e.clientX - left), true);
    };
    const up = () => {
      element.removeEventListener("pointermove", move);
      if (stirred) this.moved(mark, false);
    };
    element.addEventListener("pointermove", move);
    element.addEventListener("pointerup", up, { once: true });
    element.addEventListener("pointercancel", up, { once: true });
  }
}
