// What every place shares: asking the server, notes, jobs, the evidence drawer, keys, drafts that save themselves.

import { listen } from "./stream.js";

const find = (selector, root = document) => root.querySelector(selector);

/** Let the tester work. Before a place's script and draft are there, what is typed or clicked would be lost: until the
    script calls this, all of the place is inert and its keys are off, or one `part` of it that comes later. */
export function ready(part = "main") {
  find(`#${part}`).inert = false;
  if (part === "main") document.dispatchEvent(new Event("bench-ready"));
}

async function reach(url, how) {
  try {
    return await fetch(url, how);
  } catch {
    throw new Refusal(0, { what: "the bench does not answer", remedy: "look at the terminal it was started in; start it again if it has ended" });
  }
}

/** Ask the server. Resolves to its JSON; throws a Refusal, with what, where, expected, remedy, for an error. */
export async function ask(method, url, body) {
  const sent = body === undefined ? {} : { headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) };
  const answer = await reach(url, { method, ...sent });
  const isJson = (answer.headers.get("content-type") || "").includes("json");
  const told = isJson ? await answer.json() : { what: await answer.text() };
  if (!answer.ok) throw new Refusal(answer.status, told);
  return told;
}

/** A piece of a page, or the words why there is none: HTML of the server's own templates, which escape all that comes
    from outside. Throws a Refusal where nothing of the kind is answered. */
export async function piece(url) {
  const answer = await reach(url, { headers: { "wants-piece": "true" } });
  const text = await answer.text();
  if ((answer.headers.get("content-type") || "").includes("html")) return text;
  const [what, remedy = ""] = text.trim().split("\nto do: ");
  throw new Refusal(answer.status, { what, remedy });
}

export class Refusal extends Error {
  constructor(status, told) {
    super(told.what || "the bench refused");
    this.status = status;
    this.told = told;
  }
}

/** An element with text and children; what comes from outside is only ever text. */
export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.filter((c) => c !== null && c !== undefined));
  return element;
}

/** A line at the bottom of the page. kind: "done" or "error"; errors stay until closed. */
export function note(words, kind = "done", more = {}) {
  const box = make("div", { class: `note ${kind}` }, make("p", {}, words));
  for (const part of ["where", "expected", "remedy"]) {
    if (more[part]) box.append(make("p", { class: "part" }, `${part === "remedy" ? "to do" : part}: ${more[part]}`));
  }
  for (const fault of more.faults || []) box.append(make("pre", {}, fault));
  box.append(make("button", { type: "button", class: "quiet", onclick: () => box.remove() }, "Close"));
  find("#notes").append(box);
  if (kind !== "error") setTimeout(() => box.remove(), 6000);
  return box;
}

export function tell(error) {
  if (error instanceof Refusal) return note(error.message, "error", error.told);
  console.error(error);
  return note(`a fault of this page: ${error.message}`, "error", { remedy: "reload the page; what was saved is kept" });
}

// Keys ---------------------------------------------------------------------------------------------------------------

const shortcuts = [];

/** Let a key do something outside of text fields, once the place is ready. keys: "s", "Shift+s", "Control+z",
    "Alt+ArrowUp", or two in a row: "g 1". */
export function onKey(keys, words, act) {
  shortcuts.push({ keys, words, act: (e) => find("#main").inert || act(e) });
}
const always = (keys, words, act) => shortcuts.push({ keys, words, act });

let begun = "";
const typing = (e) => e.target.closest?.("input:not([type=range]):not([type=checkbox]):not([type=radio]), textarea, select, [contenteditable]");
document.addEventListener("keydown", (e) => {
  const plain = !(e.ctrlKey || e.metaKey || e.altKey);
  if (plain && typing(e)) return;
  const name = `${e.ctrlKey || e.metaKey ? "Control+" : ""}${e.altKey ? "Alt+" : ""}${e.shiftKey && /^[a-z]$/i.test(e.key) ? "Shift+" : ""}${
    e.key.length === 1 ? e.key.toLowerCase() : e.key
  }`;
  const both = begun ? `${begun} ${name}` : name;
  begun = "";
  const hit = shortcuts.find((s) => s.keys === both) || shortcuts.find((s) => s.keys === name);
  if (hit && !(typing(e) && /^Control\+(Shift\+)?z$/.test(name))) {
    e.preventDefault();
    hit.act(e);
  } else if (plain && shortcuts.some((s) => s.keys.startsWith(`${name} `))) begun = name;
});

