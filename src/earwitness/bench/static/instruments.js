// Instruments of charts in the bench: another session or loudspeaker laid over, and what a map can be asked. What a
// published page has as well stands in the charts' own script, which hands over each figure that it brings alive.

import { ask, make, startJob, tell } from "./bench.js";
import { levelApart, resampled } from "./instruments_numbers.js";
import { mapInstruments } from "./instruments_map.js";

const SVG = "http://www.w3.org/2000/svg";
const OVER = "over:";

/** The elements of one curve, made for another one like it: dashed, with a ribbon, over its own. */
function drawnLike(svg, own, key) {
  const panel = svg.querySelectorAll(".panel")[own.panel], mine = [...panel.querySelectorAll("[data-curve]")].filter((one) => one.dataset.curve === own.key);
  const line = mine.find((one) => one.matches(".trace:not(.outside)"));
  if (!line) return false;
  const like = (classes) => {
    const path = document.createElementNS(SVG, "path");
    path.setAttribute("class", `${classes} ${own.role} overlaid`);
    path.dataset.curve = key;
    if (line.hasAttribute("transform")) path.setAttribute("transform", line.getAttribute("transform"));
    return path;
  };
  line.after(like("ribbon"), like("trace outside"), like("trace"));
  return true;
}

class Overlay {
  constructor(figure, facts, id) {
    this.figure = figure;
    this.facts = facts;
    this.id = id;
    this.exhibit = figure.closest(".exhibit").dataset.exhibit;
    this.words = make("p", { class: "overlay-words", role: "status" });
    this.words.hidden = true;
    this.field = make(
      "select",
      { onchange: () => this.changed(), onfocus: () => this.list().catch(tell) },
      make("option", { value: "" }, "nothing"),
    );
    this.isLevel = /SPL/.test(figure.querySelector(".panel .axis")?.textContent ?? "");
    this.match = make("input", { type: "checkbox", onchange: () => this.choose().catch((error) => this.fail(error)) });
    const matching = make("label", { class: "lay-over" }, this.match, " Match levels");
    matching.hidden = !this.isLevel;
    facts.folded.append(make("label", { class: "lay-over" }, "Lay over ", this.field), matching, this.words);
  }

  /** What can be laid over, asked for once it is wanted. */
  async list() {
    if (this.isListed) return;
    this.isListed = true;
    const { shown, sessions } = await ask("GET", `/api/sessions/${this.id}`);
    const own = sessions.filter((one) => one.id !== shown).map((one) => make("option", { value: `${this.id}@${one.id}` }, one.words));
    const others = [...document.querySelectorAll("#in-hand option")].filter((one) => one.value && one.value !== this.id)
      .map((one) => make("option", { value: one.value }, one.textContent));
    if (own.length) this.field.append(make("optgroup", { label: "Other sessions of this loudspeaker" }, ...own));
    if (others.length) this.field.append(make("optgroup", { label: "Other loudspeakers (this opens their data)" }, ...others));
    if (!own.length && !others.length) this.field.append(make("option", { disabled: true }, "nothing else is measured"));
  }

  /** Sessions of one loudspeaker are laid over as measured, others at one level, unless the tester says so. */
  changed() {
    this.match.checked = Boolean(this.field.value) && !this.field.value.includes("@");
    this.choose().catch((error) => this.fail(error));
  }

  clear() {
    const { curves, again } = this.facts;
    for (const one of this.figure.querySelectorAll(".overlaid")) one.remove();
    for (let k = curves.length - 1; k >= 0; k--) {
      if (!curves[k].key.startsWith(OVER)) continue;
      curves[k].button.remove();
      curves.splice(k, 1);
    }
    this.words.hidden = true;
    again();
  }

  async choose() {
    const wanted = this.field.value, called = this.field.selectedOptions[0].textContent;
    this.clear();
    if (!wanted) return;
    this.say(`Reading ${called}.`);
    const { is_ready } = await ask("POST", "/api/compare/ready", { ids: [this.id, wanted] });
    if (is_ready) return this.lay(wanted, called);
    const done = (
      job,
    ) => (job.state === "done" ? this.lay(wanted, called).catch((error) => this.fail(error)) : this.say(`${called} could not be read: see Jobs.`));
    await startJob("/api/compare/read", { ids: [this.id, wanted] }, done);
  }

  async lay(wanted, called) {
    if (this.field.value !== wanted) return;
    const [number, session] = wanted.split("@"), { hz, curves, redraw, look, button, toggle } = this.facts;
    const asked = new URLSearchParams({ rear_wall: document.querySelector("#read").dataset.rearWall, ...(session ? { session } : {}) });
    const told = await ask("GET", `/api/read/${number}/exhibit/${this.exhibit}?${asked}`), missing = [], found = [];
    // Another one was chosen meanwhile.
    if (this.field.value !== wanted) return;
    for (const own of curves) {
      const other = told.curves.find((one) => one.key === own.key && one.panel === own.panel && one.unit === own.unit);
      if (!other) {
        missing.push(own.label);
        continue;
      }
      const on = (list) => resampled(told.hz, list, hz), valid = on([...other.valid].map(Number)).map((v) => (v === 1 ? "1" : "0")).join("");
      const made = { ...other, key: OVER + own.key, role: own.role, label: `dashed: ${own.label}`, values: on(other.values), valid };
      found.push([own, Object.assign(made, { u: other.u.length ? on(other.u) : [] })]);
    }
    const moved = this.match.checked && this.isLevel ? levelApart(found.filter(([own]) => own.panel === 0), hz) : null;
    for (const [own, made] of found) {
      if (moved !== null && own.panel === 0) made.values = made.values.map((v) => (v === null ? null : v + moved));
      const drawings = [...this.figure.querySelectorAll("svg.chart")].filter((svg) => drawnLike(svg, own, made.key));
      for (const svg of drawings) {
        if (!made.u.length) svg.querySelectorAll(".ribbon.overlaid").forEach((one) => one.dataset.curve === made.key && one.remove());
        redraw(svg, made, hz);
      }
      made.button = button("curve", made.label, (e) => toggle(made, e.shiftKey));
      own.button.after(made.button);
      curves.push(made);
    }
    look();
    if (!found.length) return this.say(`${called} has no such chart.`);
    const level = moved === null
      ? "Levels are as measured."
      : `Its level is moved by ${this.facts.told(moved, 1)} dB, so that both have the same from 300 Hz to 3 kHz.`;
    this.say(`Dashed, with its 95 % ribbon where this chart has one: ${called}. ${level}${missing.length ? ` It has no ${missing.join(", no ")}.` : ""}`);
  }

  fail(error) {
    this.words.hidden = true;
    this.field.value = "";
    tell(error);
  }

  say(words) {
    this.words.hidden = false;
    this.words.textContent = words;
  }
}

function bring(facts) {
  const { figure } = facts, place = document.querySelector("#read"), section = figure.closest(".exhibit");
  if (facts.map && section) mapInstruments(figure, facts, section);
  else if (place && section && section.dataset.exhibit !== "regate" && facts.curves.some((c) => c.role !== "edge")) {
    new Overlay(figure, facts, place.dataset.loudspeaker);
  }
}

// Figures that came alive before this script was there wait in a list.
const waiting = globalThis.earwitnessInstruments ?? [];
globalThis.earwitnessInstruments = { push: bring };
waiting.forEach(bring);
