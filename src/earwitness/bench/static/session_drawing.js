// Things placed on a drawing to scale, in meters: dragged, moved by arrow keys, or typed in fields beside it.

const NS = "http://www.w3.org/2000/svg";
const EDGE = 28, STEP_M = 0.01, FINE_M = 0.001;

function svg(tag, attributes = {}, ...children) {
  const element = document.createElementNS(NS, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

export class Drawing {
  /**
   * moved(key, x, y, isOver) : a thing is at x to the right and y upward of the lower left corner, in meters; isOver :
   * it was let go. most : largest width and height in px.
   */
  constructor(holder, name, moved, most = [360, 360]) {
    this.moved = moved;
    this.most = most;
    this.width = this.height = 0;
    this.ground = svg("g", { "aria-hidden": "true" });
    this.grips = svg("g");
    this.picture = svg("svg", { class: "drawing", role: "group", "aria-label": name }, this.ground, this.grips);
    this.things = new Map();
    holder.replaceChildren(this.picture);
  }

  /** width, height : of the outline in meters; things : { key, label, x, y, radius, shape, told }; step : of the grid. */
  paint(width, height, things, step) {
    [this.width, this.height] = [width, height];
    this.scale = Math.min((this.most[0] - 2 * EDGE) / width, (this.most[1] - 2 * EDGE) / height);
    const [wide, high] = [width, height].map((one) => (2 * EDGE + this.scale * one).toFixed(1));
    this.picture.setAttribute("viewBox", `0 0 ${wide} ${high}`);
    this.picture.setAttribute("width", wide);
    const lines = [];
    const text = (x, y, words, anchor) => {
      const made = svg("text", { x, y, "text-anchor": anchor });
      made.textContent = words;
      return made;
    };
    const words = (m) => String(+m.toFixed(2));
    for (let m = 0; m <= width + 1e-9; m += step) {
      lines.push(svg("path", { d: `M${this.x(m)} ${this.y(0)}V${this.y(height)}` }), text(this.x(m), this.y(0) + 16, words(m), "middle"));
    }
    for (let m = 0; m <= height + 1e-9; m += step) {
      lines.push(svg("path", { d: `M${this.x(0)} ${this.y(m)}H${this.x(width)}` }), text(this.x(0) - 4, this.y(m) + 4, words(m), "end"));
    }
    lines.push(svg("rect", { class: "outline", x: this.x(0), y: this.y(height), width: this.scale * width, height: this.scale * height }));
    this.ground.replaceChildren(...lines);
    const keys = new Set(things.map((one) => one.key));
    for (const [key, made] of this.things) {
      if (keys.has(key)) continue;
      made.remove();
      this.things.delete(key);
    }
    for (const one of things) {
      if (!this.things.has(one.key)) {
        this.things.set(one.key, this.#grip(one.key));
        this.grips.append(this.things.get(one.key));
      }
      this.#place(this.things.get(one.key), one);
    }
  }

  x(m) {
    return EDGE + this.scale * m;
  }
  y(m) {
    return EDGE + this.scale * (this.height - m);
  }

  #place(made, one) {
    made.at = [one.x, one.y];
    const radius = Math.max(4, this.scale * (one.radius || 0));
    const body = one.shape === "box"
      ? svg("rect", { class: "body box", x: -7, y: -9, width: 10, height: 18 })
      : svg("circle", { class: `body ${one.shape || ""}`, r: radius });
    const name = svg("text", { y: -Math.max(radius, 9) - 4, "text-anchor": "middle" });
    name.textContent = one.label;
    made.replaceChildren(svg("circle", { class: "reach", r: Math.max(16, radius) }), body, name);
    made.setAttribute("class", "thing");
    made.setAttribute("transform", `translate(${this.x(one.x).toFixed(2)} ${this.y(one.y).toFixed(2)})`);
    const names = { "aria-label": one.label, "aria-valuetext": one.told, "aria-valuenow": one.x.toFixed(3), "aria-valuemin": "-100", "aria-valuemax": "100" };
    for (const name of Object.keys(names)) made.setAttribute(name, names[name]);
  }

  #at(e) {
    const box = this.picture.getBoundingClientRect(), share = this.picture.viewBox.baseVal.width / box.width;
    return [((e.clientX - box.left) * share - EDGE) / this.scale, this.height - ((e.clientY - box.top) * share - EDGE) / this.scale];
  }

  #grip(key) {
    const made = svg("g", { role: "slider", tabindex: "0" });
    const tell = (x, y, isOver) => this.moved(key, +x.toFixed(3), +y.toFixed(3), isOver);
    made.addEventListener("keydown", (e) => {
      const way = { ArrowRight: [1, 0], ArrowLeft: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[e.key];
      if (!way || e.ctrlKey || e.metaKey || e.altKey) return;
      e.preventDefault();
      e.stopPropagation();
      const step = (e.shiftKey ? FINE_M : STEP_M) * (this.width > 2 ? 10 : 1);
      tell(made.at[0] + way[0] * step, made.at[1] + way[1] * step, true);
    });
    let offset = null;
    made.addEventListener("pointerdown", (e) => {
      if (e.button) return;
      e.preventDefault();
      made.setPointerCapture(e.pointerId);
      made.focus({ preventScroll: true });
      const now = this.#at(e);
      offset = [made.at[0] - now[0], made.at[1] - now[1]];
    });
    const grid = (value) => Math.round(value / (this.width > 2 ? 0.05 : 0.005)) * (this.width > 2 ? 0.05 : 0.005);
    made.addEventListener("pointermove", (e) => {
      if (!offset) return;
      const now = this.#at(e);
      tell(grid(now[0] + offset[0]), grid(now[1] + offset[1]), false);
    });
    const end = () => {
      if (!offset) return;
      offset = null;
      tell(...made.at, true);
    };
    made.addEventListener("pointerup", end);
    made.addEventListener("pointercancel", end);
    return made;
  }
}

/** How far below the cabinet's top the reference point lies: as stated, else so that the drivers stand in the middle. */
export function belowTop(told) {
  if (Number.isFinite(told.reference_below_top_m)) return told.reference_below_top_m;
  const ups = (told.driver || []).map((one) => (Number.isFinite(one.position_m?.[2]) ? one.position_m[2] : 0));
  return told.height_m / 2 + (Math.max(0, ...ups) + Math.min(0, ...ups)) / 2;
}
