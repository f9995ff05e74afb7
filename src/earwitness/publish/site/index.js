// The index of a site: search, sort, filters and comparison, without a server and without fetching.
"use strict";

(() => {
  const MOST = 4;
  const STEP = 100;
  const MATCH = [300, 3000];
  const PLACES = ["one", "two", "three", "four"];
  const DASHES = ["", "10 4", "2 3", "10 3 2 3"];
  // Names may be long and begin alike: a letter stands at the line's end and before the name in the table.
  const LETTERS = ["A", "B", "C", "D"];
  const NARROW_PX = 640;
  const SVG = "http://www.w3.org/2000/svg";
  const { columns, compared, hz, rows } = earwitnessSite;
  const [ADDRESS, TITLE, TYPE, PRICE, CURRENCY, DATE, INVENTED, FIGURES, MEASURED, CURVE, PHOTO] = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10];
  // What is better, where that is no matter of taste: 1 for more, -1 for less.
  const SENSE = { f6: -1, linearity_half_range: -1, highest_clean_level: 1 };
  const curves = new Map();
  const chosen = [];
  const state = { sort: "title", down: false, shown: STEP };
  const $ = (id) => document.getElementById(id);
  const texts = rows.map((r) => [r[TITLE], r[TYPE], r[DATE], r[INVENTED] ? "invented" : "", r[MEASURED]].join(" ").toLowerCase());
  const names = new Intl.Collator("en", { numeric: true });

  function element(tag, attributes = {}, ...inside) {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    made.append(...inside);
    return made;
  }

  function drawn(tag, attributes, text) {
    const made = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    if (text !== undefined) made.textContent = text;
    return made;
  }

  const place = { title: TITLE, type: TYPE, price: PRICE, date: DATE };

  function value(row, key) {
    return key in place ? row[place[key]] : (row[FIGURES][key] || [null])[0];
  }

  function asked() {
    const words = $("words").value.toLowerCase().split(/\s+/).filter(Boolean);
    const [type, currency] = [$("type").value, $("currency").value];
    const low = $("low").value === "" ? null : Number($("low").value);
    const high = $("high").value === "" ? null : Number($("high").value);
    const bass = $("bass").value === "" ? null : Number($("bass").value);
    const loud = $("loud").value === "" ? null : Number($("loud").value);
    const found = [];
    rows.forEach((row, at) => {
      if (bass !== null && !(value(row, "f6") !== null && value(row, "f6") <= bass)) return;
      if (loud !== null && !((value(row, "highest_clean_level") ?? 0) >= loud)) return;
      if (type && row[TYPE] !== type) return;
      if (currency && row[CURRENCY] !== currency) return;
      if ((low !== null || high !== null) && row[PRICE] === null) return;
      if ((low !== null && row[PRICE] < low) || (high !== null && row[PRICE] > high)) return;
      if (words.every((word) => texts[at].includes(word))) found.push(row);
    });
    const sign = state.down ? -1 : 1;
    const keyed = found.map((row) => [value(row, state.sort), row]);
    keyed.sort(([a, x], [b, y]) => {
      // What has no value comes last, whichever way.
      if (a === null || b === null) return Number(a === null) - Number(b === null) || names.compare(x[TITLE], y[TITLE]);
      const order = typeof a === "string" ? names.compare(a, b) : a - b;
      return sign * order || names.compare(x[TITLE], y[TITLE]);
    });
    return keyed.map(([, row]) => row);
  }

  function priceWords(row) {
    return row[PRICE] === null ? "not stated" : `${Math.round(row[PRICE]).toLocaleString("en")} ${row[CURRENCY]}`;
  }

  // A number so that decimal points stand under each other, and its uncertainty and unit.
  function parts(words) {
    const found = /^(at least |at most )?([−+]?\d[\d,]*)(\.\d+)?(.*)$/.exec(words);
    if (!found) return [element("small", {}, words)];
    const under = [found[1], found[4]].map((one) => (one ?? "").trim()).filter(Boolean).join(", ");
    return [element("span", { class: "whole" }, found[2]), element("span", { class: "part" }, found[3] ?? ""), " ", element("small", {}, under)];
  }

  function photo(row) {
    const src = `loudspeakers/${row[ADDRESS]}/photos/row.jpg`;
    return row[PHOTO] ? [element("img", { src, alt: row[PHOTO], height: 64, loading: "lazy" })] : [];
  }

  function tiny(row) {
    const cell = element("td", { role: "cell", class: "tiny" });
    if (!row[CURVE]) return cell;
    const svg = drawn("svg", { viewBox: "0 0 90 36", width: 90, height: 36, role: "img", "aria-label": "20 Hz to 20 kHz, +10 to −20 dB" });
    svg.append(drawn("path", { class: "mean", d: "M0 12H90" }), drawn("path", { d: row[CURVE] }));
    cell.append(svg);
    return cell;
  }

  function line(row) {
    const box = element("input", { type: "checkbox", "aria-label": `Compare ${row[TITLE]}` });
    box.checked = chosen.includes(row);
    box.disabled = !box.checked && chosen.length >= MOST;
    box.addEventListener("change", () => {
      if (box.checked) chosen.push(row);
      else chosen.splice(chosen.indexOf(row), 1);
      for (const other of document.querySelectorAll("#rows input")) {
        other.disabled = !other.checked && chosen.length >= MOST;
      }
      compare();
    });
    const link = element("a", { href: `loudspeakers/${row[ADDRESS]}/index.html` }, row[TITLE]);
    const figures = columns.map(([key, words]) => {
      const figure = row[FIGURES][key];
      return element("td", { role: "cell", class: "figure", "data-name": words }, ...parts(figure ? figure[5] : "not judged"));
    });
    return element(
      "tr",
      { role: "row" },
      element("td", { role: "cell", class: "pick" }, box),
      element("th", { scope: "row", role: "rowheader" }, ...photo(row), link, ...(row[MEASURED] ? [element("small", {}, row[MEASURED])] : [])),
      tiny(row),
      element("td", { role: "cell", "data-name": "Type" }, row[TYPE]),
      element("td", { role: "cell", class: "right", "data-name": "Pair" }, priceWords(row)),
      ...figures,
      element("td", { role: "cell", "data-name": "Measured" }, row[DATE]),
    );
  }

  function show() {
    const found = asked();
    const part = found.slice(0, state.shown);
    document.querySelector("#rows tbody").replaceChildren(...part.map(line));
    const words = [`${found.length.toLocaleString("en")} of ${rows.length.toLocaleString("en")} loudspeakers`];
    if (part.length < found.length) words.push(`${part.length} shown`);
    const priced = new Set(found.map((row) => row[CURRENCY]).filter(Boolean));
    const byPrice = state.sort === "price" || $("low").value !== "" || $("high").value !== "";
    if (byPrice && priced.size > 1) words.push("prices are in several currencies, choose one");
    $("told").textContent = words.join("; ");
    chosenWords();
    const more = $("more");
    more.hidden = part.length >= found.length;
    if (!more.hidden) {
      const button = element("button", { type: "button" }, `Show ${Math.min(STEP, found.length - part.length)} more`);
      button.addEventListener("click", () => {
        state.shown += STEP;
        show();
        const links = document.querySelectorAll("#rows tbody a");
        links[Math.min(part.length, links.length - 1)].focus();
      });
      more.replaceChildren(button);
    }
    for (const head of document.querySelectorAll("#rows th[data-sort]")) {
      if (head.dataset.sort === state.sort) head.setAttribute("aria-sort", state.down ? "descending" : "ascending");
      else head.removeAttribute("aria-sort");
    }
  }

  function heads() {
    for (const head of document.querySelectorAll("#rows th[data-sort]")) {
      const key = head.dataset.sort;
      const button = element("button", { type: "button" }, head.textContent);
      if (head.title) button.title = head.title;
      const column = columns.find(([name]) => name === key);
      button.addEventListener("click", () => {
        state.down = state.sort === key ? !state.down : Boolean(column && column[3]);
        state.sort = key;
        state.shown = STEP;
        show();
      });
      head.replaceChildren(button);
    }
  }

  // A difference counts when it is larger than both 95 % uncertainties combined.
  function isBeyond(a, b) {
    if (!a || !b) return false;
    const [low, high] = a[0] < b[0] ? [a, b] : [b, a];
    // A limit that may lie anywhere nearer to the other tells nothing.
    if (low[4] === "at least" || high[4] === "at most") return false;
    return high[0] - low[0] > Math.hypot(low[2] - low[0], high[0] - high[1]);
  }

  function table() {
    const head = element("tr", {}, element("th", { scope: "col" }, "Figure"));
    chosen.forEach((row, at) => head.append(element("th", { scope: "col", class: PLACES[at] }, `${LETTERS[at]}: ${row[TITLE]}`)));
    const body = columns.map(([key, words, term]) => {
      const line = element("tr", {}, element("th", { scope: "row" }, `${words} (${term})`));
      const first = chosen[0][FIGURES][key];
      chosen.forEach((row, at) => {
        const own = row[FIGURES][key];
        const cell = element("td", {}, own ? own[5] : "not judged");
        if (at > 0 && isBeyond(first, own)) {
          cell.className = "beyond";
          cell.append(" ≠");
          const way = Math.sign(own[0] - first[0]), sense = way * (SENSE[key] ?? 0);
          const said = sense ? `, ${sense > 0 ? "better" : "worse"}` : "";
          cell.append(element("span", { class: "words" }, ` ${way > 0 ? "higher" : "lower"}${said}`));
        }
        line.append(cell);
      });
      return line;
    });
    const price = element("tr", {}, element("th", { scope: "row" }, "Price of a pair"));
    chosen.forEach((row) => price.append(element("td", {}, priceWords(row))));
    const made = element("table", {}, element("thead", {}, head), element("tbody", {}, price, ...body));
    const note = "≠ marks what differs from the first loudspeaker by more than both uncertainties combined.";
    const around = { class: "table-scroll", role: "region", "aria-label": "Figures beside each other", tabindex: "0" };
    return [element("div", around, made), element("p", {}, note)];
  }

  function mean(values) {
    const inside = values.filter((v, at) => v !== null && hz[at] >= MATCH[0] && hz[at] <= MATCH[1]);
    const wanted = hz.filter((f) => f >= MATCH[0] && f <= MATCH[1]).length;
    return inside.length === wanted ? inside.reduce((a, b) => a + b, 0) / inside.length : null;
  }

  function series(key, isMatched) {
    return chosen.map((row) => {
      const found = (curves.get(row[ADDRESS]) || {})[key];
      if (!found) return null;
      const level = isMatched ? mean(found[0]) : 0;
      return level === null ? null : { values: found[0].map((v) => (v === null ? null : v - level)), u: found[1] };
    });
  }

  // Names at the ends of lines: a line of type apart, none below `bottom`.
  function spread(ends, bottom) {
    ends.sort((a, b) => a.at - b.at);
    ends.forEach((one, k) => {
      if (k > 0) one.at = Math.max(one.at, ends[k - 1].at + 14);
    });
    for (let k = ends.length - 1, most = bottom; k >= 0; k -= 1, most -= 14) {
      ends[k].at = Math.min(ends[k].at, most);
      ends[k].label.setAttribute("y", ends[k].at);
    }
  }

  // Level over log frequency: a decade is as long as 25 dB is high (IEC 60263).
  function chart(title, lines, low, high) {
    const isNarrow = document.documentElement.clientWidth < NARROW_PX;
    const [left, top, decade, beside] = isNarrow ? [34, 26, 88, 32] : [44, 26, 260, 200];
    const width = 3 * decade;
    const height = ((high - low) * decade) / 25;
    const x = (f) => left + decade * Math.log10(f / 20);
    const y = (v) => top + ((high - v) * decade) / 25;
    const svg = drawn("svg", { viewBox: `0 0 ${left + width + beside} ${top + height + 30}`, role: "img" });
    svg.setAttribute("aria-label", `${title}: ${lines.map((one) => one.name).join(", ")}`);
    for (const f of [20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000]) {
      svg.append(drawn("line", { class: "grid", x1: x(f), x2: x(f), y1: top, y2: top + height }));
      const words = f >= 1000 ? `${f / 1000}k` : `${f}`;
      svg.append(drawn("text", { x: x(f), y: top + height + 16, "text-anchor": "middle" }, words));
    }
    for (let v = low; v <= high; v += 5) {
      svg.append(drawn("line", { class: "grid", x1: left, x2: left + width, y1: y(v), y2: y(v) }));
      svg.append(drawn("text", { x: left - 6, y: y(v) + 4, "text-anchor": "end" }, String(v).replace("-", "−")));
    }
    svg.append(drawn("text", { x: left - 6, y: top - 12, "text-anchor": "end" }, "dB"));
    svg.append(drawn("text", { x: left + width + 14, y: top + height + 16 }, "Hz"));
    const ends = [];
    for (const { name, letter, place, values, u } of lines) {
      const group = drawn("g", { class: PLACES[place] });
      const clip = (v) => Math.min(Math.max(v, low), high);
      const points = values.map((v, at) => (v === null ? null : [hz[at], v, u ? u[at] : 0])).filter(Boolean);
      if (!points.length) continue;
      if (u) {
        const up = points.map(([f, v, e]) => `${x(f)},${y(clip(v + e))}`);
        const back = points.map(([f, v, e]) => `${x(f)},${y(clip(v - e))}`).reverse();
        group.append(drawn("polygon", { class: "ribbon", points: [...up, ...back].join(" ") }));
      }
      const path = points.map(([f, v]) => `${x(f).toFixed(1)},${y(clip(v)).toFixed(1)}`).join(" ");
      group.append(drawn("polyline", { class: "curve", points: path, "stroke-dasharray": DASHES[place] }));
      const words = isNarrow ? letter : `${letter} ${name}`.trim();
      const label = drawn("text", { class: "name", x: left + width + 6 }, words);
      ends.push({ label, at: y(clip(points[points.length - 1][1])) + 4 });
      group.append(label);
      svg.append(group);
    }
    spread(ends, top + height);
    return element("figure", {}, element("figcaption", {}, title), svg);
  }

  function short(title) {
    return title.length > 22 ? `${title.slice(0, 21)}…` : title;
  }

  function charts() {
    const made = [];
    const band = `level-matched from ${MATCH[0]} Hz to ${MATCH[1] / 1000} kHz`;
    compared.forEach(([key, words], at) => {
      const isMatched = at === 0;
      const found = series(key, isMatched);
      const lines = found
        .map((one, place) =>
          one && {
            name: short(chosen[place][TITLE]),
            letter: LETTERS[place],
            place,
            values: one.values,
          }
        )
        .filter(Boolean);
      if (!lines.length) return;
      made.push(chart(isMatched ? `${words}, ${band}` : words, lines, isMatched ? -25 : -5, isMatched ? 10 : 15));
      if (isMatched && chosen.length === 2 && found[0] && found[1]) {
        const [a, b] = found;
        const values = a.values.map((v, i) => (v === null || b.values[i] === null ? null : v - b.values[i]));
        const u = a.u.map((v, i) => (v === null || b.u[i] === null ? 0 : Math.hypot(v, b.u[i])));
        const name = "difference";
        const told = `${chosen[0][TITLE]} less ${chosen[1][TITLE]}, ${band}; the ribbon is the 95 % uncertainty of both`;
        made.push(chart(told, [{ name, letter: "", place: 0, values, u }], -10, 10));
      }
    });
    return made;
  }

  function chosenWords() {
    document.getElementById("chosen")?.remove();
    if (chosen.length > 1) $("told").append(element("a", { id: "chosen", href: "#compare" }, ` Compare the ${chosen.length} chosen below`));
  }

  function compare() {
    chosenWords();
    const section = $("compare");
    section.hidden = chosen.length === 0;
    if (section.hidden) return;
    if (chosen.length === 1) {
      $("compared").replaceChildren(element("p", {}, `${chosen[0][TITLE]}: choose up to three more to set beside it.`));
      return;
    }
    $("compared").replaceChildren(...table(), ...charts());
    for (const row of chosen) {
      if (!curves.has(row[ADDRESS])) {
        curves.set(row[ADDRESS], {});
        const script = element("script", { src: `loudspeakers/${row[ADDRESS]}/compare.js` });
        document.head.append(script);
      }
    }
  }

  // Called by the scripts that hold one loudspeaker's curves each.
  window.earwitnessCurves = ({ address, curves: found }) => {
    curves.set(address, found);
    if (chosen.some((row) => row[ADDRESS] === address)) $("compared").replaceChildren(...table(), ...charts());
  };

  heads();
  const form = $("ask");
  form.hidden = false;
  const again = () => {
    state.shown = STEP;
    show();
  };
  form.addEventListener("input", again);
  form.addEventListener("reset", () => setTimeout(again));
  form.addEventListener("submit", (event) => event.preventDefault());
  show();
})();