function showKeys() {
  const list = find("#keys-list");
  list.replaceChildren(
    ...shortcuts.map((s) =>
      make("tr", {}, make("th", { scope: "row" }, ...s.keys.split(" ").flatMap((k) => [make("kbd", {}, k), " "])), make("td", {}, s.words))
    ),
  );
  find("#keys").showModal();
}

// Theme --------------------------------------------------------------------------------------------------------------

const root = document.documentElement;
const isDark = () => (root.dataset.theme ? root.dataset.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches);
const themeWords = () => (find("#theme-button").textContent = isDark() ? "Light" : "Dark");
function swapTheme() {
  root.dataset.theme = isDark() ? "light" : "dark";
  localStorage.setItem("theme", root.dataset.theme);
  themeWords();
}

// Drawer -------------------------------------------------------------------------------------------------------------

let drawerFrom = null;

/** Show the evidence of something: a URL of HTML from the server, or nodes. */
export async function openDrawer(what, from = document.activeElement) {
  const body = find("#drawer-body");
  drawerFrom = from;
  try {
    if (typeof what === "string") body.innerHTML = await piece(what);
    else body.replaceChildren(...[what].flat());
  } catch (error) {
    tell(error);
    return;
  }
  find("#drawer-title").textContent = typeof what === "string" ? "How is this known?" : "What was done";
  find("#drawer").hidden = false;
  body.focus({ preventScroll: true });
}
function closeDrawer() {
  if (find("#drawer").hidden) return;
  find("#drawer").hidden = true;
  drawerFrom?.focus?.();
}

// Jobs ---------------------------------------------------------------------------------------------------------------

const watchers = new Map();
const known = new Map();
const underWay = new Set();

/** Start a job at `url` and call `done(job)` when it ended, also after it failed. A second press starts no second one.
    isTold : the page itself says that it has begun. */
