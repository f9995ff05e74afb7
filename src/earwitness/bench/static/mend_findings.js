// The findings of a loudspeaker beside its equalizer: what each is, and what can be done about it.
import { make } from "./bench.js";

/** facts : of the page; acts : { against(finding), tryAim(orbit, angle) }. */
export function paintFindings(facts, acts) {
  document.getElementById("mend-findings").replaceChildren(
    ...facts.findings.map((one) =>
      make(
        "li",
        { class: one.mendable ? "mendable" : "" },
        make("span", { class: "badge" }, String(one.key)),
        make(
          "span",
          { class: "what" },
          make("strong", {}, one.title),
          make("span", { class: "hint" }, ` ${one.size}, ${one.where}`),
          ...(one.aim ? [make("span", { class: "said" }, ` ${one.aim.sentence}`)] : []),
          ...one.heard.map((words) => make("span", { class: "said heard-in-trials" }, ` ${words}`)),
        ),
        findingAct(one, facts.id, acts),
      )
    ),
  );
  if (!facts.findings.length) document.getElementById("mend-findings").replaceChildren(make("li", {}, "Nothing stands out from the trend of the curves."));
}
function findingAct(one, id, acts) {
  if (!one.q) return findingRemedy(one, acts);
  const asked = new URLSearchParams({ kind: "threshold", finding: one.key });
  return make(
    "span",
    { class: "acts" },
    findingRemedy(one, acts),
    " ",
    make("a", { href: `/listen/${id}/trials?${asked}`, "aria-label": `Hear how small it may be: finding ${one.key}` }, "Hear how small it may be"),
  );
}
function findingRemedy(one, acts) {
  if (one.mendable && one.q) return make("button", { type: "button", onclick: () => acts.against(one) }, "Set a band against it");
  if (one.aim?.angle_deg) return make("button", { type: "button", onclick: () => acts.tryAim(one.aim.orbit, one.aim.angle_deg) }, `Try ${one.aim.words}`);
  if (one.aim) return make("a", { href: "#aim-title" }, "Every aim");
  return make("span", { class: "hint" }, one.mendable ? "can be mended" : "cannot be mended by an equalizer");
}
