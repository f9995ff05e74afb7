// Responses that were measured before: a folder is looked at, corrected in a table, described, and taken in.
import { ask, make, note, Refusal, startJob, tell } from "./bench.js";
import { droppable, megabytes, sendAll, shown } from "./measure.js";

const find = (id) => document.getElementById(id);
const form = find("responses-facts");
const KEPT = "responses";
const NUMBERS = [...form.elements].filter((e) => e.type === "number").map((e) => e.name);
const UNIT_KEYS = {
  unit: "What the decibels are",
  columns: "What the columns are",
  data: "What the values are",
  samples: "What a sample means",
  positions: "What its positions are",
  level_unit: "What the levels are",
};
const NUMBER_KEYS = { drive_v: "Voltage, V", crest_db: "Crest factor, dB", from_v: "Losses count from, V" };
const WITH_PLANE = ["response", "impulse response", "directions"];

// source : { upload } or { folder }; said : corrections by pattern; fields : the form. All outlive a reload.
let kept = JSON.parse(sessionStorage.getItem(KEPT) || "{}");
const keep = (more) => {
  kept = { ...kept, ...more };
  sessionStorage.setItem(KEPT, JSON.stringify(kept));
};
const corrections = () => Object.values(kept.said || {});

function correct(pattern, change) {
  const said = { ...(kept.said || {}) };
  said[pattern] = { ...(said[pattern] || { pattern }), ...change };
  keep({ said });
}

// Arriving -----------------------------------------------------------------------------------------------------------

async function take(files) {
  const wanted = shown(files);
  if (!wanted.length) return note("There was no file in what was dropped.", "error", { remedy: "drop the folder that holds the responses" });
  find("responses-arriving").hidden = false;
  try {
    const { id } = await ask("POST", "/api/uploads", {});
    await sendAll(id, wanted, (path, done, total) => {
      find("responses-words").textContent = `${path}: ${megabytes(done)} of ${megabytes(total)}`;
      find("responses-share").value = done / Math.max(total, 1);
    });
    keep({ source: { upload: id }, said: {} });
    await look();
  } catch (error) {
    tell(error);
  } finally {
    find("responses-arriving").hidden = true;
  }
}

let turn = 0;
async function look() {
  const mine = ++turn;
  find("responses-arriving").hidden = false;
  find("responses-words").textContent = "reading the files";
  try {
    const told = await ask("POST", "/api/measure/responses/look", { ...kept.source, corrections: corrections() });
    if (mine !== turn) return;
    show(told);
  } finally {
    if (mine === turn) find("responses-arriving").hidden = true;
  }
}

// Seen ---------------------------------------------------------------------------------------------------------------

function choice(group, key, options, now, label) {
  const again = (e) => (correct(group.pattern, { [key]: e.target.value || (key === "plane" ? null : "") }), look().catch(tell));
  return make(
    "select",
    { "aria-label": `${label}, ${group.pattern}`, onchange: again },
    make("option", { value: "" }, "to settle"),
    ...options.map((one) => make("option", { value: one, selected: one === now }, one)),
  );
}

function number(group, key, now) {
  const again = (e) => (correct(group.pattern, { [key]: e.target.value }), look().catch(tell));
  const field = make("input", {
    type: "number",
    min: 0,
    step: "any",
    value: now || "",
    "aria-label": `${NUMBER_KEYS[key]}, ${group.pattern}`,
    onchange: again,
  });
  return make("label", {}, `${NUMBER_KEYS[key]} `, field);
}

function open(group) {
  const said = (kept.said || {})[group.pattern] || {};
  const lines = group.questions.filter((one) => one.key in UNIT_KEYS).map((one) =>
    make("p", {}, make("span", { class: "hint" }, `${one.why}: `), choice(group, one.key, one.options, said[one.key], UNIT_KEYS[one.key]))
  );
  lines.push(
    ...group.questions.filter((one) => one.key in NUMBER_KEYS).map((one) =>
      make("p", {}, make("span", { class: "hint" }, `${one.why}: `), number(group, one.key, said[one.key]))
    ),
  );
  const others = group.questions.filter((one) => !(one.key in UNIT_KEYS) && !(one.key in NUMBER_KEYS) && one.key !== "plane" && one.key !== "orbit");
  lines.push(...others.map((one) => make("p", { class: "hint" }, one.key === "axis" ? `${one.why}: state it below, under Axis of SOFA` : one.why)));
  return lines.length ? lines : [group.unit || ""];
}

function row(group) {
  const said = (kept.said || {})[group.pattern] || {};
  const use = make("input", {
    type: "checkbox",
    checked: true,
    "aria-label": `Use ${group.pattern}`,
    onchange: () => (correct(group.pattern, { left_out: true }), look().catch(tell)),
  });
  const planes = !WITH_PLANE.includes(group.kind) || group.pattern.endsWith(".sofa")
    ? group.plane
    : choice(group, "plane", ["horizontal", "vertical"], group.plane, "Plane");
  const words = group.plane === "vertical" ? "up and down exchanged" : "left and right exchanged";
  const mirror = group.can_mirror
    ? make(
      "label",
      { class: "check" },
      make("input", {
        type: "checkbox",
        checked: Boolean(said.mirrored),
        onchange: (e) => (correct(group.pattern, { mirrored: e.target.checked }), look().catch(tell)),
      }),
      ` ${words}`,
    )
    : "";
  return make(
    "tr",
    {},
    make("td", {}, use),
    make("th", { scope: "row" }, make("code", {}, group.pattern)),
    make("td", {}, group.words),
    make("td", {}, planes),
    make("td", {}, ...open(group)),
    make("td", {}, mirror),
  );
}