export async function startJob(url, body, done = (_job) => {}, { isTold = false } = {}) {
  const asked = `${url} ${JSON.stringify(body)}`;
  if (underWay.has(asked)) return void note("This is under way already; its progress stands under Jobs.");
  underWay.add(asked);
  try {
    const job = await ask("POST", url, body);
    const begun = isTold ? null : note(`${job.name}: begun; progress stands under Jobs.`);
    watchJob(job.id, (over) => {
      underWay.delete(asked);
      begun?.remove();
      done(over);
    });
  } catch (error) {
    underWay.delete(asked);
    throw error;
  }
}
export function watchJob(id, done) {
  watchers.set(id, done);
  const now = known.get(id);
  if (now && ended(now)) finish(now);
}
const ended = (job) => ["done", "failed", "canceled", "interrupted"].includes(job.state);
function finish(job) {
  const done = watchers.get(job.id);
  if (!done) return;
  watchers.delete(job.id);
  if (job.state === "failed") note(job.words, "error", job.error || {});
  else note(`${job.name}: ${job.state}`, "done");
  done(job);
}
function showJobs(jobs) {
  for (const job of jobs) known.set(job.id, job);
  const running = jobs.filter((j) => !ended(j)).length;
  find("#jobs-count").textContent = running ? `(${running})` : "";
  const list = find("#jobs-list");
  const [held, words] = list.contains(document.activeElement) ? [document.activeElement.closest("li").dataset.job, document.activeElement.textContent] : [];
  list.replaceChildren(
    ...jobs.map((job) =>
      make(
        "li",
        { class: job.state, "data-job": job.id },
        make("p", { class: "job-name" }, job.name, make("span", { class: "job-state" }, job.state)),
        ended(job) ? null : make("progress", { max: 1, value: job.share, "aria-label": job.name }),
        make("p", { class: "job-words" }, job.words),
        job.error?.remedy ? make("p", { class: "job-words" }, `to do: ${job.error.remedy}`) : null,
        ended(job) ? null : make("button", { type: "button", class: "quiet", onclick: () => ask("POST", `/api/jobs/${job.id}/cancel`).catch(tell) }, "Stop"),
        make("button", { type: "button", class: "quiet", onclick: () => jobLog(job) }, "Log"),
      )
    ),
  );
  if (held) [...list.querySelectorAll(`[data-job="${held}"] button`)].find((one) => one.textContent === words || one.textContent === "Log")?.focus();
  if (!jobs.length) list.append(make("li", {}, "Nothing has run yet. Imports, reductions and publications show here."));
  jobs.filter(ended).forEach(finish);
}
async function jobLog(job) {
  try {
    const { lines } = await ask("GET", `/api/jobs/${job.id}/log`);
    const told = (l) =>
      make(
        "li",
        {},
        `${l.at.slice(11, 19)} ${l.state} ${Math.round(100 * l.share)} % ${l.words}`,
        ...(l.error?.faults || []).map((fault) => make("pre", {}, fault)),
      );
    openDrawer([make("h3", {}, job.name), make("ol", { class: "log" }, ...lines.map(told))]);
  } catch (error) {
    tell(error);
  }
}
/** Say that the bench is away while it is, once that lasts; what is typed meanwhile is kept by the page. */
function watchBench() {
  let timer = 0, told = null;
  listen("lost", ({ isOver }) => {
    clearTimeout(timer);
    const words = isOver ? "The bench was started anew and does not know this browser yet." : "The bench does not answer.";
    const remedy = isOver ? "open the address that it printed, in a tab of its own" : "look at the terminal it was started in; start it again if it has ended";
    timer = setTimeout(() => {
      told?.remove();
      told = note(words, "error", { remedy: `${remedy}; leave this page open: what is typed here is kept, and saved once the bench is back` });
    }, AWAY_MS);
  });
  listen("found", () => {
    clearTimeout(timer);
    told?.remove();
  });
}
function toggleJobs() {
  const panel = find("#jobs");
  panel.hidden = !panel.hidden;
  find("#jobs-button").setAttribute("aria-expanded", String(!panel.hidden));
}

// Drafts -------------------------------------------------------------------------------------------------------------

const AGAIN_MS = 3000;
const AWAY_MS = 2000;

/**
 * A value that saves itself, with undo and redo that outlive the page.
 *   const draft = await Draft.open("mend:12", { bands: [] }, (value) => show(value));
 *   draft.set({ bands: [...] });       // shows nothing by itself; saves half a second later
 * `show` is called whenever the value came from elsewhere: opened, undone, redone, or taken over from another tab.
 * isFinal(value) : whether this state cannot be undone, because what came of it cannot.
 */
export class Draft {
  static async open(key, initial, show, { isFinal = (_value) => /** @type {boolean} */ (false) } = {}) {
    const draft = new Draft(key, initial, show);
    draft.isFinal = isFinal;
    try {
      draft.#take(await ask("GET", draft.url));
    } catch (error) {
      if (error instanceof Refusal) {
        error.told = { ...error.told, remedy: [error.told.remedy, "then reload this page: before, nothing can be entered here"].filter(Boolean).join("; ") };
      }
      throw error;
    }
    show(draft.value);
    return draft;
  }

  constructor(key, initial, show) {
    this.key = key;
    this.url = `/api/drafts/${key}`;
    this.initial = initial;
    this.show = show;
    this.isFinal = (_value) => false;
    this.timer = 0;
    this.saving = Promise.resolve();
    this.isDirty = false;
    this.isUnderWay = false;
    this.fault = null;
    this.choice = null;
    addEventListener("beforeunload", (e) => (this.fault || this.choice) && e.preventDefault());
    // What is under way may be broken off with the page; where both arrive the later one is refused and changes nothing.
    addEventListener("pagehide", () => (this.isDirty || this.isUnderWay) && this.#leave());
    document.addEventListener("visibilitychange", () => document.visibilityState === "hidden" && this.flush());
  }

  #take(told) {
    this.revision = told.revision;
    this.value = told.revision ? told.value : structuredClone(this.initial);
    this.canUndo = told.can_undo;
    this.canRedo = told.can_redo;
    this.#say(told.revision ? "saved" : "");
  }

