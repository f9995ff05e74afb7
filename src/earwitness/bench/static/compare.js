// Compare: the catalogue page by page, what is chosen over each other, ranks, prices, groups. All state is in the address.

import { ask, Draft, make, note, onKey, piece, ready, startJob, tell } from "./bench.js";

const find = (selector, root = document) => root.querySelector(selector);
const all = (selector, root = document) => [...root.querySelectorAll(selector)];
const SVG = "http://www.w3.org/2000/svg";
const PLAIN = ["q", "type", "currency", "price_low", "price_high"];
const data = find("#compare-data") ? JSON.parse(find("#compare-data").textContent) : null;
const titles = new Map();
// What is chosen is a loudspeaker, "3", or one with a session of it, "3@12"; without one the session shown is meant.
const owner = (one) => one.split("@")[0];
const sessions = new Map();
let state;

function read() {
  const asked = new URLSearchParams(location.search);
  const ids = (asked.get("with") || "").split(",").filter((one) => /^\d{1,15}(@\d{1,15})?$/.test(one)).slice(0, data.most);
  if (data.in_hand && !ids.some((one) => owner(one) === String(data.in_hand))) ids.unshift(String(data.in_hand));
  return {
    ...Object.fromEntries(PLAIN.map((key) => [key, asked.get(key) || ""])),
    ranges: asked.getAll("figure").map((text) => /^([^=]+)=([^:]*):(.*)$/.exec(text)).filter(Boolean).map(([, key, low, high]) => ({ key, low, high })),
    columns: asked.has("columns")
      ? asked.get("columns").split(",").filter((key) => data.figures.some((f) => f.key === key))
      : data.columns.filter((key) => data.figures.some((f) => f.key === key)),
    sort: asked.get("sort") || "title",
    descending: asked.get("descending") === "true",
    offset: Math.max(0, parseInt(asked.get("offset") || "0", 10) || 0),
    opened: asked.get("opened") === "true",
    ids: ids.slice(0, data.most),
    low_hz: asked.get("low_hz") || "300",
    high_hz: asked.get("high_hz") || "3000",
    curve: asked.get("curve") in data.curves ? asked.get("curve") : "listening_window",
  };
}

function filters() {
  const asked = new URLSearchParams();
  for (const key of PLAIN) if (state[key]) asked.set(key, state[key]);
  for (const { key, low, high } of state.ranges) if (low !== "" || high !== "") asked.append("figure", `${key}=${low}:${high}`);
  return asked;
}

function catalogue() {
  const asked = filters();
  asked.set("columns", state.columns.join(","));
  if (state.sort !== "title") asked.set("sort", state.sort);
  if (state.descending) asked.set("descending", "true");
  if (state.offset) asked.set("offset", state.offset);
  if (state.opened) asked.set("opened", "true");
  return asked;
}

function address() {
  const asked = catalogue();
  if (state.columns.join() === data.columns.filter((key) => data.figures.some((f) => f.key === key)).join()) asked.delete("columns");
  if (state.ids.length) asked.set("with", state.ids.join(","));
  if (state.low_hz !== "300") asked.set("low_hz", state.low_hz);
  if (state.high_hz !== "3000") asked.set("high_hz", state.high_hz);
  if (state.curve !== "listening_window") asked.set("curve", state.curve);
  const text = asked.toString();
  return text ? `/compare?${text}` : "/compare";
}

const keepAddress = () =>
  history.replaceState(
    null,
    "",
    data.in_hand && state.ids.some((one) => owner(one) === String(data.in_hand)) ? `/compare/${data.in_hand}${address().slice("/compare".length)}` : address(),
  );

// The catalogue --------------------------------------------------------------------------------------------------------

const name = (key) => data.figures.find((f) => f.key === key)?.name || key;
/** The trade's short term where the name has one in brackets. */
const short = (key) => /\(([^)]+)\)/.exec(name(key))?.[1].replace(/^./, (c) => c.toUpperCase()) || name(key);
let asked = 0;
let waits = 0;

