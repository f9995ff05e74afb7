// Match: amplifier, subwoofer and room about a loudspeaker. Geometry moves here at once; what the seats hear comes from
// the server, one question at a time and only about the newest state.

import { ask, Draft, make, note, onKey, ready, Refusal, tell } from "./bench.js";
import { aimOf, Plan } from "./match_plan.js";

const find = (id) => document.getElementById(id);
const facts = JSON.parse(find("match-facts").textContent);
const api = `/api/match/${facts.id}`;
const LOADS = [8, 4, 2];
const ROOM = {
  room: { length_m: 5, width_m: 4, height_m: 2.5 },
  loudspeaker: [
    { name: "left", position_m: [0.9, 3.0, 0.95], aim_at_m: [3.4, 2.0, 1.0] },
    { name: "right", position_m: [0.9, 1.0, 0.95], aim_at_m: [3.4, 2.0, 1.0] },
  ],
  seat: [
    { name: "middle", row: 1, position_m: [3.4, 2.0, 1.0] },
    { name: "beside", row: 1, position_m: [3.4, 2.8, 1.0] },
  ],
};
const SHEET = { name: "", power: [] };
const round = (value, digits = 2) => +value.toFixed(digits);
const number = (id) => (find(id).value === "" || !Number.isFinite(+find(id).value) ? null : +find(id).value);

/** Ask about the newest state only: while one question is out, later ones wait as one. */
function newest(question) {
  let isOut = false, isOld = false;
  return async function again() {
    if (isOut) {
      isOld = true;
      return;
    }
    isOut = true;
    try {
      await question();
    } finally {
      isOut = false;
      if (isOld) {
        isOld = false;
        again();
      }
    }
  };
}

/** Show a refusal beside what was asked; anything else as a note. */
function refuse(id, error) {
  const line = find(id);
  if (!(error instanceof Refusal) || error.status >= 500) tell(error);
  line.hidden = false;
  line.textContent = [error.message, error.told?.where, error.told?.expected && `expected: ${error.told.expected}`, "the answers are those of before"].filter(
    Boolean,
  ).join("; ");
  line.closest("section").classList.add("stale");
}
function taken(id) {
  find(id).hidden = true;
  find(id).closest("section").classList.remove("stale");
}

function put(id, html) {
  // The server's own renderers, which escape all that comes from outside.
  const isOpen = find(id).querySelector("details")?.open;
  find(id).innerHTML = html;
  // A table of numbers that was opened stays so.
  if (isOpen) { for (const one of find(id).querySelectorAll("details")) one.open = true; }
  find(id).querySelectorAll("figure.chart").forEach((figure) => globalThis.earwitnessCharts.attach(figure));
}
const listed = (id, words) => find(id).replaceChildren(...words.map((text) => make("li", {}, text)));

let room = structuredClone(ROOM);
let sheet = structuredClone(SHEET);
const drafts = {};
let last = "room";
const wanted = () => ({
  distance_m: number("distance") ?? facts.distance_m,
  goal_db: number("level") ?? facts.goal_db,
  peak_db: number("peaks") ?? facts.peak_db,
});
const hasPower = () => sheet.power.length > 0;
const amplifier = () => (hasPower() ? { ...sheet, name: sheet.name || "the amplifier" } : null);

function keep(name, value, initial) {
  const draft = drafts[name];
  last = name;
  if (!draft) return;
  if (!draft.revision && !draft.isDirty) {
    // So that undo reaches the beginning.
    draft.set(structuredClone(initial), { now: true });
    draft.flush();
  }
  draft.set(structuredClone(value));
}

// Room -------------------------------------------------------------------------------------------------------------

const plan = new Plan(find("plan"), { moved: (next, isOver) => setRoom(next, isOver) });

function setRoom(next, isOver = true) {
  const before = room;
  room = next;
  paintRoom();
  if (isOver) keep("room", room, before);
}

