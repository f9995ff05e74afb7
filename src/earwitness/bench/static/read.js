// Read: charts drawn as they come into view, marks of findings, recordings played, other gates and splices tried.

import { ask, make, note, onKey, piece, ready, startJob, tell } from "./bench.js";

const find = (selector, root = document) => root.querySelector(selector);
const all = (selector, root = document) => [...root.querySelectorAll(selector)];
const SVG = "http://www.w3.org/2000/svg";
const place = find("#read");
const HOLD_MS = 8000;

// A loudspeaker whose recordings are not reduced ----------------------------------------------------------------------

const reduceButton = find("#reduce-button");
if (reduceButton) {
  const id = find("#reduce").dataset.loudspeaker;
  reduceButton.onclick = () => {
    reduceButton.disabled = true;
    startJob(`/api/read/${id}/reduce`, {}, (job) => (job.state === "done" ? location.reload() : (reduceButton.disabled = false))).catch((error) => {
      reduceButton.disabled = false;
      tell(error);
    });
  };
}

// Exhibits -------------------------------------------------------------------------------------------------------------

const id = place?.dataset.loudspeaker;
const hidden = () => all("[data-finding]").filter((box) => !box.checked).map((box) => box.dataset.finding).join(",");

const turns = new WeakMap();
/** The figure drawn; nothing where its answer came after it was asked for anew, and says nothing of what is set now. */
async function loadExhibit(section) {
  const mine = (turns.get(section) ?? 0) + 1;
  turns.set(section, mine);
  const url = `/read/${id}/exhibit/${section.dataset.exhibit}?${new URLSearchParams({
    rear_wall: place.dataset.rearWall,
    hide: hidden(),
    against: section.dataset.against || "0",
  })}`;
  section.ariaBusy = "true";
  try {
    const text = await piece(url);
    if (mine !== turns.get(section)) return null;
    section.innerHTML = text;
    section.dataset.isLoaded = "";
    const figure = find("figure.chart", section);
    if (figure) globalThis.earwitnessCharts.attach(figure);
    return figure;
  } finally {
    if (mine === turns.get(section)) section.ariaBusy = "false";
  }
}

/** A chart that its own tools ask for anew comes back with the tools as they were. */
async function drawAnew(section) {
  const figure = await loadExhibit(section);
  if (!figure) return;
  find("[data-does=tools]", figure)?.click();
  find(".normalize", figure)?.focus({ preventScroll: true });
}

function watchExhibits() {
  const seen = new IntersectionObserver(
    (entries) => {
      for (const entry of entries.filter((e) => e.isIntersecting)) {
        seen.unobserve(entry.target);
        loadExhibit(entry.target).catch(tell);
      }
    },
    { rootMargin: "600px" },
  );
  for (const section of all(".exhibit")) if (!find("figure", section) && section.dataset.exhibit !== "regate") seen.observe(section);
}

function setMarks() {
  const url = new URL(location.href);
  hidden() ? url.searchParams.set("hide", hidden()) : url.searchParams.delete("hide");
  history.replaceState(null, "", url);
  for (const section of all(".exhibit[data-marked]")) if (find("figure", section)) loadExhibit(section).catch(tell);
}

function setAll(on) {
  for (const box of all("[data-finding]")) box.checked = on;
  setMarks();
}

// Figures --------------------------------------------------------------------------------------------------------------

/** Only the figures that have all words, with the headings of their groups; those not judged unfold where they do. */
function findFigures() {
  const wanted = find("#figures-search").value.trim().toLowerCase().split(/\s+/).filter(Boolean);
  let count = 0;
  for (const body of all("#figures tbody")) {
    const rows = all("tr[data-words]", body);
    for (const row of rows) row.hidden = !wanted.every((word) => row.dataset.words.toLowerCase().includes(word));
    const seen = rows.filter((row) => !row.hidden).length;
    for (const heading of all(".group", body)) heading.hidden = !seen;
    if (wanted.length && seen && body.closest("details")) body.closest("details").open = true;
    count += seen;
  }
  find("#figures-found").textContent = wanted.length ? `${count} ${count === 1 ? "figure" : "figures"}` : "";
}

// Places ---------------------------------------------------------------------------------------------------------------

