// Record: the live session of this bench. The server holds its state and tells it as events; this page shows it, asks,
// and gives signs of life: without them what it started is silenced.
import { ask, make, note, onKey, ready, Refusal, startJob, tell } from "./bench.js";
import { hold, listen, tab } from "./stream.js";
import { curves } from "./measure_live_curves.js";
import { calibratorWords, degrees, fault, levelWords, maps, placeWords, rows, showMeters, verdict } from "./measure_live_show.js";

const find = (id) => document.getElementById(id);
const API = "/api/measure/live";
const SOUNDING = ["calibrating", "raising", "loop-back", "counting", "turning", "recording"];
const BEAT_MS = 250;
let state = { phase: "closed" }, isWatching = false, confirmed = "", beaten = 0, starting = null, shownFolder = null, wasAgreed = null;
const isRunning = () => starting !== null || !["closed", "ready"].includes(state.phase);
const isSounding = () => starting !== null || SOUNDING.includes(state.phase);

// Silence ------------------------------------------------------------------------------------------------------------

const post = (name, body = {}) => ask("POST", `${API}/${name}`, body);
const quickly = (name, body) =>
  fetch(`${API}/${name}`, { method: "POST", keepalive: true, priority: "high", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) })
    .catch(() => {});

function silence() {
  quickly("silence", {});
  // What is just being started would begin after this request: silence it too.
  starting?.finally(() => quickly("silence", {}));
  find("live-status").textContent = "Silenced.";
}
for (const kind of ["keydown", "keyup", "keypress"]) {
  addEventListener(
    kind,
    (/** @type {any} */ e) => {
      if (!isSounding() || !(e.key === " " || e.key === "Escape")) return;
      e.preventDefault();
      e.stopImmediatePropagation();
      if (kind === "keydown") silence();
    },
    true,
  );
}
find("live-silence").onclick = silence;
onKey("Space", "while something sounds: silence at once; Escape does too", () => {});
addEventListener("pagehide", () => quickly("gone", { tab }));

function beat() {
  if (performance.now() - beaten < BEAT_MS) return;
  beaten = performance.now();
  fetch(`${API}/beat`, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ tab }) }).catch(() => {});
}

// Events -------------------------------------------------------------------------------------------------------------

function watch() {
  if (isWatching) return;
  isWatching = true;
  listen("state", (told) => {
    beat();
    show(told);
  });
  listen("meter", (now) => {
    beat();
    showNow(now);
  });
  listen("lost", ({ isOver }) => {
    if (state.phase === "closed") return;
    find("live-status").textContent = `The bench does not answer: what was played is silent by now. ${
      isOver ? "Open the address that the bench printed when it was started again; what was recorded is kept." : "Trying again."
    }`;
  });
}

/** Ask for something that runs; `words` name it while it starts. */
async function start(name, body) {
  if (isRunning()) return;
  hold(true);
  const asking = (starting = post(name, body));
  refresh();
  try {
    show(await asking);
  } catch (error) {
    tell(error);
  } finally {
    starting = null;
    refresh();
  }
}
async function change(name, body = {}) {
  try {
    show(await post(name, body));
    return true;
  } catch (error) {
    tell(error);
    return false;
  }
}

// Showing ------------------------------------------------------------------------------------------------------------

const current = () => (state.takes || []).find((one) => one.id === state.take);
function statusWords() {
  const take = current(), where = take ? `take ${take.id}, ${placeWords(take)}` : "";
  return {
    calibrating: "The calibrator is recorded: hold still.",
    raising: "Noise rises by 3 dB a second.",
    "loop-back": "A quiet sweep looks for the loop-back.",
    counting: `Soon: ${where}.`,
    turning: `The turntable turns: ${where}. Keep clear.`,
    recording: `It plays and records: ${where}.`,
    asking: "It is silent. Keep this recording?",
    ready: state.silenced ? `Silenced: ${state.silenced}.` : state.stopped ? `It stopped: ${state.stopped}.` : "Output off.",
    closed: "",
  }[state.phase];
}

