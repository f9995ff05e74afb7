// A session described by a form: drawn from the models, kept as a draft, checked while it is typed with the command's
// own words, written as session.toml and read back.
import { ask, Draft, make, note, ready, Refusal, startJob, tell } from "./bench.js";
import { showTab, takenIn } from "./measure.js";
import { finite, Places, roomToBegin } from "./session_places.js";
import { fieldOf, idOf, strangers, typed } from "./session_fields.js";
import { lineOf, PLAN, planFields, takesOf } from "./session_takes.js";

const find = (id) => document.getElementById(id);
const API = "/api/measure/session";
const SECTIONS = [
  ["Loudspeaker", ["", "loudspeaker", "loudspeaker.price"]],
  ["Drivers and ports", ["loudspeaker.driver"]],
  ["Microphone", ["microphone", "microphone.calibrator"]],
  ["What is played", ["drive", "stimulus", "reference"]],
  ["Room", ["environment", "environment.room", "turntable"]],
  ["Takes", ["take", "scan", "responses"]],
  ["Unit, tester, claims, photos", ["unit", "variant", "tester", "loudspeaker.claim", "photo", "other_stimulus"]],
];
// Tables whose mere presence says something: they are asked for.
const ASKED = ["loudspeaker.price", "microphone.calibrator", "reference", "environment.room", "turntable", "scan", "responses"];
const ADD = {
  "loudspeaker.driver": "Add a driver",
  "loudspeaker.claim": "Add a claim",
  photo: "Add a photo",
  other_stimulus: "Add another stimulus",
  take: "Add a take",
};
const LISTS = { "microphone.serial": "known-microphones", "microphone.calibrator.serial": "known-calibrators", "take.driver": "known-drivers" };
const RESPONSES = ["response", "impulse response", "directions", "curves", "uncertainty", "level table", "multitone table"];
const CHECK_MS = 250;

const today = () => new Date(Date.now() - new Date().getTimezoneOffset() * 60000).toISOString().slice(0, 10);
const fresh = () => ({
  document: { format: 1, date: today(), loudspeaker: { driver: [] }, microphone: {}, drive: {}, stimulus: { kind: "sweep" }, environment: {}, take: [] },
  folder: "",
  base: "",
  step_deg: 10,
  plan: { ...PLAN },
  written: false,
  at: "",
});

let tables = {}, rig = {}, forms = [], draft = null, number = 0;
let faults = [], touched = new Set();
const shut = new Set();
const now = () => draft.value;

// The document -------------------------------------------------------------------------------------------------------

const get = (path) => path.reduce((at, key) => at?.[key], now().document);

/** A changed value as the next state; redraw : where fields come or go, which is a step to undo by itself. */
function change(act, redraw = false) {
  const next = structuredClone(now());
  act(next);
  next.at = new Date().toISOString();
  draft.set(next, { now: redraw });
  if (redraw) show();
  else paint();
  soon();
}

function put(path, value, redraw = false) {
  touched.add(idOf(path));
  change((next) => {
    let at = next.document;
    for (const key of path.slice(0, -1)) at = at[key] ??= {};
    if (value === undefined) delete at[path.at(-1)];
    else at[path.at(-1)] = value;
  }, redraw);
}

// Fields -------------------------------------------------------------------------------------------------------------

const kindsOf = (name) => tables[name].kinds;
const below = (name) =>
  Object.keys(tables).filter((one) => one !== name && one.startsWith(name ? `${name}.` : "") && !one.slice(name ? name.length + 1 : 0).includes(".")).map((
    one,
  ) => one.slice(name ? name.length + 1 : 0));

/** Kinds to choose from; those of takes by where they come from. */
function kindOptions(name, kinds, chosen) {
  const option = (one) => make("option", { value: one, selected: one === chosen }, one);
  const all = kinds.filter((one) => one !== "none");
  if (name !== "take") return all.map(option);
  const from = (one) => (one.startsWith("scan") ? "Scan" : RESPONSES.includes(one) ? "Responses measured before" : "Recordings");
  return ["Recordings", "Scan", "Responses measured before"].map((label) =>
    make("optgroup", { label }, ...all.filter((one) => from(one) === label).map(option))
  );
}

