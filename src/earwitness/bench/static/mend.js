// Mend: bands on the curves. The curves are worked out here, without asking; the figures come from the server, one
// question at a time and only about the newest state.

import { ask, Draft, make, note, onKey, ready, Refusal, tell } from "./bench.js";
import { bandGain, halfWidth, prewarped, qOfHalfWidth, totalGain } from "./mend_filters.js";
import { Desk } from "./mend_desk.js";
import { changeRow } from "./mend_change.js";
import { paintFindings } from "./mend_findings.js";
import { BOUNDS, EMPTY, held, settable, sound } from "./mend_state.js";
import { paintCounts, paintVerdict } from "./mend_verdict.js";

const find = (id) => document.getElementById(id);
const facts = JSON.parse(find("mend-facts").textContent);
const api = `/api/mend/${facts.id}`;
const LETTERS = ["A", "B", "C"];
const minus = (words) => words.replace("-", "\u2212");
const hertz = (hz) => (hz < 100 ? hz.toFixed(1) : hz.toFixed(0));

let state = structuredClone(EMPTY);
let chosen = 0;
let draft = null;
let study = null;
let aimed = null;
const desk = new Desk(find("mend-chart").querySelector("figure"), facts, { move, choose, remove, add: addAt, key: bandKey });

// What is set ------------------------------------------------------------------------------------------------------

function set(change, { isOver = true } = {}) {
  if (!draft.revision && !draft.isDirty) {
    // So that undo reaches the beginning.
    draft.set(structuredClone(state));
    draft.flush();
  }
  state = { ...state, ...change };
  chosen = Math.max(0, Math.min(chosen, state.bands.length - 1));
  paint({ isOver });
  if (isOver) keep();
}
const keep = () => draft.set(structuredClone(state));

function change(place, parts, options) {
  set({ bands: state.bands.map((band, k) => (k === place ? settable({ ...band, ...parts }) : band)) }, options);
}
function move(place, parts, isOver) {
  if (parts.half_octaves) parts = { q: qOfHalfWidth(parts.half_octaves) };
  change(place, parts, { isOver });
}
function choose(place) {
  chosen = place;
  paint();
}
function addAt(frequency_hz, gain_db) {
  if (state.bands.length >= facts.most_bands) {
    note(`An equalizer has at most ${facts.most_bands} bands.`);
    return;
  }
  chosen = state.bands.length;
  set({ bands: [...state.bands, settable({ kind: "peaking", frequency_hz, gain_db, q: 1 })] });
  desk.focus(chosen);
}
function remove(place) {
  set({ bands: state.bands.filter((_, k) => k !== place) });
  state.bands.length ? desk.focus(chosen) : find("add-band").focus();
}

/** Keys on a band; true when it was one of them. */
function bandKey(place, e) {
  const band = state.bands[place];
  const octaves = e.shiftKey ? 1 / 48 : 1 / 12, step = e.shiftKey ? 0.1 : 0.5;
  const moved = (way) => {
    const hz = band.frequency_hz * 2 ** (way * octaves), least = band.frequency_hz >= 100 ? 1 : 0.1;
    return way > 0 ? Math.max(hz, band.frequency_hz + least) : Math.min(hz, band.frequency_hz - least);
  };
  const acts = {
    ArrowRight: () => change(place, { frequency_hz: moved(1) }),
    ArrowLeft: () => change(place, { frequency_hz: moved(-1) }),
    ArrowUp: () => change(place, { gain_db: band.gain_db + step }),
    ArrowDown: () => change(place, { gain_db: band.gain_db - step }),
    "+": () => change(place, { q: Math.max(band.q * 1.1, band.q + 0.01) }),
    "=": () => change(place, { q: Math.max(band.q * 1.1, band.q + 0.01) }),
    "-": () => change(place, { q: band.q / 1.1 }),
    Delete: () => remove(place),
    Backspace: () => remove(place),
  };
  if (!acts[e.key]) return false;
  acts[e.key]();
  return true;
}

// What is seen -----------------------------------------------------------------------------------------------------

function paint({ isOver = true } = {}) {
  desk.paint(state, chosen);
  paintTable();
  if (isOver) {
    paintCandidates();
    paintFiles();
  }
  weigh();
}