function show(told) {
  if (told.version < state.version && told.folder === state.folder && state.phase !== "closed") return;
  const before = state.phase;
  state = told;
  const isOpen = state.phase !== "closed";
  find("live-start").hidden = isOpen;
  find("live-session").hidden = find("live-bar").hidden = !isOpen;
  if (!isOpen) {
    shownFolder = null;
    return;
  }
  if (shownFolder !== `${state.folder} ${state.begun}`) {
    shownFolder = `${state.folder} ${state.begun}`;
    fill();
  }
  find("live-title").textContent = state.title;
  find("live-where").textContent = state.folder;
  find("live-status").textContent = statusWords();
  find("live-cautions").replaceChildren(...(state.cautions || []).map((line) => make("li", {}, line)));
  find("live-budget").textContent = state.budget.words;
  const recovered = state.recovered || [];
  find("live-recovered").replaceChildren(
    ...(recovered.length ? [make("p", { class: "error" }, `After a stop: what was recorded is kept as ${recovered.join(", ")}; the take is open again.`)] : []),
  );
  find("live-remarks").replaceChildren(...(state.remarks || []).map((line) => make("p", { class: "hint" }, line)));
  find("live-calibrator").replaceChildren(...(state.calibrator ? calibratorWords(state.calibrator) : []));
  find("live-level-told").replaceChildren(...(state.level ? levelWords(state.level) : []));
  find("live-loopback-told").replaceChildren(...(state.loopback ? [make("p", {}, state.loopback.sentence)] : []));
  find("live-channels").textContent = `By session.toml the microphone is on input ${state.microphones.join(", ")}${
    state.has_loopback ? " and there is a loop-back" : ", and there is no loop-back"
  }.`;
  const judged = state.judged || [], checks = (state.checks || []).map((line) => make("p", { class: "verdict check" }, make("strong", {}, "Check: "), line));
  find("live-verdict").replaceChildren(...[state.error ? fault(state.error) : null, ...checks, ...verdict(judged[0])].filter(Boolean));
  find("live-curves").replaceChildren(...curves(judged, placeOf));
  showTable();
  showTakes();
  find("live-question").hidden = state.phase !== "asking";
  find("live-question-words").textContent = state.question ? `Take ${state.question.take}: ${state.question.sentence}` : "";
  if (state.phase === "asking" && before !== "asking") find("live-repeat").focus();
  if (!isSounding()) showMeters(find("live-meters"), null);
  find("live-countdown").textContent = "";
  find("live-share").hidden = !isSounding();
  refresh();
}

function showTakes() {
  const takes = state.takes || [];
  find("live-maps").replaceChildren(...maps(takes, state.take));
  const list = find("live-takes"), focused = list.contains(document.activeElement) ? document.activeElement.dataset.take : null;
  list.replaceChildren(...rows(takes, state.take, !mayRecord(), takeAsked));
  if (focused) list.querySelector(`[data-take="${CSS.escape(focused)}"]`)?.focus();
  const next = takes.find((one) => one.id === state.next), open = takes.filter((one) => one.state === "open").length;
  find("live-next-words").replaceChildren(
    ...(!state.begun
      ? [`${state.takes_planned} takes are asked for. Choose devices and limits first.`]
      : next
      ? ["Next: ", make("strong", {}, `${placeWords(next)}`), `. ${takes.length - open} of ${takes.length} takes are there.`]
      : [make("strong", {}, "All takes are there. ")]),
  );
  document.querySelector(".live-list").hidden = !takes.length;
  find("live-record").hidden = find("live-record-all").hidden = !next;
  find("live-add").hidden = !state.done;
}

const placeOf = (id) => placeWords((state.takes || []).find((one) => one.id === id) ?? { angle_deg: null, kind: id });
function showTable() {
  const table = state.turntable;
  for (const id of ["live-table-zero", "live-table-off"]) find(id).hidden = !table;
  find("live-table-simulated").hidden = !!table || !state.invented;
  if (table) find("live-table-address").value = table.address;
  find("live-table-told").replaceChildren(
    ...(table
      ? [
        make(
          "p",
          {},
          make("strong", {}, `Connected: ${table.name}. `),
          `It stands at ${degrees(table.at_deg)} and turns from ${degrees(table.limits_deg[0])} to ${
            degrees(table.limits_deg[1])
          }. Aim the loudspeaker at the microphone, then press Zero is here.`,
        ),
      ]
      : []),
  );
}

