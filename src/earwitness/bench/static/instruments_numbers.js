// What the instruments of charts work out, without a page: tested in tests/script.

/** The polar view, in its own units, and how far down from its outermost ring it goes. */
export const POLAR = { size: 400, radius: 150 };
export const SPAN_DB = 30;
// As Compare matches them.
const MATCH_HZ = [300, 3000];

export const minus = (words) => String(words).replace("-", "\u2212");

/** Values on `hz` of what stands on other frequencies: linear over the logarithm, null beyond the ends and beside gaps. */
export function resampled(from, values, hz) {
  let k = 1;
  return hz.map((f) => {
    if (f < from[0] || f > from[from.length - 1]) return null;
    while (from[k] < f) k++;
    const [a, b] = [values[k - 1], values[k]];
    if (f === from[k]) return b;
    return a === null || b === null ? null : a + ((b - a) * Math.log(f / from[k - 1])) / Math.log(from[k] / from[k - 1]);
  });
}

/** By how much what is laid over lies apart on the mean of MATCH_HZ [dB], by the first curve of both; null for none. */
export function levelApart(found, hz) {
  for (const [own, made] of found) {
    const both = hz.map((_, k) => k).filter((k) => hz[k] >= MATCH_HZ[0] && hz[k] <= MATCH_HZ[1] && own.values[k] !== null && made.values[k] !== null);
    if (both.length) return both.reduce((sum, k) => sum + own.values[k] - made.values[k], 0) / both.length;
  }
  return null;
}

/** "20° left"; "on axis" for 0. */
export function angleWords(angle, isVertical) {
  if (!angle) return "on axis";
  if (Math.abs(angle) === 180) return "behind";
  return `${minus(+Math.abs(angle).toFixed(1))}° ${isVertical ? (angle > 0 ? "up" : "down") : angle > 0 ? "left" : "right"}`;
}

/** Where a direction and a level stand: the axis points up in a horizontal view, and to the right in a vertical one. */
export function polarPlace(angle, level, top, isVertical) {
  const far = (POLAR.radius * Math.max(0, Math.min(SPAN_DB + 3, level - top + SPAN_DB))) / SPAN_DB, turn = (angle * Math.PI) / 180, middle = POLAR.size / 2;
  const [ahead, aside] = [far * Math.cos(turn), far * Math.sin(turn)];
  return isVertical ? [middle + ahead, middle - aside] : [middle - aside, middle - ahead];
}