function paintRoom() {
  plan.paint(room);
  for (const key of ["length_m", "width_m", "height_m", "reverberation_s"]) if (find(key) !== document.activeElement) find(key).value = room.room?.[key] ?? "";
  rows("speakers", room.loudspeaker, (one) => [one.name, ...one.position_m, round(aimOf(one)[0], 1), round(aimOf(one)[1], 1)], speakerRow);
  rows("seats", room.seat, (one) => [one.name, ...one.position_m, one.row ?? 1], seatRow);
  const names = room.loudspeaker.map((one) => one.name), select = find("seat-of"), now = select.value;
  if ([...select.options].map((o) => o.value).join("\n") !== names.join("\n")) {
    select.replaceChildren(...names.map((name) => make("option", { value: name }, name)));
    if (names.includes(now)) select.value = now;
  }
  askSeats();
  askRoom();
}

/** Fill a table's rows without taking the field that is being typed in away. */
function rows(id, list, cells, makeRow) {
  const body = find(id);
  while (body.rows.length > list.length) body.deleteRow(-1);
  list.forEach((one, place) => {
    const row = body.rows[place] || body.appendChild(makeRow(place));
    cells(one).forEach((value, k) => {
      const field = row.querySelectorAll("input")[k];
      if (field !== document.activeElement) field.value = value;
    });
  });
}
const edited = (list, place, parts) => list.map((one, k) => (k === place ? { ...one, ...parts } : one));
function coordinate(kind, place, axis, names) {
  return make("input", {
    type: "number",
    step: 0.05,
    min: 0,
    max: 100,
    "aria-label": `${"xyz"[axis]} of ${names} ${place + 1}, meters`,
    oninput: (e) => {
      if (e.target.value === "") return;
      const position_m = room[kind][place].position_m.map((at, k) => (k === axis ? +e.target.value : at));
      setRoom({ ...room, [kind]: edited(room[kind], place, { position_m }) });
    },
    onblur: paintRoom,
  });
}
function named(kind, place, words) {
  return make("input", {
    type: "text",
    maxlength: 60,
    "aria-label": `name of ${words} ${place + 1}`,
    onchange: (e) => e.target.value.trim() && setRoom({ ...room, [kind]: edited(room[kind], place, { name: e.target.value.trim() }) }),
    onblur: paintRoom,
  });
}
const gone = (kind, place, words) =>
  make("button", {
    type: "button",
    class: "quiet",
    "aria-label": `Take out ${words} ${place + 1}`,
    onclick: () => (room[kind].length > 1 ? setRoom({ ...room, [kind]: room[kind].filter((_, k) => k !== place) }) : note(`A plan needs a ${words}.`)),
  }, "Take out");
function speakerRow(place) {
  const turn = (axis, low, high) =>
    make("input", {
      type: "number",
      step: 1,
      min: low,
      max: high,
      "aria-label": `${axis ? "elevation" : "azimuth"} of loudspeaker ${place + 1}, degrees`,
      oninput: (e) => {
        if (e.target.value === "") return;
        const angles = aimOf(room.loudspeaker[place]);
        angles[axis] = +e.target.value;
        setRoom({ ...room, loudspeaker: edited(room.loudspeaker, place, turned(angles)) });
      },
      onblur: paintRoom,
    });
  return make(
    "tr",
    {},
    make("td", {}, named("loudspeaker", place, "loudspeaker")),
    ...[0, 1, 2].map((axis) => make("td", {}, coordinate("loudspeaker", place, axis, "loudspeaker"))),
    make("td", {}, turn(0, -180, 180)),
    make("td", {}, turn(1, -85, 85)),
    make("td", {}, gone("loudspeaker", place, "loudspeaker")),
  );
}
function seatRow(place) {
  const row = make("input", {
    type: "number",
    step: 1,
    min: 1,
    max: 50,
    "aria-label": `row of seat ${place + 1}`,
    oninput: (e) => e.target.value !== "" && setRoom({ ...room, seat: edited(room.seat, place, { row: Math.round(+e.target.value) }) }),
    onblur: paintRoom,
  });
  return make(
    "tr",
    {},
    make("td", {}, named("seat", place, "seat")),
    ...[0, 1, 2].map((axis) => make("td", {}, coordinate("seat", place, axis, "seat"))),
    make("td", {}, row),
    make("td", {}, gone("seat", place, "seat")),
  );
}
/** @type {(angles: number[]) => any} */
const turned = ([azimuth, elevation]) => ({ aim_at_m: undefined, azimuth_deg: round(azimuth, 1), elevation_deg: round(elevation, 1) });
function added(kind, words, one) {
  const names = new Set(room[kind].map((o) => o.name));
  let count = room[kind].length + 1;
  while (names.has(`${words} ${count}`)) count++;
  const { length_m = 5, width_m = 4 } = room.room || {};
  const position_m = [round(Math.min(length_m, one[0] * length_m)), round(((count * 0.37) % 0.8) * width_m + 0.1 * width_m), 1];
  return {
    ...room,
    [kind]: [...room[kind], { name: `${words} ${count}`, position_m, ...(kind === "seat" ? { row: 1 } : { azimuth_deg: 0, elevation_deg: 0 }) }],
  };
}