/** Charts above a place grow as they are drawn: it is come to, and held, until they are there or the tester goes on. */
function hold(hash) {
  const target = hash.length > 1 && document.getElementById(decodeURIComponent(hash.slice(1)));
  if (!target) return;
  const until = performance.now() + HOLD_MS;
  let isFree = false;
  const free = () => (isFree = true);
  for (const kind of ["wheel", "touchmove", "keydown", "pointerdown"]) addEventListener(kind, free, { once: true, passive: true });
  const stay = () => {
    if (isFree || (performance.now() > until && !find(".exhibit[aria-busy=true]"))) return;
    const off = target.getBoundingClientRect().top - parseFloat(getComputedStyle(document.documentElement).scrollPaddingTop);
    if (Math.abs(off) > 2) target.scrollIntoView();
    requestAnimationFrame(stay);
  };
  requestAnimationFrame(stay);
}

// Recordings -----------------------------------------------------------------------------------------------------------

document.addEventListener("click", (e) => {
  const button = e.target.closest?.("[data-play]");
  if (!button) return;
  const audio = find("#player-audio");
  find("#player").hidden = false;
  find("#player-words").textContent = button.getAttribute("aria-label").replace("Play ", "");
  audio.src = button.dataset.play;
  audio.play().catch(() => note("this browser cannot play the recording; download it instead", "error"));
});

// Gate and splice ------------------------------------------------------------------------------------------------------

const LOGARITHMIC = ["gate_ms", "splice_low_hz", "splice_high_hz"];
const BOX = { width: 860, height: 190, left: 44, right: 12, top: 10, bottom: 24 };

class Settings {
  constructor(data) {
    this.revision = data.revision;
    this.kept = data.chosen;
    this.chosen = { ...data.chosen };
    this.automatic = data.automatic;
    this.energy = null;
    this.figure = null;
    this.isAsking = false;
    this.isWaiting = false;
    for (const row of all(".choice-row")) this.bind(row);
    find("#use-settings").onclick = () => this.keep(this.chosen);
    find("#automatic-settings").onclick = () => this.keep(Object.fromEntries(Object.keys(this.kept).map((key) => [key, null])));
    find("#undo-settings").onclick = () => this.step("undo");
    find("#redo-settings").onclick = () => this.step("redo");
    this.show();
  }

  value(key) {
    return this.chosen[key] ?? this.automatic[key];
  }

  bind(row) {
    const key = row.dataset.choice, range = find("[type=range]", row), number = find("[type=number]", row);
    const low = +range.dataset.low, high = +range.dataset.high;
    const steep = LOGARITHMIC.includes(key);
    row.toShare = (v) => Math.round(1000 * (steep ? Math.log(v / low) / Math.log(high / low) : (v - low) / (high - low)));
    const fromShare = (s) => (steep ? low * (high / low) ** (s / 1000) : low + ((high - low) * s) / 1000);
    range.oninput = () => this.set(key, round(fromShare(+range.value)));
    number.oninput = () => number.value !== "" && number.validity.valid && this.set(key, +number.value, number);
    number.onchange = () => this.show();
    find(".automatic", row).onclick = () => this.set(key, null);
  }

  set(key, value, from = null) {
    this.chosen[key] = value;
    this.show(from);
    this.ask();
  }

  get isChanged() {
    return Object.keys(this.kept).some((key) => this.kept[key] !== this.chosen[key]);
  }

  show(from = null) {
    for (const row of all(".choice-row")) {
      const key = row.dataset.choice, value = this.value(key), number = find("[type=number]", row);
      const range = find("[type=range]", row);
      row.classList.toggle("is-automatic", this.chosen[key] === null);
      find(".automatic", row).disabled = this.chosen[key] === null;
      range.value = row.toShare(Math.min(+range.dataset.high, Math.max(+range.dataset.low, value)));
      range.setAttribute("aria-valuetext", `${round(value)} ${find(".typed", row).textContent.trim()}${this.chosen[key] === null ? ", automatic" : ""}`);
      if (number !== from) number.value = round(value);
    }
    find("#use-settings").disabled = !this.isChanged;
    this.drawGate();
  }

  /** One preview at a time; the latest wish waits. */
  async ask() {
    if (this.isAsking) return void (this.isWaiting = true);
    this.isAsking = true;
    try {
      do {
        this.isWaiting = false;
        const begun = performance.now(), told = await ask("POST", `/api/read/${id}/preview`, this.chosen);
        this.take(told);
        place.dataset.previewMs = Math.round(performance.now() - begun);
      } while (this.isWaiting);
    } catch (error) {
      find("#tried").replaceChildren(
        make("p", { class: "error" }, error.message),
        make("p", {}, error.told?.expected || ""),
        make("p", {}, error.told?.remedy || ""),
      );
      if (!error.told) tell(error);
    } finally {
      this.isAsking = false;
      if (this.isWaiting) this.ask();
    }
  }

