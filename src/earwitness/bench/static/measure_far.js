// The far view of Record: what is next, go, what came of it, how long it takes still. A pedal sends the keys of pages or
// a space; while anything sounds every such key silences. Cues sound between takes only.
import { ask, make, ready, Refusal, tell } from "./bench.js";
import { cue, cueKind, hush, setCues } from "./measure_far_cues.js";
import { placeWords } from "./measure_live_show.js";
import { hold, listen, tab } from "./stream.js";

const find = (id) => document.getElementById(id);
const API = "/api/measure/live";
const SOUNDING = ["calibrating", "raising", "loop-back", "counting", "turning", "recording"];
const BEAT_MS = 250, DEBOUNCE_MS = 350;
let state = { phase: "closed" }, confirmed = "", starting = null, beaten = 0, pressed = 0, told = "", counted = null, pending = null;
// How long a count-down must still last for a cue to be over well before anything is recorded.
const CUE_LEFT_S = { tones: 1.5, speech: 8 };
// When takes were kept, to tell how long the others need.
const ends = [];
const isSounding = () => starting !== null || SOUNDING.includes(state.phase);
const agreed = () => confirmed !== "" && confirmed === state.cautions_key;
const post = (name, body = {}) => ask("POST", `${API}/${name}`, body);
const quickly = (name, body) =>
  fetch(`${API}/${name}`, { method: "POST", keepalive: true, priority: "high", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) })
    .catch(() => {});

function silence() {
  pressed = performance.now();
  hush();
  quickly("silence", {});
  starting?.finally(() => quickly("silence", {}));
  find("far-word").textContent = "Silenced";
}

async function start(name, body) {
  pressed = performance.now();
  hush();
  hold(true);
  const asking = (starting = post(name, body));
  try {
    show(await asking);
  } catch (error) {
    tell(error);
  } finally {
    starting = null;
    refresh();
  }
}

const record = (take) => start("record", { tab, confirmed, take, pause_s: Number(find("far-pause").value), away: false });
/** What the pedal does now. */
function go() {
  if (isSounding()) silence();
  else if (state.phase === "asking") decide(false);
  else if (state.begun && agreed() && state.next) record(state.turntable ? null : state.next);
}
async function again() {
  if (isSounding()) return silence();
  if (state.phase === "asking") return decide(false);
  const last = (state.judged || [])[0];
  if (!last || !agreed()) return undefined;
  const take = state.takes.find((one) => one.id === last.take);
  try {
    if (take.state !== "open") show(await post("again", { take: take.id }));
  } catch (error) {
    return tell(error);
  }
  return record(take.id);
}
function decide(keep) {
  pressed = performance.now();
  return post("decide", { keep }).catch(tell);
}

// Pedals repeat a key that is held, and bounce.
const GO = [" ", "Enter", "PageDown", "ArrowRight", "ArrowDown"], BACK = ["PageUp", "ArrowLeft", "ArrowUp"];
for (const kind of /** @type {const} */ (["keydown", "keyup"])) {
  addEventListener(
    kind,
    (e) => {
      const goes = GO.includes(e.key), backs = BACK.includes(e.key);
      const sounds = isSounding(), types = e.target.closest?.("input, select, a, button");
      if (!(goes || backs || e.key === "Escape" || e.key === "k") || e.ctrlKey || e.altKey || e.metaKey) return;
      if (types && !sounds) return;
      e.preventDefault();
      e.stopImmediatePropagation();
      if (kind === "keyup" || e.repeat) return;
      if (sounds) silence();
      else if (performance.now() - pressed < DEBOUNCE_MS) return;
      else if (goes) go();
      else if (backs) again();
      else if (e.key === "k" && state.phase === "asking") decide(true);
    },
    true,
  );
}
find("far-go").onclick = go;
find("far-again").onclick = again;
find("far-keep").onclick = () => decide(true);
find("far-silence").onclick = silence;
find("far-confirm").onclick = () => {
  confirmed = state.cautions_key;
  refresh();
  document.activeElement?.blur();
};
find("far-cue").onchange = async (e) => {
  find("far-cue-words").textContent = await setCues(e.target.value);
};
addEventListener("pagehide", () => quickly("gone", { tab }));

function beat() {
  if (performance.now() - beaten < BEAT_MS) return;
  beaten = performance.now();
  quickly("beat", { tab });
}

// Showing ------------------------------------------------------------------------------------------------------------

const takeOf = (id) => (state.takes || []).find((one) => one.id === id);
function bigWords(take) {
  if (!take) return "";
  return take.angle_deg === null ? take.id.replaceAll("_", " ") : `${take.angle_deg < 0 ? "−" : ""}${Math.abs(take.angle_deg)}°`;
}

function words() {
  const hands = state.turntable ? "Go" : "Turn to it, then go";
  return {
    closed: "No session is open",
    ready: !state.begun ? "Choose devices on the other screen" : state.done ? "All takes are there" : !agreed() ? "Read the cautions" : hands,
    counting: "Soon",
    turning: "Turns: keep clear",
    recording: "Quiet: it records",
    asking: "Keep it?",
    calibrating: "Calibrator",
    raising: "Level rises",
    "loop-back": "Loop-back",
  }[state.phase];
}

