// Plan: what a room leaves of each take and what a scan costs, told anew as numbers are typed; kept as a draft.
import { ask, Draft, make, note, tell } from "./bench.js";

const find = (id) => document.getElementById(id);
const form = find("plan-form");
const SVG = "http://www.w3.org/2000/svg";

/** What the fields say; null where a needed one is empty or impossible. */
function asked() {
  const body = { cabinet: {}, room: {}, scan: {} };
  for (const field of form.elements) {
    if (!field.name) continue;
    const [part, name] = field.name.split(".");
    if (field.tagName === "SELECT") body[part][name] = field.value;
    else if (field.value !== "") body[part][name] = Number(field.value);
    else if (field.required) return null;
  }
  return body;
}

const lines = (told, fault) =>
  told ? make("ul", {}, ...told.lines.map((line) => make("li", {}, line))) : make(
    "div",
    { class: "error" },
    make("p", {}, fault.what),
    ...["expected", "remedy"].filter((k) => fault[k]).map((k) => make("p", { class: "hint" }, `${k === "remedy" ? "to do" : k}: ${fault[k]}`)),
  );

let turn = 0;
// What stands there is of what was typed before, until its own answer is there.
const results = form.querySelector(".plan-results");
const busy = (now) => results.setAttribute("aria-busy", now);
async function plan() {
  const body = asked(), mine = ++turn;
  if (!body) return busy(false);
  try {
    const told = await ask("POST", "/api/measure/plan", body);
    // An answer that comes late says nothing of what is typed now.
    if (mine !== turn) return;
    find("plan-gated").replaceChildren(lines(told.gated, told.gated_fault));
    // The words on safety stand once.
    const shown = new Set(told.gated?.lines);
    const scan = told.scan && { ...told.scan, lines: told.scan.lines.filter((line) => !shown.has(line)) };
    find("plan-scan").replaceChildren(lines(scan, told.scan_fault));
    find("plan-save").disabled = !told.scan;
    draw(body.room, told.gated);
  } catch (error) {
    if (mine === turn) find("plan-gated").replaceChildren(make("p", { class: "error" }, error.told?.where || error.message));
  }
  if (mine === turn) busy(false);
}

const svg = (tag, attributes, ...children) => {
  const made = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...children);
  return made;
};

/** The room from the side, or from above where a side wall ends the gate: direct sound and the first echo. */
function draw(room, gated) {
  const above = gated?.reflection === "side wall";
  const [long, tall] = [room.length_m, above ? room.width_m : room.height_m];
  const front = room.front_wall_m ?? long / 3;
  const side = room.side_wall_m ?? room.width_m / 2;
  const y = above ? side : room.stand_m ?? room.height_m / 2;
  const microphone = front + room.distance_m;
  const scale = Math.min(440 / long, 220 / tall), pad = 16;
  const at = (x, up) => [pad + x * scale, pad + (tall - up) * scale];
  const [lx, ly] = at(front, y), [mx, my] = at(microphone, y);
  const path = gated ? echo(gated.reflection, { front, y, microphone, long, tall }) : [];
  const words = gated
    ? `The room ${
      above ? "from above" : "from the side"
    }: the microphone ${room.distance_m} m in front of the loudspeaker, and the first echo, by the ${gated.reflection}.`
    : "The room from the side; it does not hold loudspeaker and microphone this way.";
  const points = path.map(([x, up]) => at(x, up).map((one) => one.toFixed(1)).join(",")).join(" ");
  const picture = svg(
    "svg",
    { viewBox: `0 0 ${(2 * pad + long * scale).toFixed(0)} ${(2 * pad + tall * scale).toFixed(0)}`, role: "img", "aria-label": words, class: "plan-picture" },
    svg("rect", { x: pad, y: pad, width: long * scale, height: tall * scale, class: "walls" }),
  );
  if (!above && ly < at(0, 0)[1]) picture.append(svg("line", { x1: lx, y1: ly, x2: lx, y2: at(0, 0)[1], class: "stand" }));
  if (points) picture.append(svg("polyline", { points, class: "echo" }));
  picture.append(
    svg("line", { x1: lx, y1: ly, x2: mx, y2: my, class: "direct" }),
    svg("rect", { x: lx - 8, y: ly - 10, width: 8, height: 20, class: "box" }),
    svg("circle", { cx: mx, cy: my, r: 4, class: "microphone" }),
  );
  find("plan-drawing").replaceChildren(
    picture,
    make(
      "p",
      { class: "hint" },
      `${above ? "Seen from above" : "Seen from the side"}: box and dot are loudspeaker and microphone, the dashed line is the first echo${
        gated ? `, by the ${gated.reflection}` : ""
      }.`,
    ),
  );
}

/** Corners of the echo's way, by the mirror image. */
function echo(reflection, { front, y, microphone, long, tall }) {
  const middle = (front + microphone) / 2;
  const low = { floor: 0, ceiling: tall, "side wall": y <= tall / 2 ? 0 : tall };
  if (reflection in low) return [[front, y], [middle, low[reflection]], [microphone, y]];
  const shift = 0.03 * tall;
  const wall = reflection === "wall behind the loudspeaker" ? 0 : long;
  return [[front, y], [wall, y + shift / 2], [microphone, y + shift]];
}

let timer = 0, draft = null;
const entered = () => Object.fromEntries([...form.elements].filter((field) => field.name).map((field) => [field.name, field.value]));
form.addEventListener("input", (e) => {
  if (e.target.name) draft.set({ fields: entered() });
  clearTimeout(timer);
  busy(true);
  timer = setTimeout(plan, 120);
});
form.onsubmit = async (e) => {
  e.preventDefault();
  const body = asked(), to = find("plan-to").value.trim();
  if (!body) return;
  try {
    const answer = await fetch("/api/measure/plan/points", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(to ? { ...body, to } : body),
    });
    if (!answer.ok) {
      const told = await answer.json();
      return note(told.what, "error", told);
    }
    const link = make("a", { href: URL.createObjectURL(new Blob([await answer.text()], { type: "text/csv" })), download: "scan_points.csv" });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
    note(to ? `The list of points is written: ${to}` : "The list of points is saved.");
  } catch (error) {
    tell(error);
  }
};
// Until what was planned before is there, what is typed would be lost.
find("plan").inert = true;
Draft.open("plan:default", { fields: entered() }, (value) => {
  for (const field of form.elements) if (field.name && typeof value?.fields?.[field.name] === "string") field.value = value.fields[field.name];
  plan();
})
  .then((opened) => {
    draft = opened;
    find("plan").inert = false;
  })
  .catch(tell);
