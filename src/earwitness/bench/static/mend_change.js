// A figure before and now, and which way it went: never by color alone, and never green for worse.
import { make } from "./bench.js";

/** Whether words of the server tell of better, worse or neither. @param {string} sense @returns {"better" | "worse" | "unsure"} */
export const kindOf = (sense) => (/\u25cf/.test(sense) ? "better" : /\u25c6/.test(sense) ? "worse" : "unsure");

/** One figure. @param {[name: string, before: string, now: string, change: string, sense: string]} row */
export function changeRow([name, before, now, change, sense]) {
  if (before === now) return make("div", {}, make("dt", {}, name), make("dd", {}, now));
  const parts = [make("span", { class: "before" }, before), " \u2192 ", make("span", { class: "now" }, now), make("span", { class: "change" }, change)];
  if (sense) parts.push(make("span", { class: "sense" }, sense));
  return make("div", { class: kindOf(sense) }, make("dt", {}, name), make("dd", {}, ...parts));
}
