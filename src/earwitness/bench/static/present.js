// The presenter: sentence by sentence through the talk, curve by curve through a chart, in step with a notes window.

const find = (selector, root = document) => root.querySelector(selector);
const all = (selector, root = document) => [...root.querySelectorAll(selector)];
const SVG = "http://www.w3.org/2000/svg";
const id = document.body.dataset.loudspeaker;
const channel = new BroadcastChannel(`earwitness-talk-${id}`);
const clock = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;

/** A title is spoken too; on the screen its units are written. */
const written = (title) => title.replace(/(?<=\d) (kilo)?hertz\b/g, (_, kilo) => (kilo ? "\u00a0kHz" : "\u00a0Hz"));

let talk = { parts: [], charts: {} };
let at = { part: 0, sentence: 0 };
let shown = "";
let started = null;
let held = 0;
let drawing = null;
const moved = new Map();

// Clock --------------------------------------------------------------------------------------------------------------

const pressed = (act) => find(`[data-act=${act}]`).getAttribute("aria-pressed") === "true";
const press = (act, is) => find(`[data-act=${act}]`).setAttribute("aria-pressed", String(is));
const elapsed = () => (started === null ? held : held + (performance.now() - started) / 1000);
const total = () => talk.parts.reduce((sum, part) => sum + part.last_s, 0);

function hold(is) {
  if (is && started !== null) {
    held = elapsed();
    started = null;
  } else if (!is && started === null) started = performance.now();
  press("hold", is);
}

/** Planned seconds until the sentence that is shown begins. */
function plannedAt() {
  const part = talk.parts[at.part];
  if (!part) return 0;
  const words = part.sentences.map((sentence) => sentence.split(" ").length);
  const before = words.slice(0, at.sentence).reduce((a, b) => a + b, 0);
  return part.start_s + (part.last_s * before) / Math.max(words.reduce((a, b) => a + b, 0), 1);
}

function tick() {
  const gap = plannedAt() - elapsed();
  const words = Math.abs(gap) < 3 ? "on time" : `${clock(Math.abs(gap))} ${gap > 0 ? "ahead" : "behind"}`;
  find("#elapsed").textContent = clock(elapsed());
  find("#planned").textContent = `of about ${clock(total())}${elapsed() ? ` · ${words}` : ""}`;
  find("#progress").value = Math.min(elapsed() / Math.max(total(), 1), 1);
  send();
}

// The chart ----------------------------------------------------------------------------------------------------------

/** Curves and marks of the drawing, each as the elements that belong to it. */
function pieces() {
  const svg = find("#picture svg");
  if (!svg) return { curves: [], marks: [] };
  const keys = [...new Set(all("[data-curve]", svg).map((one) => one.dataset.curve))];
  const leaders = all(".leader", svg);
  const labels = all("text.label", svg);
  const curves = keys.map((key) => {
    const own = all("[data-curve]", svg).filter((one) => one.dataset.curve === key);
    const name = labels[leaders.findIndex((one) => one.dataset.curve === key)];
    return { name: name?.textContent ?? "", elements: name ? [...own, name] : own };
  });
  return { curves, marks: all(".mark-group", svg) };
}

/** Bring what belongs to a finding's mark together, so that it comes, goes and moves as one. */
function groupMarks(svg) {
  const [leaders, dots, circles, numbers] = ["path.mark-leader", "circle.mark-dot", "circle.mark", "text.mark-number"].map((one) => all(one, svg));
  leaders.forEach((leader, k) => {
    const group = document.createElementNS(SVG, "g");
    const number = numbers[k].textContent;
    group.setAttribute("class", "mark-group");
    group.setAttribute("role", "img");
    group.setAttribute("aria-label", `Mark ${number}`);
    group.dataset.mark = number;
    leader.before(group);
    group.append(leader, dots[k], circles[k], numbers[k]);
  });
}

