// Whether EQ pays, and what each further band would bring.
import { make } from "./bench.js";

const find = (id) => document.getElementById(id);

/** The verdict in words, and whether there is anything to set. */
export function paintVerdict(verdict) {
  find("verdict").textContent = verdict.headline;
  find("verdict-more").replaceChildren(...verdict.sentences.map((words) => make("span", {}, `${words} `)));
  find("take-advised").hidden = !verdict.bands.length;
}

/** What each further band takes away; take(count) : sets so many. */
export function paintCounts({ by_count: steps, verdict }, count, take) {
  const most = steps[0].left_db || 1, ns = "http://www.w3.org/2000/svg";
  find("count-words").textContent = verdict.bands.length
    ? "Taken away is the mean over units of its kind, 3 % off in frequency."
    : "No number of bands pays; what they would do:";
  const rows = steps.map((step, k) => {
    const svg = document.createElementNS(ns, "svg");
    svg.setAttribute("viewBox", "0 0 100 8");
    svg.setAttribute("preserveAspectRatio", "none");
    svg.setAttribute("aria-hidden", "true");
    const bar = document.createElementNS(ns, "rect");
    bar.setAttribute("width", String(Math.max(0.5, (100 * step.left_db) / most)));
    bar.setAttribute("height", "8");
    svg.append(bar);
    return make(
      "tr",
      { class: k === count ? "chosen" : "" },
      make("th", { scope: "row" }, k ? String(k) : "none"),
      make("td", { class: "share" }, svg),
      make("td", { class: "right" }, `${step.left_db.toFixed(2)} dB`),
      make("td", { class: "right" }, k ? `${step.taken_db.toFixed(2)} dB` : ""),
      make("td", {}, verdict.bands.length && k === verdict.bands.length ? "advised" : ""),
      make(
        "td",
        {},
        k ? make("button", { type: "button", class: "quiet", "aria-label": `Take ${k} band${k === 1 ? "" : "s"}`, onclick: () => take(k) }, "Take") : "",
      ),
    );
  });
  find("counts").replaceChildren(
    make(
      "table",
      { class: "counts" },
      make(
        "thead",
        {},
        make(
          "tr",
          {},
          ...["Bands", "Left to mend, rms", "", "Taken away", "", ""].map((words) => (words ? make("th", { scope: "col" }, words) : make("td", {}))),
        ),
      ),
      make("tbody", {}, ...rows),
    ),
  );
}
