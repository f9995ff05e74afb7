// Hear it: the reader's own file, or noise, through the loudspeaker as it was measured. Nothing leaves this device.
// Every version runs from one clock and has one loudness (ITU-R BS.1770), so that a switch is the difference alone.

(() => {
  const given = document.getElementById("player-data");
  const player = document.getElementById("player");
  if (!given || !player || !globalThis.OfflineAudioContext) return;
  const data = JSON.parse(given.textContent);
  const FADE_S = 0.015;
  const RISE_S = 0.5;
  const MEASURED_S = 120;
  const TARGET_LUFS = -23;
  const MOST_PEAK_DB = -2;

  const taps = new Float32Array(Uint8Array.from(atob(data.taps), (c) => c.charCodeAt(0)).buffer);
  const versions = { flat: {}, asis: { taps } };
  if (data.equalizer) versions.equalized = { taps, sections: data.equalizer };
  if (data.finding) versions.finding = { sections: data.finding.sections };

  const iir = (context, [b0, b1, b2, , a1, a2]) => new IIRFilterNode(context, { feedforward: [b0, b1, b2], feedback: [1, a1, a2] });

  /** The nodes of a version behind a source; the last of them. */
  function through(context, source, /** @type {any} */ { taps: response, sections = [] }) {
    let last = source;
    if (response) {
      const buffer = new AudioBuffer({ length: response.length, numberOfChannels: 1, sampleRate: context.sampleRate });
      buffer.copyToChannel(response, 0);
      const convolver = new ConvolverNode(context, { disableNormalization: true });
      convolver.buffer = buffer;
      last = last.connect(convolver);
    }
    for (const row of sections) last = last.connect(iir(context, row));
    return last;
  }

  /** Half a cosine from one gain to another. */
  const fade = (from, to) => Float32Array.from({ length: 65 }, (_, k) => from + (to - from) * (0.5 - 0.5 * Math.cos((Math.PI * k) / 64)));

  /** Gated loudness of channels that were weighted already; null where nothing passes the gates. */
  function loudness(channels, rate) {
    const step = Math.round(0.1 * rate);
    const count = Math.floor(channels[0].length / step);
    const steps = Array.from({ length: count }, (_, k) => {
      let power = 0;
      for (const one of channels) for (let i = k * step; i < (k + 1) * step; i += 1) power += one[i] * one[i];
      return power / step;
    });
    const blocks = steps.slice(3).map((_, k) => (steps[k] + steps[k + 1] + steps[k + 2] + steps[k + 3]) / 4);
    const lufs = (power) => -0.691 + 10 * Math.log10(power);
    const mean = (rows) => rows.reduce((sum, one) => sum + one, 0) / rows.length;
    const loud = blocks.filter((power) => power > 0 && lufs(power) > -70);
    if (!loud.length) return null;
    const gate = mean(loud) / 10;
    return lufs(mean(loud.filter((power) => power > gate)));
  }

  /** Loudness and highest sample [dB] of a version of a buffer. */
  async function measure(buffer, version) {
    const length = Math.min(buffer.length, MEASURED_S * data.rate);
    const render = async (isWeighted) => {
      const context = new OfflineAudioContext(buffer.numberOfChannels, length, data.rate);
      const source = new AudioBufferSourceNode(context, { buffer });
      let last = through(context, source, version);
      if (isWeighted) { for (const row of data.weighting) last = last.connect(iir(context, row)); }
      last.connect(context.destination);
      source.start();
      const made = await context.startRendering();
      return Array.from({ length: made.numberOfChannels }, (_, k) => made.getChannelData(k));
    };
    let peak = 0;
    for (const one of await render(false)) for (const value of one) peak = Math.max(peak, Math.abs(value));
    return { lufs: loudness(await render(true), data.rate), peak: 20 * Math.log10(peak) };
  }

  /** Gains [dB] that bring all versions to one loudness, none above the highest peak allowed. */
  async function gains(buffer) {
    const found = {};
    for (const [key, version] of Object.entries(versions)) found[key] = await measure(buffer, version);
    if (Object.values(found).some((one) => one.lufs === null)) return null;
    const target = Math.min(TARGET_LUFS, ...Object.values(found).map((one) => one.lufs - one.peak + MOST_PEAK_DB));
    return Object.fromEntries(Object.entries(found).map(([key, one]) => [key, target - one.lufs]));
  }

  /** Ten seconds of pink noise whose end meets its beginning; the same each time. */
  function noise() {
    const join = 480;
    const length = 10 * data.rate;
    let state = 0x2f6e2b1;
    const made = Float64Array.from({ length: length + join }, () => {
      state ^= state << 13;
      state ^= state >>> 17;
      state ^= state << 5;
      return state / 2 ** 31;
    });
    for (const [b0, b1, , , a1] of data.pink) {
      let before = 0;
      let out = 0;
      for (let i = 0; i < made.length; i += 1) {
        out = b0 * made[i] + b1 * before - a1 * out;
        before = made[i];
        made[i] = out;
      }
    }
    for (let i = 0; i < join; i += 1) made[i] = Math.sqrt(i / join) * made[i] + Math.sqrt(1 - i / join) * made[length + i];
    const highest = made.reduce((most, one) => Math.max(most, Math.abs(one)), 0);
    const buffer = new AudioBuffer({ length, numberOfChannels: 1, sampleRate: data.rate });
    buffer.copyToChannel(Float32Array.from(made.subarray(0, length), (one) => (0.25 * one) / highest), 0);
    return buffer;
  }

  globalThis.earwitnessPlayer = { data, versions, through, loudness, gains, noise };

  // The page's part ------------------------------------------------------------------------------------------------

  const find = (selector) => player.querySelector(selector);
  const told = find("output");
  const buttons = [...player.querySelectorAll("[data-version]")];
  let context = null;
  let master = null;
  let sound = null;
  let levels = null;
  let parts = null;
  let heard = "asis";
  const volume = () => 10 ** (Number(find("[type=range]").value) / 20);
  const mark = () => buttons.forEach((one) => one.setAttribute("aria-pressed", String(one.dataset.version === heard)));

  function stop() {
    parts?.source.stop();
    parts = null;
    find("[data-act=play]").textContent = "Play";
  }

  async function play() {
    if (parts) {
      stop();
      return;
    }
    find("[data-act=play]").disabled = true;
    try {
      context ??= new AudioContext({ sampleRate: data.rate });
      sound ??= noise();
      if (!levels) {
        told.textContent = "Matching the loudness …";
        levels = await gains(sound);
      }
      if (!levels) {
        told.textContent = "This file is too short or too quiet to match the loudness of.";
        return;
      }
      await context.resume();
      master = new GainNode(context, { gain: 0 });
      master.connect(context.destination);
      const source = new AudioBufferSourceNode(context, { buffer: sound, loop: true });
      const open = {};
      for (const [key, version] of Object.entries(versions)) {
        open[key] = new GainNode(context, { gain: key === heard ? 1 : 0 });
        through(context, source, version).connect(new GainNode(context, { gain: 10 ** (levels[key] / 20) })).connect(open[key]).connect(master);
      }
      const at = context.currentTime + 0.05;
      source.start(at);
      master.gain.setValueCurveAtTime(fade(0, volume()), at, RISE_S);
      parts = { source, open };
      find("[data-act=play]").textContent = "Stop";
      told.textContent = "All versions have the same loudness.";
    } finally {
      find("[data-act=play]").disabled = false;
    }
  }

  function hear(key) {
    if (parts && key !== heard) {
      for (const [name, { gain }] of Object.entries(parts.open)) {
        const [from, to] = [name === heard ? 1 : 0, name === key ? 1 : 0];
        gain.cancelScheduledValues(0);
        if (from === to) gain.setValueAtTime(to, context.currentTime);
        else gain.setValueCurveAtTime(fade(from, to), context.currentTime, FADE_S);
      }
    }
    heard = key;
    mark();
  }

  async function take(file) {
    stop();
    levels = null;
    if (!file) {
      sound = null;
      return;
    }
    try {
      context ??= new AudioContext({ sampleRate: data.rate });
      sound = await context.decodeAudioData(await file.arrayBuffer());
      told.textContent = `${file.name} is ready; it stays on this device.`;
    } catch {
      sound = null;
      told.textContent = `${file.name} cannot be read as sound here; the noise plays instead.`;
    }
  }

  buttons.forEach((one) => (one.onclick = () => hear(one.dataset.version)));
  find("[data-act=play]").onclick = play;
  find("[type=file]").onchange = (e) => take(e.target.files[0]);
  find("[type=range]").oninput = () => {
    find("[data-told=volume]").textContent = `${Number(find("[type=range]").value)} dB`.replace("-", "−");
    if (!parts) return;
    master.gain.cancelScheduledValues(0);
    master.gain.setTargetAtTime(volume(), context.currentTime, 0.02);
  };
  mark();
  document.getElementById("hear-without").hidden = true;
  player.hidden = false;
})();
