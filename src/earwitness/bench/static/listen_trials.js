// Trials: two or three sounds that run together, one of them heard; answers are kept by the bench as they are given.

import { ask, make, onKey, ready, tell } from "./bench.js";

const find = (selector) => document.querySelector(selector);
const given = JSON.parse(find("#given").textContent);
const FADE_S = 0.015;
const RISE_S = 0.5;
const REST_AFTER_MS = 20 * 60 * 1000;
const USUAL = { abx: 16, prefer: 16, threshold: 80 };
let stands = null;
let begunAt = 0;
const bands = bandsOf(new URLSearchParams(location.search).get("bands"));

// The sounds ---------------------------------------------------------------------------------------------------------

/** Gains from one value to another along half a cosine: of sounds that are alike no dip and no bump is heard. */
export function fadeCurve(from, to, count = 65) {
  return Float32Array.from({ length: count }, (_, k) => from + (to - from) * (0.5 - 0.5 * Math.cos((Math.PI * k) / (count - 1))));
}

/** Sounds of one length in a loop, started together, one of them open. */
class Switch {
  constructor() {
    this.context = null;
    this.master = null;
    this.parts = {};
    this.heard = "";
    this.level = 0;
  }
  async load(buffers) {
    this.stop();
    this.context ??= new AudioContext({ sampleRate: 48000 });
    this.master ??= this.context.createGain();
    this.master.connect(this.context.destination);
    const decoded = await Promise.all(Object.entries(buffers).map(async ([slot, bytes]) => [slot, await this.context.decodeAudioData(bytes)]));
    this.buffers = Object.fromEntries(decoded);
    this.heard = decoded[0][0];
  }
  get isPlaying() {
    return Object.keys(this.parts).length > 0;
  }
  async play() {
    await this.context.resume();
    const at = this.context.currentTime + 0.05;
    for (const [slot, buffer] of Object.entries(this.buffers)) {
      const source = new AudioBufferSourceNode(this.context, { buffer, loop: true });
      const gain = new GainNode(this.context, { gain: slot === this.heard ? 1 : 0 });
      source.connect(gain).connect(this.master);
      source.start(at);
      this.parts[slot] = { source, gain };
    }
    this.master.gain.cancelScheduledValues(0);
    this.master.gain.setValueCurveAtTime(fadeCurve(0, this.level), at, RISE_S);
  }
  stop() {
    for (const { source } of Object.values(this.parts)) source.stop();
    this.parts = {};
  }
  hear(slot) {
    if (slot === this.heard) return;
    const at = this.context.currentTime;
    for (const [name, { gain }] of Object.entries(this.parts)) {
      const to = name === slot ? 1 : 0;
      const from = name === this.heard ? 1 : 0;
      gain.gain.cancelScheduledValues(0);
      if (from !== to) gain.gain.setValueCurveAtTime(fadeCurve(from, to), at, FADE_S);
      else gain.gain.setValueAtTime(to, at);
    }
    this.heard = slot;
  }
  volume(db) {
    this.level = 10 ** (db / 20);
    if (!this.isPlaying) return;
    this.master.gain.cancelScheduledValues(0);
    this.master.gain.setTargetAtTime(this.level, this.context.currentTime, 0.02);
  }
}
const player = new Switch();

// Plan ---------------------------------------------------------------------------------------------------------------

const option = (value, words) => make("option", { value }, words);

async function openData() {
  try {
    const { forms, findings } = await ask("POST", `/api/listen/${given.id}/comparable`);
    if (bands.length) forms.own = `with your own equalizer of ${bands.length} band${bands.length === 1 ? "" : "s"}`;
    const choices = () => Object.entries(forms).map(([form, words]) => option(form, words));
    for (const box of ["#form-a", "#form-b"]) find(box).replaceChildren(...choices());
    for (const box of ["#form-c", "#form-d"]) find(box).replaceChildren(option("", "no other"), ...choices());
    find("#form-a").value = "as-is";
    find("#form-b").value = forms.equalized ? "equalized" : Object.keys(forms)[2];
    find("#finding").replaceChildren(...Object.entries(findings).map(([number, words]) => option(number, `${number}. ${words}`)));
    const kinds = Object.entries(given.kinds).filter(([kind]) => kind !== "threshold" || Object.keys(findings).length);
    find("#kind").replaceChildren(...kinds.map(([kind, words]) => option(kind, words)));
    find("#sound").replaceChildren(...given.sounds.map((one) => option(one, one)));
    take(new URLSearchParams(location.search));
    find("#closed").hidden = true;
    find("#plan").hidden = stands !== null;
    fitKind();
  } catch (error) {
    tell(error);
  }
}