  #say(words) {
    const line = find("#draft-state");
    line.replaceChildren(
      words,
      " ",
      make(
        "button",
        { type: "button", class: "quiet", disabled: this.isFinal(this.value) || !(this.canUndo || this.isDirty), onclick: () => this.undo() },
        "Undo",
      ),
      make("button", { type: "button", class: "quiet", disabled: !this.canRedo, onclick: () => this.redo() }, "Redo"),
    );
  }

  /** A new value; saved after half a second of quiet, or at once with `now`, and then a step of the history by itself. */
  set(value, { now = false } = {}) {
    if (now) this.flush();
    this.value = value;
    this.isDirty = true;
    this.#say("not saved yet");
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.flush(), now ? 0 : 500);
  }

  flush() {
    clearTimeout(this.timer);
    if (this.isDirty) {
      this.isDirty = false;
      const value = structuredClone(this.value);
      this.saving = this.saving.then(() => this.#put(value)).catch((error) => this.#failed(error));
    }
    return this.saving;
  }

  async #put(value) {
    this.isUnderWay = true;
    let told;
    try {
      told = await ask("PUT", this.url, this.#body(value));
    } finally {
      this.isUnderWay = false;
    }
    this.revision = told.revision;
    this.canUndo = told.can_undo;
    this.canRedo = told.can_redo;
    this.fault?.remove();
    this.fault = null;
    this.#say(this.isDirty ? "not saved yet" : "saved");
  }

  // What stood before the first change is a state too: without it that change could not be undone.
  #body(value) {
    return this.revision ? { revision: this.revision, value } : { revision: 0, value, before: this.initial };
  }

  #leave() {
    fetch(this.url, { method: "PUT", keepalive: true, headers: { "Content-Type": "application/json" }, body: JSON.stringify(this.#body(this.value)) });
  }

  #failed(error) {
    if (error instanceof Refusal && error.status === 409) return this.#askWhich();
    this.isDirty = true;
    // A bench that ended may come back, and know this browser once its new address was opened.
    const isPassing = error instanceof Refusal && (error.status === 0 || error.status === 401 || error.status >= 500);
    this.#say(isPassing ? "not saved; tries again" : "not saved");
    if (isPassing) this.timer = setTimeout(() => this.flush(), AGAIN_MS);
    // Told once, however often it is tried.
    if (this.fault && find("p", this.fault).textContent === error.message) return;
    this.fault?.remove();
    this.fault = tell(error);
  }

  #askWhich() {
    this.#say("not saved: changed elsewhere");
    if (this.choice) return;
    this.choice = note("This was changed in another tab or program since you opened it.", "error", {
      remedy: "choose which state goes on; both stay in the history",
    });
    find("button", this.choice).replaceWith(
      make("button", { type: "button", onclick: () => this.#settle(false) }, "Take over the newer"),
      " ",
      make("button", { type: "button", onclick: () => this.#settle(true) }, "Go on with mine"),
    );
  }

  /** Both states into the history, the one that goes on last. */
  async #settle(isMine) {
    const mine = structuredClone(this.value);
    this.choice.remove();
    this.choice = null;
    try {
      clearTimeout(this.timer);
      this.isDirty = false;
      this.#take(await ask("GET", this.url));
      const newer = structuredClone(this.value);
      for (const value of isMine ? [mine] : [mine, newer]) {
        this.set(value);
        await this.flush();
      }
    } catch (error) {
      this.value = mine;
      this.#failed(error);
    }
    this.show(this.value);
  }

  async #step(way) {
    await this.flush();
    try {
      this.#take(await ask("POST", `${this.url}/${way}`, { revision: this.revision }));
      this.show(this.value);
    } catch (error) {
      this.#failed(error);
    }
  }

  undo() {
    return this.isFinal(this.value) ? this.saving : this.#step("undo");
  }

  redo() {
    return this.#step("redo");
  }

  /** Let Control+z and Control+Shift+Z undo and redo this draft, outside of text fields. */
  keys() {
    onKey("Control+z", "undo", () => this.undo());
    onKey("Control+Shift+z", "redo", () => this.redo());
    return this;
  }
}

// Forms --------------------------------------------------------------------------------------------------------------

/** What a field refuses; that its arrows go in other steps than what is typed is nothing, but where whole numbers are
    meant. */
const refuses = ({ validity, step }) =>
  !validity.valid &&
  (step === "1" ||
    ["badInput", "customError", "patternMismatch", "rangeOverflow", "rangeUnderflow", "tooLong", "typeMismatch", "valueMissing"].some((kind) =>
      validity[kind]
    ));
document.addEventListener(
  "submit",
  (/** @type {any} */ e) => {
    const wrong = [...e.target.elements].find((field) => field.willValidate && refuses(field));
    if (!wrong) return;
    e.preventDefault();
    e.stopImmediatePropagation();
    wrong.reportValidity();
  },
  true,
);

// The page -----------------------------------------------------------------------------------------------------------

// Whatever goes wrong in a script is told: a button must not say nothing. What does not load tells it to itself alone.
addEventListener(
  "error",
  (e) => {
    if (e.error) tell(e.error);
    else if (e.target instanceof HTMLScriptElement) note("A part of this page did not arrive.", "error", { remedy: "reload the page; what was saved is kept" });
  },
  true,
);
addEventListener("unhandledrejection", (e) => tell(e.reason));

function start() {
  for (const form of document.forms) form.noValidate = true;
  themeWords();
  find("#theme-button").onclick = swapTheme;
  find("#keys-button").onclick = showKeys;
  find("#jobs-button").onclick = toggleJobs;
  find("#drawer-close").onclick = closeDrawer;
  const inHand = find("#in-hand");
  const chosen = inHand.value;
  // A page come back to shows its own loudspeaker, not the one that was left for.
  addEventListener("pageshow", () => (inHand.value = chosen));
  const session = find("#session-shown");
  if (session) {
    session.onchange = () =>
      ask("POST", `/api/sessions/${session.dataset.loudspeaker}`, { session: Number(session.value) }).then(() => location.reload()).catch(tell);
  }
  inHand.onchange = () => (location.href = `/${inHand.dataset.place || "read"}${inHand.value ? `/${inHand.value}` : ""}`);
  document.querySelectorAll(".rail a").forEach((link, k) => always(`g ${k + 1}`, `go to ${find(".verb", link).textContent}`, () => link.click()));
  always("?", "show the keys", showKeys);
  always("j", "show or hide the jobs", toggleJobs);
  always("t", "light or dark", swapTheme);
  always("Escape", "close the keys, the drawer or the jobs", () => {
    if (find("#keys").open) find("#keys").close();
    else if (!find("#drawer").hidden) closeDrawer();
    else if (!find("#jobs").hidden) toggleJobs();
  });
  document.addEventListener("click", (e) => {
    const asked = e.target.closest?.("[data-evidence]");
    if (asked) openDrawer(asked.dataset.evidence, asked);
  });
  document.querySelectorAll("[data-filter]").forEach((field) => {
    field.oninput = () => {
      const wanted = field.value.trim().toLowerCase().split(/\s+/);
      for (const row of find(field.dataset.filter).children) row.hidden = !wanted.every((w) => row.dataset.words.toLowerCase().includes(w));
    };
  });
  document.querySelectorAll("[data-act=demo]").forEach((button) => {
    button.onclick = () => startJob("/api/demo", {}, (job) => job.state === "done" && location.reload()).catch(tell);
  });
  listen("jobs", showJobs);
  watchBench();
  ready("bar");
  const hasOwnScript = document.querySelectorAll("head script[type=module]").length > 1;
  if (!hasOwnScript) ready();
}

document.readyState === "loading" ? document.addEventListener("DOMContentLoaded", start) : start();
