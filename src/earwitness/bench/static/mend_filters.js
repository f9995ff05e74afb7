// Magnitude of equalizer bands: Audio EQ Cookbook, W3C Working Group Note, June 2021, through the bilinear transform.
// A digital section has at w the analog prototype's response at x = tan(w / 2) / tan(w0 / 2), so |H|^2 is a ratio of
// squares in x^2. The same formulas as insight/mend/equalizer.py, which the tests hold them against.

const DB = 10 / Math.LN10;

/** tan^2(w / 2) for frequencies in Hz, on which all gains depend. */
export const prewarped = (hz, rateHz) => Float64Array.from(hz, (f) => Math.tan((Math.PI * f) / rateHz) ** 2);

/** Gain in dB of one band {kind, frequency_hz, gain_db, q} on prewarped frequencies. */
export function bandGain(band, warped, rateHz) {
  const amplitude = 10 ** (band.gain_db / 40), p = 1 / band.q ** 2;
  const low = band.kind === "low_shelf", high = band.kind === "high_shelf", peak = !low && !high;
  const a = low ? amplitude : 1, b = high ? amplitude : 1, d = high ? amplitude : 1, e = low ? amplitude : 1;
  const c = peak ? p * amplitude ** 2 : amplitude * p, f = peak ? p / amplitude ** 2 : amplitude * p;
  const scale = peak ? 1 : amplitude ** 2;
  const one = 1 / Math.tan((Math.PI * band.frequency_hz) / rateHz) ** 2;
  const gains = new Float64Array(warped.length);
  for (let k = 0; k < warped.length; k++) {
    const u = warped[k] * one;
    gains[k] = DB * Math.log((scale * ((a - b * u) ** 2 + c * u)) / ((d - e * u) ** 2 + f * u));
  }
  return gains;
}

/** Gain in dB of all bands together. */
export function totalGain(bands, warped, rateHz) {
  const total = new Float64Array(warped.length);
  for (const band of bands) {
    const gains = bandGain(band, warped, rateHz);
    for (let k = 0; k < total.length; k++) total[k] += gains[k];
  }
  return total;
}

/** Half the distance in octaves between the half-gain points of a bell, analog; and the Q of such a distance. */
export const halfWidth = (q) => Math.asinh(1 / (2 * q)) / Math.LN2;
export const qOfHalfWidth = (octaves) => 1 / (2 * Math.sinh(Math.LN2 * octaves));