/** Bands set by hand in Mend: "peaking,240,-2.1,1;..." of the address. */
function bandsOf(words) {
  const rows = (words ?? "").split(";").filter(Boolean).map((one) => one.split(","));
  return rows.map(([kind, ...numbers]) => [kind, ...numbers.map(Number)]).filter((one) => one.length === 4 && one.slice(1).every(Number.isFinite));
}

/** What a link from Mend asks for: kind, a, b, finding; words that are not offered change nothing. */
function take(asked) {
  for (const [key, box] of Object.entries({ kind: "#kind", a: "#form-a", b: "#form-b", c: "#form-c", finding: "#finding" })) {
    const value = asked.get(key);
    if (value && [...find(box).options].some((one) => one.value === value)) find(box).value = value;
  }
}

const chosenForms = (kind) =>
  kind === "threshold"
    ? []
    : ["#form-a", "#form-b", ...(kind === "prefer" ? ["#form-c", "#form-d"] : [])].map((box) => find(box).value).filter((one, k, all) =>
      one && all.indexOf(one) === k
    );

function fitKind() {
  const kind = find("#kind").value;
  for (const one of document.querySelectorAll(".two")) one.hidden = kind === "threshold";
  for (const one of document.querySelectorAll(".more")) one.hidden = kind !== "prefer";
  find(".one").hidden = kind !== "threshold";
  const count = chosenForms(kind).length;
  // Every pair of more than two in both orders, equally often.
  const block = count > 2 ? count * (count - 1) : 0;
  find("#count").value = block ? Math.ceil(36 / block) * block : USUAL[kind];
  find("#plan-hint").textContent = kind === "threshold"
    ? "The finding is played in one of two sounds: large at first, smaller while you are right. Some 80 trials give a threshold to within about half a decibel."
    : chosenForms(kind).length > 2
    ? "Two at a time, every pair in both orders equally often; counts and worths are shown at the end."
    : "How many trials is planned before; 16 show a difference that is heard in three of four trials in 63 % of runs. Counts are shown at the end.";
}

async function begin(e) {
  e.preventDefault();
  const kind = find("#kind").value;
  const forms = chosenForms(kind);
  const body = {
    kind,
    forms,
    bands: forms.includes("own") ? bands : [],
    finding: kind === "threshold" ? Number(find("#finding").value) : null,
    sound: find("#sound").value,
    trials: Number(find("#count").value),
    listener: find("#listener").value,
    room: find("#in-room").checked
      ? { size: find("#room-size").value, reverberation_s: Number(find("#room-time").value), seat_m: Number(find("#room-seat").value) }
      : null,
  };
  try {
    begunAt = Date.now();
    await show(await ask("POST", `/api/listen/${given.id}/trials`, body));
  } catch (error) {
    tell(error);
  }
}

// Trials -------------------------------------------------------------------------------------------------------------

const QUESTIONS = {
  abx: "Switch as often as you like. Is X the same as A, or as B?",
  prefer: "Which of the two do you prefer?",
  threshold: "In one of the two the finding is there. Which one has it?",
};

async function show(next) {
  const wasPlaying = player.isPlaying;
  const heard = player.heard;
  stands = next;
  find("#plan").hidden = true;
  if (next.is_over) return finish(next);
  const turn = next.answered + 1;
  find("#trial").hidden = false;
  find("#outcome").hidden = true;
  find("#trial-title").textContent = `Trial ${turn} of ${next.planned}`;
  find("#question").textContent = QUESTIONS[next.kind];
  find("#promise").textContent = next.promise;
  const slots = next.kind === "abx" ? ["a", "b", "x"] : ["1", "2"];
  const answers = next.kind === "abx" ? ["A", "B"] : ["1", "2"];
  const words = next.kind === "abx" ? (one) => `X is ${one}` : (one) => (next.kind === "prefer" ? `I prefer ${one}` : `${one} has it`);
  find("#slots").replaceChildren(
    ...slots.map((slot) =>
      make(
        "button",
        {
          type: "button",
          "data-slot": slot,
          "aria-pressed": "false",
          "aria-keyshortcuts": slot,
          onclick: () => hear(slot),
        },
        slot.toUpperCase(),
        " ",
        make("kbd", {}, slot),
      )
    ),
  );
  find("#answers").replaceChildren(
    ...answers.map((one) => make("button", { type: "button", "data-answer": one, disabled: true, onclick: () => answer(one) }, words(one))),
  );
  find("#play").disabled = true;
  if (Date.now() - begunAt > REST_AFTER_MS) find("#rest").textContent = "Twenty minutes have passed: ears tire. Take a break; what was answered is kept.";
  try {
    const sounds = {};
    for (const slot of slots) {
      const found = await fetch(`/api/listen/trials/${next.number}/${turn}/${slot}`);
      if (!found.ok) throw new Error("the sound of this trial did not come");
      sounds[slot] = await found.arrayBuffer();
    }
    await player.load(sounds);
    if (slots.includes(heard)) player.heard = heard;
    mark();
    find("#play").disabled = false;
    for (const one of document.querySelectorAll("[data-answer]")) one.disabled = false;
    if (wasPlaying) await player.play();
    playWords();
  } catch (error) {
    tell(error);
  }
}

