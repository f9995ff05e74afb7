// What every place shares: asking the server, notes, jobs, the evidence drawer, keys, drafts that save themselves.

const find = (selector, root = document) => root.querySelector(selector);

/** Ask the server. Resolves to its JSON; throws a Refusal, with what, where, expected, remedy, for an error. */
export async function ask(method, url, body) {
  let answer;
  try {
    answer = await fetch(url, {
      method,
      headers: body === undefined ? {} : { "Content-Type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body),
    });
  } catch {
    throw new Refusal(0, { what: "the bench does not answer", remedy: "look at the terminal it was started in; start it again if it has ended" });
  }
  const isJson = (answer.headers.get("content-type") || "").includes("json");
  const told = isJson ? await answer.json() : { what: await answer.text() };
  if (!answer.ok) throw new Refusal(answer.status, told);
  return told;
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
  for (const part of ["where", "expected", "remedy"]) if (more[part]) box.append(make("p", { class: "part" }, `${part === "remedy" ? "to do" : part}: ${more[part]}`));
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

/** Let a key do something outside of text fields. keys: "s", "Shift+s", "Control+z", "Alt+ArrowUp", or two in a row: "g 1". */
export function onKey(keys, words, act) {
  shortcuts.push({ keys, words, act });
}

let begun = "";
const typing = (e) => e.target.closest?.("input:not([type=range]):not([type=checkbox]):not([type=radio]), textarea, select, [contenteditable]");
document.addEventListener("keydown", (e) => {
  const plain = !(e.ctrlKey || e.metaKey || e.altKey);
  if (plain && typing(e)) return;
  const name = `${e.ctrlKey || e.metaKey ? "Control+" : ""}${e.altKey ? "Alt+" : ""}${e.shiftKey && /^[a-z]$/i.test(e.key) ? "Shift+" : ""}${e.key.length === 1 ? e.key.toLowerCase() : e.key}`;
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
  list.replaceChildren(...shortcuts.map((s) => make("tr", {}, make("th", { scope: "row" }, ...s.keys.split(" ").flatMap((k) => [make("kbd", {}, k), " "])), make("td", {}, s.words))));
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
    if (typeof what === "string") {
      const answer = await fetch(what);
      // The server's own templates, which escape all that comes from outside.
      body.innerHTML = await answer.text();
    } else body.replaceChildren(...[what].flat());
  } catch (error) {
    tell(error);
    return;
  }
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

/** Start a job at `url` and call `done(job)` when it ended, also after it failed. Returns the job. */
export async function startJob(url, body, done = () => {}) {
  const job = await ask("POST", url, body);
  watchJob(job.id, done);
  return job;
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
  find("#jobs-list").replaceChildren(
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
      ),
    ),
  );
  if (!jobs.length) find("#jobs-list").append(make("li", {}, "Nothing has run yet. Imports, reductions and publications show here."));
  jobs.filter(ended).forEach(finish);
}
async function jobLog(job) {
  try {
    const { lines } = await ask("GET", `/api/jobs/${job.id}/log`);
    openDrawer([make("h3", {}, job.name), make("ol", { class: "log" }, ...lines.map((l) => make("li", {}, `${l.at.slice(11, 19)} ${l.state} ${Math.round(100 * l.share)} % ${l.words}`)))]);
  } catch (error) {
    tell(error);
  }
}
function watchJobs() {
  const events = new EventSource("/api/jobs/events");
  events.onmessage = (e) => showJobs(JSON.parse(e.data).jobs);
  addEventListener("pagehide", () => events.close());
}
function toggleJobs() {
  const panel = find("#jobs");
  panel.hidden = !panel.hidden;
  find("#jobs-button").setAttribute("aria-expanded", String(!panel.hidden));
}

// Drafts -------------------------------------------------------------------------------------------------------------

/**
 * A value that saves itself, with undo and redo that outlive the page.
 *   const draft = await Draft.open("mend:12", { bands: [] }, (value) => show(value));
 *   draft.set({ bands: [...] });       // shows nothing by itself; saves half a second later
 * `show` is called whenever the value came from elsewhere: opened, undone, redone, or taken over from another tab.
 */
export class Draft {
  static async open(key, initial, show) {
    const draft = new Draft(key, initial, show);
    draft.#take(await ask("GET", draft.url));
    show(draft.value);
    return draft;
  }

  constructor(key, initial, show) {
    this.key = key;
    this.url = `/api/drafts/${key}`;
    this.initial = initial;
    this.show = show;
    this.timer = 0;
    this.saving = Promise.resolve();
    this.isDirty = false;
    this.isUnderWay = false;
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
      make("button", { type: "button", class: "quiet", disabled: !(this.canUndo || this.isDirty), onclick: () => this.undo() }, "Undo"),
      make("button", { type: "button", class: "quiet", disabled: !this.canRedo, onclick: () => this.redo() }, "Redo"),
    );
  }

  /** A new value; saved after half a second of quiet, or at once with `now`. */
  set(value, { now = false } = {}) {
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
    if (!(error instanceof Refusal) || error.status !== 409) {
      this.isDirty = true;
      this.#say("not saved");
      tell(error);
      return;
    }
    const mine = structuredClone(this.value);
    const box = note("This was changed in another tab or program since you opened it.", "error", { remedy: "choose which state goes on; both stay in the history" });
    box.append(
      make("button", { type: "button", onclick: () => (box.remove(), this.reload()) }, "Take over the newer"),
      make("button", { type: "button", onclick: async () => (box.remove(), await this.reload(), this.set(mine, { now: true }), this.show(mine)) }, "Go on with mine"),
    );
  }

  async reload() {
    this.#take(await ask("GET", this.url));
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
    return this.#step("undo");
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

// The page -----------------------------------------------------------------------------------------------------------

function start() {
  themeWords();
  find("#theme-button").onclick = swapTheme;
  find("#keys-button").onclick = showKeys;
  find("#jobs-button").onclick = toggleJobs;
  find("#drawer-close").onclick = closeDrawer;
  const inHand = find("#in-hand");
  inHand.onchange = () => (location.href = `/${inHand.dataset.place || "read"}${inHand.value ? `/${inHand.value}` : ""}`);
  document.querySelectorAll(".rail a").forEach((link, k) => onKey(`g ${k + 1}`, `go to ${find(".verb", link).textContent}`, () => link.click()));
  onKey("?", "show the keys", showKeys);
  onKey("j", "show or hide the jobs", toggleJobs);
  onKey("t", "light or dark", swapTheme);
  onKey("Escape", "close the drawer", closeDrawer);
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
  watchJobs();
}

document.readyState === "loading" ? document.addEventListener("DOMContentLoaded", start) : start();