function fieldsOf(name, path) {
  const table = get(path) || {}, kinds = kindsOf(name), many = Object.keys(kinds).filter(Boolean);
  const found = [];
  if (many.length) {
    const options = many.includes(table.kind) || !table.kind ? many : [table.kind, ...many];
    const id = idOf([...path, "kind"]);
    found.push(
      make(
        "div",
        { class: "session-field" },
        make("label", { for: id }, "Kind"),
        make(
          "select",
          {
            id,
            autocomplete: "off",
            onchange: (e) => ofKind(name, path, e.target.value),
          },
          make("option", { value: "" }, "choose"),
          ...kindOptions(name, options, table.kind),
        ),
        make("small", { id: `${id}-fault`, class: "fault", hidden: true }),
      ),
    );
  }
  const fields = kinds[table.kind ?? ""] || kinds[""] || [];
  const rest = [];
  for (const field of fields) {
    if (name === "" && field.key === "format") continue;
    const at = [...path, field.key], list = LISTS[`${name}.${field.key}`];
    const set = (value) => {
      put(at, value);
      if (`${name}.${field.key}` === "loudspeaker.driver.name") paintPlan();
      if (list === "known-microphones" || list === "known-calibrators") fromRig(list, path, value);
    };
    const isShown = field.required || field.usual || table[field.key] !== undefined;
    (isShown ? found : rest).push(fieldOf(field, at, table[field.key], set, { list }));
  }
  for (const key of strangers(table, fields, name === "take" || !kinds[table.kind ?? ""] ? [] : below(name))) {
    const words = typeof table[key] === "object" ? "a table, kept as it stands" : `${table[key]}`;
    found.push(
      make(
        "p",
        { class: "stranger", id: idOf([...path, key]), tabindex: "-1" },
        make("code", {}, key),
        ` ${words} `,
        make("button", { type: "button", class: "quiet", onclick: () => put([...path, key], undefined, true) }, `Take ${key} out`),
      ),
    );
  }
  return [
    make("div", { class: "session-grid" }, ...found),
    rest.length ? folded(`more:${path.join(".")}`, "More", make("div", { class: "session-grid" }, ...rest)) : null,
  ];
}

function folded(key, words, ...inside) {
  const box = make("details", { open: shut.has(key) }, make("summary", {}, words), ...inside);
  box.ontoggle = () => (box.open ? shut.add(key) : shut.delete(key));
  return box;
}

/** Another kind of the same thing keeps the keys that it knows. */
function ofKind(name, path, kind) {
  const known = (kindsOf(name)[kind] || []).map((one) => one.key), table = get(path) || {};
  put(path, { kind: kind || undefined, ...Object.fromEntries(Object.entries(table).filter(([key]) => known.includes(key) || key === "#")) }, true);
}

function tableOf(name) {
  const path = name ? name.split(".") : [], { title, is_list } = tables[name];
  if (is_list) return listOf(name, path);
  const isThere = get(path) !== undefined;
  if (ASKED.includes(name)) {
    const words = title.toLowerCase();
    if (!isThere) {
      return make(
        "p",
        {},
        make(
          "button",
          { type: "button", id: `add-${name}`, onclick: () => (put(path, name === "environment.room" ? roomToBegin() : {}, true), focusIn(path)) },
          `Add ${words}`,
        ),
      );
    }
    return make(
      "fieldset",
      { id: idOf(path), tabindex: "-1" },
      make("legend", {}, title),
      ...fieldsOf(name, path),
      name === "environment.room" ? make("div", { id: "room-drawing" }) : null,
      make("button", { type: "button", class: "quiet", onclick: () => put(path, undefined, true) }, `Take ${words} out`),
    );
  }
  const head = ["", "loudspeaker", "microphone"].includes(name) ? [] : [make("h3", {}, title)];
  return make("div", { id: name ? idOf(path) : "f-", tabindex: "-1" }, ...head, ...fieldsOf(name, path));
}

