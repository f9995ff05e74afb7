// A review for strangers: own words with a preview, exhibits in the tester's order, products, publication, corrections.

import { ask, Draft, make, note, onKey, ready, startJob, tell } from "./bench.js";
import { exhibitList } from "./publish_exhibits.js";

const find = (selector) => document.querySelector(selector);
const given = find("#given") ? JSON.parse(find("#given").textContent) : null;
const PRODUCTS = {
  a4: false,
  letter: false,
  wide: false,
  tall: false,
  steps: false,
  transparent: false,
  build_up: false,
  video: false,
  talk: false,
  site: false,
  license: "",
};

let draft;
let exhibits = null;
let pending = null;
let asked = 0;
let kept = 0;

const now = () => draft.value;
function change(act, { wait = false } = {}) {
  const next = structuredClone(now());
  act(next);
  draft.set(next, { now: !wait });
  if (!find("#look-frame").hidden) find("#look-told").textContent = "Changed since; preview it again.";
  return next;
}

// Words --------------------------------------------------------------------------------------------------------------

async function preview() {
  const mine = ++asked;
  try {
    const made = await ask("POST", "/api/publish/preview", now().parts);
    if (mine !== asked) return;
    // Sanitized by the server: a few tags, no script, links to http, https and mail alone.
    for (const [key, html] of Object.entries(made)) find(`[data-preview=${key}]`).innerHTML = html;
  } catch (error) {
    tell(error);
  }
}
let waiting = 0;
function write(key, text) {
  change((next) => (next.parts[key] = text), { wait: true });
  clearTimeout(waiting);
  waiting = setTimeout(preview, 120);
  clearTimeout(kept);
  kept = setTimeout(() => ask("PUT", `/api/publish/${given.id}/words`, now().parts).catch(tell), 3000);
}

// Exhibits -----------------------------------------------------------------------------------------------------------

async function prepare() {
  find("#exhibits").replaceChildren(make("p", { role: "status" }, "Reading the data; progress stands under Jobs."));
  try {
    await startJob(`/api/publish/${given.id}/prepare`, {}, (job) => {
      if (job.state !== "done") {
        find("#exhibits").replaceChildren(make("button", { type: "button", onclick: prepare }, "Show the exhibits"));
        return;
      }
      pending = job.result.pending;
      exhibits = exhibitList(find("#exhibits"), job.result.exhibits, now, change);
      exhibits.show();
      find("#look").disabled = false;
    }, { isTold: true });
  } catch (error) {
    tell(error);
  }
}

// The page before it is published -------------------------------------------------------------------------------------

const exhibitsOf = (value) =>
  exhibits?.pruned(value) ??
    { order: value.order.filter((key) => !value.left_out.includes(key)), left_out: value.left_out, captions: value.captions };

async function look() {
  const button = find("#look"), told = find("#look-told"), value = now();
  button.disabled = true;
  told.textContent = "Writing it; progress stands under Jobs.";
  try {
    await startJob(`/api/publish/${given.id}/look`, { words: value.parts, exhibits: exhibitsOf(value) }, (job) => {
      button.disabled = false;
      told.textContent = job.state === "done" ? "As it would be published now." : "It could not be written: see Jobs.";
      if (job.state !== "done") return;
      const frame = find("#look-frame");
      frame.hidden = false;
      // The same address again would show what was there before.
      frame.src = `${job.result.page}?${Date.now()}`;
    }, { isTold: true });
  } catch (error) {
    button.disabled = false;
    told.textContent = "";
    tell(error);
  }
}

// Publication --------------------------------------------------------------------------------------------------------

const products = (chosen) => ({
  report: chosen.a4 ? "a4" : chosen.letter ? "letter" : null,
  stills: ["wide", "tall"].filter((shape) => chosen[shape]),
  steps: chosen.steps,
  transparent: chosen.transparent,
  build_up: chosen.video ? "video" : chosen.build_up ? "svg" : null,
  talk: chosen.talk,
  license: chosen.license || null,
});