function look({ keepPage = false, soon = false } = {}) {
  if (!keepPage) state.offset = 0;
  keepAddress();
  clearTimeout(waits);
  waits = setTimeout(lookNow, soon ? 150 : 0);
}

async function lookNow() {
  const mine = ++asked;
  try {
    const found = await ask("GET", `/api/compare/catalogue?${catalogue()}`);
    if (mine === asked) showRows(found);
  } catch (error) {
    if (mine === asked) find("#found").textContent = [error.message, error.told?.expected, error.told?.remedy].filter(Boolean).join("; ");
  }
  document.body.dataset.ready = "compare";
  if (mine === asked) Promise.all([showPrices(), showRanks()]).catch(tell);
}

function head() {
  const cell = (key, words, kind = "", full = words) => {
    const sorted = state.sort === key, way = sorted ? (state.descending ? "descending" : "ascending") : "none";
    const button = make(
      "button",
      { type: "button", title: full, onclick: () => sortBy(key) },
      `${words}${sorted ? (state.descending ? " \u2193" : " \u2191") : ""}`,
    );
    return make("th", { scope: "col", class: kind, "aria-sort": way }, button);
  };
  find("#shelf-head").replaceChildren(
    make(
      "tr",
      {},
      make("th", { scope: "col" }, make("span", { class: "hidden" }, "Choose")),
      cell("title", "Loudspeaker"),
      make("th", { scope: "col" }, "Type"),
      cell("price", "Price of a pair", "right"),
      ...state.columns.map((key) => cell(key, short(key), "right", name(key))),
      cell("date", "Measured"),
    ),
  );
}

function sortBy(key) {
  // Of most figures the high end is asked for first.
  state.descending = state.sort === key ? !state.descending : !["title", "price", "date"].includes(key);
  state.sort = key;
  look();
}

function showRows(found) {
  head();
  const last = Math.min(found.offset + found.rows.length, found.total), closed = found.rows.filter((row) => row.is_closed).length;
  const words = found.total
    ? `${(found.offset + 1).toLocaleString("en")}\u2013${last.toLocaleString("en")} of ${found.total.toLocaleString("en")} loudspeakers`
    : "No loudspeaker fits. Widen a filter, or clear them.";
  const back = closed + found.left_out;
  find("#found").replaceChildren(
    words,
    ...(back
      ? [
        `. ${back} not opened yet: ${
          closed ? "their figures are kept back" : "they are left out of a question about figures"
        }, so that listening can come first. `,
        make("button", { type: "button", class: "quiet", onclick: () => ((state.opened = true), look({ keepPage: true })) }, "Show them"),
      ]
      : []),
  );
  find("#previous").disabled = !found.offset;
  find("#next").disabled = last >= found.total;
  find("#shelf-rows").replaceChildren(
    ...found.rows.map((row) => {
      titles.set(String(row.id), row.title);
      const box = make("input", {
        type: "checkbox",
        "aria-label": `Choose ${row.title}`,
        checked: state.ids.some((one) => owner(one) === String(row.id)),
        onchange: () => choose(String(row.id), box.checked, box),
      });
      return make(
        "tr",
        { "data-id": row.id },
        make("td", {}, box),
        make("th", { scope: "row" }, make("a", { href: `/read/${row.id}` }, row.title)),
        make("td", {}, row.type),
        make("td", { class: "right" }, row.price || ""),
        ...state.columns.map((key) =>
          make("td", { class: row.figures[key] ? "right" : "right closed" }, row.is_closed ? "not opened" : row.figures[key] || "not judged")
        ),
        make("td", {}, row.date),
      );
    }),
  );
  showChosen();
}

