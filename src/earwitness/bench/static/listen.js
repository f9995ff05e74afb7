// Notes of a listener: entered by keyboard, saved as they are made, sealed once.

import { ask, Draft, make, note, onKey, piece, ready, startJob, tell } from "./bench.js";
import { blindTest } from "./listen_blind.js";
import { wordField } from "./listen_words.js";

const find = (selector, root = document) => root.querySelector(selector);
const given = JSON.parse(find("#given").textContent);
const isBlind = given.key === "blind";

const EMPTY = {
  setup: { loudspeaker: "", maker: "", listener: "", time: "", level_db: "", distance_m: "", aim_deg: "", pieces: "2", equalizer: "", blind: "" },
  own: "",
  passages: [],
  playing: 0,
  clock: { begun_ms: null, gathered_s: 0 },
  remarks: [],
  letter: "A",
  blind: { loudspeakers: [], number: "", promise: "", letters: [], levels_db: {}, gains_db: {} },
  sealed: null,
};

let draft;
let editing = null;
let begunAt = null;
let blind = null;

const now = () => draft.value;
const copy = (value) => structuredClone(value);

/** Change the notes by a function of a copy; saved at once unless told to wait for the next keystroke. */
function change(act, { wait = false, redraw = true } = {}) {
  const next = copy(now());
  act(next);
  draft.set(next, { now: !wait });
  if (redraw) show(next);
}

// The clock ----------------------------------------------------------------------------------------------------------

const elapsed = () => now().clock.gathered_s + (now().clock.begun_ms === null ? 0 : (Date.now() - now().clock.begun_ms) / 1000);
const asTime = (s) =>
  `${s >= 3600 ? `${Math.floor(s / 3600)}:` : ""}${String(Math.floor(s / 60) % 60).padStart(s >= 3600 ? 2 : 1, "0")}:${
    String(Math.floor(s) % 60).padStart(2, "0")
  }`;
function tick() {
  const words = asTime(elapsed());
  if (find("#clock").textContent !== words) find("#clock").textContent = words;
}
function localTime() {
  const at = new Date(Date.now() - new Date().getTimezoneOffset() * 60_000);
  return at.toISOString().slice(0, 16);
}
function turnClock() {
  change((next) => {
    if (next.clock.begun_ms === null) {
      next.clock.begun_ms = Date.now();
      next.setup.time ||= localTime();
    } else {
      next.clock.gathered_s += (Date.now() - next.clock.begun_ms) / 1000;
      next.clock.begun_ms = null;
    }
  });
}

// Passages -----------------------------------------------------------------------------------------------------------

function play(step) {
  const count = now().passages.length;
  if (count) change((next) => (next.playing = (next.playing + step + count) % count));
}

function passageRow(one, k, value) {
  const rename = make("input", { "aria-label": `Passage ${k + 1}`, value: one.name, maxlength: 400 });
  rename.onchange = () => {
    const name = rename.value.trim();
    if (name) {
      change((next) => {
        for (const remark of next.remarks) if (remark.passage === next.passages[k].name) remark.passage = name;
        next.passages[k].name = name;
      });
    }
  };
  return make(
    "li",
    { class: k === value.playing ? "playing" : "", "aria-current": k === value.playing ? "true" : null },
    make("button", { type: "button", class: "quiet", "aria-label": `Play ${one.name}`, onclick: () => change((next) => (next.playing = k)) }, `${k + 1}`),
    rename,
    make("span", { class: "hint" }, one.kind),
    make("button", { type: "button", class: "quiet", "aria-label": `Remove ${one.name}`, onclick: () => removePassage(k) }, "✕"),
  );
}
function removePassage(k) {
  change((next) => {
    const [gone] = next.passages.splice(k, 1);
    for (const remark of next.remarks) if (remark.passage === gone.name) remark.passage = "";
    next.playing = Math.max(0, Math.min(next.playing, next.passages.length - 1));
  });
}
function addPassage(e) {
  e.preventDefault();
  const name = find("#passage-name").value.trim();
  if (!name) return;
  if (now().passages.some((p) => p.name === name)) {
    note(`there is a passage called “${name}” already`, "done");
    return;
  }
  change((next) => {
    next.passages.push({ name, kind: find("#passage-kind").value });
    next.playing = next.passages.length - 1;
  });
  find("#passage-name").value = "";
}