function paintTable() {
  const body = find("bands");
  find("no-bands").hidden = state.bands.length > 0;
  while (body.rows.length > state.bands.length) body.deleteRow(-1);
  state.bands.forEach((band, place) => {
    const row = body.rows[place] || body.appendChild(bandRow(place));
    row.classList.toggle("chosen", place === chosen);
    const shown = { kind: band.kind, frequency_hz: hertz(band.frequency_hz), gain_db: band.gain_db.toFixed(1), q: band.q.toFixed(2) };
    for (const field of row.querySelectorAll("[data-field]")) if (field !== document.activeElement) field.value = shown[field.dataset.field];
  });
  const preamp = find("preamp");
  find("preamp-auto").checked = state.preamp_db === null;
  preamp.disabled = state.preamp_db === null;
  if (preamp !== document.activeElement) preamp.value = (state.preamp_db ?? desk.preamp()).toFixed(1);
}

function bandRow(place) {
  const number = (name, field, step) =>
    make("input", {
      type: "number",
      step,
      min: BOUNDS[field][0],
      max: BOUNDS[field][1],
      "data-field": field,
      "aria-label": `${name} of band ${place + 1}`,
      onfocus: () => choose(place),
      oninput: (e) => e.target.value !== "" && e.target.validity.badInput === false && change(place, { [field]: +e.target.value }),
      onblur: () => paintTable(),
    });
  return make(
    "tr",
    {},
    make("th", { scope: "row" }, String(place + 1)),
    make(
      "td",
      {},
      make("select", {
        "data-field": "kind",
        "aria-label": `kind of band ${place + 1}`,
        onfocus: () => choose(place),
        onchange: (e) => change(place, { kind: e.target.value }),
      }, ...Object.entries(facts.kinds).map(([kind, words]) => make("option", { value: kind }, words))),
    ),
    make("td", {}, number("frequency", "frequency_hz", 1)),
    make("td", {}, number("gain", "gain_db", 0.1)),
    make("td", {}, number("Q", "q", 0.01)),
    make("td", {}, make("button", { type: "button", class: "quiet", "aria-label": `Delete band ${place + 1}`, onclick: () => remove(place) }, "Delete")),
  );
}

function paintCandidates() {
  const same = (one) => JSON.stringify([one.bands, one.preamp_db]) === JSON.stringify([state.bands, state.preamp_db]);
  find("candidates").replaceChildren(
    ...LETTERS.map((letter) => {
      const one = state.candidates[letter];
      const isNow = one && same(one);
      return make(
        "div",
        { class: `candidate${isNow ? " now" : ""}` },
        make("b", {}, letter),
        make("span", {}, one ? one.words : "empty"),
        make("button", {
          type: "button",
          "aria-pressed": String(Boolean(isNow)),
          disabled: !one,
          onclick: () => take(letter),
        }, isNow ? `${letter} shown` : `Load ${letter}`),
        make("button", { type: "button", onclick: () => hold(letter) }, `Save as ${letter}`),
      );
    }),
  );
}
function hold(letter) {
  const words = `${state.bands.length} band${state.bands.length === 1 ? "" : "s"}${
    weighed?.left_db == null ? "" : `, ${weighed.left_db.toFixed(2)} dB from the target`
  }${weighed?.rating == null ? "" : `, rated ${weighed.rating.toFixed(1)}`}`;
  set({ candidates: { ...state.candidates, [letter]: { bands: structuredClone(state.bands), preamp_db: state.preamp_db, words } } });
}
function take(letter) {
  const one = state.candidates[letter];
  if (one) set({ bands: structuredClone(one.bands), preamp_db: one.preamp_db });
}

function paintFiles() {
  const asked = new URLSearchParams();
  const rows = state.bands.map((b) => [b.kind, b.frequency_hz, b.gain_db, b.q].join(","));
  for (const row of rows) asked.append("band", row);
  const heard = new URLSearchParams({ kind: "prefer", a: "as-is", b: "own", bands: rows.join(";") });
  if (facts.advised) heard.set("c", "equalized");
  find("hear-own").href = `/listen/${facts.id}/trials?${heard}`;
  find("hear-own").hidden = !rows.length;
  if (state.preamp_db !== null) asked.set("preamp_db", state.preamp_db);
  for (const link of document.querySelectorAll("[data-file]")) link.href = `${api}/files/${link.dataset.file}?${asked}`;
}

function against(one) {
  addAt(one.center_hz, 0);
  change(chosen, { gain_db: held(-one.size_db, [-12, 3]), q: held(one.q, [0.4, 12]) });
}