function confirm() {
  const value = now();
  const { products: chosen } = value;
  const extras = [
    chosen.a4 || chosen.letter ? "the report" : "",
    chosen.wide || chosen.tall ? "the stills" : "",
    chosen.video ? "the build-ups as SVG and video" : chosen.build_up ? "the build-ups as SVG" : "",
    chosen.talk ? "the talk" : "",
    chosen.license ? `the data set under ${chosen.license}` : "",
    chosen.site ? "the site of all loudspeakers" : "",
  ].filter(Boolean);
  find("#confirm-words").textContent = `The page${extras.length ? `, ${extras.join(", ")}` : ""} will be written to ${
    value.folder.trim() || given.folder
  }. What is published may be copied by others and cannot be called back.`;
  find("#pending").replaceChildren(
    ...(pending?.changes ?? []).map((one) => make("li", {}, `${one.name}: ${one.before}, from now on ${one.after}`)),
    ...(pending && !value.because.trim()
      ? [make("li", { class: "hint" }, "No reason is given yet for the change; the corrections will show what is known.")]
      : []),
  );
  find("#confirm").hidden = false;
  find("#confirm").focus();
}

async function publish() {
  find("#confirm").hidden = true;
  const value = now();
  const body = {
    words: value.parts,
    exhibits: exhibitsOf(value),
    products: products(value.products),
    folder: value.folder,
    because: value.because,
  };
  const button = find("#publish");
  button.disabled = true;
  find("#publish-hint").textContent = "Publishing; progress stands under Jobs.";
  try {
    await draft.flush();
    await startJob(`/api/publish/${given.id}`, body, (job) => finished(job, value.products.site), { isTold: true });
  } catch (error) {
    find("#publish-hint").textContent = "";
    tell(error);
  } finally {
    button.disabled = false;
  }
}

async function finished(job, wantsSite) {
  find("#publish-hint").textContent = job.state === "done" ? "Published." : "Not published.";
  if (job.state !== "done") return;
  for (const line of job.result.lines) note(line, "error");
  pending = null;
  try {
    published(await ask("GET", `/api/publish/${given.id}/publications`));
    find("#published").querySelector("a")?.focus();
    if (wantsSite) {
      await startJob("/api/publish/site", { because: now().because }, (made) => {
        if (made.state !== "done") return;
        note(`The site is in ${made.result.page}`);
        for (const line of made.result.failed) note(`Not published: ${line}`, "error");
      });
    }
  } catch (error) {
    tell(error);
  }
}

const KINDS = [
  { title: "Report", like: /\.pdf$/ },
  { title: "Talk", like: /^(talk|captions|chapters)/ },
  { title: "How the charts build up", like: /\.(svg|webm)$/ },
  { title: "Data set", like: /\.zip$/ },
  { title: "Stills for a screen", like: /-wide\b.*\.png$/ },
  { title: "Stills held upright", like: /-tall\b.*\.png$/ },
  { title: "More", like: /./ },
];

/** Files by what they are for; a long list is folded. */
function filesMade(files) {
  const groups = new Map(KINDS.map(({ title }) => [title, []]));
  files.forEach((name, k) =>
    groups.get(KINDS.find(({ like }) => like.test(name)).title).push(make(
      "li",
      {},
      make("a", {
        href: `/publish/${given.id}/product/${k}`,
        download: name,
      }, name),
    ))
  );
  return [...groups].filter(([, ones]) => ones.length).map(([title, ones]) =>
    make(
      "details",
      { open: ones.length <= 6 },
      make("summary", {}, `${title}: ${ones.length} ${ones.length === 1 ? "file" : "files"}`),
      make("ul", {}, ...ones),
    )
  );
}

const when = (text) => text.replace("T", " ").replace("+00:00", " UTC");

