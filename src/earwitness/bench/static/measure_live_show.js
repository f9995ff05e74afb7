// What live measuring shows: the map of angles, the list of takes, meters, verdicts. Nothing here asks the server.
import { make } from "./bench.js";

const SVG = "http://www.w3.org/2000/svg";
export const svg = (tag, attributes, ...children) => {
  const made = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...children);
  return made;
};

const WORDS = { open: "open", kept: "recorded", found: "a file was there" };
export function stateWords(take) {
  const words = take.state === "kept" && !take.good ? "kept with a fault" : WORDS[take.state];
  return take.spoiled ? `${words}; ${take.spoiled} not kept` : words;
}

export const degrees = (angle) => `${angle < 0 ? "−" : ""}${Math.abs(angle)}°`;
export function placeWords(take) {
  return take.angle_deg === null ? take.kind : `${take.orbit} ${degrees(take.angle_deg)}`;
}

const look = (take, now) => (take.id === now ? "now" : take.state === "open" ? "open" : take.good ? "kept" : "faulty");

/** One picture for each orbit: 0 degrees up, the angle to the right; recorded ones are filled. */
export function maps(takes, now) {
  const orbits = [...new Set(takes.map((one) => one.orbit).filter(Boolean))];
  return orbits.map((orbit) => {
    const own = takes.filter((one) => one.orbit === orbit);
    const done = own.filter((one) => one.state !== "open").length;
    const radius = 84, size = Math.min(7, (Math.PI * radius) / Math.max(own.length, 1) - 1);
    const dots = own.map((one) => {
      const turn = (one.angle_deg * Math.PI) / 180;
      const [x, y] = [112 + radius * Math.sin(turn), 112 - radius * Math.cos(turn)];
      const title = svg("title", {}, `${degrees(one.angle_deg)}: ${stateWords(one)}`);
      const kind = look(one, now);
      if (kind === "faulty") return svg("rect", { x: x - size, y: y - size, width: 2 * size, height: 2 * size, class: "dot faulty" }, title);
      return svg("circle", { cx: x, cy: y, r: kind === "now" ? size + 2 : size, class: `dot ${kind}` }, title);
    });
    const names = [0, 90, 180, -90].map((angle) => {
      const turn = (angle * Math.PI) / 180;
      return svg("text", { x: 112 + 56 * Math.sin(turn), y: 116 - 56 * Math.cos(turn), "text-anchor": "middle" }, degrees(angle));
    });
    const words = `${orbit} orbit: ${done} of ${own.length} angles are there`;
    return make(
      "figure",
      {},
      svg(
        "svg",
        { viewBox: "0 0 224 224", role: "img", "aria-label": words },
        svg("circle", { cx: 112, cy: 112, r: radius, class: "orbit" }),
        ...names,
        ...dots,
      ),
      make("figcaption", {}, words),
    );
  });
}

/** Rows of the list. act(take) is what the button beside a take does. */
export function rows(takes, now, isBusy, act) {
  return takes.map((one) => {
    const open = one.state === "open";
    const words = open ? "Record" : "Repeat";
    const button = make("button", {
      type: "button",
      class: "quiet",
      disabled: isBusy,
      "data-take": one.id,
      "aria-label": `${words} take ${one.id}`,
      onclick: () => act(one),
    }, words);
    return make(
      "tr",
      { class: look(one, now) },
      make("th", { scope: "row" }, one.id),
      make("td", {}, placeWords(one)),
      make("td", {}, one.id === now ? "now" : stateWords(one)),
      make("td", {}, one.sentence, one.numbers ? make("span", { class: "numbers" }, one.numbers) : null),
      make("td", {}, button),
    );
  });
}

const FLOOR_DB = -80;
const share = (level) => Math.min(Math.max((level - FLOOR_DB) / -FLOOR_DB, 0), 1);
const db = (level) => (level <= -200 ? "silence" : `${level.toFixed(1).replace("-", "−")} dB`);