function listOf(name, path) {
  // What the list holds when a button is pressed: fields change it without drawing it anew.
  const rowsNow = () => (Array.isArray(get(path)) ? get(path) : []);
  const isTake = name === "take";
  const words = { "loudspeaker.driver": "Driver", "loudspeaker.claim": "Claim", photo: "Photo", other_stimulus: "Other stimulus", take: "Take" }[name];
  const out = (k) => put(path, rowsNow().filter((_, other) => other !== k), true);
  const rows = rowsNow().map((one, k) => {
    const inside = [
      ...fieldsOf(name, [...path, k]),
      make("button", { type: "button", class: "quiet", onclick: () => out(k) }, `Take ${words.toLowerCase()} ${k + 1} out`),
    ];
    if (isTake) return folded(`take:${k}`, `${k + 1}. ${lineOf(one)}`, ...inside);
    return make("fieldset", {}, make("legend", {}, `${words} ${k + 1}`), ...inside);
  });
  const add = make("button", {
    type: "button",
    id: `add-${name}`,
    onclick: () => {
      const count = rowsNow().length;
      if (isTake) shut.add(`take:${count}`);
      put(path, [...rowsNow(), {}], true);
      focusIn([...path, count]);
    },
  }, ADD[name]);
  const head = ["loudspeaker.driver", "take"].includes(name) ? [] : [make("h3", {}, tables[name].title)];
  return make(
    "div",
    { id: idOf(path), tabindex: "-1" },
    ...head,
    name === "loudspeaker.driver" ? make("div", { id: "cabinet-drawing" }) : null,
    isTake ? make("div", { id: "take-plan" }) : null,
    ...rows,
    make("p", {}, add),
  );
}

const focusIn = (path) => document.querySelector(`[id^="${CSS.escape(`${idOf(path)}.`)}"]:is(input, select)`)?.focus();

// Drawings -----------------------------------------------------------------------------------------------------------

const places = new Places({ get, put });

function paint() {
  places.paint();
  find("known-drivers")?.replaceChildren(...driverNames().map((one) => make("option", { value: one })));
}

// The rig ------------------------------------------------------------------------------------------------------------

function fromRig(list, path, serial) {
  const known = (list === "known-microphones" ? rig.microphones : rig.calibrators).find((one) => one.serial === serial);
  if (!known) return;
  // The sensitivity hangs on the gain, and a recording on its session: they are not carried over.
  const { sensitivity_fs_per_pa, sensitivity_u_db: _u, calibrator: _calibrator, file: _file, ...same } = known;
  put(path, { ...same, ...get(path), serial }, true);
  note(
    `Filled in from the session that used ${serial}${
      sensitivity_fs_per_pa ? `; its sensitivity was ${sensitivity_fs_per_pa} of full scale per pascal, with the gain of then` : ""
    }.`,
  );
}

function fromLast() {
  const { date, ...parts } = structuredClone(rig.last);
  if (parts.microphone) {
    delete parts.microphone.sensitivity_fs_per_pa;
    delete parts.microphone.calibrator?.file;
  }
  change((next) => Object.assign(next.document, parts), true);
  note(`Taken from the session of ${date}: microphone, drive, stimulus, loop-back, room. The sensitivity is not: it hangs on the gain.`);
}

/** Cabinet, room and places as they were planned: in the middle and at half of the height where Plan has nothing else. */
async function fromPlan() {
  const { value } = await ask("GET", "/api/drafts/plan:default");
  const at = (name) => typed(value?.fields?.[name] ?? "", { type: "number" });
  if (typeof at("room.length_m") !== "number") return void note("Nothing is planned yet.", "error", { remedy: "fill in Plan first" });
  const [long, wide, high] = ["length_m", "width_m", "height_m"].map((name) => at(`room.${name}`));
  const place = [at("room.front_wall_m") ?? long / 3, at("room.side_wall_m") ?? wide / 2, at("room.stand_m") ?? high / 2].map((one) => +one.toFixed(3));
  const distance_m = at("room.distance_m");
  const size = Object.fromEntries(["width_m", "height_m", "depth_m"].map((name) => [name, at(`cabinet.${name}`)]).filter(([, one]) => one !== undefined));
  change((next) => {
    next.document.loudspeaker = { ...next.document.loudspeaker, ...size };
    const { anechoic: _free, first_reflection_ms: _early, ...air } = next.document.environment || {};
    const room = {
      length_m: long,
      width_m: wide,
      height_m: high,
      loudspeaker_m: place,
      microphone_m: [+(place[0] + distance_m).toFixed(3), place[1], place[2]],
    };
    next.document.environment = { ...air, room };
    next.plan = { ...next.plan, distance_m };
  }, true);
  note("Taken from Plan: the cabinet's size, the room, both places and the distance.");
}