let seatsTold = null;
const askSeats = newest(async () => {
  try {
    seatsTold = await ask("POST", `${api}/seats`, { room, amplifier: amplifier(), loudspeaker: find("seat-of").value, ...wanted() });
    taken("room-refused");
    plan.tell(room);
    put("seat-chart", seatsTold.html || '<p class="hint">This loudspeaker has no curve at any seat.</p>');
    put("seat-table", seatsTold.table);
    listed("seat-words", seatsTold.sentences);
    find("aims").replaceChildren(
      ...Object.entries(seatsTold.aims).map(([name, aim]) => {
        const place = room.loudspeaker.findIndex((one) => one.name === name);
        const take = aim.azimuth_deg === null || place < 0 ? null : make("button", {
          type: "button",
          "aria-label": `Point it so: ${name}`,
          onclick: () => setRoom({ ...room, loudspeaker: edited(room.loudspeaker, place, turned([aim.azimuth_deg, aimOf(room.loudspeaker[place])[1]])) }),
        }, "Point it so");
        return make("li", {}, aim.sentence, " ", take);
      }),
    );
  } catch (error) {
    refuse("room-refused", error);
  }
});

const askRoom = newest(async () => {
  try {
    const told = await ask("POST", `${api}/room`, { room, amplifier: amplifier() });
    listed("room-words", told.absent ? [told.absent] : told.sentences);
    put("room-chart", told.html);
  } catch {
    // What is wrong with the plan is told beside it.
    listed("room-words", []);
    put("room-chart", "");
  }
});

// Amplifier --------------------------------------------------------------------------------------------------------

function readSheet() {
  const next = { ...sheet, name: find("amp-name").value.trim() };
  next.power = [...document.querySelectorAll("#powers input")].filter((f) => f.value !== "" && +f.value > 0).map((f) => ({
    ...sheet.power.find((p) => p.load_ohm === +f.dataset.load),
    load_ohm: +f.dataset.load,
    power_w: +f.value,
  }));
  for (
    const [key, id] of [["minimum_load_ohm", "amp-minimum"], ["output_impedance_ohm", "amp-output"], ["damping_factor", "amp-damping"], [
      "peak_current_a",
      "amp-current",
    ], ["cable_ohm", "amp-cable"]]
  ) {
    const value = number(id);
    if (value === null) delete next[key];
    else next[key] = value;
  }
  return next;
}
function paintSheet() {
  const fields = {
    "amp-name": sheet.name,
    "amp-minimum": sheet.minimum_load_ohm,
    "amp-output": sheet.output_impedance_ohm,
    "amp-damping": sheet.damping_factor,
    "amp-current": sheet.peak_current_a,
    "amp-cable": sheet.cable_ohm,
  };
  for (const [id, value] of Object.entries(fields)) if (find(id) !== document.activeElement) find(id).value = value ?? "";
  const loads = [...new Set([...LOADS, ...sheet.power.map((p) => p.load_ohm), ...extra])].sort((a, b) => b - a);
  const now = [...document.querySelectorAll("#powers input")];
  if (now.map((f) => f.dataset.load).join() !== loads.join()) {
    find("powers").replaceChildren(
      ...loads.map((load) =>
        make(
          "label",
          { class: "line" },
          `into ${load} Ω`,
          make("input", { type: "number", min: 0.1, max: 100000, step: 1, "data-load": load, oninput: changeSheet }),
        )
      ),
    );
  }
  for (const field of document.querySelectorAll("#powers input")) {
    if (field !== document.activeElement) field.value = sheet.power.find((p) => p.load_ohm === +field.dataset.load)?.power_w ?? "";
  }
}
const extra = new Set();
function changeSheet() {
  const before = sheet;
  sheet = readSheet();
  keep("amplifier", sheet, before);
  askAmplifier();
  askSeats();
  askRoom();
}
const askAmplifier = newest(async () => {
  askWords();
  if (!hasPower()) {
    find("amp-answer").textContent = "Give one rated power to see whether it can drive this loudspeaker.";
    find("amp-shown").replaceChildren();
    taken("amp-refused");
    return;
  }
  if (!find("amp-shown").firstChild) find("amp-answer").textContent = "Works it out …";
  try {
    const told = await ask("POST", `${api}/amplifier`, { amplifier: amplifier(), ...wanted() });
    taken("amp-refused");
    const answer = {
      yes: "It can drive this loudspeaker",
      no: "It cannot drive this loudspeaker",
      "cannot be told": "Whether it can drive this loudspeaker cannot be told",
    }[told.can_drive];
    const [reached, need, ...more] = told.sentences;
    // Where the load is left open, how loud it gets is what can be used, so that stands first.
    if (told.can_drive === "cannot be told" && need) find("amp-answer").replaceChildren(make("strong", {}, need), ` ${[reached, ...more].join(" ")}`);
    else find("amp-answer").replaceChildren(make("strong", {}, `${answer}: `), told.why);
    put("amp-shown", told.html);
  } catch (error) {
    refuse("amp-refused", error);
  }
});

