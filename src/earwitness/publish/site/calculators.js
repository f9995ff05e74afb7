/* Questions that the page answers from its own published numbers, without a server: the same formulas as the program's
   match (amplifier.py, subwoofer.py, crossover.py, in_room.py). A classic script: it works from file://. Sets
   globalThis.earwitnessCalculators with the plain functions; levels in dB, voltages rms in V. */
(() => {
  "use strict";
  const REFERENCE_V = 2.83, SAG = 10 ** (-1 / 20), SOUND_M_S = 343, EXCURSION_HZ = [20, 500], JUDGED_HZ = [20, 300];

  /** Linear between points of rising x, held outside. */
  function between(at, x, y) {
    if (at <= x[0]) return y[0];
    const k = x.findIndex((one) => one >= at);
    if (k < 0) return y[y.length - 1];
    return y[k - 1] + ((at - x[k - 1]) / (x[k] - x[k - 1])) * (y[k] - y[k - 1]);
  }

  /** Largest rms voltage into a load of `ohm`, and whether the current limits it. powers : [load, power] pairs. */
  function usableVoltage(powers, ohm, peakCurrent = null) {
    const ratings = powers.map(([load, power]) => [load, Math.sqrt(load * power)]).sort((a, b) => b[0] - a[0]);
    const [lowest, lowestVolts] = ratings[ratings.length - 1], most = Math.max(...ratings.map((one) => one[1]));
    let volts = ohm < lowest ? (lowestVolts / lowest) * ohm : between(1 / ohm, ratings.map((one) => 1 / one[0]), ratings.map((one) => one[1]));
    if (peakCurrent !== null) volts = Math.min(volts, (peakCurrent / Math.SQRT2) * ohm);
    return { volts, isCurrent: volts < most * SAG };
  }

  /** What distance and number of loudspeakers do to a level at 1 m. decade : dB lost over ten times the distance. */
  function atPlace(level, { distance = 1, count = 1, decade = 20 } = {}) {
    return level + 10 * Math.log10(count) - decade * Math.log10(distance);
  }

  /** Highest level by voltage and current alone, its U, and where they run out first. */
  function highestLevel({ sensitivity, sensitivityU95, load }, powers, place = {}, peakCurrent = null) {
    /** @type {any} */
    let first = null;
    load.hz.forEach((hz, k) => {
      const found = usableVoltage(powers, load.ohm[k], peakCurrent);
      if (!first || found.volts < first.volts) first = { ...found, hz, ohm: load.ohm[k], loadU95: load.u95[k] };
    });
    const near = sensitivity + 20 * Math.log10(first.volts / REFERENCE_V);
    // The load is uncertain too, but only a current feels it.
    const u95 = Math.hypot(sensitivityU95, first.isCurrent ? ((20 / Math.LN10) * first.loadU95) / first.ohm : 0);
    return { ...first, near, level: atPlace(near, place), u95 };
  }

  /** Rms voltage for a level at a distance. */
  function voltageFor(level, sensitivity, { distance = 1, count = 1, decade = 20 } = {}) {
    return REFERENCE_V * 10 ** ((level - sensitivity + decade * Math.log10(distance) - 10 * Math.log10(count)) / 20);
  }

  /** Size of a high-pass at `hz`; slope such as "BW2" (Butterworth) or "LR4" (Linkwitz-Riley). */
  function highPass(hz, corner, slope) {
    const order = +slope.slice(2), isTwice = slope.startsWith("LR"), once = isTwice ? order / 2 : order, x = hz / corner;
    // |Butterworth low-pass of order n| = 1 / sqrt(1 + x^(2n)); the high-pass has x^n times that.
    return x ** order / Math.sqrt(1 + x ** (2 * once)) ** (isTwice ? 2 : 1);
  }

  /** Fall of the main's largest displacement (level over frequency squared) that a high-pass brings. */
  function spared({ main }, corner, slope) {
    const most = (size) =>
      Math.max(...main.hz.map((hz, k) => (hz < EXCURSION_HZ[0] || hz > EXCURSION_HZ[1] ? 0 : (size(hz) * 10 ** (main.db[k] / 20)) / hz ** 2)));
    return 20 * Math.log10(most(() => 1) / most((hz) => highPass(hz, corner, slope)));
  }

  /** U of what a high-pass spares: the main's own, as far as the main still plays, over the band of the crossover. */
  function sparedU95({ main }, corner, slope) {
    const rows = main.hz.map((_, k) => k).filter((k) => main.hz[k] >= JUDGED_HZ[0] && main.hz[k] <= JUDGED_HZ[1]);
    return Math.sqrt(rows.reduce((sum, k) => sum + (main.u95[k] * Math.min(highPass(main.hz[k], corner, slope), 1)) ** 2, 0) / rows.length);
  }

  /** Level at a seat on axis and its U (k = 2), of direct sound and what the room keeps of the sound power. Either the
      reverberation time or the mean absorption is given; the floor is 4 to 3. */
  function inRoom({ sensitivity, sensitivityU95, power, powerU95 }, { area, height, reverberation = null, absorption = null, distance, count = 1 }) {
    const around = 2 * Math.sqrt(area) * (Math.sqrt(4 / 3) + Math.sqrt(3 / 4)), surface = 2 * area + around * height, volume = area * height;
    const sabine = (24 * Math.LN10) / SOUND_M_S, isGiven = absorption !== null;
    const decay = isGiven ? (sabine * volume) / (-surface * Math.log(1 - absorption)) : reverberation;
    const lost = (60 * Math.max(distance, (4 * volume) / surface)) / (SOUND_M_S * decay);
    const kept = isGiven
      ? 10 * Math.log10((16 * Math.PI * (1 / absorption - 1)) / surface)
      : 10 * Math.log10((16 * Math.PI * decay) / (sabine * volume)) - lost;
    const direct = 10 ** (sensitivity / 10) / distance ** 2, reverberant = 10 ** ((power + kept) / 10);
    const share = reverberant / (direct + reverberant), ratio = direct / reverberant;
    const ofRoom = share * Math.hypot(0.434, isGiven ? 0.6 : 1), ofPlace = (4.34 * Math.sqrt((1 + 2 * ratio) / ((2700 * decay) / 6.91))) / (1 + ratio);
    const u95 = 2 * Math.hypot(((1 - share) * sensitivityU95 + share * powerU95) / 2, ofRoom, ofPlace);
    // An error that the axis and the power share is in no difference.
    const moreU95 = 2 * Math.hypot((share * Math.abs(powerU95 - sensitivityU95)) / 2, ofRoom, ofPlace);
    return { level: 10 * Math.log10(direct + reverberant) + 10 * Math.log10(count), u95, moreU95, share };
  }

  /** Sound power of two small loudspeakers with the same signal over that of one. */
  function pairBass(hz, apart) {
    const u = (2 * Math.PI * hz * apart) / SOUND_M_S;
    return 10 * Math.log10(2 + 2 * (u === 0 ? 1 : Math.sin(u) / u));
  }

  /** U of a voltage for a level, from that of the sensitivity. */
  function voltageU95(volts, sensitivityU95) {
    return (volts * Math.LN10 * sensitivityU95) / 20;
  }

  globalThis.earwitnessCalculators = { inRoom, pairBass, voltageU95, usableVoltage, atPlace, highestLevel, voltageFor, highPass, spared, sparedU95 };
  if (typeof document === "undefined") return;

  const told = (value, decimals = 1) => `${(+value.toFixed(decimals) + 0).toFixed(decimals)}`.replace("-", "\u2212");
  /** The program's words of a U: never 0.0, which nothing measured has. */
  const ofU = (u95) => told(Math.max(u95, 0.1));
  const frequency = (hz) => (hz < 1000 ? `${told(hz, 0)}\u00a0Hz` : `${+(hz / 1000).toPrecision(2)}\u00a0kHz`);
  const given = (form, name) => (form.elements[name].value === "" ? null : Number(form.elements[name].value));
  const place = (form) => ({ distance: given(form, "distance"), count: given(form, "count"), decade: given(form, "decade") });

  const answers = {
    amplifier(form, data) {
      const powers = [[8, given(form, "power8")], [4, given(form, "power4")]].filter(([, power]) => power > 0);
      if (!powers.length) return "Give a rated power.";
      const found = highestLevel(data, powers, place(form));
      const where = data.load.ohm.every((ohm) => usableVoltage(powers, ohm).volts === found.volts)
        ? "at every frequency alike"
        : `at ${frequency(found.hz)}, ${told(found.ohm)}\u00a0Ω`;
      return `Up to ${told(found.level)} ± ${ofU(found.u95)} dB: ${found.isCurrent ? "current" : "voltage"} runs out first, ${where}, ${told(found.volts)} V.`;
    },
    level(form, data) {
      const level = given(form, "level"), at = place(form), volts = voltageFor(level, data.sensitivity, at);
      const rated = data.ratedOhm || 8, watts = volts ** 2 / rated;
      const asked = `Asks for ${told(volts)} ± ${ofU(voltageU95(volts, data.sensitivityU95))} V, ${told(watts, watts < 10 ? 1 : 0)} W into ${rated} Ω.`;
      if (data.clean === null) return asked;
      const clean = atPlace(data.clean, at), left = clean - level;
      return `${asked} Clean to ${data.cleanBound ? `${data.cleanBound} ` : ""}${told(clean)} ± ${ofU(data.cleanU95)} dB there: ${told(Math.abs(left))} ± ${
        ofU(data.cleanU95)
      } dB ${left < 0 ? "too little" : "to spare"}.`;
    },
    room(form, data) {
      const of = (name) => given(form, name);
      const room = { area: of("area"), height: of("height"), reverberation: of("reverberation"), distance: of("distance"), count: of("count") };
      const { level, u95, moreU95 } = inRoom(data, room), more = level - atPlace(data.sensitivity, { distance: room.distance, count: room.count });
      const bass = room.count > 1
        ? ` Bass that is the same in both gains up to ${told(pairBass(50, 2.5) - 10 * Math.log10(2))} dB more at 50\u00a0Hz, 2.5 m apart.`
        : "";
      const shown = `2.83 V give ${told(level)} ± ${told(u95)} dB there, ${told(more)} ± ${ofU(moreU95)} dB more than in free field.${bass}`;
      const clean = data.clean === null ? null : data.clean + level - data.sensitivity;
      return clean === null
        ? shown
        : `${shown} Clean to ${data.cleanBound ? `${data.cleanBound} ` : ""}${told(clean)} ± ${ofU(Math.hypot(data.cleanU95, moreU95))} dB.`;
    },
    wall(form, data) {
      const found = data.wall[form.elements.behind.selectedIndex];
      const of = (value, u95) => `${value > 0 ? "+" : ""}${told(value)} ± ${ofU(u95)} dB`;
      return `From 30 Hz to 60 Hz the level changes by ${of(found.lift, found.liftU95)} on average. The lowest third octave up to 500 Hz is ${
        of(found.dip, found.dipU95)
      } at ${frequency(found.hz)}.`;
    },
    subwoofer(form, data) {
      const found = spared(data, given(form, "corner"), form.elements.slope.value);
      return found >= 0.05
        ? `The high-pass cuts the main’s largest cone excursion by ${told(found)} ± ${
          ofU(sparedU95(data, given(form, "corner"), form.elements.slope.value))
        } dB.`
        : "The high-pass takes nothing off the main’s largest cone excursion.";
    },
  };

  function start() {
    const holder = document.getElementById("calculator-data");
    if (!holder) return;
    const data = JSON.parse(holder.textContent);
    document.getElementById("questions-without").hidden = true;
    for (const form of document.querySelectorAll("form.calculator")) {
      const answer = () => {
        const isWhole = form.checkValidity();
        form.querySelector("output").textContent = isWhole ? answers[form.dataset.asks](form, data) : "A number is missing or out of range.";
      };
      form.addEventListener("input", answer);
      form.addEventListener("submit", (event) => event.preventDefault());
      form.hidden = false;
      answer();
    }
  }
  document.readyState === "loading" ? document.addEventListener("DOMContentLoaded", start) : start();
})();
