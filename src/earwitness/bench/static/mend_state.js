// What is set of an equalizer, as devices can be set to it and as a draft may hold it.

export const EMPTY = { bands: [], preamp_db: null, goal: { words: "even", table: "" }, limits: {}, candidates: {} };
export const BOUNDS = { frequency_hz: [10, 20000], gain_db: [-40, 40], q: [0.05, 50] };
/** @type {(value: number, bounds: number[]) => number} */
export const held = (value, [low, high]) => Math.min(high, Math.max(low, value));

/** Steps that devices can be set to: 1 Hz (below 100 Hz 0.1 Hz), 0.1 dB, Q in steps of 0.01. */
export function settable(band) {
  const hz = held(band.frequency_hz, BOUNDS.frequency_hz);
  return {
    kind: band.kind,
    frequency_hz: hz >= 100 ? Math.round(hz) : Math.round(10 * hz) / 10,
    gain_db: Math.round(10 * held(band.gain_db, BOUNDS.gain_db)) / 10 + 0,
    q: Math.max(0.05, Math.round(100 * held(band.q, BOUNDS.q)) / 100),
  };
}

/** A draft as it may be: whatever another version or hand left there, only what this page knows is taken.
    facts : kinds of bands, and how many there may be. */
export function sound(value, facts) {
  const taken = { ...structuredClone(EMPTY), ...(value && typeof value === "object" ? value : {}) };
  const isBand = (b) => b && b.kind in facts.kinds && [b.frequency_hz, b.gain_db, b.q].every(Number.isFinite);
  taken.bands = (Array.isArray(taken.bands) ? taken.bands : []).filter(isBand).slice(0, facts.most_bands);
  const isGoal = taken.goal && /^(even|table|slope=[+-]?\d{1,2}(\.\d{1,3})?)$/.test(taken.goal.words);
  if (!isGoal) taken.goal = structuredClone(EMPTY.goal);
  if (!taken.candidates || typeof taken.candidates !== "object") taken.candidates = {};
  if (!taken.limits || typeof taken.limits !== "object") taken.limits = {};
  return taken;
}