const driverNames = () => (get(["loudspeaker", "driver"]) || []).map((one) => one?.name).filter((one) => typeof one === "string" && one);

// Takes from the plan ------------------------------------------------------------------------------------------------

function paintPlan() {
  const holder = find("take-plan");
  if (!holder) return;
  const value = now(), plan = { ...PLAN, ...value.plan };
  const read = (text) => typed(text, { type: "number" }) ?? "";
  holder.replaceChildren(
    planFields(plan, value.step_deg, driverNames(), {
      change: (act) => change((all) => (all.plan = { ...PLAN, ...all.plan, ...act({ ...PLAN, ...all.plan }) })),
      step: (deg) => change((all) => (all.step_deg = deg)),
      number: read,
      build: () => {
        change((all) => {
          const wanted = { ...PLAN, ...all.plan }, there = Array.isArray(all.document.take) ? all.document.take : [];
          all.document.take = takesOf({ ...wanted, near: wanted.near.filter((one) => driverNames().includes(one)) }, there);
        }, true);
        find("make-takes").focus();
      },
    }),
  );
}

// Checking -----------------------------------------------------------------------------------------------------------

let timer = 0, turn = 0;
function soon() {
  clearTimeout(timer);
  timer = setTimeout(check, CHECK_MS);
}
const described = () => ({ document: now().document, folder: now().folder.trim(), step_deg: finite(now().step_deg, 0) || 1 });

async function check() {
  const mine = ++turn;
  try {
    const told = await ask("POST", `${API}/check`, described());
    if (mine !== turn) return;
    faults = told.faults;
    showFaults(told);
  } catch (error) {
    if (mine !== turn) return;
    faults = [{ what: error.message, expected: error.told?.expected || "", remedy: error.told?.remedy || "", path: ["folder"] }];
    showFaults({ faults, takes: [], count: 0, lacking: null, is_whole: false, can_record: false });
  }
}

/** Where a fault is mended: its field, else the nearest thing around it. */
function placeOf(path) {
  if (path[0] === "folder") return find("session-folder");
  if (path[0] === "step_deg") return find("plan-take-step");
  for (let length = path.length; length > 0; length--) {
    const id = idOf(path.slice(0, length));
    const found = find(id) || find(`${id}.0`) || find(`add-${path.slice(0, length).join(".")}`);
    if (found) return found;
  }
  return find("f-date");
}
const labelOf = (place) =>
  (place?.labels?.[0]?.textContent || place?.getAttribute("aria-label") || place?.closest("fieldset")?.querySelector("legend")?.textContent ||
    place?.closest("section")?.querySelector("h2")?.textContent || "").trim();

// The command names the key that lacks in the file; here the field's own label stands beside.
const plainly = (what) => (/^'[a-z0-9_]+' is missing$|^\w+ = '' is not a number$/.test(what) ? "not filled in yet" : what);

let last = null;
const showFaultsAgain = () => last && showFaults(last);
// A line that appears between press and release would move what is being clicked away from under the pointer.
let isPressed = false;
addEventListener("pointerdown", () => (isPressed = true), true);
for (const over of ["pointerup", "pointercancel"]) addEventListener(over, () => setTimeout(() => ((isPressed = false), showFaultsAgain())), true);