/** Meters of the channels that are recorded, into `box`; made once and moved afterward. */
export function showMeters(box, meter, names) {
  const count = meter ? meter.peak_dbfs.length : 0;
  if (box.children.length !== count) {
    box.replaceChildren(
      ...Array.from({ length: count }, (_, k) =>
        make(
          "div",
          { class: "meter" },
          make("span", { class: "meter-name", id: `meter-name-${k}` }, names(k + 1)),
          svg(
            "svg",
            {
              viewBox: "0 0 200 12",
              preserveAspectRatio: "none",
              role: "meter",
              "aria-labelledby": `meter-name-${k}`,
              "aria-valuemin": FLOOR_DB,
              "aria-valuemax": 0,
              "aria-valuenow": FLOOR_DB,
            },
            svg("rect", { x: 0, y: 0, width: 200, height: 12, class: "bed" }),
            svg("rect", { x: 0, y: 2, width: 0, height: 8, class: "rms" }),
            svg("rect", { x: 0, y: 0, width: 2, height: 12, class: "peak" }),
          ),
          make("span", { class: "meter-words" }),
        )),
    );
  }
  for (let k = 0; k < count; k += 1) {
    const [picture, words] = [box.children[k].children[1], box.children[k].children[2]];
    const [peak, rms] = [meter.peak_dbfs[k], meter.rms_dbfs[k]];
    picture.children[1].setAttribute("width", 200 * share(rms));
    picture.children[2].setAttribute("x", 198 * share(peak));
    const told = `peak ${db(peak)}, rms ${db(rms)}${meter.clipped[k] ? ", CLIPPED" : ""}`;
    picture.setAttribute("aria-valuenow", Math.max(peak, FLOOR_DB).toFixed(0));
    picture.setAttribute("aria-valuetext", told);
    box.children[k].classList.toggle("clipped", meter.clipped[k]);
    words.textContent = told;
  }
}

export function verdict(one) {
  if (!one) return [];
  const kind = !one.keep ? "repeat" : one.doubts.length ? "check" : "keep";
  const lines = [one.numbers, one.background].filter(Boolean).map((words) => make("span", { class: "numbers" }, words));
  return [make("p", { class: `verdict ${kind}` }, make("strong", {}, `Take ${one.take}: `), one.sentence, ...lines)];
}

export function fault(record) {
  const parts = ["where", "expected", "remedy"].filter((name) => record[name]);
  return make(
    "div",
    { class: "error" },
    make("p", {}, make("strong", {}, record.what)),
    ...parts.map((name) => make("p", { class: "hint" }, `${name === "remedy" ? "to do" : name}: ${record[name]}`)),
  );
}

export function levelWords(level) {
  const numbers = level.microphone_db === null ? [] : [
    `${level.microphone_db.toFixed(1)} dB at the microphone, ${level.level_1m_db.toFixed(1)} dB at 1 m, ${level.ear_db.toFixed(1)} dB at your place; ${
      level.noise_db.toFixed(1)
    } dB of noise.`,
  ];
  if (level.peak_dbfs !== null) {
    numbers.push(
      `The sweep will have its peak at ${level.peak_dbfs} dB full scale. Measure the voltage at the terminals at this setting, and write it under [drive].`,
    );
  }
  return [make("p", {}, make("strong", {}, level.sentence)), ...numbers.map((line) => make("p", {}, line))];
}

export function calibratorWords(found) {
  if (!found.kept) return [fault({ what: "This is no steady tone of a calibrator; the recording is kept under spoiled/.", expected: found.faults.join(" ") })];
  return [
    make(
      "p",
      {},
      make("strong", {}, `${found.frequency_hz.toFixed(1)} Hz, steady within ${found.steady_db.toFixed(2)} dB. `),
      `${found.fs_per_pa.toPrecision(6)} of full scale for each pascal. In session.toml:`,
    ),
    make("pre", {}, found.lines.join("\n")),
  ];
}