// Figures, from the server -----------------------------------------------------------------------------------------

let weighed = null;
let isAsking = false;
let isOld = false;
const goalAsked = () => ({ words: state.goal.words, table: state.goal.words === "table" ? state.goal.table : "" });

async function weigh() {
  if (isAsking) {
    isOld = true;
    return;
  }
  isAsking = true;
  const aim = aimed && aimed.angle_deg ? { orbit: aimed.orbit, angle_deg: aimed.angle_deg } : null;
  try {
    weighed = await ask("POST", `${api}/weigh`, { bands: state.bands, preamp_db: state.preamp_db, goal: goalAsked(), limits: state.limits, aim });
    find("mend-refused").hidden = true;
    paintFigures();
  } catch (error) {
    if (!(error instanceof Refusal)) tell(error);
    find("mend-refused").hidden = false;
    find("mend-refused").textContent = [
      error.message,
      error.told?.where,
      error.told?.expected && `expected: ${error.told.expected}`,
      "the figures are those of before",
    ].filter(Boolean).join("; ");
  } finally {
    isAsking = false;
    if (isOld) {
      isOld = false;
      weigh();
    }
  }
}

function paintFigures() {
  find("figures").replaceChildren(...weighed.rows.map(changeRow));
  find("headroom").textContent = `${weighed.headroom[0].toUpperCase()}${weighed.headroom.slice(1)}.`;
  find("spread").textContent = weighed.spread && state.bands.length ? `${weighed.spread[0].toUpperCase()}${weighed.spread.slice(1)}.` : "";
  const told = weighed.warnings.join("\n");
  if (find("warnings").dataset.told !== told) {
    find("warnings").dataset.told = told;
    find("warnings").replaceChildren(...weighed.warnings.map((words) => make("li", {}, `${words[0].toUpperCase()}${words.slice(1)}.`)));
  }
}

// Design -----------------------------------------------------------------------------------------------------------

const number = (id) => (find(id).value === "" || !Number.isFinite(+find(id).value) ? null : +find(id).value);
function readForm() {
  const chosenGoal = find("goal").value;
  const words = chosenGoal === "slope=" ? `slope=${(number("slope") ?? -0.8).toFixed(2)}` : chosenGoal;
  const limits = {};
  const pair = (name, low, high, usual) => {
    const values = [number(low), number(high)];
    if (values.some((v) => v !== null)) limits[name] = values.map((v, k) => v ?? usual[k]);
  };
  pair("gain_db", "gain-low", "gain-high", [-12, 3]);
  pair("q", "q-low", "q-high", [0.4, 12]);
  pair("range_hz", "range-low", "range-high", [20, 20000]);
  if (number("boost") !== null) limits.total_boost_db = number("boost");
  if (find("forced").checked) limits.forced = true;
  return { goal: { words, table: find("table").value }, limits };
}
function paintForm() {
  const { goal, limits } = state;
  const isSlope = goal.words.startsWith("slope=");
  find("goal").value = isSlope ? "slope=" : goal.words;
  if (isSlope) find("slope").value = +goal.words.slice(6);
  find("table").value = goal.table;
  for (const [name, ids] of Object.entries({ gain_db: ["gain-low", "gain-high"], q: ["q-low", "q-high"], range_hz: ["range-low", "range-high"] })) {
    ids.forEach((id, k) => (find(id).value = limits[name]?.[k] ?? ""));
  }
  find("boost").value = limits.total_boost_db ?? "";
  find("forced").checked = Boolean(limits.forced);
  showGoal();
}
function showGoal() {
  find("slope-line").hidden = find("goal").value !== "slope=";
  find("table-line").hidden = find("goal").value !== "table";
}

/** The verdict and what each further band takes away, without setting any. */
let ahead = 0;
async function lookAhead() {
  const mine = ++ahead;
  try {
    const made = await ask("POST", `${api}/design`, { bands: null, goal: goalAsked(), limits: state.limits });
    // An answer that comes late says nothing of the goal and limits of now.
    if (mine !== ahead) return;
    paintVerdict(made.verdict);
    paintCounts(made, state.bands.length, designBands);
    desk.goal(made.goal_curve, made.goal_level);
    desk.paint(state, chosen);
  } catch (error) {
    if (mine === ahead) find("count-words").textContent = error.message;
  }
}

