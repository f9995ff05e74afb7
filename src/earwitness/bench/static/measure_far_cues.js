// Cues for the room: two quiet tones, or words by a voice of this computer. None may be on a recording: a cue begins only
// where a take is not near, and ends at once where one begins.

const TONES = { kept: [660, 880], again: [330, 262] };
const TONE_S = 0.14, GAIN = 0.05;
let kind = "off", context = null, voice = null, ending = 0;

export const cueKind = () => kind;

/** Choose "off", "tones" or "speech"; resolves to what it will be, in words. */
export async function setCues(wanted) {
  hush();
  kind = wanted;
  if (kind === "tones") {
    context ??= new AudioContext();
    await context.resume();
    return "Two quiet tones: rising for kept, falling for again. They sound between takes only; turn the computer's own loudspeaker on, not the one under test.";
  }
  if (kind === "speech") {
    voice = (globalThis.speechSynthesis?.getVoices() ?? []).find((one) => one.localService) ?? null;
    if (!voice) {
      kind = "off";
      return "This browser has no voice of its own on this computer: nothing is spoken. Choose quiet tones.";
    }
    return `Spoken by ${voice.name}, on this computer, between takes only.`;
  }
  return "No cues.";
}

/** Sound a cue of this kind, "kept" or "again"; `words` where it is spoken. Anything under way ends first. */
export function cue(what, words) {
  hush();
  if (kind === "tones" && context) tones(TONES[what]);
  if (kind === "speech" && voice) {
    const spoken = new SpeechSynthesisUtterance(words);
    spoken.voice = voice;
    speechSynthesis.speak(spoken);
    document.dispatchEvent(new CustomEvent("cue", { detail: "begin" }));
    spoken.onend = () => document.dispatchEvent(new CustomEvent("cue", { detail: "end" }));
  }
}

let playing = [];
function tones(hz) {
  const now = context.currentTime;
  playing = hz.map((one, k) => {
    const [tone, gain] = [context.createOscillator(), context.createGain()];
    const at = now + k * TONE_S;
    tone.frequency.value = one;
    gain.gain.setValueAtTime(0, at);
    gain.gain.linearRampToValueAtTime(GAIN, at + 0.02);
    gain.gain.linearRampToValueAtTime(0, at + TONE_S);
    tone.connect(gain).connect(context.destination);
    tone.start(at);
    tone.stop(at + TONE_S);
    return { tone, gain };
  });
  document.dispatchEvent(new CustomEvent("cue", { detail: "begin" }));
  ending = setTimeout(() => document.dispatchEvent(new CustomEvent("cue", { detail: "end" })), 1000 * TONE_S * hz.length + 20);
}

/** End what sounds, at once. */
export function hush() {
  const was = playing.length || ending;
  clearTimeout(ending);
  ending = 0;
  for (const { tone, gain } of playing) {
    gain.disconnect();
    tone.disconnect();
  }
  playing = [];
  globalThis.speechSynthesis?.cancel();
  if (was) document.dispatchEvent(new CustomEvent("cue", { detail: "end" }));
}
