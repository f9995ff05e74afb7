// The curve of each take over the ones before it, as they come in. One decade is as long as 25 dB are high (IEC 60263).
import { make } from "./bench.js";
import { svg } from "./measure_live_show.js";

// As the bench counts: 1/12 octave through 1 kHz.
const hzOf = (k) => 1000 * 2 ** ((k - 67) / 12);
const LOW = 20, HIGH = 20000, DECADE = 200, DB = DECADE / 25, LEFT = 64, TOP = 12, SPAN_DB = 40;
const short = (words) => words.split(" ").at(-1);
const WIDTH = LEFT + 3 * DECADE + 64, HEIGHT = TOP + SPAN_DB * DB + 28;
const x = (hz) => LEFT + DECADE * Math.log10(hz / LOW);
// What a narrow chart has room for.
const MAIN = [20, 100, 1000, 10000];
const TICKS = { 20: "20 Hz", 50: "50", 100: "100", 200: "200", 500: "500", 1000: "1k", 2000: "2k", 5000: "5k", 10000: "10k", 20000: "20k" };

function path(curve, y) {
  let out = "", pen = false;
  curve.forEach((level, k) => {
    const hz = hzOf(k);
    if (level === null || hz < LOW || hz > HIGH) {
      pen = false;
      return;
    }
    out += `${pen ? "L" : "M"}${x(hz).toFixed(1)} ${y(level).toFixed(1)}`;
    pen = true;
  });
  return out;
}

/** What the newest differs from the one before, in words for whoever does not see it. */
function change(now, before, place) {
  const mean = (low, high) => {
    const apart = now.curve.flatMap((
      level,
      k,
    ) => (level !== null && before.curve[k] !== null && hzOf(k) >= low && hzOf(k) < high ? [level - before.curve[k]] : []));
    return apart.length ? apart.reduce((sum, one) => sum + one, 0) / apart.length : 0;
  };
  const signed = (value) => `${value >= 0.05 ? "+" : value <= -0.05 ? "\u2212" : ""}${Math.abs(value).toFixed(1)} dB`;
  return `Against ${place(before.take)}: ${signed(mean(250, 2000))} from 250 Hz to 2 kHz, ${signed(mean(2000, 10000))} from 2 to 10 kHz.`;
}

/** The figure of the takes judged last, newest first; nothing where none has a curve. place(id) names a take. */
export function curves(judged, place) {
  const shown = judged.filter((one) => one.curve).slice(0, 6);
  if (!shown.length) return [];
  const [now, before] = shown, unit = now.is_spl ? "dB SPL at the microphone" : "dB re full scale";
  const highest = Math.max(...shown.flatMap((one) => one.curve.filter((level) => level !== null)));
  const top = Math.ceil((highest + 2) / 5) * 5, y = (level) => TOP + DB * Math.min(Math.max(top - level, -1), SPAN_DB);
  const grid = Object.entries(TICKS).flatMap((
    [hz, words],
  ) => [
    svg("line", { x1: x(hz), x2: x(hz), y1: TOP, y2: TOP + SPAN_DB * DB, class: "grid" }),
    svg("text", { x: x(hz), y: HEIGHT - 8, "text-anchor": "middle", class: MAIN.includes(Number(hz)) ? "main" : "minor" }, words),
  ]);
  for (let level = top; level >= top - SPAN_DB; level -= 10) {
    grid.push(
      svg("line", { x1: LEFT, x2: LEFT + 3 * DECADE, y1: y(level), y2: y(level), class: "grid" }),
      svg("text", { x: LEFT - 6, y: y(level) + 5, "text-anchor": "end" }, `${level}`.replace("-", "\u2212")),
    );
  }
  const lines = shown.map((one, k) => svg("path", { d: path(one.curve, y), class: k === 0 ? "curve now" : k === 1 ? "curve before" : "curve older" }))
    .reverse();
  const end = (one) => y([...one.curve].reverse().find((level, k) => level !== null && hzOf(118 - k) <= HIGH) ?? top);
  const labels = [svg("text", { x: LEFT + 3 * DECADE + 6, y: end(now) + 5, class: "label now" }, short(place(now.take)))];
  if (before) {
    const apart = end(before) - end(now), shift = Math.abs(apart) < 18 ? (apart < 0 ? -18 : 18) - apart : 0;
    labels.push(svg("text", { x: LEFT + 3 * DECADE + 6, y: end(before) + 5 + shift, class: "label before" }, short(place(before.take))));
  }
  const words = before ? change(now, before, place) : `First curve: ${place(now.take)}.`;
  return [
    make(
      "figure",
      { class: "take-curves" },
      svg(
        "svg",
        { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", "aria-label": `Curve of ${place(now.take)}, ${unit}. ${words}` },
        ...grid,
        ...lines,
        ...labels,
      ),
      make("figcaption", {}, `${words} In ${unit}, smoothed over 1/6 octave; the newest is thick, the one before it dashed.`),
    ),
  ];
}