async function designBands(count) {
  const button = find("design-button");
  button.disabled = true;
  button.textContent = "Designing …";
  try {
    const asked = readForm();
    const made = await ask("POST", `${api}/design`, {
      bands: count,
      goal: { words: asked.goal.words, table: asked.goal.words === "table" ? asked.goal.table : "" },
      limits: asked.limits,
    });
    ahead += 1;
    paintVerdict(made.verdict);
    paintCounts(made, made.equalizer?.bands.length ?? 0, designBands);
    desk.goal(made.goal_curve, made.goal_level);
    if (made.equalizer) set({ ...asked, bands: made.equalizer.bands, preamp_db: null });
    else {
      set({ ...asked, bands: [], preamp_db: null });
      note(made.verdict.headline);
    }
  } catch (error) {
    tell(error);
  } finally {
    button.disabled = false;
    button.textContent = "Design the bands";
  }
}

// Aim --------------------------------------------------------------------------------------------------------------

let loading = null;
function loadAims() {
  loading ??= ask("GET", `${api}/aims?bands=${Math.min(3, state.bands.length) || 3}`)
    .then((found) => {
      study = found;
      find("aim").hidden = find("aim-turn").disabled = false;
      showOrbit();
    })
    .catch((error) => {
      loading = null;
      find("aim-words").textContent = error.message;
    });
  return loading;
}
const orbitNow = () => document.querySelector("[name=orbit]:checked").value;
function showOrbit(angle = 0) {
  const orbit = orbitNow(), found = study[orbit], slider = find("aim-angle");
  slider.min = String(found ? Math.min(...found.aims.map((a) => a.angle_deg)) : 0);
  find("aim-typed").min = slider.min;
  slider.disabled = find("aim-typed").disabled = !found;
  find("aim-words").textContent = found ? found.sentence : study.missing[orbit] || "not known";
  aimAt(angle);
}

/** An aim that a finding names, put on the chart, from this page or by #aim=horizontal,10 in its address. */
async function tryAim(orbit, angle) {
  await loadAims();
  if (!study?.[orbit]) return;
  document.querySelector(`[name=orbit][value=${orbit}]`).checked = true;
  showOrbit(angle);
  find("mend-chart").scrollIntoView({ block: "start" });
  find("aim-angle").focus({ preventScroll: true });
  note(`The curves are those ${aimWords(orbit, aimed.angle_deg)}.`);
}
function followAddress() {
  const found = /^#aim=(horizontal|vertical),([+-]?\d{1,2})$/.exec(location.hash);
  if (found) tryAim(found[1], +found[2]);
}
function aimWords(orbit, angle) {
  if (!angle) return "on axis";
  if (orbit === "vertical") return `${Math.abs(angle)}° ${angle > 0 ? "above" : "below"} the axis`;
  const isNamed = study.horizontal?.both_sides;
  return `${Math.abs(angle)}° off the axis${angle < 0 ? " to its own right" : isNamed ? " to its own left" : ""}`;
}
const KNOWN_AT_AIMS = { listening_window: "listening window", early_reflections: "early reflections", in_room: "in-room prediction" };
function aimAt(angle, isFromTable = false) {
  const orbit = orbitNow(), found = study[orbit];
  if (!found) return;
  const one = found.aims.reduce((best, a) => (Math.abs(a.angle_deg - angle) < Math.abs(best.angle_deg - angle) ? a : best));
  aimed = { ...one, orbit };
  const words = `${minus(String(one.angle_deg))}°`;
  find("aim-angle").value = String(one.angle_deg);
  find("aim-angle").setAttribute("aria-valuetext", `${words}, ${one.roughness_db.toFixed(2)} dB uneven`);
  if (document.activeElement !== find("aim-typed")) find("aim-typed").value = String(one.angle_deg);
  const isAway = one.angle_deg !== 0;
  find("figures-aim").hidden = !isAway;
  const lost = Object.entries(KNOWN_AT_AIMS).filter(([key]) => desk.plain.has(key) && !one.curves[key]).map(([, name]) => name);
  find("figures-aim-words").textContent = `Curves and figures are those ${aimWords(orbit, one.angle_deg)}${
    one.notes.length ? ` (${one.notes.join("; ")})` : ""
  }. The sound power is the same at every aim, and the target, which is one on axis, is left out.${
    lost.length ? ` Not known at this aim: ${lost.join(", ")}.` : ""
  }`;
  const button = find("aim-take");
  button.hidden = !one.equalizer;
  button.textContent = `Set the equalizer made for ${words}`;
  find("aim-bars").replaceChildren(
    make(
      "table",
      { class: "counts" },
      make(
        "thead",
        {},
        make("tr", {}, ...["Angle", "Uneven, rms", "With its own equalizer", ""].map((w) => (w ? make("th", { scope: "col" }, w) : make("td", {})))),
      ),
      make(
        "tbody",
        {},
        ...found.aims.map((a) =>
          make(
            "tr",
            { class: a.angle_deg === one.angle_deg ? "chosen" : "" },
            make(
              "th",
              { scope: "row" },
              make("button", {
                type: "button",
                class: "quiet",
                "aria-pressed": String(a === one),
                "aria-label": `${minus(String(a.angle_deg))}°: try ${aimWords(orbit, a.angle_deg)}`,
                onclick: () => aimAt(a.angle_deg, true),
              }, `${minus(String(a.angle_deg))}°`),
            ),
            make("td", { class: "right" }, `${a.roughness_db.toFixed(2)} ± ${(2 * a.u_db).toFixed(2)} dB`),
            make("td", { class: "right" }, a.roughness_mended_db === null ? "" : `${a.roughness_mended_db.toFixed(2)} dB`),
            make(
              "td",
              {},
              [a.angle_deg === found.best_deg && "smoothest", a.angle_deg === found.best_mended_deg && "smoothest with its equalizer"].filter(Boolean).join(
                ", ",
              ),
            ),
          )
        ),
      ),
    ),
  );
  if (isFromTable) find("aim-bars").querySelector("[aria-pressed=true]")?.focus({ preventScroll: true });
  desk.aim(isAway ? { hz: found.frequency_hz, curves: one.curves } : null);
  paint();
}