// Remarks ------------------------------------------------------------------------------------------------------------

const words = wordField(find("#word"), find("#words"), given.vocabulary, (word, { stay = false } = {}) => {
  const isSame = find("#word").dataset.filled === word.word;
  if (!isSame) {
    if (word.direction) find("#direction").value = word.direction;
    find("#low").value = word.low_hz;
    find("#high").value = word.high_hz;
    find("#word").dataset.filled = word.word;
  }
  told(`“${word.word}” is usually heard from ${word.low_hz} to ${word.high_hz} Hz. Enter adds the remark; Alt+1, 2, 3: slight, clear, strong.`);
  if (!stay) find("#text").focus();
});
const told = (text) => (find("#word-told").textContent = text);

function entered() {
  const word = words.match(find("#word").value);
  if (!word) {
    told(
      find("#word").value.trim()
        ? `“${find("#word").value.trim()}” is not among the words. Choose the nearest; your own word goes into the text.`
        : "Type a word first.",
    );
    find("#word").focus();
    return null;
  }
  const low = Number(find("#low").value.replace(",", "."));
  const high = Number(find("#high").value.replace(",", "."));
  if (!(low >= 10 && high <= 40_000 && low < high)) {
    told("The region needs two frequencies from 10 to 40000 Hz, the lower one first.");
    find("#low").focus();
    return null;
  }
  return { word: word.word, strength: find("#strength").value, direction: find("#direction").value, region_hz: [low, high], text: find("#text").value.trim() };
}

function clearEntry() {
  for (const id of ["#word", "#low", "#high", "#text"]) find(id).value = "";
  delete find("#word").dataset.filled;
  find("#strength").value = "clear";
  find("#direction").value = "too much";
  find("#add").textContent = "Add";
  find("#cancel").hidden = true;
  editing = null;
  begunAt = null;
  words.close();
}

function addRemark(e) {
  e?.preventDefault();
  const remark = entered();
  if (!remark) return;
  const place = editing;
  change((next) => {
    if (place !== null && next.remarks[place]) Object.assign(next.remarks[place], remark);
    else {
      const playing = next.passages[next.playing];
      const ran = next.clock.begun_ms !== null || next.clock.gathered_s > 0;
      next.remarks.push({
        ...remark,
        passage: playing ? playing.name : "",
        at_s: ran ? Math.round(begunAt ?? elapsed()) : null,
        letter: isBlind ? next.letter : "",
      });
      next.setup.time ||= localTime();
    }
  });
  told(place === null ? `Added: ${remark.word}.` : `Saved: ${remark.word}.`);
  clearEntry();
  find("#word").focus();
}

function editRemark(k) {
  const one = now().remarks[k];
  editing = k;
  find("#word").value = one.word;
  find("#word").dataset.filled = one.word;
  find("#strength").value = one.strength;
  find("#direction").value = one.direction;
  [find("#low").value, find("#high").value] = one.region_hz;
  find("#text").value = one.text;
  find("#add").textContent = "Save";
  find("#cancel").hidden = false;
  told(`Remark ${k + 1} is being changed; Escape leaves it as it was.`);
  find("#strength").focus();
}

function removeRemark(k) {
  if (editing !== null) clearEntry();
  const word = now().remarks[k].word;
  change((next) => next.remarks.splice(k, 1));
  told(`Deleted: ${word}. Undo brings it back.`);
  focusRemark(Math.min(k, now().remarks.length - 1));
}

function moveRemark(k, step) {
  const to = k + step;
  if (to < 0 || to >= now().remarks.length) return;
  if (editing !== null) clearEntry();
  change((next) => next.remarks.splice(to, 0, ...next.remarks.splice(k, 1)));
  focusRemark(to);
}

const focusRemark = (k) => (k >= 0 ? find("#remarks").children[k]?.focus() : find("#word").focus());
const hz = (value) => (value >= 1000 ? `${+(value / 1000).toFixed(2)} kHz` : `${+value.toFixed(1)} Hz`);

