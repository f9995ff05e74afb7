// A map asked for one angle at one frequency, by pointer and by keys; seen around the loudspeaker, as a polar view with
// its numbers; and normalized to another direction than the axis.

import { make } from "./bench.js";
import { angleWords, minus, POLAR, polarPlace, SPAN_DB } from "./instruments_numbers.js";

const SVG = "http://www.w3.org/2000/svg";
// Those that captions name.
const BESIDE_HZ = [1000, 4000, 10000];

const nearest = (list, distance) => list.reduce((best, one, k) => (distance(one) < distance(list[best]) ? k : best), 0);
const apart = (a, b) => Math.abs(((a - b + 540) % 360) - 180);

const draw = (tag, attributes, words = "") => {
  const one = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) one.setAttribute(name, value);
  one.textContent = words;
  return one;
};

class MapView {
  constructor(figure, facts, section) {
    this.figure = figure;
    this.facts = facts;
    this.section = section;
    this.isVertical = section.dataset.exhibit === "above";
    this.at = nearest(facts.map.angle, (one) => Math.abs(one));
    this.readout();
    // Of curves, which a map has none of but its edges.
    for (const none of figure.querySelectorAll("[data-does=smooth], [data-does=keep]")) none.remove();
    this.normalizing();
    this.polar();
  }

  get angle() {
    return this.facts.map.angle[this.at];
  }

  row(hz) {
    return nearest(this.facts.map.hz, (one) => Math.abs(Math.log(one / hz)));
  }

  words(level) {
    return level === null || level === undefined ? "not valid" : `${minus((level + 0).toFixed(1))} dB`;
  }

  readout() {
    const { facts } = this, { line, map } = facts;
    line.dataset.hint += " Up and down change the angle.";
    facts.more = () => {
      const level = map.level[this.at][this.row(facts.at())];
      this.cross();
      this.showPolar();
      return [facts.piece("b", "", angleWords(this.angle, this.isVertical)), facts.piece("span", "", this.words(level))];
    };
    line.addEventListener("keydown", (e) => {
      const step = { ArrowUp: 1, ArrowDown: -1 }[e.key];
      if (!step) return;
      this.at = (this.at + step + map.angle.length) % map.angle.length;
      facts.again();
      e.preventDefault();
      e.stopImmediatePropagation();
    }, true);
    for (const svg of this.figure.querySelectorAll("svg.chart")) {
      const follow = (e) => {
        const box = svg.getBoundingClientRect(), scale = facts.scales(svg, svg.querySelector(".panel"));
        const angle = scale.value(((e.clientY - box.top) * svg.viewBox.baseVal.height) / box.height);
        this.at = nearest(map.angle, (one) => Math.abs(one - angle));
      };
      for (const kind of ["pointermove", "pointerdown"]) svg.addEventListener(kind, follow, true);
      svg.addEventListener("pointerleave", () => document.activeElement !== line && this.cross(false));
      svg.querySelector(".panel .cursor").after(draw("path", { class: "map-angle" }));
    }
    line.addEventListener("blur", () => this.cross(false));
    if (line.querySelector(".hint")) line.querySelector(".hint").textContent = line.dataset.hint;
  }

  cross(isSeen = true) {
    for (const svg of this.figure.querySelectorAll("svg.chart")) {
      const scale = this.facts.scales(svg, svg.querySelector(".panel"));
      svg.querySelector(".map-angle")?.setAttribute("d", isSeen ? `M${scale.left} ${scale.y(this.angle).toFixed(1)}h${scale.width}` : "");
    }
  }

  /** Levels against another direction: drawn anew by the bench, with its contours. */
  normalizing() {
    const { map, folded } = this.facts, now = Number(this.section.dataset.against || 0);
    const field = make(
      "select",
      {
        onchange: () => {
          this.section.dataset.against = field.value;
          this.section.dispatchEvent(new CustomEvent("draw-anew", { bubbles: true }));
        },
      },
      ...map.angle.map((angle) => make("option", { value: angle, selected: angle === now }, angle ? angleWords(angle, this.isVertical) : "the axis")),
    );
    field.className = "normalize";
    folded.append(make("label", { class: "lay-over" }, "Normalize to ", field));
  }

  polar() {
    const { button, folded } = this.facts;
    this.holder = make("div", { class: "polar" });
    this.holder.hidden = true;
    const opener = button("polar", "Polar view", () => {
      this.holder.hidden = !this.holder.hidden;
      opener.setAttribute("aria-expanded", String(!this.holder.hidden));
      if (!this.holder.hidden) this.buildPolar();
    });
    opener.setAttribute("aria-expanded", "false");
    folded.append(opener);
    folded.after(this.holder);
  }