// Beginning --------------------------------------------------------------------------------------------------------

function changeForm() {
  set(readForm());
  lookAhead();
}

function listen() {
  find("goal").onchange = () => {
    showGoal();
    if (find("goal").value !== "table" || find("table").value.trim()) changeForm();
  };
  for (const id of ["slope", "table", "gain-low", "gain-high", "q-low", "q-high", "range-low", "range-high", "boost", "forced"]) find(id).onchange = changeForm;
  find("mend-design").onsubmit = (e) => {
    e.preventDefault();
    designBands(find("count").value ? +find("count").value : null);
  };
  find("take-advised").onclick = () => designBands(null);
  find("add-band").onclick = () => addAt(1000, 0);
  find("clear").onclick = () => set({ bands: [], preamp_db: null });
  find("preamp").oninput = (e) => e.target.value !== "" && set({ preamp_db: held(+e.target.value, [-60, 20]) });
  find("preamp-auto").onchange = (e) => set({ preamp_db: e.target.checked ? null : Math.round(10 * desk.preamp()) / 10 });
  find("aim-angle").oninput = (e) => aimAt(+e.target.value);
  find("aim-typed").onchange = (e) => aimAt(+e.target.value);
  find("aim-back").onclick = () => aimAt(0);
  find("aim-take").onclick = () => aimed?.equalizer && set({ bands: aimed.equalizer.bands, preamp_db: null });
  document.querySelectorAll("[name=orbit]").forEach((radio) => (radio.onchange = () => showOrbit()));
  onKey("n", "a new band at 1 kHz", () => addAt(1000, 0));
  onKey("d", "design the bands", () => find("mend-design").requestSubmit());
  for (const letter of LETTERS) {
    onKey(letter.toLowerCase(), `switch to candidate ${letter}`, () => take(letter));
    onKey(`Shift+${letter.toLowerCase()}`, `keep what is set as ${letter}`, () => hold(letter));
  }
}

listen();
paintFindings(facts, { against, tryAim });
Draft.open(`mend:${facts.id}`, EMPTY, (value) => {
  state = sound(value, facts);
  paintForm();
  paint();
})
  .then((opened) => {
    draft = opened;
    draft.keys();
    onKey("Arrows", "on a band: frequency and gain; Shift finer", () => {});
    onKey("+", "on a band: narrower; −: wider; Delete: take it out", () => {});
    ready();
    document.body.dataset.ready = "mend";
    lookAhead().then(loadAims).then(followAddress);
    window.addEventListener("hashchange", followAddress);
  })
  .catch(tell);

// For measuring and testing in the browser.
globalThis.earwitnessFilters = { bandGain, totalGain, prewarped, halfWidth };