function showFaults(told) {
  last = told;
  if (isPressed) return;
  document.querySelectorAll("#session-fields .fault").forEach((one) => ((one.hidden = true), one.replaceChildren()));
  document.querySelectorAll("#session-fields [aria-invalid]").forEach((one) => one.removeAttribute("aria-invalid"));
  for (const fault of told.faults) {
    const place = placeOf(fault.path), id = place?.id.replace(/\.\d$/, (end) => (find(`${place.id}-fault`) ? end : ""));
    const line = id && find(`${id}-fault`);
    if (!line || !touched.has(id)) continue;
    line.hidden = false;
    line.textContent = [plainly(fault.what), fault.expected && `expected: ${fault.expected}`].filter(Boolean).join("; ");
    place.setAttribute("aria-invalid", "true");
  }
  const section = (place) => place?.closest("section.part")?.querySelector("h2")?.textContent || "";
  const rows = told.faults.map((fault) => {
    const place = placeOf(fault.path), isField = [idOf(fault.path), `${idOf(fault.path)}.0`].includes(place?.id);
    // What to write on which line is for the text editor: here the button leads to the field.
    const more = [fault.expected && `expected: ${fault.expected}`, !isField && fault.remedy && `to do: ${fault.remedy}`].filter(Boolean).join("; ");
    return make(
      "li",
      {},
      make(
        "button",
        { type: "button", class: "link", onclick: () => goTo(placeOf(fault.path)) },
        [...new Set([section(place), labelOf(place)])].filter(Boolean).join(": ") || "Session",
      ),
      make("span", {}, plainly(fault.what)),
      more ? make("small", {}, more) : null,
    );
  });
  find("session-faults").replaceChildren(...rows);
  find("session-wanted").textContent = rows.length ? `Still wanted: ${rows.length}` : "Nothing is wanted";
  const hasFolder = now().folder.trim() !== "";
  find("session-takes").textContent = told.count
    ? `${told.count} take${told.count === 1 ? "" : "s"} of this session.${hasFolder ? "" : " A folder is needed to write it."}`
    : rows.length
    ? ""
    : "No take yet.";
  find("session-record").disabled = !(told.can_record && hasFolder);
  find("session-write").disabled = !hasFolder;
  find("session-take-in").hidden = !told.is_whole;
  find("session-take-in").classList.toggle("primary", told.is_whole);
  find("session-record").classList.toggle("primary", !told.is_whole);
  const lacking = told.lacking || [];
  find("session-lacking").hidden = !lacking.length;
  find("session-lacking").querySelector("ul").replaceChildren(...lacking.map((one) => make("li", {}, one.what)));
}

