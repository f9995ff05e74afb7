// The script's filters against the table that the Python is held to (tests/dsp/filters.json).
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import test from "node:test";
import { bandGain, halfWidth, prewarped, qOfHalfWidth, totalGain } from "../../src/earwitness/bench/static/mend_filters.js";

const table = JSON.parse(readFileSync(new URL("../dsp/filters.json", import.meta.url), "utf8"));
const warped = prewarped(table.tones_hz, table.rate_hz);
const bands = table.cases.filter((one) => ["peaking", "low_shelf", "high_shelf"].includes(one.kind));

test("every band of the table has its gain", () => {
  assert.equal(bands.length, 5);
  for (const band of bands) {
    const gains = bandGain(band, warped, table.rate_hz);
    band.levels_db.forEach((level, k) => assert.ok(Math.abs(gains[k] - level) < 1.1e-4, `${band.source} at ${table.tones_hz[k]} Hz: ${gains[k]}`));
  }
});

test("bands add up in dB", () => {
  const total = totalGain(bands, warped, table.rate_hz);
  table.tones_hz.forEach((_, k) => assert.ok(Math.abs(total[k] - bands.reduce((sum, one) => sum + one.levels_db[k], 0)) < 6e-4));
});

test("Q and width in octaves are each other's inverse; Q of one octave is the square root of 2 (Audio EQ Cookbook)", () => {
  assert.ok(Math.abs(qOfHalfWidth(0.5) - Math.SQRT2) < 1e-12);
  for (const q of [0.3, 1, 8]) assert.ok(Math.abs(qOfHalfWidth(halfWidth(q)) - q) < 1e-12);
});