function showRanges() {
  find("#ranges").replaceChildren(
    ...state.ranges.map((range) => {
      const unit = data.figures.find((f) => f.key === range.key)?.unit || "";
      const field = (side, words) =>
        make("input", {
          type: "number",
          step: "any",
          value: range[side],
          "aria-label": `${name(range.key)}, ${words}`,
          oninput: (e) => ((range[side] = e.target.value), look({ soon: true })),
        });
      return make(
        "div",
        { class: "range" },
        make("span", {}, short(range.key)),
        "from",
        field("low", "from"),
        "to",
        field("high", "to"),
        unit,
        make("button", {
          type: "button",
          class: "quiet",
          "aria-label": `Remove the filter ${name(range.key)}`,
          onclick: () => ((state.ranges = state.ranges.filter((r) => r !== range)), showRanges(), look()),
        }, "Remove"),
      );
    }),
  );
}

function showColumns() {
  find("#column-list").replaceChildren(
    ...data.figures.map((f) => {
      const box = make("input", {
        type: "checkbox",
        checked: state.columns.includes(f.key),
        onchange: () => {
          state.columns = data.figures.map((g) => g.key).filter((key) => (key === f.key ? box.checked : state.columns.includes(key)));
          look({ keepPage: true });
        },
      });
      return make("label", {}, box, f.name);
    }),
  );
}

// What is chosen -------------------------------------------------------------------------------------------------------

function choose(id, on, box = null) {
  if (on && state.ids.length >= data.most) {
    if (box) box.checked = false;
    note(`At most ${data.most} loudspeakers can be laid over each other; let one go first.`);
    return;
  }
  // Out of the list a loudspeaker goes with all its sessions, out of the chips one by one.
  changed(on ? [...state.ids, id] : state.ids.filter((one) => owner(one) !== id), id);
}

function changed(ids, id) {
  state.ids = ids;
  keepAddress();
  showChosen();
  for (const row of all(`#shelf-rows tr[data-id="${owner(id)}"]`)) find("input", row).checked = state.ids.some((one) => owner(one) === owner(id));
  showRanks().catch(tell);
  if (state.ids.length < 2) find("#beside").hidden = true;
  drawPrices();
}

/** The session chooser of a chip, where a loudspeaker has several. */
function chooser(id, name) {
  const known = sessions.get(owner(id));
  if (!known) {
    ask("GET", `/api/sessions/${owner(id)}`).then((found) => (sessions.set(owner(id), found), found.sessions.length > 1 && showChosen())).catch(tell);
    return [];
  }
  if (known.sessions.length < 2) return [];
  const session = (one) => (one.includes("@") ? Number(one.split("@")[1]) : known.shown);
  const taken = state.ids.filter((one) => one !== id && owner(one) === owner(id)).map(session);
  const swap = (to) => ((state.ids = state.ids.map((one) => (one === id ? to : one))), keepAddress(), showChosen());
  const field = make(
    "select",
    { "aria-label": `Session of ${name}`, onchange: () => swap(`${owner(id)}@${field.value}`) },
    ...known.sessions.map((one) =>
      make(
        "option",
        { value: one.id, selected: one.id === session(id), disabled: taken.includes(one.id) },
        one.words + (one.id === known.shown ? " (shown by default)" : ""),
      )
    ),
  );
  const free = known.sessions.find((one) => one.id !== session(id) && !taken.includes(one.id));
  const more = make("button", {
    type: "button",
    class: "quiet",
    "aria-label": `Add another session of ${name}`,
    onclick: () => choose(`${owner(id)}@${free.id}`, true),
  }, "Add another session");
  return free && state.ids.length < data.most ? [field, more] : [field];
}

function showChosen() {
  const option = (id) => find(`#in-hand option[value="${owner(id)}"]`)?.textContent || `loudspeaker ${owner(id)}`;
  const called = (id) => titles.get(owner(id)) || option(id);
  find("#chosen").replaceChildren(
    ...(state.ids.length ? [] : [make("span", { class: "hint" }, `Choose two to ${data.most} loudspeakers above.`)]),
    ...state.ids.map((id) =>
      make(
        "span",
        { class: "chip" },
        called(id),
        ...chooser(id, called(id)),
        make("button", {
          type: "button",
          class: "quiet",
          "aria-label": `Let ${called(id)} go`,
          onclick: () => changed(state.ids.filter((one) => one !== id), id),
        }, "\u00d7"),
      )
    ),
  );
  find("#lay").disabled = state.ids.length < 2;
}