// Subwoofer, claims, for whom ----------------------------------------------------------------------------------------

let crossover = { corner_hz: null, slopes: null };
const askSubwoofer = newest(async () => {
  try {
    const told = await ask("POST", `${api}/subwoofer`, crossover);
    taken("sub-refused");
    if (told.absent) {
      find("sub-words").textContent = `No crossover: ${told.absent}.`;
      put("sub-shown", "");
      return;
    }
    find("corner").value = told.corner_hz;
    if (document.activeElement !== find("corner-typed")) find("corner-typed").value = told.corner_hz;
    if (![...find("slopes").options].some((o) => o.value === told.slopes)) find("slopes").append(make("option", { value: told.slopes }, told.slopes));
    find("slopes").options[0].textContent = `by search${crossover.slopes ? "" : `: ${told.slopes}`}`;
    find("sub-words").textContent = told.sentences[0];
    put("sub-shown", told.html);
  } catch (error) {
    refuse("sub-refused", error);
  }
});
function cross(change) {
  crossover = { ...crossover, ...change };
  askSubwoofer();
}
const askWords = newest(async () => {
  try {
    const told = await ask("POST", `${api}/words`, { amplifier: amplifier(), ...wanted(), ...crossover });
    put("claims-shown", told.claims || '<p class="hint"></p>');
    if (!told.claims) find("claims-shown").firstChild.textContent = `Nothing to hold against the data: ${told.no_claims}.`;
    find("whom").replaceChildren(
      ...told.for_whom.map((one, k) => make("div", {}, make("dt", {}, one.topic === told.for_whom[k - 1]?.topic ? "" : one.topic), make("dd", {}, one.text))),
    );
    if (!told.for_whom.length) find("whom").replaceChildren(make("p", { class: "hint" }, "The data give no sentence that goes beyond their uncertainty."));
  } catch (error) {
    tell(error);
  }
});

// Files --------------------------------------------------------------------------------------------------------------

async function save(address, value, name, type) {
  try {
    const { text } = await ask("POST", address, value);
    const made = URL.createObjectURL(new Blob([text], { type }));
    make("a", { href: made, download: name }).click();
    setTimeout(() => URL.revokeObjectURL(made), 10000);
  } catch (error) {
    tell(error);
  }
}
const saveFile = (kind, value) => save(`/api/match/files/${kind}/write`, value, `my-${kind}.toml`, "application/toml");

/** All answers as text, for what is set now. */
async function saveAnswers() {
  const button = find("answers-save");
  button.disabled = true;
  await save(`${api}/text`, { room, amplifier: amplifier(), ...wanted(), ...crossover }, "match.txt", "text/plain");
  button.disabled = false;
}
async function open(kind, field, take) {
  const file = field.files[0];
  field.value = "";
  if (!file) return;
  try {
    const { value } = await ask("POST", `/api/match/files/${kind}/read`, { text: await file.text() });
    take(value);
    note(`${file.name} is taken over.`);
  } catch (error) {
    tell(error);
  }
}