function remarkRow(one, k) {
  const letter = isBlind ? `${one.letter}, ` : "";
  const at = one.at_s === null || one.at_s === undefined ? "" : asTime(one.at_s);
  const words = `${letter}${one.word}, ${one.strength}, ${one.direction}, ${hz(one.region_hz[0])} to ${hz(one.region_hz[1])}`;
  const row = make(
    "li",
    { tabindex: 0, "data-place": k },
    make("span", { class: "at" }, at),
    make(
      "span",
      { class: "what" },
      isBlind ? make("b", { class: "letter" }, one.letter) : null,
      make("b", {}, one.word),
      ` ${one.strength}, ${one.direction}, `,
      make("span", { class: "region" }, `${hz(one.region_hz[0])} to ${hz(one.region_hz[1])}`),
    ),
    make("span", { class: "own-words" }, [one.passage, one.text].filter(Boolean).join(": ")),
    make(
      "span",
      { class: "row-tools" },
      make("button", { type: "button", class: "quiet", "aria-label": `Change ${words}`, onclick: () => editRemark(k) }, "Change"),
      make("button", { type: "button", class: "quiet", "aria-label": `Move up ${words}`, onclick: () => moveRemark(k, -1) }, "↑"),
      make("button", { type: "button", class: "quiet", "aria-label": `Move down ${words}`, onclick: () => moveRemark(k, 1) }, "↓"),
      make("button", { type: "button", class: "quiet", "aria-label": `Delete ${words}`, onclick: () => removeRemark(k) }, "Delete"),
    ),
  );
  row.addEventListener("keydown", (e) => {
    if (e.target !== row) return;
    const acts = { Enter: () => editRemark(k), Delete: () => removeRemark(k), Backspace: () => removeRemark(k) };
    if (e.altKey && (e.key === "ArrowUp" || e.key === "ArrowDown")) moveRemark(k, e.key === "ArrowUp" ? -1 : 1);
    else if (e.key === "ArrowUp") focusRemark(Math.max(0, k - 1));
    else if (e.key === "ArrowDown") focusRemark(Math.min(now().remarks.length - 1, k + 1));
    else if (!e.ctrlKey && acts[e.key]) acts[e.key]();
    else return;
    e.preventDefault();
    e.stopPropagation();
  });
  return row;
}

// Sealing ------------------------------------------------------------------------------------------------------------

/** @type {Record<string, [string, number, number]>} */
const NUMBERS = {
  level_db: ["the level at the seat, 20 to 130 dB SPL", 20, 130],
  distance_m: ["the distance in meters", 0.01, 100],
  aim_deg: ["the angle off the axis, −180 to 180 degrees", -180, 180],
  pieces: ["how many loudspeakers played, 1 to 16", 1, 16],
};
const number = (text) => (String(text).trim() === "" ? NaN : Number(String(text).trim().replace(",", ".").replace("−", "-")));

/** What keeps the notes from being sealed: [words, selector of its field]. */
function missing(value) {
  const found = [];
  const field = (name) => `[data-field=${name}]`;
  if (given.key === "new") {
    for (const name of ["loudspeaker", "maker"]) {
      if (!value.setup[name].trim()) found.push([name === "maker" ? "the maker" : "the loudspeaker’s name", field(name)]);
    }
  }
  if (!value.passages.length) found.push(["at least one passage that was played", "#passage-name"]);
  if (!value.setup.time) found.push(["when you listened", field("time")]);
  for (const [name, [words, low, high]] of Object.entries(NUMBERS)) {
    const given = number(value.setup[name]);
    if (!(given >= low && given <= high) || (name === "pieces" && !Number.isInteger(given))) found.push([words, field(name)]);
  }
  if (!value.setup.equalizer) found.push(["whether an equalizer was on", field("equalizer")]);
  if (!isBlind && !value.setup.blind) found.push(["whether you knew what played", field("blind")]);
  if (isBlind && !value.blind.number) found.push(["the letters: deal them first", "#deal-letters"]);
  if (find("#word").value.trim() || find("#text").value.trim()) found.push(["the remark that is begun: add it, or empty its fields", "#word"]);
  return found;
}

/** The sheet as the server takes it; of one letter in a blind test. */
function sheetOf(value, letter = null) {
  const { setup } = value;
  return {
    loudspeaker: given.loudspeaker?.name ?? setup.loudspeaker.trim(),
    maker: given.loudspeaker?.maker ?? setup.maker.trim(),
    time: setup.time,
    listener: setup.listener.trim() || null,
    blind: isBlind || setup.blind === "yes",
    equalizer: setup.equalizer === "yes",
    level_db: number(setup.level_db),
    aim_deg: number(setup.aim_deg),
    distance_m: number(setup.distance_m),
    pieces: number(setup.pieces),
    text: value.own,
    passages: value.passages.map(({ name, kind, level_db }) => ({ name, kind, level_db: level_db ?? null })),
    remarks: value.remarks
      .filter((one) => letter === null || one.letter === letter)
      .map(({ word, region_hz, direction, strength, passage, text, at_s }) => ({
        word,
        region_hz,
        direction,
        strength,
        passage: passage || null,
        text,
        at_s: at_s ?? null,
      })),
    letter,
  };
}

