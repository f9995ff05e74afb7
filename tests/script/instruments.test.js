// Instruments of charts against plane geometry and by hand.

import assert from "node:assert/strict";
import test from "node:test";
import { angleWords, levelApart, POLAR, polarPlace, resampled } from "../../src/earwitness/bench/static/instruments_numbers.js";

const near = (found, wanted) => assert.ok(Math.abs(found - wanted) < 1e-9, `${found} is not ${wanted}`);

test("between two frequencies a curve is linear over the logarithm", () => {
  const found = resampled([100, 400, 800], [80, 86, 90], [50, 100, 200, 400, 800, 900]);
  assert.deepEqual([found[0], found[5]], [null, null]);
  [80, 83, 86, 90].forEach((wanted, k) => near(found[k + 1], wanted));
});

test("a gap stays a gap, and its far side is there", () => {
  const found = resampled([100, 200, 400, 800], [80, null, 84, 86], [150, 200, 300, 400, 600]);
  assert.deepEqual(found.slice(0, 3), [null, null, null]);
  near(found[3], 84);
});

test("levels are matched on the mean from 300 Hz to 3 kHz, by the first curve both have there", () => {
  const hz = [100, 300, 1000, 3000, 10000], own = { values: [0, 84, 86, 88, 0] }, other = { values: [99, 80, 80, null, 99] };
  near(levelApart([[{ values: [1, null, null, null, 1] }, other], [own, other]], hz), 5);
  assert.equal(levelApart([[own, { values: hz.map(() => null) }]], hz), null);
});

test("the axis points up in a horizontal view and to the right in a vertical one; left is left", () => {
  const middle = POLAR.size / 2, far = POLAR.radius;
  const places = [[0, 0, false], [90, 0, false], [0, 0, true], [90, -15, true], [180, -40, false]];
  const wanted = [[middle, middle - far], [middle - far, middle], [middle + far, middle], [middle, middle - far / 2], [middle, middle]];
  places.forEach(([angle, level, isVertical], k) => polarPlace(angle, level, 0, isVertical).forEach((one, side) => near(one, wanted[k][side])));
});

test("a direction has the words of its side", () => {
  const told = [[0, false], [20, false], [-20, false], [7.5, true], [-90, true], [180, false]].map(([angle, isVertical]) => angleWords(angle, isVertical));
  const wanted = ["on axis", "20\u00b0 left", "20\u00b0 right", "7.5\u00b0 up", "90\u00b0 down", "behind"];
  assert.deepEqual(told, wanted);
});
