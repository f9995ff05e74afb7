// The chart of the place Mend and what can be taken hold of on it: bands with their handles, marks of findings, the
// goal, and the curves of candidates. Drawn over the chart in its own coordinates.

import { bandGain, halfWidth, prewarped, totalGain } from "./mend_filters.js";

const NS = "http://www.w3.org/2000/svg";
const LIVE = ["on_axis", "listening_window", "early_reflections", "sound_power", "in_room"];
// What turns with the loudspeaker; the sound in all directions together does not.
const AIMED = ["on_axis", "listening_window", "early_reflections", "in_room"];
const LETTERS = ["A", "B", "C"];
const FINER = 0.2;

function svg(tag, attributes = {}, ...children) {
  const element = document.createElementNS(NS, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

export class Desk {
  /** acts : move(place, parts, isOver), choose(place), remove(place), add(hz, db), key(place, event) -> taken */
  constructor(figure, facts, acts) {
    this.figure = figure;
    this.facts = facts;
    this.acts = acts;
    this.chart = figure.querySelector("svg.chart");
    const data = JSON.parse(figure.querySelector("script[type='application/json']").textContent);
    this.hz = data.hz;
    this.plain = new Map(data.curves.map((curve) => [curve.key, curve.values]));
    this.isValid = new Map(data.curves.map((curve) => [curve.key, curve.valid]));
    this.before = this.plain;
    this.u = new Map();
    this.warped = prewarped(this.hz, facts.rate_hz);
    // The largest boost may lie above what is drawn.
    this.wide = prewarped(Array.from({ length: 600 }, (_, k) => 20 * 1000 ** (k / 599)), facts.rate_hz);
    this.panels = [...this.chart.querySelectorAll(".panel")].map((panel) => this.#scales(panel));
    this.goalCurve = facts.goal_curve;
    this.goalLevel = facts.goal_level;
    const nearest = (f) => this.hz.reduce((best, g, n) => (Math.abs(Math.log(g / f)) < Math.abs(Math.log(this.hz[best] / f)) ? n : best), 0);
    this.findings = [...facts.findings].sort((a, b) => a.center_hz - b.center_hz).map((one) => ({ ...one, at: nearest(one.center_hz) }));
    this.state = { bands: [], candidates: {} };
    this.total = new Float64Array(this.hz.length);
    this.handles = [];
    this.#lay();
  }

  #scales(panel) {
    const plot = panel.querySelector(".plot");
    const [left, top, width, height] = ["x", "y", "width", "height"].map((side) => +plot.getAttribute(side));
    const low = +panel.dataset.low, high = +panel.dataset.high;
    const lowHz = +this.chart.dataset.lowHz, octaves = Math.log(+this.chart.dataset.highHz / lowHz);
    return {
      left,
      top,
      width,
      height,
      x: (hz) => left + (width * Math.log(hz / lowHz)) / octaves,
      y: (db) => top + (height * (high - db)) / (high - low),
      held: (db) => Math.min(top + height - 1, Math.max(top + 1, top + (height * (high - db)) / (high - low))),
      hz: (x) => lowHz * Math.exp((octaves * (x - left)) / width),
      db: (y) => high - ((high - low) * (y - top)) / height,
      has: (x, y) => x >= left && x <= left + width && y >= top && y <= top + height,
    };
  }

  #lay() {
    const { chart } = this;
    const clips = this.panels.map((p, k) => svg("clipPath", { id: `desk-clip-${k}` }, svg("rect", { x: p.left, y: p.top, width: p.width, height: p.height })));
    this.lines = svg("g", { class: "desk-lines", "aria-hidden": "true" });
    this.marks = svg("g", { class: "desk-marks", "aria-hidden": "true" });
    this.grips = svg("g", { class: "desk-grips" });
    this.over = svg(
      "svg",
      { class: "desk-over", viewBox: chart.getAttribute("viewBox"), role: "group", "aria-label": "Bands on the chart" },
      svg("defs", {}, ...clips),
      this.lines,
      this.marks,
      this.grips,
    );
    chart.parentNode.classList.add("desk-holder");
    chart.parentNode.append(this.over);
    chart.addEventListener("dblclick", (e) => {
      const [x, y] = this.#at(e), panel = this.panels[1];
      if (this.panels[0].has(x, y)) this.acts.add(this.panels[0].hz(x), 0);
      else if (panel.has(x, y)) this.acts.add(panel.hz(x), panel.db(y));
    });
  }

  /** Where a pointer is, in the chart's coordinates. */
  #at(e) {
    const box = this.chart.getBoundingClientRect(), scale = this.chart.viewBox.baseVal.width / box.width;
    return [(e.clientX - box.left) * scale, (e.clientY - box.top) * scale];
  }

  #line(values, panel, hz = this.hz) {
    let d = "";
    for (let k = 0; k < hz.length; k++) if (values[k] !== null) d += `${d ? "L" : "M"}${panel.x(hz[k]).toFixed(1)} ${panel.y(values[k]).toFixed(1)}`;
    return d;
  }

  /** Gain that the largest boost asks for before the bands, in steps of 0.1 dB. */
  preamp() {
    const most = Math.max(0, ...totalGain(this.state.bands, this.wide, this.facts.rate_hz));
    return -Math.ceil(10 * most - 1e-6) / 10 + 0;
  }

  goal(curve, level) {
    this.goalCurve = curve;
    this.goalLevel = level;
  }

  /** Curves of an aim, {hz, curves: {key: {values, u, valid}}}, or null for the axis. */
  aim(found) {
    this.figure.classList.toggle("aimed", Boolean(found));
    this.before = new Map(this.plain);
    this.u = new Map();
    for (const key of AIMED.filter((one) => this.plain.has(one))) {
      const own = found?.curves[key];
      if (own) {
        this.before.set(key, this.#onChart(found.hz, own, this.isValid.get(key)));
        this.u.set(key, this.places.at.map((k) => own.u[k]));
      } else if (found) this.before.set(key, this.hz.map(() => null));
      this.chart.querySelectorAll(`[data-curve="${key}"]`).forEach((path) => path.classList.toggle("unknown", Boolean(found && !own)));
    }
    if (!found) return;
    this.before.set("goal_before", this.before.get(this.goalCurve));
    this.u.set("goal_before", this.u.get(this.goalCurve));
  }

  /** A curve on the chart's frequencies. Where it is not valid but the drawn line would say so, there is none. */
  #onChart(hz, { values, valid }, isDrawnValid) {
    if (this.places?.of !== hz) {
      const near = (f) => hz.reduce((best, g, k) => (Math.abs(Math.log(g / f)) < Math.abs(Math.log(hz[best] / f)) ? k : best), 0);
      this.places = { of: hz, at: this.hz.map(near) };
    }
    return this.places.at.map((k, n) => (valid[k] === "0" && isDrawnValid[n] === "1" ? null : values[k]));
  }

  paint(state, chosen) {
    this.state = state;
    const { update } = globalThis.earwitnessCharts, { rate_hz: rate } = this.facts;
    this.total = totalGain(state.bands, this.warped, rate);
    const moved = (key, gain) => this.before.get(key)?.map((v, k) => (v === null ? null : v + gain[k]));
    for (const key of LIVE) if (this.before.has(key)) update(this.figure, key, moved(key, this.total), this.u.get(key));
    update(this.figure, "goal_before", this.before.get("goal_before"), this.u.get("goal_before"));
    update(this.figure, "equalizer_gain", [...this.total]);
    this.#paintLines(state, chosen, moved);
    this.#paintMarks(moved);
    this.#paintGrips(state.bands, chosen);
  }

  #paintLines(state, chosen, moved) {
    const [levels, gains] = this.panels, { rate_hz: rate } = this.facts, found = [];
    if (this.goalLevel && !this.figure.classList.contains("aimed")) {
      found.push(svg("path", { class: "goal", "clip-path": "url(#desk-clip-0)", d: this.#line(this.goalLevel[1], levels, this.goalLevel[0]) }));
    }
    const band = state.bands[chosen];
    if (band) found.push(svg("path", { class: "own", "clip-path": "url(#desk-clip-1)", d: this.#line(bandGain(band, this.warped, rate), gains) }));
    LETTERS.forEach((letter, k) => {
      const one = state.candidates?.[letter];
      if (!one || JSON.stringify(one.bands) === JSON.stringify(state.bands)) return;
      const gain = totalGain(one.bands, this.warped, rate), at = Math.round(this.hz.length * (0.12 + 0.06 * k));
      const level = moved(this.goalCurve, gain);
      for (const [values, panel, clip] of [[level, levels, 0], [gain, gains, 1]]) {
        found.push(svg("path", { class: `candidate c${letter}`, "clip-path": `url(#desk-clip-${clip})`, d: this.#line(values, panel) }));
        if (values[at] !== null) {
          const tag = svg("text", { class: "candidate-tag", x: panel.x(this.hz[at]).toFixed(1), y: (panel.held(values[at]) - 4).toFixed(1) });
          tag.textContent = letter;
          found.push(tag);
        }
      }
    });
    this.lines.replaceChildren(...found);
  }

  #paintMarks(moved) {
    const panel = this.panels[0], values = moved(this.goalCurve, this.total), found = [];
    let last = -Infinity, row = 0;
    for (const one of this.findings) {
      const k = one.at;
      if (values[k] === null) continue;
      const x = panel.x(this.hz[k]), y = panel.held(values[k]);
      row = x - last < 18 ? (row + 1) % 3 : 0;
      last = x;
      const top = panel.top + 12 + 18 * row;
      const words = svg("text", { x, y: top + 4 });
      words.textContent = String(one.key);
      found.push(
        svg(
          "g",
          { class: `finding-mark${one.mendable ? " mendable" : ""}` },
          svg("path", { d: `M${x.toFixed(1)} ${top + 8}L${x.toFixed(1)} ${y.toFixed(1)}` }),
          svg("circle", { class: "dot", cx: x, cy: y, r: 2.5 }),
          svg("circle", { cx: x, cy: top, r: 8 }),
          words,
        ),
      );
    }
    this.marks.replaceChildren(...found);
  }

  #paintGrips(bands, chosen) {
    while (this.handles.length > bands.length) this.handles.pop().remove();
    while (this.handles.length < bands.length) this.#newGrip(this.handles.length);
    const panel = this.panels[1];
    bands.forEach((band, place) => {
      const grip = this.handles[place], x = panel.x(band.frequency_hz), y = panel.held(band.gain_db);
      grip.classList.toggle("chosen", place === chosen);
      const main = grip.querySelector(".grip");
      main.setAttribute("transform", `translate(${x.toFixed(2)} ${y.toFixed(2)})`);
      const words = `${band.frequency_hz < 1000 ? `${+band.frequency_hz.toPrecision(4)} Hz` : `${+(band.frequency_hz / 1000).toPrecision(4)} kHz`}, ${
        band.gain_db > 0 ? "+" : ""
      }${band.gain_db.toFixed(1)} dB, Q ${band.q.toFixed(2)}`;
      const names = {
        "aria-label": `Band ${place + 1}, ${this.facts.kinds[band.kind].toLowerCase()}`,
        "aria-valuetext": words.replace("-", "\u2212"),
        "aria-valuenow": band.gain_db.toFixed(1),
      };
      for (const name in names) main.setAttribute(name, names[name]);
      const isBell = band.kind === "peaking", reach = 2 ** halfWidth(band.q);
      grip.querySelectorAll(".side").forEach((side, k) => {
        side.classList.toggle("off", !(isBell && place === chosen));
        const at = Math.min(panel.left + panel.width, Math.max(panel.left, panel.x(band.frequency_hz * (k ? reach : 1 / reach))));
        side.setAttribute("transform", `translate(${at.toFixed(2)} ${panel.held(band.gain_db / 2).toFixed(2)})`);
      });
    });
  }

  #newGrip(place) {
    const number = svg("text", { y: 4 });
    number.textContent = String(place + 1);
    const main = svg(
      "g",
      { class: "grip", role: "slider", tabindex: "0", "aria-valuemin": "-40", "aria-valuemax": "40" },
      svg("circle", { class: "reach", r: 18 }),
      svg("circle", { class: "knob", r: 9 }),
      number,
    );
    const sides = [0, 1].map(() => svg("g", { class: "side" }, svg("circle", { class: "reach", r: 12 }), svg("path", { d: "M0 -6L5 0L0 6L-5 0Z" })));
    const grip = svg("g", { class: "band-grip" }, ...sides, main);
    const { acts } = this;
    main.addEventListener("focus", () => acts.choose(place));
    main.addEventListener("keydown", (e) => {
      if (e.ctrlKey || e.metaKey || e.altKey || !acts.key(place, e)) return;
      e.preventDefault();
      e.stopPropagation();
    });
    main.addEventListener("wheel", (e) => {
      e.preventDefault();
      const band = this.state.bands[place];
      acts.move(place, { q: band.q * 2 ** (-Math.sign(e.deltaY) * (e.shiftKey ? 0.04 : 0.2)) }, true);
    }, { passive: false });
    this.#drag(
      main,
      place,
      (_band, x, y) => ({ frequency_hz: this.panels[1].hz(x), gain_db: this.panels[1].db(y) }),
      (band) => [this.panels[1].x(band.frequency_hz), this.panels[1].y(band.gain_db)],
    );
    sides.forEach((side, k) =>
      this.#drag(
        side,
        place,
        (band, x) => ({ half_octaves: Math.max(0.03, Math.abs(Math.log2(this.panels[1].hz(x) / band.frequency_hz))) }),
        (band) => [this.panels[1].x(band.frequency_hz * 2 ** ((k ? 1 : -1) * halfWidth(band.q))), 0],
      )
    );
    this.handles.push(grip);
    this.grips.append(grip);
  }

  /** Let a handle be dragged: `parts(band, x, y)` is what it sets, `place(band)` where it is. Shift moves a fifth. */
  #drag(handle, place, parts, where) {
    let last = null, at = null;
    handle.addEventListener("pointerdown", (e) => {
      if (e.button) return;
      e.preventDefault();
      handle.setPointerCapture(e.pointerId);
      this.focus(place);
      last = this.#at(e);
      at = where(this.state.bands[place]);
    });
    handle.addEventListener("pointermove", (e) => {
      if (!last) return;
      const now = this.#at(e), share = e.shiftKey ? FINER : 1;
      at = [at[0] + share * (now[0] - last[0]), at[1] + share * (now[1] - last[1])];
      last = now;
      this.acts.move(place, parts(this.state.bands[place], ...at), false);
    });
    const end = () => {
      if (!last) return;
      last = null;
      this.acts.move(place, {}, true);
    };
    handle.addEventListener("pointerup", end);
    handle.addEventListener("pointercancel", end);
  }

  focus(place) {
    this.handles[place]?.querySelector(".grip").focus({ preventScroll: true });
  }
}