function draw() {
  const part = talk.parts[at.part];
  const chart = talk.charts[part.still];
  find("#headline").textContent = written(part.title);
  find("#about").textContent = chart ? chart.about : "";
  if (part.still !== shown) {
    shown = part.still;
    // Our own renderer's drawing, which escapes what comes from outside.
    find("#picture").innerHTML = chart ? chart.svg[isDark() ? "dark" : "light"] : "";
    find("#ink").replaceChildren();
    const svg = find("#picture svg");
    if (svg) {
      svg.removeAttribute("width");
      svg.removeAttribute("height");
      svg.setAttribute("role", "img");
      svg.setAttribute("aria-label", `Chart: ${chart.about}`);
      groupMarks(svg);
    }
  }
  const { curves, marks } = pieces();
  const count = curvesAt();
  curves.forEach(({ elements }, k) =>
    elements.forEach((one) => {
      one.dataset.step = "";
      one.classList.toggle("off", k >= count);
    })
  );
  const told = part.sentences.slice(0, at.sentence + 1).join(" ");
  for (const group of marks) {
    group.dataset.step = "";
    const number = Number(group.dataset.mark);
    group.classList.toggle("off", !part.marks.includes(number) || !told.includes(`mark ${number}`));
    const [x, y] = moved.get(`${part.still} ${number}`) ?? [0, 0];
    group.setAttribute("transform", `translate(${x} ${y})`);
    const isHeld = pressed("move") && !group.classList.contains("off");
    if (isHeld) group.setAttribute("tabindex", "0");
    else group.removeAttribute("tabindex");
  }
}

/** The chart anew, in the other dress; what was drawn over it stays. */
function redraw() {
  const drawn = [...ink.children];
  shown = "";
  draw();
  ink.replaceChildren(...drawn);
}

/** A chart that another one stood before is built up curve by curve, a sentence each; the verdicts at both ends and
    parts that stay with a chart show it whole. */
function curvesAt(part = at.part, sentence = at.sentence) {
  const { curves } = pieces();
  const isNew = part > 0 && part + 1 < talk.parts.length && talk.parts[part - 1].still !== talk.parts[part].still;
  if (!isNew) return curves.length;
  const sentences = talk.parts[part].sentences.length;
  return Math.min(curves.length, Math.ceil((curves.length * (sentence + 1)) / Math.max(Math.min(sentences, curves.length), 1)));
}

// Steps --------------------------------------------------------------------------------------------------------------

function after() {
  const part = talk.parts[at.part];
  if (at.sentence + 1 < part.sentences.length) return { part: at.part, sentence: at.sentence + 1 };
  return at.part + 1 < talk.parts.length ? { part: at.part + 1, sentence: 0 } : null;
}

function show() {
  const part = talk.parts[at.part];
  draw();
  const next = after();
  const then = next ? talk.parts[next.part].sentences[next.sentence] : "That was all.";
  find("#sentence").textContent = part.sentences[at.sentence];
  find("#then").textContent = next ? `Then: ${then}` : then;
  find("#step").textContent = stepWords(next);
  all("#parts button").forEach((one, k) => (k === at.part ? one.setAttribute("aria-current", "step") : one.removeAttribute("aria-current")));
  tick();
}

function stepWords(next) {
  if (!next) return "The end";
  if (next.part !== at.part) return talk.parts[next.part].title;
  const { curves } = pieces();
  const [now, then] = [curvesAt(), curvesAt(next.part, next.sentence)];
  if (then > now) return `Curve: ${curves.slice(now, then).map((one) => one.name).filter(Boolean).join(", ") || `${then} of ${curves.length}`}`;
  const mark = /\bmark (\d+)/.exec(talk.parts[next.part].sentences[next.sentence]);
  return mark ? `Mark ${mark[1]}` : `Sentence ${next.sentence + 1} of ${talk.parts[at.part].sentences.length}`;
}

function forward() {
  const next = after();
  if (started === null && !pressed("hold")) hold(false);
  if (next) at = next;
  show();
}

function back() {
  if (at.sentence > 0) at.sentence -= 1;
  else if (at.part > 0) at = { part: at.part - 1, sentence: talk.parts[at.part - 1].sentences.length - 1 };
  show();
}

// Drawing and moving -------------------------------------------------------------------------------------------------