const mayRecord = () => state.begun && !isRunning() && confirmed !== "" && confirmed === state.cautions_key;
function refresh() {
  const busy = isRunning(), may = mayRecord(), agreed = confirmed !== "" && confirmed === state.cautions_key;
  if (!busy) hold(false);
  document.querySelectorAll("[data-sounds]").forEach((button) => (button.disabled = !may));
  document.querySelectorAll("#live-takes button").forEach((button) => (button.disabled = !may));
  for (const id of ["live-setup-go", "live-rescan", "live-leave", "live-add"]) find(id).disabled = busy;
  find("live-calibrate").querySelector("button").disabled = busy;
  find("live-confirm").hidden = !state.begun || agreed;
  if (agreed !== wasAgreed) find("live-cautions-box").open = !agreed;
  wasAgreed = agreed;
  find("live-cautions-line").textContent = agreed ? "Ears and drivers: cautions read and confirmed" : "Read before anything is played";
  find("live-table").querySelectorAll("button").forEach((button) => (button.disabled = busy || !state.begun));
  find("live-confirm").disabled = busy;
  find("live-confirmed").textContent = agreed
    ? "Confirmed for these limits."
    : state.begun
    ? "Nothing is played before."
    : "Choose devices and limits, then confirm.";
  find("live-loopback").hidden = !state.has_loopback;
  find("live-silence").classList.toggle("loud", isSounding());
  document.body.classList.toggle("has-live-bar", state.phase !== "closed");
}

const nameOf = (channel) => (state.microphones?.includes(channel) ? `Microphone, input ${channel}` : `Loop-back, input ${channel}`);
function showNow(now) {
  find("live-share").hidden = !isSounding();
  find("live-share").value = now.share;
  find("live-countdown").textContent = state.phase === "counting" ? `in ${Math.ceil(now.left_s)} s` : "";
  if (now.meter) showMeters(find("live-meters"), now.meter, nameOf);
}

// Choices ------------------------------------------------------------------------------------------------------------

async function fill() {
  const { wiring, limits, peak_dbfs, step_deg } = state.settings;
  for (
    const [id, value] of Object.entries({
      "live-outputs": wiring.outputs.join(","),
      "live-rate": wiring.rate_hz,
      "live-highest": limits.highest_dbfs,
      "live-highest-1m": limits.highest_1m_db,
      "live-highest-ear": limits.highest_ear_db,
      "live-tester": limits.tester_distance_m,
      "live-peak": peak_dbfs,
      "live-step": step_deg ?? 10,
    })
  ) find(id).value = value;
  find("live-cal-channel").value = state.microphones[0] ?? 1;
  find("live-setup-go").textContent = state.begun ? "Change to these" : "Begin with these";
  find("live-setup-go").classList.toggle("primary", !state.begun);
  find("live-setup-box").open = !state.begun;
  find("live-calibrator-box").open = state.begun && !state.sensitivity_known;
  find("live-level-box").open = state.begun && state.sensitivity_known && !state.calibrated;
  await devices();
}

async function devices() {
  try {
    const told = await ask("GET", `${API}/devices`);
    const { wiring } = state.settings || { wiring: { input_device: "default", output_device: "default" } };
    const usual = state.invented && !state.begun && !told.devices.some((one) => one.value !== "simulated") ? "simulated" : null;
    choices(find("live-source"), told.devices.filter((one) => one.inputs), usual ?? wiring.input_device, "inputs");
    choices(find("live-sink"), told.devices.filter((one) => one.outputs), usual ?? wiring.output_device, "outputs");
    find("live-missing").replaceChildren(...(told.missing ? [fault(told.missing)] : []));
  } catch (error) {
    tell(error);
  }
}
function choices(select, found, chosen, kind) {
  const options = found.map((one) =>
    make(
      "option",
      { value: one.value, selected: one.value === chosen },
      `${one.name}, ${one[kind]} ${kind}${one.system === "in memory" ? "" : `, ${one.system}`}`,
    )
  );
  const known = found.some((one) => one.value === chosen);
  if (!known) options.unshift(make("option", { value: chosen, selected: true }, chosen === "default" ? "the system's own" : `${chosen}: not there now`));
  else options.unshift(make("option", { value: "default" }, "the system's own"));
  select.replaceChildren(...options);
}