/** isAsked : by a press, after which the comparison is gone to. */
async function lay(isAsked = false) {
  const ids = state.ids;
  const ready = () => (find("#lay").disabled = state.ids.length < 2);
  find("#lay").disabled = true;
  try {
    const { is_ready } = await ask("POST", "/api/compare/ready", { ids });
    if (is_ready) await showBeside(ids, isAsked);
    else await startJob("/api/compare/read", { ids }, (job) => (job.state === "done" ? showBeside(ids, isAsked).catch(tell).finally(ready) : ready()));
    if (is_ready) ready();
  } catch (error) {
    ready();
    tell(error);
  }
}

let laid = 0;
async function showBeside(ids, isAsked = false) {
  const mine = ++laid;
  const text = await piece(
    `/compare/part/beside?${new URLSearchParams({ ids: ids.join(","), low_hz: state.low_hz, high_hz: state.high_hz, curve: state.curve })}`,
  );
  // An answer that comes late says nothing of what is chosen now; so below.
  if (mine !== laid) return;
  find("#beside-body").innerHTML = text;
  find("#beside").hidden = false;
  all("figure.chart", find("#beside-body")).forEach((figure) => globalThis.earwitnessCharts.attach(figure));
  lookNow();
  if (isAsked) find("#beside").scrollIntoView();
}

let ranked = 0;
async function showRanks() {
  const mine = ++ranked;
  const section = find("#ranks");
  section.hidden = !state.ids.length;
  if (!state.ids.length) return;
  const asked = filters();
  asked.set("ids", [...new Set(state.ids.map(owner))].join(","));
  let told;
  try {
    told = await ask("GET", `/api/compare/standings?${asked}`);
  } catch (error) {
    if (mine !== ranked) return;
    find("#ranks-body").replaceChildren(make("p", { class: "hint" }, `${error.message}${error.told?.remedy ? `: ${error.told.remedy}` : ""}`));
    return;
  }
  if (mine !== ranked) return;
  const rows = told.standings.flatMap((one) => one.rows.map((row) => ({ ...row, title: titles.get(String(one.id)) || `loudspeaker ${one.id}` })));
  find("#ranks-body").replaceChildren(
    make(
      "table",
      { class: "figures" },
      make(
        "thead",
        {},
        make(
          "tr",
          {},
          ...["Loudspeaker", "Figure", "Rank (1 = highest)", "Percentile", "Ties within the uncertainty"].map((words, k) =>
            make("th", { scope: "col", class: k > 1 ? "right" : "" }, words)
          ),
        ),
      ),
      make(
        "tbody",
        {},
        ...rows.map((row) =>
          make(
            "tr",
            {},
            make("th", { scope: "row" }, row.title),
            make("td", {}, row.name),
            make("td", { class: "right" }, `${row.rank} of ${row.group}`),
            make("td", { class: "right" }, row.percentile.toFixed(0)),
            make("td", { class: "right" }, String(row.not_told_apart)),
          )
        ),
      ),
    ),
  );
}

// Price against rating -------------------------------------------------------------------------------------------------

let priced = null, pricing = 0;

async function showPrices() {
  const mine = ++pricing;
  try {
    const told = await ask("GET", `/api/compare/prices?${filters()}`);
    if (mine !== pricing) return;
    priced = told;
  } catch (error) {
    if (mine !== pricing) return;
    priced = null;
    find("#price-chart").replaceChildren(make("p", { class: "hint" }, `${error.message}${error.told?.expected ? `: ${error.told.expected}` : ""}`));
    return;
  }
  drawPrices();
}

