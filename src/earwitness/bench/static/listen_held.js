// Notes held against the data, and the tester's own record: both are jobs, whose outcome is put on the page.

import { make, piece, ready, startJob, tell } from "./bench.js";

const find = (selector) => document.querySelector(selector);
const held = find("#held");

async function hold() {
  held.replaceChildren(make("p", { role: "status" }, "Reading the data; progress stands under Jobs."));
  try {
    await startJob(`/api/listen/${held.dataset.id}/hold`, {}, (job) => (job.state === "done" ? show().catch(tell) : held.replaceChildren(again())), {
      isTold: true,
    });
  } catch (error) {
    held.replaceChildren(again());
    tell(error);
  }
}

const again = () => make("div", { class: "actions" }, make("button", { type: "button", class: "primary", onclick: hold }, "Try again"));

async function show() {
  held.innerHTML = await piece(`/listen/${held.dataset.id}/held/part`);
  held.querySelectorAll("figure.chart").forEach((figure) => globalThis.earwitnessCharts.attach(figure));
}

if (held?.dataset.open === "yes") hold();
if (find("#hold")) find("#hold").onclick = hold;

function record(job) {
  const { table } = job.result ?? {};
  if (!table) {
    find("#record").replaceChildren(make("p", {}, "No remark sealed before the data can be judged yet. Seal notes first, then measure."));
    return;
  }
  const side = (k) => (table.align[k] === "right" ? "right" : "");
  find("#record").replaceChildren(
    make(
      "table",
      {},
      make("caption", {}, table.title),
      make("thead", {}, make("tr", {}, ...table.columns.map((name, k) => make("th", { scope: "col", class: side(k) }, name)))),
      make(
        "tbody",
        {},
        ...table.rows.map((row) => make("tr", {}, ...row.map((cell, k) => make(k ? "td" : "th", k ? { class: side(k) } : { scope: "row" }, cell)))),
      ),
    ),
    make("p", { class: "hint" }, table.note),
  );
}

if (find("#count")) {
  find("#count").onclick = () => startJob("/api/listen/record", {}, (job) => job.state === "done" && record(job)).catch(tell);
}
ready();