function goTo(place) {
  if (!place) return;
  for (let box = place.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
  place.focus();
  place.scrollIntoView({ block: "center" });
}

// Showing ------------------------------------------------------------------------------------------------------------

function show() {
  const form = find("session-fields"), held = form.contains(document.activeElement) ? document.activeElement.id : "";
  form.replaceChildren(
    .../** @type {[string, string[]][]} */ (SECTIONS).map(([title, names], k) =>
      make("section", { class: "part", "aria-labelledby": `part-${k}` }, make("h2", { id: `part-${k}` }, title), ...names.map(tableOf))
    ),
    ...Object.entries(/** @type {Record<string, any[]>} */ ({ "known-microphones": rig.microphones, "known-calibrators": rig.calibrators })).map(([id, all]) =>
      make("datalist", { id }, ...all.map((one) => make("option", { value: one.serial }, one.name || "")))
    ),
    make("datalist", { id: "known-drivers" }),
  );
  if (find("session-folder").value !== now().folder) find("session-folder").value = now().folder;
  paint();
  paintPlan();
  if (held) find(held)?.focus();
}

const titleOf = (value) =>
  [value?.document?.loudspeaker?.maker, value?.document?.loudspeaker?.name].filter(Boolean).join(" ") || value?.folder || "not named yet";
function showForms() {
  const select = find("session-which"), isNew = !forms.some((one) => one.number === number);
  select.replaceChildren(
    ...(isNew ? [make("option", { value: number, selected: true }, "a new session")] : []),
    ...forms.map((one) => make("option", { value: one.number, selected: one.number === number }, titleOf(one.value))),
    ...(isNew ? [] : [make("option", { value: "new" }, "a new session")]),
  );
  select.onchange = () => draft.flush().then(() => (location.href = `/measure?${select.value === "new" ? "new" : `form=${select.value}`}#begin`));
}

// Reading, writing ---------------------------------------------------------------------------------------------------

async function read() {
  try {
    const { document: found, base } = await ask("POST", `${API}/read`, { folder: find("session-folder").value.trim() });
    touched = new Set();
    change((next) => Object.assign(next, { document: found, base, folder: find("session-folder").value.trim(), written: true }), true);
    const many = JSON.stringify(found).split('"#":').length - 1;
    note(`session.toml is read${many ? "; its comments stay where they are when it is written again" : ""}.`);
  } catch (error) {
    tell(error);
  }
}

async function write() {
  find("session-done").replaceChildren();
  const { path, base } = await ask("POST", `${API}/write`, { ...described(), base: now().base });
  change((next) => Object.assign(next, { base, written: true }));
  find("session-done").replaceChildren(make("p", {}, "Written: ", make("code", {}, path)));
  await draft.flush();
}

async function writeAnd(act) {
  try {
    await write();
    await act?.();
  } catch (error) {
    if (error instanceof Refusal && error.told.faults) {
      find("session-done").replaceChildren(make("ul", {}, ...error.told.faults.map((one) => make("li", {}, make("pre", {}, one)))));
    }
    tell(error);
  }
}

/** The folder opened under Record, with the step of the plan. */
async function record() {
  const { folder, step_deg } = now(), session = find("live-session");
  const open = new MutationObserver(() => {
    if (session.hidden) return;
    open.disconnect();
    find("live-step").value = step_deg;
    find("live-setup-go").focus();
  });
  open.observe(session, { attributes: true, attributeFilter: ["hidden"] });
  setTimeout(() => open.disconnect(), 20000);
  if (!session.hidden) await ask("POST", "/api/measure/live/leave", {});
  session.hidden = true;
  showTab(find("tab-record"));
  find("live-folder").value = folder;
  find("live-open").requestSubmit();
}

// Beginning ----------------------------------------------------------------------------------------------------------

async function start() {
  const told = await ask("GET", `${API}/form`);
  tables = Object.fromEntries(told.tables.map((one) => [one.name, one]));
  rig = told.rig;
  forms = told.forms;
  const wanted = new URLSearchParams(location.search), next = 1 + Math.max(0, ...forms.map((one) => one.number));
  number = wanted.has("form")
    ? Number(wanted.get("form")) || next
    : ["new", "name", "folder"].some((one) => wanted.has(one)) || !forms.length
    ? next
    : forms.at(-1).number;
  const initial = fresh();
  for (const key of ["maker", "name"]) if (wanted.get(key)) initial.document.loudspeaker[key] = wanted.get(key);
  draft = await Draft.open(`session:${number}`, initial, (value) => {
    if (!draft) return;
    draft.value = { ...fresh(), ...value };
    show();
    soon();
  });
  draft.value = { ...fresh(), ...draft.value };
  draft.keys();
  // A reload goes on with this one, not with another new one.
  history.replaceState(null, "", `${location.pathname}?form=${number}${location.hash}`);
  showForms();
  show();
  find("session-last").hidden = !rig.last;
  find("session-last").onclick = fromLast;
  find("session-folder").oninput = (e) => change((next_) => (next_.folder = e.target.value));
  find("session-plan").onclick = () => fromPlan().catch(tell);
  find("session-read").onclick = read;
  find("session-write").onclick = () => writeAnd();
  find("session-record").onclick = () => writeAnd(record);
  find("session-take-in").onclick = () => writeAnd(() => startJob("/api/measure/add", { folder: now().folder.trim() }, takenIn));
  find("session-fields").onsubmit = (e) => e.preventDefault();
  find("session-fields").addEventListener("focusout", (e) => {
    if (!e.target.id?.startsWith("f-")) return;
    touched.add(e.target.id.replace(/\.[0-2]$/, (end) => (find(`${e.target.id}-fault`) ? end : "")));
    showFaultsAgain();
  });
  if (wanted.get("folder")) {
    find("session-folder").value = wanted.get("folder");
    await read();
  }
  await check();
  ready("begin");
  find("begin").dataset.ready = "session";
}

start().catch(tell);