const number = (id) => Number(find(id).value);
find("live-open").onsubmit = async (e) => {
  e.preventDefault();
  find("live-faults").replaceChildren();
  try {
    show(await post("open", { folder: find("live-folder").value }));
    watch();
  } catch (error) {
    if (error instanceof Refusal && error.told.faults) {
      find("live-faults").replaceChildren(...error.told.faults.map((one) => make("li", {}, make("pre", {}, one))));
    }
    tell(error);
  }
};
find("live-rehearse").onclick = async () => {
  if (await change("rehearse")) watch();
};
find("live-leave").onclick = () => change("leave");
find("live-rescan").onclick = devices;
find("live-setup").onsubmit = async (e) => {
  e.preventDefault();
  const outputs = find("live-outputs").value.split(",").map(Number);
  const body = { source: find("live-source").value, sink: find("live-sink").value, outputs };
  for (const field of ["rate_hz", "highest_dbfs", "highest_1m_db", "highest_ear_db", "tester_m", "peak_dbfs", "step_deg"]) {
    body[field] = Number(e.target.elements[field].value);
  }
  if (await change("setup", body)) note("Devices and limits are set.");
};
const joinTable = (address, zero = false) => change("turntable", { address, zero });
find("live-table").onsubmit = (e) => {
  e.preventDefault();
  joinTable(find("live-table-address").value.trim());
};
find("live-table-zero").onclick = () => joinTable(state.turntable.address, true);
find("live-table-off").onclick = () => joinTable(null);
find("live-table-simulated").onclick = () => joinTable("simulated");
find("live-far").onclick = () => open("/measure/far", "earwitness-far", "popup,width=1280,height=800");
find("live-confirm").onclick = () => {
  confirmed = state.cautions_key;
  showTakes();
  refresh();
  (find("live-record").hidden ? find("live-add") : find("live-record")).focus();
};
find("live-calibrate").onsubmit = (e) => {
  e.preventDefault();
  start("calibrate", {
    tab,
    folder: state.folder,
    source: find("live-source").value,
    rate_hz: number("live-rate"),
    microphone: number("live-cal-channel"),
    level_db: number("live-cal-level"),
    frequency_hz: number("live-cal-hz"),
  });
};
find("live-level").onsubmit = (e) => {
  e.preventDefault();
  if (mayRecord()) start("level", { tab, confirmed, target_db: number("live-target"), distance_m: number("live-distance") });
};
find("live-loopback").onclick = () => start("loopback", { tab, confirmed });

const record = (take) => start("record", { tab, confirmed, take, pause_s: number("live-pause"), away: find("live-away").checked });
find("live-record").onclick = () => record(state.next);
find("live-record-all").onclick = () => record(null);
async function takeAsked(take) {
  if (take.state !== "open" && !(await change("again", { take: take.id }))) return;
  record(take.id);
}
find("live-repeat").onclick = () => post("decide", { keep: false }).catch(tell);
find("live-keep").onclick = () => post("decide", { keep: true }).catch(tell);
find("live-add").onclick = () =>
  startJob("/api/measure/add", { folder: state.folder }, (job) => {
    if (job.state === "done") location.href = `/read/${job.result.loudspeaker}`;
  }).catch(tell);
onKey("r", "record the next take", () => !find("record").hidden && mayRecord() && state.next && record(state.next));

ready();
ask("GET", API)
  .then((told) => {
    if (told.phase !== "closed") {
      show(told);
      watch();
    }
  })
  .catch(tell)
  .finally(() => (document.body.dataset.ready = "measure"));