async function seal() {
  const value = now();
  const lacks = missing(value);
  const list = find("#missing");
  list.hidden = !lacks.length;
  list.replaceChildren(
    ...lacks.map(([words, field]) =>
      make("li", {}, "Still wanted: ", make("button", { type: "button", class: "quiet", onclick: () => find(field).focus() }, words))
    ),
  );
  if (lacks.length) {
    // The list stands by the button, which may be out of sight.
    note(`Not sealed yet. Still wanted: ${lacks.map(([words]) => words).join("; ")}.`);
    find(lacks[0][1]).focus();
    return;
  }
  const button = find("#seal");
  button.disabled = true;
  try {
    await draft.flush();
    const sealed = isBlind
      ? await sealBlind(value)
      : { sheets: [{ ...(await ask("POST", "/api/listen/seal", sheetOf(value))), title: `${sheetOf(value).maker} ${sheetOf(value).loudspeaker}` }] };
    change((next) => {
      next.sealed = sealed;
      if (next.clock.begun_ms !== null) {
        next.clock.gathered_s += (Date.now() - next.clock.begun_ms) / 1000;
        next.clock.begun_ms = null;
      }
    });
    find("#sealed-now").focus();
    await listSealed();
  } catch (error) {
    tell(error);
  } finally {
    button.disabled = false;
  }
}

async function sealBlind(value) {
  const made = await ask("POST", `/api/listen/blind/${value.blind.number}/seal`, { sheets: value.blind.letters.map((letter) => sheetOf(value, letter)) });
  return { sheets: made.sheets.map((one, k) => ({ ...one, title: letterWords(made.test, k) })), secret: made.test.secret };
}
function letterWords(test, k) {
  const letter = test.letters[k];
  return `${letter} was ${test.revealed[letter].maker} ${test.revealed[letter].name}`;
}

async function listSealed() {
  find("#sealed-list").innerHTML = await piece(`/listen/${given.key}/sealed`);
}

function another() {
  change((next) => {
    const { setup, passages, blind: test } = next;
    Object.assign(next, copy(EMPTY), { setup: { ...setup, time: "" }, passages });
    if (given.key === "new") Object.assign(next.setup, { loudspeaker: "", maker: "" });
    next.blind.loudspeakers = test.loudspeakers;
  });
  find("#word").focus();
}

function sealedNow(sealed) {
  const heads = sealed.sheets.map((one) =>
    make(
      "div",
      { class: "seal" },
      make("h2", {}, `${one.title}: ${one.remarks} remark${one.remarks === 1 ? "" : "s"} sealed`),
      make(
        "p",
        {},
        make("code", {}, one.sha256),
        " ",
        make("button", { type: "button", "aria-label": `Copy the seal of ${one.title}`, onclick: () => copySeal(one) }, "Copy the seal"),
      ),
      make("p", { class: "hint" }, `${one.sealed_at.replace("T", " ").replace("+00:00", " UTC")}. ${sealWords(one.lines.at(-1))}`),
    )
  );
  const hold = given.loudspeaker ? make("button", { type: "button", class: "primary", onclick: holdAgainst }, "Hold them against the data") : null;
  find("#sealed-now").replaceChildren(
    ...heads,
    ...(sealed.secret ? [make("p", { class: "hint" }, "The secret that dealt the letters: ", make("code", {}, sealed.secret))] : []),
    make("div", { class: "actions" }, hold, make("button", { type: "button", onclick: another }, "Begin another sheet")),
  );
}
const sealWords = (line) => `${line[0].toUpperCase()}${line.slice(1)}.`;
async function copySeal(one) {
  try {
    await navigator.clipboard.writeText(`${one.sha256} ${one.sealed_at}`);
    note("The seal is copied, with its time.");
  } catch {
    note("The browser does not let the page copy: mark the seal and copy it by hand.", "error");
  }
}
function holdAgainst() {
  startJob(`/api/listen/${given.loudspeaker.id}/hold`, {}, (job) => job.state === "done" && (location.href = `/listen/${given.loudspeaker.id}/held`)).catch(
    tell,
  );
}

