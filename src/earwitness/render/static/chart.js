/* Charts read by pointer and keys, curves redrawn. A classic script, no imports: it works linked, pasted into a page,
   and from file://, where browsers refuse module files. Sets globalThis.earwitnessCharts = {attach(figure),
   update(figure, curveKey, values, u)}; values stand on `hz` of the figure's JSON, null for none; u, their uncertainty
   with k = 2 where it changed too. */
(() => {
  "use strict";
  const live = new WeakMap();
  const words = (hz) => (hz < 1000 ? `${+hz.toPrecision(3)} Hz` : `${+(hz / 1000).toPrecision(3)} kHz`);
  const moment = (ms) => `${+ms.toPrecision(3)} ms`;
  // As it is printed, without a zero below zero.
  const told = (v, decimals) => (+v.toFixed(decimals) + 0).toFixed(decimals).replace("-", "\u2212");
  const piece = (tag, className, textContent) => Object.assign(document.createElement(tag), { className, textContent });

  function scales(svg, panel) {
    const plot = panel.querySelector(".plot"), [left, top, width, height] = ["x", "y", "width", "height"].map((side) => +plot.getAttribute(side));
    const { axis } = svg.dataset, { low, high } = panel.dataset, lowHz = +svg.dataset.lowHz, highHz = +svg.dataset.highHz;
    const linear = axis === "time", share = (hz) => (linear ? (hz - lowHz) / (highHz - lowHz) : Math.log(hz / lowHz) / Math.log(highHz / lowHz));
    return {
      left, top, width, height,
      x: (hz) => left + width * share(hz),
      y: (v) => top + height * Math.min(11, Math.max(-10, (high - v) / (high - low))),
      hz: (x) => (linear ? lowHz + ((highHz - lowHz) * (x - left)) / width : lowHz * (highHz / lowHz) ** ((x - left) / width)),
    };
  }

  function attach(figure) {
    const json = figure.querySelector("script[type='application/json']"), beside = globalThis.earwitnessNumbers?.[figure.id];
    if (!(json || beside) || live.has(figure)) return;
    const data = beside ?? JSON.parse(json.textContent), { hz, curves } = data, last = hz.length - 1;
    const line = figure.querySelector(".readout"), drawings = figure.querySelectorAll("svg.chart");
    const nearest = (f) => hz.reduce((best, g, k) => (Math.abs(Math.log(g / f)) < Math.abs(Math.log(hz[best] / f)) ? k : best), 0);
    const inTime = [...drawings].some((svg) => svg.dataset.axis === "time");
    let at = inTime ? 0 : nearest(1000);
    const say = (pieces) => line.replaceChildren(...pieces);
    const reading = (c) => {
      const v = c.values[at];
      return `${c.label} ${v === null ? "no value" : `${told(v, c.decimals)} ${c.unit}`}${v === null || +c.valid[at] ? "" : " (not valid)"}`;
    };
    const cursors = (d) => drawings.forEach((svg) => svg.querySelectorAll(".cursor").forEach((path) => path.setAttribute("d", d(scales(svg, path.parentNode)))));
    const hide = () => (say([piece("span", "hint", line.dataset.hint)]), cursors(() => ""));
    function show(k) {
      at = Math.max(0, Math.min(last, k));
      const pieces = [piece("b", "", (inTime ? moment : words)(hz[at])), ...curves.map((c) => piece("span", c.role, reading(c)))];
      say(pieces);
      line.setAttribute("aria-valuenow", Math.round(hz[at]));
      line.setAttribute("aria-valuetext", pieces.map((p) => p.textContent).join(", "));
      cursors((s) => `M${s.x(hz[at]).toFixed(1)} ${s.top}v${s.height}`);
    }
    const role = { role: "slider", tabindex: 0, "aria-valuemin": Math.round(hz[0]), "aria-valuemax": Math.round(hz[last]) };
    for (const name in role) line.setAttribute(name, role[name]);
    drawings.forEach((svg) => {
      const leave = () => document.activeElement !== line && hide();
      svg.onpointermove = svg.onpointerdown = (e) => {
        const r = svg.getBoundingClientRect(), s = scales(svg, svg.querySelector(".panel"));
        const x = ((e.clientX - r.left) * svg.viewBox.baseVal.width) / r.width;
        x >= s.left && x <= s.left + s.width ? show(nearest(s.hz(x))) : leave();
      };
      svg.onpointerleave = leave;
    });
    line.onfocus = () => show(at);
    line.onblur = hide;
    line.onkeydown = (e) => {
      const way = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 12, PageDown: -12 }[e.key];
      const aim = e.shiftKey ? at : nearest(hz[at] * 2 ** (way / 12));
      if (e.key === "Escape") hide();
      else if (e.key === "Home") show(0);
      else if (e.key === "End") show(last);
      else if (way) show(aim === at ? at + Math.sign(way) : aim);
      else return;
      e.preventDefault();
    };
    const table = figure.querySelector(":scope > details");
    const count = () => table?.open && curves.forEach((c, k) => c.isMoved && renumber(table, hz, c, k + 1));
    table?.addEventListener("toggle", count);
    live.set(figure, { data, again: () => (count(), line.querySelector("b") && show(at)) });
    show(at);
    hide();
  }

  /** The column of a redrawn curve in the table of numbers, whose rows stand at frequencies of their own: linear between
      neighbors over the logarithm of frequency, as the table was made. */
  function renumber(table, hz, { values, valid, moved, decimals }, column) {
    for (const row of table.querySelectorAll("tbody tr")) {
      const cell = row.cells[column], [, number, unit] = /([\d.]+)\s(\S+)/.exec(row.cells[0].textContent);
      cell.dataset.u ??= /\u00b1\s*(\S+)/.exec(cell.textContent)?.[1] ?? "";
      const f = +number * (unit === "kHz" ? 1000 : 1), k = Math.max(1, hz.findIndex((g) => g >= f));
      const share = Math.log(f / hz[k - 1]) / Math.log(hz[k] / hz[k - 1]), between = (list) => list[k - 1] + share * (list[k] - list[k - 1]);
      const isThere = f >= hz[0] && f <= hz[hz.length - 1] && [k - 1, k].every((n) => values[n] !== null && +valid[n]);
      const u = moved ? told(Math.max(between(moved), 10 ** -decimals), decimals) : cell.dataset.u;
      cell.textContent = isThere ? `${told(between(values), decimals)}${u ? ` \u00b1 ${u}` : ""}` : "not valid";
    }
  }

  function runs(n, there) {
    const found = [];
    for (let k = 0; k < n; k++) if (there(k)) k && there(k - 1) ? found.at(-1)[1]++ : found.push([k, k + 1]);
    return found;
  }

  function redraw(svg, curve, hz) {
    const panel = svg.querySelectorAll(".panel")[curve.panel], s = scales(svg, panel), n = hz.length, { values, valid, u } = curve;
    const there = (k) => k >= 0 && k < n && values[k] !== null, good = (k) => there(k) && +valid[k];
    const line = ([a, b], sign = 0) => Array.from({ length: b - a }, (_, k) => `${s.x(hz[a + k]).toFixed(1)} ${s.y(values[a + k] + (sign && sign * u[a + k])).toFixed(1)}`);
    const full = runs(n, good), pale = runs(n, (k) => there(k) && !good(k)).map(([a, b]) => [a - there(a - 1), b + there(b)]);
    const path = (stretches) => stretches.map((run) => "M" + line(run).join("L")).join("");
    const shape = {
      ribbon: () => full.map((run) => `M${[...line(run, 1), ...line(run, -1).reverse()].join("L")}Z`).join(""),
      outside: () => path(pale),
      leader: (old) => {
        const [x, y] = line(full.at(-1) || pale.at(-1)).at(-1).split(" "), held = Math.min(s.top + s.height, Math.max(s.top, y));
        return `M${x} ${held}L${s.left + s.width + 4} ${held}L${old.split("L")[2]}`;
      },
      trace: () => path(full),
      edge: () => path(full),
      halo: () => path(full),
    };
    for (const el of panel.querySelectorAll("[data-curve]")) {
      if (el.dataset.curve !== curve.key) continue;
      const kind = Object.keys(shape).find((name) => el.classList.contains(name)), isThere = full.length + pale.length > 0;
      el.style.visibility = isThere ? "" : "hidden";
      if (isThere) el.setAttribute("d", shape[kind](el.getAttribute("d")));
    }
  }

  function update(figure, curveKey, values, u) {
    attach(figure);
    const { data, again } = live.get(figure);
    for (const curve of data.curves.filter((c) => c.key === curveKey)) {
      curve.printed ??= curve.u;
      Object.assign(curve, { values, moved: u, isMoved: true, u: u && curve.printed.length ? u : curve.printed });
      figure.querySelectorAll("svg.chart").forEach((svg) => redraw(svg, curve, data.hz));
    }
    again();
  }

  globalThis.earwitnessCharts = { attach, update };
  const start = () => document.querySelectorAll("figure.chart").forEach(attach);
  document.readyState === "loading" ? document.addEventListener("DOMContentLoaded", start) : start();
})();