  take(told) {
    this.automatic = {
      ...this.automatic,
      ...(this.chosen.gate_ms === null ? { gate_ms: told.gate_ms } : {}),
      ...(told.splice_hz && this.chosen.splice_low_hz === null ? { splice_low_hz: told.splice_hz[0] } : {}),
      ...(told.splice_hz && this.chosen.splice_high_hz === null ? { splice_high_hz: told.splice_hz[1] } : {}),
    };
    find("#tried").replaceChildren(
      make("p", {}, make("strong", {}, this.isChanged ? "Tried: " : "As kept: "), told.sentence),
      make("p", {}, `Gate: ${told.gate_words}. Splice: ${told.splice_words}`),
      ...told.warnings.map((words) => make("p", { class: "caveat" }, words)),
    );
    const typed = document.activeElement?.type === "number" ? document.activeElement : null;
    this.show(typed);
    if (!this.figure) return;
    const at = new Map(told.hz.map((f, k) => [f, k]));
    const shown = JSON.parse(find("script[type='application/json']", this.figure).textContent).hz;
    const drawn = (list) => shown.map((f) => list[at.get(f)] ?? null);
    globalThis.earwitnessCharts.update(this.figure, told.key, drawn(told.values), drawn(told.u));
  }

  async open() {
    if (this.isOpen) return;
    this.isOpen = true;
    try {
      this.figure = await loadExhibit(find("#ex-regate"));
      this.energy = await ask("GET", `/api/read/${id}/energy`);
      this.buildGate();
      await this.ask();
    } catch (error) {
      tell(error);
    }
  }

  buildGate() {
    const { width, height, left, right, top, bottom } = BOX, { ms, db, reflection_ms } = this.energy;
    this.low = -2;
    this.high = Math.min(ms.at(-1), 40);
    this.x = (t) => left + ((width - left - right) * (Math.min(this.high, Math.max(this.low, t)) - this.low)) / (this.high - this.low);
    this.y = (v) => top + ((height - top - bottom) * Math.min(60, Math.max(0, -v))) / 60;
    const draw = (tag, attributes, words) => {
      const one = document.createElementNS(SVG, tag);
      for (const [name, value] of Object.entries(attributes)) one.setAttribute(name, value);
      if (words) one.textContent = words;
      return one;
    };
    const svg = draw("svg", { viewBox: `0 0 ${width} ${height}` });
    this.cut = draw("path", { class: "cut" });
    svg.append(this.cut);
    for (let t = 0; t <= this.high; t += 5) {
      svg.append(
        draw("path", { class: "grid", d: `M${this.x(t)} ${top}V${height - bottom}` }),
        draw("text", { x: this.x(t), y: height - 8, "text-anchor": t + 5 > this.high ? "end" : "middle" }, t + 5 > this.high ? `${t} ms` : `${t}`),
      );
    }
    for (const v of [0, -20, -40, -60]) {
      svg.append(
        draw("path", { class: "grid", d: `M${left} ${this.y(v)}H${width - right}` }),
        draw("text", { x: left - 6, y: this.y(v) + 4, "text-anchor": "end" }, `${v} dB`.replace("-", "\u2212")),
      );
    }
    const step = Math.max(1, Math.floor(ms.length / 1600));
    svg.append(
      draw("path", {
        class: "energy",
        d: "M" + ms.flatMap((t, k) => (k % step || t < this.low || t > this.high ? [] : [`${this.x(t).toFixed(1)} ${this.y(db[k]).toFixed(1)}`])).join("L"),
      }),
    );
    if (reflection_ms !== null && reflection_ms < this.high) {
      svg.append(draw("path", { class: "reflection", d: `M${this.x(reflection_ms)} ${top}V${height - bottom}` }));
      svg.append(draw("text", { x: this.x(reflection_ms) + 4, y: top + 12 }, "first reflection"));
    }
    this.shape = draw("path", { class: "window" });
    this.handle = draw("circle", { class: "handle", r: 8, cy: height - bottom });
    svg.append(this.shape, this.handle);
    svg.onpointerdown = (e) => {
      svg.setPointerCapture(e.pointerId);
      this.drag(e, svg);
    };
    svg.onpointermove = (e) => svg.hasPointerCapture(e.pointerId) && this.drag(e, svg);
    find("#gate-chart").replaceChildren(svg);
    this.drawGate();
  }