const ink = find("#ink");
ink.addEventListener("pointerdown", (event) => {
  if (!pressed("draw")) return;
  drawing = document.createElementNS(SVG, "polyline");
  ink.append(drawing);
  ink.setPointerCapture(event.pointerId);
  stroke(event);
});
ink.addEventListener("pointermove", (event) => drawing && stroke(event));
ink.addEventListener("pointerup", () => (drawing = null));
function stroke(event) {
  const box = ink.getBoundingClientRect();
  drawing.setAttribute("points", `${drawing.getAttribute("points") ?? ""} ${event.clientX - box.x},${event.clientY - box.y}`.trim());
}

function shift(group, x, y) {
  const key = `${talk.parts[at.part].still} ${group.dataset.mark}`;
  const [a, b] = moved.get(key) ?? [0, 0];
  moved.set(key, [a + x, b + y]);
  draw();
}
let dragged = null;
find("#picture").addEventListener("pointerdown", (event) => {
  const group = event.target.closest(".mark-group");
  if (!group || !pressed("move")) return;
  dragged = { group, x: event.clientX, y: event.clientY };
  find("#picture").setPointerCapture(event.pointerId);
});
find("#picture").addEventListener("pointermove", (event) => {
  if (!dragged) return;
  const scale = find("#picture svg").getScreenCTM().a;
  shift(dragged.group, (event.clientX - dragged.x) / scale, (event.clientY - dragged.y) / scale);
  dragged = { ...dragged, x: event.clientX, y: event.clientY };
});
find("#picture").addEventListener("pointerup", () => (dragged = null));

function turn(act) {
  press(act, !pressed(act));
  find("#stage").classList.toggle(act === "draw" ? "drawing" : "moving", pressed(act));
  draw();
  if (act === "move" && pressed(act)) find(".mark-group:not(.off)")?.focus();
}

function clear() {
  ink.replaceChildren();
  for (const key of [...moved.keys()]) if (key.startsWith(`${talk.parts[at.part].still} `)) moved.delete(key);
  draw();
}

// An animated build-up as a file ---------------------------------------------------------------------------------------

const CURVE_S = 1.2;

/** The chart of the stage as an SVG that builds itself up, curve by curve and then mark by mark: it opens from disk,
    asks nothing from the network, has no script, and stands still and whole where less motion is asked for. */
function animated() {
  const svg = find("#picture svg").cloneNode(true);
  const marked = new Set(all(".mark-group:not(.off)", svg).map((one) => one.dataset.mark));
  all(".mark-group", svg).filter((one) => !marked.has(one.dataset.mark)).forEach((one) => one.remove());
  const leaders = all(".leader", svg);
  all("text.label", svg).forEach((label, k) => leaders[k] && (label.dataset.curve = leaders[k].dataset.curve));
  const keys = [...new Set(all("[data-curve]", svg).map((one) => one.dataset.curve))];
  const steps = [...keys.map((key) => all("[data-curve]", svg).filter((one) => one.dataset.curve === key)), ...all(".mark-group", svg).map((one) => [one])];
  steps.forEach((elements, k) =>
    elements.forEach((one) => {
      one.classList.remove("off");
      one.classList.add("come", `come-${k}`);
    })
  );
  const style = document.createElementNS(SVG, "style");
  style.textContent = [
    "@media (prefers-reduced-motion: no-preference) {",
    "@keyframes come { from { opacity: 0 } to { opacity: 1 } }",
    ".come { animation: come 0.6s ease-out both }",
    ...steps.map((_, k) => `.come-${k} { animation-delay: ${(0.4 + CURVE_S * k).toFixed(1)}s }`),
    "}",
  ].join("\n");
  svg.prepend(style);
  svg.setAttribute("xmlns", SVG);
  return new XMLSerializer().serializeToString(svg);
}

function save() {
  if (!find("#picture svg")) return;
  keep(new Blob([animated()], { type: "image/svg+xml" }), `${talk.parts[at.part].still}-build-up.svg`);
}

function keep(blob, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  URL.revokeObjectURL(link.href);
}