function show(now) {
  if (now.version < state.version && now.folder === state.folder && state.phase !== "closed") return;
  const before = state;
  state = now;
  if (["turning", "recording", "calibrating", "raising", "loop-back"].includes(state.phase)) hush();
  const last = (state.judged || [])[0];
  const mark = last ? `${state.judged.length} ${last.take} ${last.sentence}` : "";
  if (mark !== told && before.phase !== "closed") {
    ends.push(performance.now());
    pending = verdictCue(last);
  }
  if (state.phase === "ready" && before.phase !== "ready" && before.phase !== "closed") pending = endCue() ?? pending;
  if (["ready", "asking"].includes(state.phase)) soundPending();
  else if (state.phase !== "counting" && mark === told) pending = null;
  told = mark;
  counted = null;
  refresh();
}

function soundPending() {
  if (pending) cue(...pending);
  pending = null;
}
const endCue =
  () => (state.error
    ? ["again", state.error.what]
    : state.stopped || state.silenced
    ? ["again", state.stopped || state.silenced]
    : state.done
    ? ["kept", "All takes are there."]
    : null);

/** What a verdict sounds like, once there is time for it. */
function verdictCue(last) {
  const next = takeOf(state.next);
  const good = last.keep && !last.doubts.length;
  const result = good ? "Kept." : last.sentence;
  return [good ? "kept" : "again", `${result} ${next ? `Next: ${placeWords(next).replace("−", "minus ").replace("°", " degrees")}.` : ""}`];
}

function refresh() {
  const takes = state.takes || [], open = takes.filter((one) => one.state === "open");
  const now = takeOf(state.take) ?? takeOf(state.next);
  const last = (state.judged || [])[0];
  find("far-word").textContent = counted ?? words();
  find("far-angle").textContent = state.phase === "closed" || state.done ? "" : bigWords(now);
  find("far-then").textContent = now && !state.done
    ? `${now.orbit ? `${now.orbit} orbit` : now.kind}${
      state.turntable ? `, turntable at ${bigWords({ angle_deg: Math.round(10 * state.turntable.at_deg) / 10 })}` : ""
    }`
    : "";
  const fault = state.error
    ? `Stopped: ${state.error.what}`
    : state.silenced
    ? `Silenced: ${state.silenced}`
    : state.stopped
    ? `Stopped: ${state.stopped}`
    : "";
  const verdict = last
    ? `${last.keep ? (last.doubts.length ? "Kept, but check" : "Kept") : "Again"}: ${placeWords(takeOf(last.take) ?? { kind: last.take, angle_deg: null })}. ${
      last.sentence.replace(/^(Keep|Repeat|Check)[.:] ?/, "")
    }`
    : "";
  find("far-last").textContent = [...(state.checks || []).map((line) => `Check: ${line}`), fault || verdict].join(" ");
  find("far-count").textContent = takes.length ? `${takes.length - open.length} of ${takes.length} takes${open.length ? leftWords(open.length) : ""}` : "";
  const bad = fault || (state.checks || []).length || (last && (!last.keep || last.doubts.length));
  find("far").dataset.look = isSounding() ? "sounds" : bad ? "again" : state.begun && agreed() && !state.done ? "go" : last ? "kept" : "idle";
  find("far-share").hidden = !["recording", "counting"].includes(state.phase);
  const mustRead = state.begun && !agreed() && !isSounding();
  find("far-cautions").hidden = !mustRead;
  for (const id of ["far-angle", "far-then", "far-count"]) find(id).hidden = mustRead;
  find("far-lines").replaceChildren(...(state.cautions || []).map((line) => make("li", {}, line)));
  find("far-go").disabled = !(state.phase === "asking" || (state.begun && agreed() && state.next && !isSounding()));
  find("far-go").textContent = state.phase === "asking" ? "Again" : state.turntable ? "Go: all that are open" : "Go";
  find("far-keep").hidden = state.phase !== "asking";
  find("far-again").hidden = state.phase === "asking" || !last;
  find("far-again").disabled = isSounding() || !agreed();
  if (state.phase === "ready" && !starting) hold(false);
}

/** How long the open takes need, by the pace of those made here. */
function leftWords(open) {
  const steps = ends.slice(1).map((end, k) => end - ends[k]).sort((one, other) => one - other);
  if (!steps.length) return "";
  const minutes = (steps[Math.floor(steps.length / 2)] * open) / 60000;
  return minutes < 1 ? ", less than a minute left" : `, about ${Math.ceil(minutes)} min left`;
}

listen("state", (now) => {
  beat();
  show(now);
});
listen("meter", (now) => {
  beat();
  find("far-share").value = now.share;
  counted = state.phase === "counting" ? `In ${Math.ceil(now.left_s)} s` : null;
  if (counted) find("far-word").textContent = counted;
  if (state.phase === "counting" && now.left_s > CUE_LEFT_S[cueKind()]) soundPending();
});
listen("lost", () => {
  find("far-word").textContent = "The bench does not answer: it is silent by now";
});
ask("GET", API)
  .then(show)
  .catch((error) => (error instanceof Refusal ? tell(error) : console.error(error)))
  .finally(() => {
    ready();
    document.body.dataset.ready = "far";
  });