function drawPrices() {
  if (!priced) return;
  const { offers, currency } = priced;
  if (offers.length < 2) return find("#price-chart").replaceChildren(make("p", { class: "hint" }, "Fewer than two of these have a price and a rating."));
  const box = { width: 960, height: 340, left: 48, right: 24, top: 16, bottom: 40 };
  const draw = (tag, attributes, words) => {
    const one = document.createElementNS(SVG, tag);
    for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
    if (words) one.textContent = words;
    return one;
  };
  const low = offers[0].price / 1.15, high = offers.at(-1).price * 1.15;
  const bottom = Math.floor(Math.min(...offers.map((o) => o.value - 2 * o.u))), top = Math.ceil(Math.max(...offers.map((o) => o.value + 2 * o.u)));
  const x = (price) => box.left + ((box.width - box.left - box.right) * Math.log(price / low)) / Math.log(high / low);
  const y = (value) => box.top + ((box.height - box.top - box.bottom) * (top - value)) / (top - bottom);
  const svg = draw("svg", {
    viewBox: `0 0 ${box.width} ${box.height}`,
    role: "img",
    "aria-label": `Price of a pair against ${priced.figure}, ${offers.length} loudspeakers; the table below lists the frontier`,
  });
  for (let v = bottom; v <= top; v++) {
    svg.append(
      draw("path", { class: "grid", d: `M${box.left} ${y(v)}H${box.width - box.right}` }),
      draw("text", { x: box.left - 8, y: y(v) + 4, "text-anchor": "end" }, String(v).replace("-", "\u2212")),
    );
  }
  for (let power = 0; power < 8; power++) {
    for (const step of [1, 2, 5]) {
      const price = step * 10 ** power;
      if (price >= low && price <= high) {
        svg.append(
          draw("path", { class: "grid", d: `M${x(price)} ${box.top}V${box.height - box.bottom}` }),
          draw("text", { x: x(price), y: box.height - 20, "text-anchor": "middle" }, price.toLocaleString("en")),
        );
      }
    }
  }
  svg.append(draw("text", { x: box.width - box.right, y: box.height - 4, "text-anchor": "end" }, `${currency} a pair`));
  const frontier = offers.filter((o) => o.on_frontier);
  if (frontier.length) {
    svg.append(
      draw("path", {
        class: "frontier",
        d: frontier.map((o, k) => (k ? `H${x(o.price)}V${y(o.value)}` : `M${x(o.price)} ${y(o.value)}`)).join("") + `H${box.width - box.right}`,
      }),
    );
  }
  for (const o of offers) {
    const chosen = state.ids.some((one) => owner(one) === o.key);
    if (chosen || offers.length < 60) svg.append(draw("path", { class: "whisker", d: `M${x(o.price)} ${y(o.value - 2 * o.u)}V${y(o.value + 2 * o.u)}` }));
    const dot = draw("circle", { class: `dot${o.near_frontier ? " near" : ""}${chosen ? " chosen" : ""}`, cx: x(o.price), cy: y(o.value), r: chosen ? 6 : 4 });
    dot.onpointerenter = () => (find("#price-read").textContent = offerWords(o));
    dot.onclick = () => choose(o.key, !state.ids.some((one) => owner(one) === o.key));
    svg.append(dot);
    titles.set(o.key, o.title);
    if (chosen) {
      svg.append(
        draw(
          "text",
          { class: "name", x: x(o.price) + (x(o.price) > 700 ? -10 : 10), y: y(o.value) - 8, "text-anchor": x(o.price) > 700 ? "end" : "start" },
          o.title,
        ),
      );
    }
  }
  const list = make(
    "details",
    {},
    make("summary", {}, `The ${frontier.length} on the frontier`),
    make("ul", {}, ...frontier.map((o) => make("li", {}, offerWords(o)))),
  );
  find("#price-chart").replaceChildren(svg, list);
}

const offerWords = (o) =>
  `${o.title}: ${o.price.toLocaleString("en", { maximumFractionDigits: 0 })} ${priced.currency}, ${o.value.toFixed(1)} \u00b1 ${
    Math.max(0.1, 2 * o.u).toFixed(1)
  }${o.on_frontier ? ", on the frontier" : o.near_frontier ? ", not told from the frontier" : ""}`;

// Groups ---------------------------------------------------------------------------------------------------------------

