// The exhibits of a review: shown or left out, in the tester's order, under the tester's captions.

import { make } from "./bench.js";

/** all: exhibits as generated; now(): the draft; change(act). Returns { show(), pruned(value) }. */
export function exhibitList(root, all, now, change) {
  const known = new Map(all.map((one) => [one.key, one]));
  const sections = [...new Set(all.map((one) => one.section))];
  let open = "";

  /** Keys in the tester's order, part by part of the page. */
  function ordered() {
    const { order } = now();
    const place = new Map(order.map((key, k) => [key, k]));
    const sorted = all.map((one, k) => [place.get(one.key) ?? order.length + k, one]).sort((a, b) => a[0] - b[0]);
    return sections.map((name) => [name, sorted.map(([, one]) => one).filter((one) => one.section === name)]);
  }

  function keep(groups) {
    change((next) => {
      const keys = groups.flatMap(([, ones]) => ones.map((one) => one.key));
      next.left_out = next.left_out.filter((key) => known.has(key));
      next.order = keys;
      next.captions = Object.fromEntries(Object.entries(next.captions).filter(([key]) => known.has(key)));
    });
    show();
  }

  function move(key, step) {
    const groups = ordered();
    const [, ones] = groups.find(([, list]) => list.some((one) => one.key === key));
    const from = ones.findIndex((one) => one.key === key);
    if (from + step < 0 || from + step >= ones.length) return;
    ones.splice(from + step, 0, ...ones.splice(from, 1));
    keep(groups);
    focus(key);
  }
  function drop(key, before) {
    const groups = ordered();
    const [, ones] = groups.find(([, list]) => list.some((one) => one.key === key));
    if (!ones.some((one) => one.key === before) || key === before) return;
    const from = ones.findIndex((one) => one.key === key);
    const [one] = ones.splice(from, 1);
    const to = ones.findIndex((other) => other.key === before);
    ones.splice(to >= from ? to + 1 : to, 0, one);
    keep(groups);
    focus(key);
  }
  function turn(key) {
    change((next) => (next.left_out = next.left_out.includes(key) ? next.left_out.filter((k) => k !== key) : [...next.left_out, key]));
    keep(ordered());
    focus(key);
  }
  const focus = (key) => root.querySelector(`[data-key="${CSS.escape(key)}"]`)?.focus();

  function caption(one) {
    const own = now().captions[one.key];
    if (one.finding === null) return null;
    const words = make("p", { class: own ? "caption own" : "caption" }, own ?? one.finding);
    const told = one.is_outdated && own
      ? make("p", { class: "changed" }, "The numbers changed since you wrote this caption. Generated now: ", make("q", {}, one.finding))
      : null;
    const does = own ? "Change your caption" : "Write your own caption";
    if (open !== one.key) {
      return make(
        "div",
        { class: "captioned" },
        words,
        told,
        make(
          "button",
          { type: "button", class: "quiet", "aria-label": `${does} of ${one.title}`, onclick: () => edit(one.key) },
          does,
        ),
      );
    }
    const field = make("textarea", { rows: 3, maxlength: 1000, "aria-label": `Your caption of ${one.title}` });
    field.value = own ?? one.finding;
    field.oninput = () => change((next) => (next.captions[one.key] = field.value), { wait: true });
    field.onkeydown = (e) => {
      if (e.key !== "Escape") return;
      e.preventDefault();
      done(one.key);
    };
    return make(
      "div",
      { class: "captioned" },
      field,
      told,
      make(
        "div",
        { class: "actions" },
        make("button", { type: "button", onclick: () => done(one.key) }, "Done"),
        make(
          "button",
          { type: "button", class: "quiet", onclick: () => (change((next) => delete next.captions[one.key]), done(one.key)) },
          "Back to the generated one",
        ),
      ),
    );
  }
  function edit(key) {
    open = key;
    show();
    root.querySelector("textarea")?.focus();
  }
  function done(key) {
    open = "";
    change((next) => {
      if (!next.captions[key]?.trim() || next.captions[key] === known.get(key).finding) delete next.captions[key];
    });
    show();
    focus(key);
  }

  function row(one) {
    const isShown = !now().left_out.includes(one.key);
    const box = make("input", { type: "checkbox", checked: isShown, "aria-label": `Show ${one.title}`, onchange: () => turn(one.key) });
    const item = make(
      "li",
      { tabindex: 0, draggable: "true", "data-key": one.key, class: isShown ? "" : "left-out", "aria-label": `${one.title}${isShown ? "" : ", left out"}` },
      make("span", { class: "grip", "aria-hidden": "true" }, "⠿"),
      box,
      make("span", { class: "title" }, one.title),
      make(
        "span",
        { class: "row-tools" },
        make("button", { type: "button", class: "quiet", "aria-label": `Move up ${one.title}`, onclick: () => move(one.key, -1) }, "↑"),
        make("button", { type: "button", class: "quiet", "aria-label": `Move down ${one.title}`, onclick: () => move(one.key, 1) }, "↓"),
      ),
      isShown ? caption(one) : null,
    );
    item.addEventListener("keydown", (e) => {
      if (e.target !== item) return;
      if (e.altKey && (e.key === "ArrowUp" || e.key === "ArrowDown")) move(one.key, e.key === "ArrowUp" ? -1 : 1);
      else if (e.key === " ") turn(one.key);
      else if (e.key === "Enter" && one.finding !== null && isShown) edit(one.key);
      else if (!e.altKey && (e.key === "ArrowUp" || e.key === "ArrowDown")) {
        const rows = [...root.querySelectorAll("[data-key]")];
        rows[rows.indexOf(item) + (e.key === "ArrowUp" ? -1 : 1)]?.focus();
      } else return;
      e.preventDefault();
      e.stopPropagation();
    });
    item.addEventListener("dragstart", (e) => {
      e.dataTransfer.setData("text/plain", one.key);
      e.dataTransfer.effectAllowed = "move";
    });
    item.addEventListener("dragover", (e) => {
      e.preventDefault();
      item.classList.add("over");
    });
    item.addEventListener("dragleave", () => item.classList.remove("over"));
    item.addEventListener("drop", (e) => {
      e.preventDefault();
      item.classList.remove("over");
      if (known.has(e.dataTransfer.getData("text/plain"))) drop(e.dataTransfer.getData("text/plain"), one.key);
    });
    return item;
  }

  function show() {
    root.replaceChildren(
      make(
        "p",
        { class: "hint" },
        "Drag, or move with Alt and the arrow keys. The page keeps its parts; within each, your order holds. What you leave out is told there.",
      ),
      ...ordered().flatMap(([name, ones]) => [make("h3", {}, name), make("ol", { class: "exhibits" }, ...ones.map(row))]),
    );
  }
  /** The choice without exhibits that there are no longer. */
  function pruned({ order, left_out, captions }) {
    const isKnown = (key) => known.has(key);
    return {
      order: order.filter((key) => isKnown(key) && !left_out.includes(key)),
      left_out: left_out.filter(isKnown),
      captions: Object.fromEntries(Object.entries(captions).filter(([key]) => isKnown(key))),
    };
  }
  return { show, pruned };
}