function mark() {
  for (const one of document.querySelectorAll("[data-slot]")) one.setAttribute("aria-pressed", String(one.dataset.slot === player.heard));
}
function hear(slot) {
  if (!player.buffers?.[slot]) return;
  player.hear(slot);
  mark();
}
const playWords = () => (find("#play").textContent = player.isPlaying ? "Stop" : "Play");
async function play() {
  if (find("#play").disabled || find("#trial").hidden) return;
  if (player.isPlaying) player.stop();
  else await player.play();
  playWords();
}
async function answer(one) {
  for (const button of document.querySelectorAll("[data-answer]")) button.disabled = true;
  try {
    await show(await ask("POST", `/api/listen/trials/${stands.number}/answer`, { trial: stands.answered + 1, answer: one }));
  } catch (error) {
    for (const button of document.querySelectorAll("[data-answer]")) button.disabled = false;
    tell(error);
  }
}
async function breakOff() {
  try {
    await show(await ask("POST", `/api/listen/trials/${stands.number}/end`));
  } catch (error) {
    tell(error);
  }
}

function finish(over) {
  player.stop();
  find("#trial").hidden = true;
  find("#outcome").hidden = false;
  find("#outcome-words").textContent = over.outcome.sentence;
  find("#secret").textContent = over.secret;
  const line = (words, cells) => make("tr", {}, make("th", { scope: "row" }, words), ...cells.map((cell) => make("td", {}, cell)));
  const rows = [line("Answers", over.outcome.answers)];
  if (over.outcome.key.length) rows.push(line("Key", over.outcome.key));
  find("#outcome-table tbody").replaceChildren(...rows);
  given.earlier.unshift(over);
  listEarlier();
  find("#outcome-title").focus();
}

function listEarlier() {
  const rows = given.earlier.map((one) =>
    make(
      "li",
      {},
      make("span", { class: "what" }, `${one.loudspeaker}, ${given.kinds[one.kind]}`),
      make("span", { class: "hint" }, ` ${one.sound}${one.listener ? `, ${one.listener}` : ""}, ${one.begun_at.slice(0, 10)}. `),
      one.is_over
        ? one.outcome.sentence
        : make("button", { type: "button", class: "quiet", onclick: () => show(one) }, `Go on at trial ${one.answered + 1} of ${one.planned}`),
    )
  );
  find("#earlier").replaceChildren(...(rows.length ? rows : [make("li", { class: "hint" }, "None yet.")]));
}

listEarlier();
if (find("#plan")) {
  find("#open-data").onclick = openData;
  for (const box of ["#kind", "#form-a", "#form-b", "#form-c", "#form-d"]) find(box).onchange = fitKind;
  find("#in-room").onchange = (e) => document.querySelectorAll(".room").forEach((one) => (one.hidden = !e.target.checked));
  find("#plan-form").onsubmit = begin;
  find("#play").onclick = play;
  find("#end").onclick = breakOff;
  find("#again").onclick = () => {
    stands = null;
    find("#outcome").hidden = true;
    find("#plan").hidden = false;
    find("#kind").focus();
  };
  const setVolume = () => {
    const db = Number(find("#volume").value);
    player.volume(db);
    find("#volume-told").textContent = `${db < 0 ? "−" : ""}${Math.abs(db)} dB`;
  };
  find("#volume").oninput = setVolume;
  setVolume();
  onKey("p", "play or stop", play);
  for (const slot of ["a", "b", "x", "1", "2"]) onKey(slot, `hear ${slot.toUpperCase()}`, () => hear(slot));
  if (given.is_shown) openData();
  else find("#closed").hidden = false;
}
ready();
