// The field for a word of the vocabulary: type-ahead, arrow keys, Enter (combobox pattern of the ARIA practices guide).

import { make } from "./bench.js";

/** words: the vocabulary; picked(word): the tester chose one. Returns { find(text), close() }. */
export function wordField(input, list, words, picked) {
  let shown = [];
  let at = -1;

  const match = (text) => words.find((w) => w.word === text.trim().toLowerCase().replace(/\s+/g, " "));
  const hz = (value) => (value >= 1000 ? `${value / 1000}k` : `${value}`);

  function close() {
    list.hidden = true;
    at = -1;
    input.setAttribute("aria-expanded", "false");
    input.removeAttribute("aria-activedescendant");
  }

  function mark(place) {
    at = place;
    list.querySelectorAll("[role=option]").forEach((one, k) => one.setAttribute("aria-selected", String(k === at)));
    if (at >= 0) {
      input.setAttribute("aria-activedescendant", `word-${at}`);
      list.children[at].scrollIntoView({ block: "nearest" });
    } else input.removeAttribute("aria-activedescendant");
  }

  function open() {
    const text = input.value.trim().toLowerCase();
    const begins = words.filter((w) => w.word.startsWith(text));
    const holds = words.filter((w) => !w.word.startsWith(text) && w.word.includes(text));
    shown = [...begins, ...holds];
    list.replaceChildren(
      ...shown.map((w, k) =>
        make(
          "li",
          { role: "option", id: `word-${k}`, "aria-selected": "false", onmousedown: (e) => (e.preventDefault(), take(k)) },
          make("b", {}, w.word),
          make("span", {}, `${w.direction ?? "say which"}, ${hz(w.low_hz)} to ${hz(w.high_hz)} Hz`),
        )
      ),
    );
    list.hidden = !shown.length;
    input.setAttribute("aria-expanded", String(!list.hidden));
    mark(shown.length && text ? 0 : -1);
  }

  function take(place) {
    const word = shown[place];
    input.value = word.word;
    close();
    picked(word);
  }

  input.addEventListener("input", open);
  input.addEventListener("focus", () => input.value && !match(input.value) && open());
  input.addEventListener("blur", () => {
    close();
    const word = match(input.value);
    if (word) picked(word, { stay: true });
  });
  input.addEventListener("keydown", (e) => {
    if (e.altKey || e.ctrlKey || e.metaKey) return;
    if (e.key === "ArrowDown" || e.key === "ArrowUp") {
      e.preventDefault();
      if (list.hidden) open();
      else mark((at + (e.key === "ArrowDown" ? 1 : -1) + shown.length) % shown.length);
    } else if (e.key === "Escape" && !list.hidden) {
      e.preventDefault();
      e.stopPropagation();
      close();
    } else if ((e.key === "Enter" || e.key === "Tab") && !list.hidden && at >= 0) {
      if (e.key === "Enter") {
        e.preventDefault();
        e.stopPropagation();
      }
      take(at);
    }
  });
  return { match, close };
}