function published(told) {
  const box = find("#published");
  if (!told.publications.length) {
    box.replaceChildren(make("p", { class: "hint" }, "Not yet. What you publish stands here, with what each later publication corrects."));
    return;
  }
  const address = `/publish/${given.id}/published/index.html`;
  const frame = make("iframe", { class: "published-frame", title: "The published page", src: address, hidden: true });
  const toggle = make("button", { type: "button", "aria-expanded": "false" }, "Show it here");
  toggle.onclick = () => {
    frame.hidden = !frame.hidden;
    toggle.setAttribute("aria-expanded", String(!frame.hidden));
    toggle.textContent = frame.hidden ? "Show it here" : "Hide it";
  };
  const here = told.folder
    ? [
      make("p", {}, "The page is in ", make("code", {}, told.folder)),
      make("div", { class: "actions" }, make("a", { class: "button", href: address, target: "_blank", rel: "noopener" }, "Open the page"), toggle),
      told.files.length ? make("div", { class: "products-made" }, ...filesMade(told.files)) : null,
      frame,
    ]
    : [make("p", { class: "hint" }, "The page is not in the folder any more to which it was published last.")];
  const list = make(
    "ul",
    { class: "rows" },
    ...told.publications.map((one) => make("li", {}, `Revision ${one.revision}`, make("span", { class: "hint" }, when(one.published)))),
  );
  box.replaceChildren(...here.filter(Boolean), make("h3", {}, "All publications"), list, make("h3", {}, "Corrections"), ...corrections(told.corrections));
}

function corrections(all) {
  if (!all.length) return [make("p", { class: "hint" }, "None: no later publication has changed a number or a choice.")];
  return all.map((one) =>
    make(
      "section",
      {},
      make("h4", {}, `Revision ${one.revision}, ${when(one.published)}`),
      ...one.reasons.map((words) => make("p", {}, words)),
      one.changes.length
        ? make(
          "table",
          {},
          make("thead", {}, make("tr", {}, ...["Figure", "Before", "Since"].map((name) => make("th", { scope: "col" }, name)))),
          make("tbody", {}, ...one.changes.map((c) => make("tr", {}, make("th", { scope: "row" }, c.name), make("td", {}, c.before), make("td", {}, c.after)))),
        )
        : null,
    )
  );
}

// The page -----------------------------------------------------------------------------------------------------------

function show(value) {
  for (const field of document.querySelectorAll("[data-part]")) {
    if (field.value !== value.parts[field.dataset.part]) field.value = value.parts[field.dataset.part];
  }
  for (const box of document.querySelectorAll("[data-product]")) box.checked = value.products[box.dataset.product];
  find("#license").value = value.products.license;
  for (const key of ["folder", "because"]) if (find(`#${key}`).value !== value[key]) find(`#${key}`).value = value[key];
  exhibits?.show();
}

async function start() {
  if (!given) return ready();
  const initial = { parts: given.parts, order: given.order, left_out: given.left_out, captions: given.captions, products: PRODUCTS, folder: "", because: "" };
  draft = await Draft.open(`publish:${given.id}`, initial, (value) => {
    if (!draft) return;
    show(value);
    preview();
  });
  draft.value = { ...structuredClone(initial), ...draft.value };
  draft.keys();
  for (const field of document.querySelectorAll("[data-part]")) field.oninput = () => write(field.dataset.part, field.value);
  for (const box of document.querySelectorAll("[data-product]")) {
    box.onchange = () => {
      const next = change((value) => {
        value.products[box.dataset.product] = box.checked;
        if (box.checked && box.dataset.product === "a4") value.products.letter = false;
        if (box.checked && box.dataset.product === "letter") value.products.a4 = false;
      });
      show(next);
    };
  }
  find("#license").onchange = () => change((next) => (next.products.license = find("#license").value));
  for (const key of ["folder", "because"]) find(`#${key}`).oninput = () => change((next) => (next[key] = find(`#${key}`).value), { wait: true });
  find("#look").onclick = look;
  find("#publish").onclick = confirm;
  find("#confirm-yes").onclick = publish;
  find("#confirm-no").onclick = () => {
    find("#confirm").hidden = true;
    find("#publish").focus();
  };
  onKey("w", "write the verdict", () => find("#part-verdict").focus());
  onKey("e", "go to the exhibits: Space shows or leaves out, Alt+arrows move, Enter changes the caption", () => find("#exhibits [data-key]")?.focus());
  onKey("v", "preview the page", () => find("#look").disabled || look());
  onKey("Shift+p", "publish the review (asks first)", confirm);
  show(now());
  published(JSON.parse(find("#published-now").textContent));
  preview();
  if (find("#prepare")) find("#prepare").onclick = prepare;
  else prepare();
  ready();
}

start().catch(tell);