// The page -----------------------------------------------------------------------------------------------------------

function show(value) {
  for (const field of document.querySelectorAll("[data-field]")) {
    if (field.value !== String(value.setup[field.dataset.field] ?? "")) field.value = value.setup[field.dataset.field] ?? "";
  }
  if (find("#own").value !== value.own) find("#own").value = value.own;
  find("#passages").replaceChildren(...value.passages.map((one, k) => passageRow(one, k, value)));
  if (!value.passages.length) find("#passages").append(make("li", { class: "hint" }, "None yet: name the first piece you play."));
  const playing = value.passages[value.playing];
  find("#now-playing").replaceChildren(
    ...(playing ? ["Now: ", make("b", {}, playing.name), ` (${value.playing + 1} of ${value.passages.length})`] : ["No passage yet"]),
  );
  find("#clock-button").replaceChildren(
    value.clock.begun_ms === null ? (value.clock.gathered_s ? "Go on" : "Start the clock") : "Pause",
    " ",
    make("kbd", {}, "s"),
  );
  find("#remarks").replaceChildren(...value.remarks.map(remarkRow));
  const isSealed = value.sealed !== null;
  find("#listening").inert = isSealed;
  find("#listening").classList.toggle("sealed", isSealed);
  find("#sealing").hidden = isSealed;
  find("#sealed-now").hidden = !isSealed;
  if (isSealed) sealedNow(value.sealed);
  find("#usual").hidden = !given.usual || value.passages.length > 0 || value.setup.distance_m !== "";
  blind?.show(value);
  tick();
}

function takeUsual() {
  change((next) => {
    for (const key of ["listener", "level_db", "distance_m", "aim_deg", "pieces"]) next.setup[key] = String(given.usual[key] ?? "");
    next.passages = copy(given.usual.passages);
  });
}

function keys() {
  onKey("n", "write the next remark", () => find("#word").focus());
  onKey("Alt+n", "write the next remark, from any field", () => find("#word").focus());
  onKey("s", "start or pause the clock", turnClock);
  onKey("]", "next passage", () => play(1));
  onKey("[", "passage before", () => play(-1));
  onKey("Alt+ArrowRight", "next passage, from any field", () => play(1));
  onKey("Alt+ArrowLeft", "passage before, from any field", () => play(-1));
  onKey("r", "go to the remarks: Enter changes, Delete deletes, Alt+arrows move", () => focusRemark(0));
  onKey("p", "add a passage", () => find("#passage-name").focus());
  onKey("Shift+s", "seal these notes", seal);
  ["slight", "clear", "strong"].forEach((strength, k) => onKey(`Alt+${k + 1}`, strength, () => (find("#strength").value = strength)));
}

async function start() {
  find("#remark-form").onsubmit = addRemark;
  find("#remark-form").addEventListener("keydown", (e) => {
    if (e.key === "Enter" && e.target.tagName === "SELECT") addRemark(e);
    if (e.key === "Escape" && editing !== null) {
      clearEntry();
      told("Left as it was.");
    }
  });
  find("#word").addEventListener("input", () => (begunAt ??= elapsed()));
  find("#cancel").onclick = clearEntry;
  find("#passage-form").onsubmit = addPassage;
  find("#clock-button").onclick = turnClock;
  find("#seal").onclick = seal;
  find("#usual").onclick = takeUsual;
  find("#own").oninput = () => change((next) => (next.own = find("#own").value), { wait: true, redraw: false });
  for (const field of document.querySelectorAll("[data-field]")) {
    field.oninput = () => change((next) => (next.setup[field.dataset.field] = field.value), { wait: true, redraw: false });
  }
  draft = await Draft.open(`listen:${given.key}`, EMPTY, (value) => {
    if (!draft) return;
    // A remark that was being changed may not be there any more; one that is being typed stays.
    if (editing !== null) clearEntry();
    show(value);
  }, { isFinal: (value) => value.sealed != null });
  draft.value = { ...copy(EMPTY), ...draft.value };
  draft.keys();
  keys();
  if (isBlind) blind = blindTest(find, now, change);
  show(now());
  setInterval(tick, 250);
  ready();
}

start().catch(tell);