function asideRow(one) {
  if (!one.can_take) return make("tr", {}, make("th", { scope: "row" }, make("code", {}, one.file)), make("td", { colspan: 2 }, one.why));
  const angle = make("input", { type: "number", min: -180, max: 360, step: "any", "aria-label": `Angle, ° of ${one.file}` });
  const plane = make("select", { "aria-label": `Plane of ${one.file}` }, make("option", {}, "horizontal"), make("option", {}, "vertical"));
  const use = () => {
    if (angle.value === "") return angle.focus();
    correct(one.file, { angle_deg: Number(angle.value), plane: plane.value, left_out: false });
    look().catch(tell);
  };
  return make(
    "tr",
    {},
    make("th", { scope: "row" }, make("code", {}, one.file)),
    make("td", {}, one.why),
    make("td", { class: "actions" }, plane, make("label", {}, "Angle, ° ", angle), make("button", { type: "button", onclick: use }, "Use it")),
  );
}

function leftOut() {
  return Object.values(kept.said || {}).filter((one) => one.left_out).map((one) =>
    make(
      "tr",
      {},
      make("th", { scope: "row" }, make("code", {}, one.pattern)),
      make("td", {}, "left out by you"),
      make("td", {}, make("button", { type: "button", onclick: () => (correct(one.pattern, { left_out: false }), look().catch(tell)) }, "Use it")),
    )
  );
}

function show(told) {
  find("responses-seen").hidden = false;
  find("responses-choose").classList.remove("primary");
  find("responses-told").textContent = told.told.length ? `Note: ${told.told.join("; ")}.` : "";
  find("responses-groups").tBodies[0].replaceChildren(...told.groups.map(row));
  const aside = [...leftOut(), ...told.aside.map(asideRow)];
  find("responses-aside").hidden = !aside.length;
  find("responses-aside").querySelector("tbody").replaceChildren(...aside);
  // HTML of the server's own renderer, which escapes all that comes from outside.
  find("responses-chart").innerHTML = told.chart;
  const figure = find("responses-chart").querySelector("figure.chart");
  if (figure) globalThis.earwitnessCharts.attach(figure);
}

// Facts --------------------------------------------------------------------------------------------------------------

function facts() {
  const out = {};
  for (const field of form.elements) {
    if (!field.name || field.name === "again") continue;
    if (field.type === "checkbox") out[field.name] = field.checked;
    else if (NUMBERS.includes(field.name)) out[field.name] = field.value === "" ? null : Number(field.value);
    else out[field.name] = field.value.trim();
  }
  return out;
}

function fill(fields) {
  for (const field of form.elements) {
    if (!(field.name in fields)) continue;
    if (field.type === "checkbox") field.checked = fields[field.name];
    else field.value = fields[field.name] ?? "";
  }
  find("rf-absolute").hidden = find("rf-relative").checked;
}

form.addEventListener("input", () => {
  find("rf-absolute").hidden = find("rf-relative").checked;
  keep({ fields: facts() });
});
form.onsubmit = async (e) => {
  e.preventDefault();
  const list = find("responses-faults");
  list.replaceChildren();
  try {
    const body = { ...kept.source, corrections: corrections(), facts: facts(), again: form.elements.again.checked };
    const done = await ask("POST", "/api/measure/responses/write", body);
    note(`${done.title}: session.toml is written.`);
    // What is written is whole; it is the tester's to replace only if he says so again.
    form.elements.again.checked = true;
    const source = kept.source.upload ? { upload: kept.source.upload } : { folder: done.folder };
    await startJob("/api/measure/add", source, (job) => {
      if (job.state !== "done") return;
      leave();
      location.href = `/read/${job.result.loudspeaker}`;
    });
  } catch (error) {
    if (!(error instanceof Refusal)) return tell(error);
    const told = error.told.faults ||
      [
        [error.message, error.told.where, error.told.expected && `expected: ${error.told.expected}`, error.told.remedy && `to do: ${error.told.remedy}`].filter(
          Boolean,
        ).join("\n"),
      ];
    list.replaceChildren(...told.map((fault) => make("li", {}, make("pre", {}, fault))));
    list.scrollIntoView({ block: "nearest" });
  }
};

function leave() {
  sessionStorage.removeItem(KEPT);
  kept = {};
  turn += 1;
  find("responses-seen").hidden = true;
  find("responses-choose").classList.add("primary");
  form.reset();
}

find("responses-leave").onclick = async () => {
  try {
    if (kept.source?.upload) await ask("DELETE", `/api/uploads/${kept.source.upload}`);
    leave();
  } catch (error) {
    tell(error);
  }
};
const chooser = find("responses-files");
find("responses-choose").onclick = () => chooser.click();
chooser.onchange = () => take([...chooser.files].map((file) => [file.webkitRelativePath || file.name, file]));
droppable(find("responses-drop"), take);
find("responses-folder").onsubmit = (e) => {
  e.preventDefault();
  keep({ source: { folder: find("responses-path").value.trim() }, said: {} });
  look().catch(tell);
};
if (kept.source) {
  fill(kept.fields || {});
  look().catch(leave);
}