// Beginning ----------------------------------------------------------------------------------------------------------

const isRoom = (v) =>
  v && Array.isArray(v.loudspeaker) && Array.isArray(v.seat) && v.loudspeaker.length && v.seat.length &&
  [...v.loudspeaker, ...v.seat].every((o) =>
    o && typeof o.name === "string" && Array.isArray(o.position_m) && o.position_m.length === 3 && o.position_m.every(Number.isFinite)
  );
const isSheet = (v) => v && typeof v === "object" && Array.isArray(v.power);

function listen() {
  for (const key of ["length_m", "width_m", "height_m", "reverberation_s"]) {
    find(key).oninput = (e) =>
      +e.target.value > 0 && setRoom({ ...room, room: { length_m: 5, width_m: 4, height_m: 2.5, ...room.room, [key]: +e.target.value } });
    find(key).onblur = paintRoom;
  }
  find("add-speaker").onclick = () => setRoom(added("loudspeaker", "loudspeaker", [0.2]));
  find("add-seat").onclick = () => setRoom(added("seat", "seat", [0.8]));
  find("seat-of").onchange = askSeats;
  find("room-save").onclick = () => saveFile("room", room);
  find("room-file").onchange = (e) => open("room", e.target, (value) => setRoom(value));
  find("amp-save").onclick = () => (hasPower() ? saveFile("amplifier", amplifier()) : note("Give one rated power first.", "error"));
  find("amp-file").onchange = (e) =>
    open("amplifier", e.target, (value) => {
      const before = sheet;
      sheet = value;
      paintSheet();
      keep("amplifier", sheet, before);
      askAmplifier();
      askSeats();
    });
  find("amplifier-form").onsubmit = (e) => e.preventDefault();
  for (const id of ["amp-name", "amp-minimum", "amp-output", "amp-damping", "amp-current", "amp-cable"]) find(id).oninput = changeSheet;
  find("add-load").onclick = () => {
    const load = number("new-load");
    if (load && load >= 0.5 && load <= 100) extra.add(load);
    find("new-load").value = "";
    paintSheet();
  };
  for (const [id, value] of [["distance", facts.distance_m], ["level", facts.goal_db], ["peaks", facts.peak_db]]) {
    find(id).value = value;
    find(id).oninput = () => (askAmplifier(), askSeats());
  }
  find("distance-keep").onclick = async () => {
    const kept = await ask("PUT", "/api/match/listening-distance", { distance_m: wanted().distance_m }).catch((error) => void tell(error));
    if (kept) note(kept.sentence);
  };
  const words = (slopes) => slopes.split("/").map((s) => (s === "none" ? "no high-pass" : `${facts.slopes[s]}`)).join(", subwoofer ");
  find("slopes").append(...facts.usual.map((slopes) => make("option", { value: slopes }, `main ${words(slopes)}`)));
  find("slopes").onchange = (e) => cross({ slopes: e.target.value || null });
  find("corner").oninput = (e) => cross({ corner_hz: +e.target.value });
  find("corner-typed").onchange = (e) => +e.target.value >= 20 && cross({ corner_hz: +e.target.value });
  find("sub-best").onclick = () => {
    find("slopes").value = "";
    cross({ corner_hz: null, slopes: null });
  };
}

async function begin() {
  listen();
  askSubwoofer();
  const opened = (name, value, initial, isGood, take) => Draft.open(name, value, (found) => take(isGood(found) ? found : structuredClone(initial)));
  drafts.amplifier = await opened("amplifier:default", SHEET, SHEET, isSheet, (value) => {
    sheet = value;
    paintSheet();
    askAmplifier();
  });
  drafts.room = await opened("room:default", ROOM, ROOM, isRoom, (value) => {
    room = value;
    paintRoom();
  });
  find("answers-save").onclick = saveAnswers;
  onKey("s", "save the answers", saveAnswers);
  onKey("Control+z", "undo the latest change", () => drafts[last].undo());
  onKey("Control+Shift+z", "redo it", () => drafts[last].redo());
  onKey("Arrows", "on the plan: move by 0.1 m; Shift 0.01 m", () => {});
  ready();
  document.body.dataset.ready = "match";
}
begin().catch(tell);