  drag(e, svg) {
    const box = svg.getBoundingClientRect();
    const t = this.low + ((((e.clientX - box.left) * BOX.width) / box.width - BOX.left) * (this.high - this.low)) / (BOX.width - BOX.left - BOX.right);
    this.set("gate_ms", round(Math.min(this.high, Math.max(0.6, t))));
  }

  drawGate() {
    if (!this.energy || !this.shape) return;
    const end = this.value("gate_ms"), share = this.value("taper_percent") / 100, { top, bottom, height, left, right, width } = BOX;
    const up = top, down = height - bottom, start = this.energy.start_ms, flat = end * (1 - share);
    const fall = Array.from({ length: 25 }, (_, k) => [flat + ((end - flat) * k) / 24, 0.5 + 0.5 * Math.cos((Math.PI * k) / 24)]);
    this.shape.setAttribute(
      "d",
      `M${left} ${down}H${this.x(start)}L${this.x(start)} ${up}H${this.x(flat)}` +
        fall.map(([t, w]) => `L${this.x(t).toFixed(1)} ${(down - w * (down - up)).toFixed(1)}`).join("") + `H${width - right}`,
    );
    this.cut.setAttribute("d", `M${this.x(end)} ${up}H${width - right}V${down}H${this.x(end)}ZM${left} ${up}H${this.x(start)}V${down}H${left}Z`);
    this.handle.setAttribute("cx", this.x(end));
  }

  async keep(settings) {
    try {
      await startJob(`/api/read/${id}/settings`, { revision: this.revision, settings }, (job) => job.state === "done" && this.reload());
    } catch (error) {
      tell(error);
    }
  }

  async step(way) {
    try {
      await ask("POST", `/api/read/${id}/settings/${way}`, { revision: this.revision });
      this.reload();
    } catch (error) {
      tell(error);
    }
  }

  reload() {
    location.hash = "regate";
    location.reload();
  }
}

const round = (v) => +(v >= 1000 ? v.toPrecision(4) : v >= 100 ? v.toFixed(0) : v.toFixed(v >= 20 ? 1 : 2));

// The page -------------------------------------------------------------------------------------------------------------

function start() {
  watchExhibits();
  place.addEventListener("draw-anew", (e) => drawAnew(e.target).catch(tell));
  for (const box of all("[data-finding]")) box.onchange = setMarks;
  find("#figures-search").oninput = findFigures;
  for (const link of all(".contents a")) link.addEventListener("click", () => setTimeout(() => hold(link.hash)));
  hold(location.hash);
  if (find("#marks-all")) {
    find("#marks-all").onclick = () => setAll(true);
    find("#marks-none").onclick = () => setAll(false);
  }
  find("#rear-wall").onchange = (e) => {
    const url = new URL(location.href);
    url.searchParams.set("rear_wall", e.target.value);
    location.href = url.href;
  };
  const go = (hash) => {
    find(hash)?.scrollIntoView();
    setTimeout(() => hold(hash));
    find(hash)?.querySelector("a, button, input, summary")?.focus({ preventScroll: true });
  };
  onKey("f", "go to the figures", () => go("#figures"));
  onKey("/", "find a figure", () => {
    go("#figures");
    find("#figures-search").select();
  });
  onKey("s", "go to gate and splice", () => go("#regate"));
  onKey("m", "show or hide all marks", () => setAll(all("[data-finding]").some((box) => !box.checked)));
  onKey("e", "go to the first exhibit", () => scrollTo({ top: 0 }));
  const data = find("#settings-data");
  if (!data) return;
  const settings = new Settings(JSON.parse(data.textContent));
  const near = new IntersectionObserver((entries) => entries.some((e) => e.isIntersecting) && (near.disconnect(), settings.open()), { rootMargin: "400px" });
  near.observe(find("#regate"));
}

function begin() {
  if (place) start();
  ready();
  document.body.dataset.ready = "read";
}

document.readyState === "loading" ? document.addEventListener("DOMContentLoaded", begin) : begin();