  buildPolar() {
    const { map, words } = this.facts, highest = Math.max(0, ...map.level.flat().filter((v) => v !== null)), middle = POLAR.size / 2;
    // A fraction of a decibel over the axis needs no ring of its own.
    this.top = highest < 1 ? 0 : 5 * Math.ceil(highest / 5);
    this.isRound = map.angle.length > 2 && apart(map.angle[0], map.angle[map.angle.length - 1]) <= 1.5 * (map.angle[1] - map.angle[0]);
    const svg = draw("svg", {
      viewBox: `0 0 ${POLAR.size} ${POLAR.size}`,
      class: "polar-view",
      role: "img",
      "aria-label": "Polar view; its numbers stand beside it",
    });
    const rings = [0, -10, -20, -30].filter((level) => level > this.top - SPAN_DB);
    for (const level of new Set([this.top, ...rings])) {
      const radius = (POLAR.radius * (level - this.top + SPAN_DB)) / SPAN_DB;
      svg.append(draw("circle", { class: level ? "ring" : "ring zero", cx: middle, cy: middle, r: radius }));
    }
    for (let angle = -150; angle <= 180; angle += 30) {
      const [x, y] = polarPlace(angle, this.top, this.top, this.isVertical);
      const [wordsX, wordsY] = [middle + (x - middle) * 1.13, middle + (y - middle) * 1.13];
      svg.append(draw("path", { class: "spoke", d: `M${middle} ${middle}L${x.toFixed(1)} ${y.toFixed(1)}` }));
      svg.append(draw("text", { x: wordsX.toFixed(1), y: (wordsY + 4).toFixed(1), "text-anchor": "middle" }, minus(`${angle}°`)));
    }
    const beside = BESIDE_HZ.filter((hz) => hz >= map.hz[0] && hz <= map.hz[map.hz.length - 1]);
    this.lines = [null, ...beside].map((hz, k) => ({ hz, column: 0, kind: `line line-${k}`, path: draw("path", { class: `line line-${k}` }) }));
    svg.append(...this.lines.map((one) => one.path).reverse());
    for (const level of rings) {
      const [x, y] = polarPlace(15, level, this.top, this.isVertical);
      svg.append(draw("text", { class: "level", x: x.toFixed(1), y: (y + 4).toFixed(1), "text-anchor": "middle" }, minus(`${level} dB`)));
    }
    this.key = make("p", { class: "polar-key" });
    this.table = make("tbody");
    this.head = make("tr");
    const numbers = make(
      "div",
      { class: "table-scroll", tabindex: 0, role: "region", "aria-label": "Numbers of the polar view" },
      make("table", { class: "figures all-right" }, make("thead", {}, this.head), this.table),
    );
    const hint = make(
      "p",
      { class: "hint" },
      `The thick line is the frequency that is read on the map; the others stay. ${this.isVertical ? "The axis points to the right." : "The axis points up."}`,
    );
    this.holder.replaceChildren(make("div", { class: "polar-picture" }, svg, this.key, hint), numbers);
    this.named = words;
    this.showPolar();
  }

  showPolar() {
    if (!this.lines || this.holder.hidden) return;
    const { map, at } = this.facts, read = this.row(at());
    for (const line of this.lines) line.column = line.hz === null ? read : this.row(line.hz);
    const seen = this.lines.filter((line) => line.hz === null || line.column !== read);
    for (const line of this.lines) line.path.setAttribute("d", seen.includes(line) ? this.outline(line.column) : "");
    const sample = (kind) => {
      const picture = draw("svg", { viewBox: "0 0 32 8", class: "sample" });
      picture.append(draw("path", { class: kind, d: "M0 4H32" }));
      return picture;
    };
    const called = (line) => this.named(line.hz ?? at());
    this.key.replaceChildren(...seen.map((line) => make("span", {}, sample(line.kind), ` ${called(line)}`)));
    this.head.replaceChildren(...["direction", ...seen.map(called)].map((words) => make("th", { scope: "col" }, words)));
    const told = map.angle.map((angle, k) => [angle, k]).filter(([angle]) => Math.abs(angle / 15 - Math.round(angle / 15)) < 1e-6);
    const cells = (k) => seen.map((line) => make("td", {}, this.words(map.level[k][line.column])));
    this.table.replaceChildren(...told.map(([angle, k]) => make("tr", {}, make("th", { scope: "row" }, angleWords(angle, this.isVertical)), ...cells(k))));
  }

  outline(column) {
    const { map } = this.facts, order = map.angle.map((_, k) => k);
    if (this.isRound) order.push(0);
    let d = "", isDown = false;
    for (const k of order) {
      const level = map.level[k][column];
      if (level === null) {
        isDown = false;
        continue;
      }
      d += (isDown ? "L" : "M") + polarPlace(map.angle[k], level, this.top, this.isVertical).map((v) => v.toFixed(1)).join(" ");
      isDown = true;
    }
    return d;
  }
}

/** What a figure with a map can do in the bench; section : the exhibit it stands in, which the bench draws anew. */
export function mapInstruments(figure, facts, section) {
  new MapView(figure, facts, section);
}
