// The list of takes, made from the plan: orbits as patterns, near fields of the drivers, silence. What was written by
// hand stays.
import { make } from "./bench.js";

export const PLAN = { horizontal: true, vertical: false, distance_m: 1, near: [], gap_m: 0.005, quiet: false };
const MADE = /^(horizontal\/\{angle\}\.wav|vertical\/\{angle\}\.wav|near_[a-z0-9_-]+\.wav|quiet\.wav)$/;
const nameOf = (driver) => driver.toLowerCase().replace(/[^a-z0-9]+/g, "_").replace(/^_|_$/g, "") || "driver";

/** The takes of the plan, and behind them those of `there` that no plan made. */
export function takesOf(plan, there) {
  const orbits = ["horizontal", "vertical"].filter((orbit) => plan[orbit]);
  const made = [
    ...orbits.map((orbit) => ({ kind: "far-field", orbit, distance_m: plan.distance_m, files: `${orbit}/{angle}.wav` })),
    ...plan.near.map((driver) => ({ kind: "near-field", driver, distance_m: plan.gap_m, file: `near_${nameOf(driver)}.wav` })),
    ...(plan.quiet ? [{ kind: "noise floor", file: "quiet.wav" }] : []),
  ];
  return [...made, ...there.filter((one) => !MADE.test(one.files || one.file || ""))];
}

/** What a take is in a line. */
export const lineOf = (take) =>
  [
    take.kind || "no kind yet",
    take.orbit,
    take.driver,
    typeof take.angle_deg === "number" ? `${take.angle_deg}°` : null,
    take.drive_v ? `${take.drive_v} V` : null,
    take.files || take.file || "no file yet",
  ].filter(Boolean).join(", ");

/** The fields of the plan. change(act) : act(plan now) gives what is other;
    build() : make the list; number(text) : what is typed. */
export function planFields(plan, step, drivers, { change, step: stepped, build, number }) {
  const box = (id, words, isOn, act) =>
    make("label", { class: "check", for: id }, make("input", { type: "checkbox", id, checked: isOn, onchange: (e) => act(e.target.checked) }), ` ${words}`);
  const field = (id, words, value, act) =>
    make(
      "label",
      { class: "field", for: id },
      words,
      make("input", { id, inputmode: "decimal", autocomplete: "off", class: "short", value, oninput: (e) => act(number(e.target.value)) }),
    );
  const near = (driver) => (isOn) => change((now) => ({ near: isOn ? [...now.near, driver] : now.near.filter((one) => one !== driver) }));
  return make(
    "div",
    { class: "take-plan" },
    box("plan-horizontal", "Horizontal orbit", plan.horizontal, (on) => change(() => ({ horizontal: on }))),
    box("plan-vertical", "Vertical orbit", plan.vertical, (on) => change(() => ({ vertical: on }))),
    ...drivers.map((driver, k) => box(`plan-near-${k}`, `Near field: ${driver}`, plan.near.includes(driver), near(driver))),
    box("plan-quiet", "Noise floor", plan.quiet, (on) => change(() => ({ quiet: on }))),
    make(
      "div",
      { class: "fields" },
      field("plan-take-step", "Step of orbits, degrees", step, stepped),
      field("plan-take-distance", "Distance, m", plan.distance_m, (m) => change(() => ({ distance_m: m }))),
      field("plan-take-gap", "Gap of near fields, m", plan.gap_m, (m) => change(() => ({ gap_m: m }))),
    ),
    make("button", { type: "button", id: "make-takes", onclick: build }, "Make the list of takes"),
  );
}