async function openGroups() {
  let draft = null;
  function groups() {
    return Array.isArray(draft.value?.groups) ? draft.value.groups.filter((g) => typeof g?.name === "string" && typeof g?.search === "string") : [];
  }
  function show() {
    const list = groups().map((g) => {
      const link = make("a", { href: `/compare?${new URLSearchParams(g.search)}` }, g.name);
      return make(
        "li",
        {},
        link,
        make("button", {
          type: "button",
          class: "quiet",
          "aria-label": `Remove the group ${g.name}`,
          onclick: () => (draft.set({ groups: groups().filter((h) => h.name !== g.name) }, { now: true }), show()),
        }, "Remove"),
      );
    });
    find("#group-list").replaceChildren(...list);
  }
  const save = () => {
    const words = find("#group-name").value.trim();
    if (!words) return void find("#group-name").focus();
    draft.set({ groups: [...groups().filter((g) => g.name !== words), { name: words, search: address().split("?")[1] || "" }] }, { now: true });
    find("#group-name").value = "";
    show();
  };
  draft = await Draft.open("groups:compare", { groups: [] }, () => draft && show());
  draft.keys();
  show();
  find("#group-save").onclick = save;
  find("#group-name").onkeydown = (e) => e.key === "Enter" && save();
  ready("groups-kept");
}

// The page -------------------------------------------------------------------------------------------------------------

function start() {
  const index = find("#index-button");
  if (index) index.onclick = () => startJob("/api/compare/index", {}, (job) => job.state === "done" && location.reload()).catch(tell);
  if (!data) {
    document.body.dataset.ready = "compare";
    return ready();
  }
  state = read();
  for (const key of PLAIN) {
    const field = find(`#${key}`);
    if (!field) continue;
    field.value = state[key];
    field.oninput = () => field.validity.valid && ((state[key] = field.value), look({ soon: true }));
  }
  find("#filters").onsubmit = (e) => e.preventDefault();
  find("#add-range").append(...data.figures.map((f) => make("option", { value: f.key }, f.name)));
  find("#add-range").onchange = (e) => {
    const key = e.target.value;
    e.target.value = "";
    if (!key || state.ranges.some((r) => r.key === key)) return;
    state.ranges.push({ key, low: "", high: "" });
    showRanges();
    find("#ranges .range:last-child input").focus();
  };
  find("#clear").onclick = () => {
    for (const key of PLAIN) {
      state[key] = "";
      if (find(`#${key}`)) find(`#${key}`).value = "";
    }
    state.ranges = [];
    showRanges();
    look();
  };
  const turn = (way) => {
    const button = find(way > 0 ? "#next" : "#previous");
    if (button.disabled) return;
    state.offset = Math.max(0, state.offset + 100 * way);
    look({ keepPage: true });
    find(".shelf").scrollTo({ top: 0 });
  };
  find("#previous").onclick = () => turn(-1);
  find("#next").onclick = () => turn(1);
  for (const side of ["low_hz", "high_hz"]) {
    const field = find(`#${side}`);
    field.value = state[side];
    field.onchange = () => field.validity.valid && field.value && ((state[side] = field.value), keepAddress(), find("#beside").hidden || lay());
  }
  const curve = find("#curve");
  curve.value = state.curve;
  curve.onchange = () => ((state.curve = curve.value), keepAddress(), find("#beside").hidden || lay());
  find("#lay").onclick = () => lay(true);
  onKey("/", "search the catalogue", () => find("#q").focus());
  onKey("n", "next page of the catalogue", () => turn(1));
  onKey("p", "page before", () => turn(-1));
  onKey("l", "lay the chosen over each other", () => find("#lay").disabled || lay(true));
  head();
  showRanges();
  showColumns();
  showChosen();
  look({ keepPage: true });
  openGroups().catch(tell);
  ready();
  if (new URLSearchParams(location.search).has("with") && state.ids.length > 1) lay();
}

document.readyState === "loading" ? document.addEventListener("DOMContentLoaded", start) : start();
