// A blind test: who plays, the letters, the helper's card, levels and the gains that match them.

import { ask, make, onKey, tell } from "./bench.js";

/** now(): the notes; change(act): alter them. Returns { show(value) }. */
export function blindTest(find, now, change) {
  const known = find("#deal-known");

  function addLoudspeaker(e) {
    e.preventDefault();
    const chosen = known.selectedOptions[0];
    const name = (chosen.dataset.name ?? find("#deal-name").value).trim();
    const maker = (chosen.dataset.maker ?? find("#deal-maker").value).trim();
    if (!name || !maker) {
      find(name ? "#deal-maker" : "#deal-name").focus();
      return;
    }
    change((next) => next.blind.loudspeakers.push({ name, maker }));
    find("#deal-name").value = find("#deal-maker").value = known.value = "";
    fitKnown();
    known.focus();
  }
  function fitKnown() {
    for (const id of ["#deal-name", "#deal-maker"]) find(id).disabled = Boolean(known.value);
  }

  async function deal() {
    try {
      const test = await ask("POST", "/api/listen/blind", { loudspeakers: now().blind.loudspeakers });
      change((next) => {
        Object.assign(next.blind, { number: test.number, promise: test.promise, letters: test.letters });
        next.letter = test.letters[0];
      });
    } catch (error) {
      tell(error);
    }
  }

  async function card() {
    try {
      const { lines } = await ask("GET", `/api/listen/blind/${now().blind.number}/card`);
      find("#card-lines pre").textContent = lines.join("\n");
      find("#card-lines").hidden = false;
      find("#card-close").focus();
    } catch (error) {
      tell(error);
    }
  }
  function hideCard() {
    find("#card-lines pre").textContent = "";
    find("#card-lines").hidden = true;
  }

  let asked = 0;
  function level(letter, field) {
    change((next) => (next.blind.levels_db[letter] = field.value), { wait: true, redraw: false });
    clearTimeout(asked);
    asked = setTimeout(gains, 300);
  }
  let turn = 0;
  async function gains() {
    const mine = ++turn;
    const { letters, levels_db: typed } = now().blind;
    const levels_db = {};
    for (const letter of letters) {
      const value = Number(String(typed[letter] ?? "").replace(",", "."));
      if (value >= 20 && value <= 130) levels_db[letter] = value;
    }
    if (Object.keys(levels_db).length !== letters.length) {
      change((next) => (next.blind.gains_db = {}), { wait: true, redraw: false });
      showGains();
      return;
    }
    try {
      const made = await ask("POST", "/api/listen/gains", { levels_db });
      // An answer that comes late says nothing of what is typed now.
      if (mine !== turn) return;
      change(
        (next) => {
          next.blind.gains_db = made.gains_db;
          next.setup.level_db = String(made.level_db);
        },
        { wait: true, redraw: false },
      );
      find("[data-field=level_db]").value = made.level_db;
      showGains();
    } catch (error) {
      tell(error);
    }
  }
  function showGains() {
    for (const line of document.querySelectorAll("[data-gain]")) {
      const gain = now().blind.gains_db[line.dataset.gain];
      line.textContent = gain === undefined ? "gain: enter all levels" : `gain: ${gain === 0 ? "0.0" : `−${Math.abs(gain).toFixed(1)}`} dB`;
    }
  }

  function show(value) {
    const { loudspeakers, number, promise, letters, levels_db } = value.blind;
    const isDealt = Boolean(number);
    find("#deal").hidden = isDealt;
    find("#dealt").hidden = !isDealt;
    find("#deal-letters").disabled = loudspeakers.length < 2;
    find("#deal-list").replaceChildren(
      ...loudspeakers.map((one, k) =>
        make(
          "li",
          {},
          `${one.maker} ${one.name}`,
          make("button", {
            type: "button",
            class: "quiet",
            "aria-label": `Remove ${one.maker} ${one.name}`,
            onclick: () => change((next) => next.blind.loudspeakers.splice(k, 1)),
          }, "Remove"),
        )
      ),
    );
    if (!loudspeakers.length) find("#deal-list").append(make("li", { class: "hint" }, "Nobody yet: add the loudspeakers that will play."));
    find("#dealt-number").textContent = number;
    find("#dealt-promise").textContent = promise;
    find("#levels").replaceChildren(
      ...letters.map((letter) => {
        const field = make("input", { inputmode: "decimal", value: levels_db[letter] ?? "" });
        field.oninput = () => level(letter, field);
        return make("label", { class: "cell" }, `${letter}, dB SPL`, field, make("span", { class: "hint", "data-gain": letter }));
      }),
    );
    showGains();
    find("#letters").hidden = !isDealt;
    find("#letters").replaceChildren(
      ...letters.map((letter, k) =>
        make(
          "button",
          { type: "button", role: "radio", "aria-checked": String(letter === value.letter), onclick: () => choose(letter) },
          letter,
          " ",
          make("kbd", {}, String(k + 1)),
        )
      ),
    );
    find("#listening").hidden = !isDealt;
    find("#sealing").hidden = !isDealt || value.sealed !== null;
  }
  const choose = (letter) => change((next) => (next.letter = letter));

  find("#deal-form").onsubmit = addLoudspeaker;
  find("#deal-letters").onclick = deal;
  find("#card").onclick = card;
  find("#card-close").onclick = hideCard;
  known.onchange = fitKnown;
  for (let k = 0; k < 8; k += 1) onKey(`${k + 1}`, `letter ${"ABCDEFGH"[k]} plays`, () => now().blind.letters[k] && choose(now().blind.letters[k]));
  return { show };
}