/** The same as a video, which the bench makes. */
async function film() {
  const part = talk.parts[at.part], button = find("[data-act=film]");
  if (!part || button.disabled) return;
  button.disabled = true;
  button.textContent = "Making the video";
  try {
    const answer = await fetch(`/api/publish/${id}/build-up/${encodeURIComponent(part.still)}`);
    if (answer.ok) keep(await answer.blob(), `${part.still}-build-up.webm`);
    else {
      const told = await answer.json();
      find("#then").textContent = [told.what, told.remedy].filter(Boolean).join("; ");
    }
  } catch {
    find("#then").textContent = "The bench does not answer; is it still running?";
  } finally {
    button.disabled = false;
    button.textContent = "Save video";
  }
}

// Notes window -------------------------------------------------------------------------------------------------------

function send() {
  const part = talk.parts[at.part];
  if (!part) return;
  channel.postMessage({
    title: part.title,
    sentences: part.sentences,
    at: at.sentence,
    next: talk.parts[at.part + 1]?.title ?? "",
    elapsed: find("#elapsed").textContent,
    planned: find("#planned").textContent,
  });
}
channel.addEventListener("message", ({ data }) => (data.act ? ACTS[data.act]?.() : data.hello && send()));

// Keys and buttons ---------------------------------------------------------------------------------------------------

const ACTS = {
  next: forward,
  back,
  hold: () => hold(!pressed("hold")),
  draw: () => turn("draw"),
  move: () => turn("move"),
  clear,
  save,
  film,
  notes: () => window.open(`/publish/${id}/notes`, `notes-${id}`, "popup,width=900,height=700"),
  theme: () => {
    const theme = isDark() ? "light" : "dark";
    document.documentElement.dataset.theme = theme;
    localStorage.setItem("theme", theme);
    redraw();
  },
  fill: () => (document.fullscreenElement ? document.exitFullscreen() : find("#stage").requestFullscreen()),
};
const KEYS = {
  " ": "next",
  ArrowRight: "next",
  ArrowDown: "next",
  PageDown: "next",
  Enter: "next",
  ArrowLeft: "back",
  ArrowUp: "back",
  PageUp: "back",
  h: "hold",
  d: "draw",
  m: "move",
  c: "clear",
  n: "notes",
  s: "save",
  v: "film",
  t: "theme",
  f: "fill",
};
const STEP = { ArrowLeft: [-4, 0], ArrowRight: [4, 0], ArrowUp: [0, -4], ArrowDown: [0, 4] };

document.addEventListener("keydown", (event) => {
  if (!talk.parts.length || event.ctrlKey || event.metaKey || event.altKey) return;
  const group = document.activeElement?.closest(".mark-group");
  if (group && STEP[event.key]) shift(group, ...STEP[event.key]);
  else if ([" ", "Enter"].includes(event.key) && document.activeElement?.closest("button, a")) return;
  else if (KEYS[event.key]) ACTS[KEYS[event.key]]();
  else return;
  event.preventDefault();
});
document.addEventListener("click", (event) => {
  const act = event.target.closest("[data-act]")?.dataset.act;
  if (act && talk.parts.length) ACTS[act]();
});
window.addEventListener("resize", () => ink.replaceChildren());
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => talk.parts.length && redraw());

// Beginning ----------------------------------------------------------------------------------------------------------

const isDark = () => {
  const chosen = document.documentElement.dataset.theme;
  return chosen ? chosen === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
};

async function load() {
  const answer = await fetch(`/api/publish/${id}/talk`);
  const told = await answer.json();
  if (!answer.ok) {
    find("#about").textContent = [told.what, told.remedy].filter(Boolean).join("; ");
    return;
  }
  talk = told;
  shown = "";
  find("#parts").replaceChildren(...talk.parts.map((part, k) => {
    const button = document.createElement("button");
    const [name, lasts] = [document.createElement("span"), document.createElement("span")];
    name.textContent = written(part.title);
    lasts.textContent = clock(part.last_s);
    button.type = "button";
    button.append(name, " ", lasts);
    button.addEventListener("click", () => {
      at = { part: k, sentence: 0 };
      show();
    });
    const row = document.createElement("li");
    row.append(button);
    return row;
  }));
  show();
  document.body.dataset.ready = "present";
}

async function begin() {
  find(".teach")?.remove();
  find("#desk").hidden = false;
  await load();
  setInterval(tick, 500);
}
if (document.body.dataset.open === "yes") begin();
else find("#open").addEventListener("click", begin);
