/* Charts read by pointer and keys, curves redrawn. Classic, as modules are refused from file://.
   Sets earwitnessCharts = {attach(figure),
   update(figure, curveKey, values, u)}; values stand on `hz` of the figure's JSON, null for none; u, their uncertainty
   with k = 2 where it changed too. */
(() => {
  "use strict";
  const live = new WeakMap();
  const drawn = (figure) => figure.querySelectorAll("svg.chart");
  const press = (button, isOn) => button.setAttribute("aria-pressed", String(isOn));
  const words = (hz) => (hz < 1000 ? `${+hz.toPrecision(3)} Hz` : `${+(hz / 1000).toPrecision(3)} kHz`);
  const moment = (ms) => `${+ms.toPrecision(3)} ms`;
  // As it is printed, without a zero below zero.
  const told = (v, decimals) => (+v.toFixed(decimals) + 0).toFixed(decimals).replace("-", "\u2212");
  const piece = (tag, className, textContent) => Object.assign(document.createElement(tag), { className, textContent });

  // isHome : as it was drawn, whatever is zoomed.
  function scales(svg, panel, isHome = false) {
    const plot = panel.querySelector(".plot"), [left, top, width, height] = ["x", "y", "width", "height"].map((side) => +plot.getAttribute(side));
    const { axis } = svg.dataset, of = (data, name) => +((isHome ? null : data[`zoom${name[0].toUpperCase()}${name.slice(1)}`]) ?? data[name]);
    const [low, high] = ["low", "high"].map((name) => of(panel.dataset, name)), [lowHz, highHz] = ["lowHz", "highHz"].map((name) => of(svg.dataset, name));
    const linear = axis === "time", share = (hz) => (linear ? (hz - lowHz) / (highHz - lowHz) : Math.log(hz / lowHz) / Math.log(highHz / lowHz));
    return {
      left,
      top,
      width,
      height,
      x: (hz) => left + width * share(hz),
      y: (v) => top + height * Math.min(11, Math.max(-10, (high - v) / (high - low))),
      value: (y) => high - ((high - low) * (y - top)) / height,
      hz: (x) => (linear ? lowHz + ((highHz - lowHz) * (x - left)) / width : lowHz * (highHz / lowHz) ** ((x - left) / width)),
    };
  }

  /** Numbers as numbers_script packs them. */
  function unpacked(id) {
    const { axes, figures } = globalThis.earwitnessNumbers ?? {}, packed = figures?.[id];
    const numbers = (steps, c, sum = 0) => steps.map((step) => (step === null ? null : (sum += step) / 10 ** (c.decimals + 1)));
    const whole = (c) => ({ ...c, values: numbers(c.values, c), u: numbers(c.u, c), valid: c.valid.map((n, k) => `${k % 2}`.repeat(n)).join("") });
    return packed && { hz: axes[packed.axis], curves: packed.curves.map(whole) };
  }

  function attach(figure) {
    const json = figure.querySelector("script[type='application/json']"), beside = unpacked(figure.id);
    if (!(json || beside) || live.has(figure)) return;
    const data = beside ?? JSON.parse(json.textContent), { hz, curves } = data, last = hz.length - 1;
    const line = figure.querySelector(".readout"), drawings = drawn(figure);
    const nearest = (f) => hz.reduce((best, g, k) => (Math.abs(Math.log(g / f)) < Math.abs(Math.log(hz[best] / f)) ? k : best), 0);
    const inTime = [...drawings].some((svg) => svg.dataset.axis === "time");
    let at = inTime ? 0 : nearest(1000);
    const facts = {
      ...data,
      line,
      nearest,
      more: () => [],
      pin: () => pin(at),
      at: () => hz[at],
      again: () => line.querySelector("b") && show(at),
      ...{ scales, redraw, piece, told, words },
    };
    const say = (pieces) => line.replaceChildren(...pieces);
    // The place of the pin; what is read elsewhere says how far it lies from there.
    let held = null;
    const apart = (c) => {
      if (held === null || held === at || [at, held].some((k) => c.values[k] === null)) return "";
      const d = c.values[at] - c.values[held];
      return `, ${d > 0 ? "+" : ""}${told(d, c.decimals)} from the pin`;
    };
    const reading = (c) => {
      const v = c.values[at];
      return `${c.label} ${v === null ? "no value" : `${told(v, c.decimals)} ${c.unit}`}${v === null || +c.valid[at] ? "" : " (not valid)"}${apart(c)}`;
    };
    const cursors = (d) =>
      drawings.forEach((svg) => svg.querySelectorAll(".cursor").forEach((path) => path.setAttribute("d", d(scales(svg, path.parentNode)))));
    const isShown = (c) => !c.isHidden;
    // Nothing below moves under the pointer.
    const hide = () => (line.style.minHeight = `${line.offsetHeight}px`, say([piece("span", "hint", line.dataset.hint)]), cursors(() => ""));
    function show(k) {
      at = Math.max(0, Math.min(last, k));
      const pieces = [
        piece("b", "", (inTime ? moment : words)(hz[at])),
        ...facts.more(),
        ...curves.filter(isShown).map((c) => piece("span", c.role, reading(c))),
      ];
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
      draggable(svg, (from, to) => zoom(figure, svg, from, to), (x) => pin(nearest(scales(svg, svg.querySelector(".panel")).hz(x))));
    });
    const pinned = piece("div", "pinned", "");
    pinned.hidden = true;
    line.after(pinned);
    function pin(k) {
      const old = at;
      held = null;
      at = Math.max(0, Math.min(last, k));
      const free = Object.assign(piece("button", "", "Unpin"), { type: "button", onclick: () => ((held = null), (pinned.hidden = true)) });
      pinned.replaceChildren(
        piece("b", "", `Pinned: ${(inTime ? moment : words)(hz[at])}`),
        ...curves.filter(isShown).map((c) => piece("span", c.role, reading(c))),
        free,
      );
      pinned.hidden = false;
      held = at;
      at = old;
    }
    if (figure.querySelector("svg.chart .curves")) tools(figure, facts);
    line.onfocus = () => show(at);
    line.onblur = hide;
    line.onkeydown = (e) => {
      const way = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 12, PageDown: -12 }[e.key];
      const aim = e.shiftKey ? at : nearest(hz[at] * 2 ** (way / 12));
      if (e.key === "Escape") hide();
      else if (e.key === "Enter") pin(at);
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

  /** A stretch drawn over a plot by pointer, in the units of the drawing; a click is no stretch. */
  function draggable(svg, onStretch, onClick) {
    let from = null, panel = null, box = null;
    const place = (e) => {
      const r = svg.getBoundingClientRect(), k = svg.viewBox.baseVal.width / r.width;
      return [(e.clientX - r.left) * k, (e.clientY - r.top) * k];
    };
    const inside = ([x, y], s) => x >= s.left && x <= s.left + s.width && y >= s.top && y <= s.top + s.height;
    svg.addEventListener("pointerdown", (e) => {
      if (e.button || e.target.closest("[data-of]")) return;
      from = place(e);
      panel = [...svg.querySelectorAll(".panel")].find((one) => inside(from, scales(svg, one)));
      if (!panel) from = null;
    });
    svg.addEventListener("pointermove", (e) => {
      if (!from) return;
      const [x, y] = place(e), s = scales(svg, panel), isHigh = Math.abs(y - from[1]) > s.height / 8;
      const held = (ends, low, length) => ends.sort((a, b) => a - b).map((v) => Math.max(low, Math.min(low + length, v)));
      const sides = [...held([x, from[0]], s.left, s.width), ...held(isHigh ? [y, from[1]] : [s.top, s.top + s.height], s.top, s.height)];
      if (!box && sides[1] - sides[0] < 6) return;
      box ??= panel.appendChild(document.createElementNS(panel.namespaceURI, "rect"));
      box.setAttribute("class", "stretch");
      Object.entries({ x: sides[0], y: sides[2], width: sides[1] - sides[0], height: sides[3] - sides[2] }).forEach(([name, value]) =>
        box.setAttribute(name, value)
      );
      box.sides = sides;
    });
    const end = (isDone) => (e) => {
      if (isDone && from) box && box.sides[1] - box.sides[0] > 12 ? onStretch(panel, box.sides) : box || onClick(place(e)[0]);
      box?.remove();
      from = panel = box = null;
    };
    for (const kind of ["up", "cancel", "leave"]) svg.addEventListener(`pointer${kind}`, end(kind === "up"));
  }

  function zoom(figure, svg, panel, [x0, x1, y0, y1]) {
    const s = scales(svg, panel), place = [...svg.querySelectorAll(".panel")].indexOf(panel);
    zoomTo(figure, [s.hz(x0), s.hz(x1)], place, [s.value(y1), s.value(y0)]);
  }

  /** Show a stretch of frequency in all panels and, where it is given, one of the values in one panel; null resets. */
  function zoomTo(figure, hz, place = null, values = null) {
    figure.classList.toggle("zoomed", hz !== null);
    for (const svg of drawn(figure)) {
      const set = (data, name, value) => (value === null ? delete data[name] : (data[name] = value));
      set(svg.dataset, "zoomLowHz", hz && hz[0]);
      set(svg.dataset, "zoomHighHz", hz && hz[1]);
      svg.querySelectorAll(".panel").forEach((panel, k) => {
        if (hz === null || k === place) ["zoomLow", "zoomHigh"].forEach((name, end) => set(panel.dataset, name, hz && values ? values[end] : null));
        move(svg, panel);
      });
    }
    const reset = figure.querySelector(".chart-tools [data-does=reset]");
    if (reset) reset.disabled = hz === null;
  }

  /** Everything drawn in a panel, moved from its home scale to the zoomed one, which is linear on the paper. */
  function move(svg, panel) {
    const home = scales(svg, panel, true), now = scales(svg, panel), isZoomed = svg.dataset.zoomLowHz !== undefined;
    const [a, b] = [now.x(home.hz(home.left)), now.x(home.hz(home.left + home.width))], kx = (b - a) / home.width, tx = a - kx * home.left;
    const [c, d] = [home.top, home.top + home.height].map((y) =>
      now.top + (now.height * (now.value(now.top) - home.value(y))) / (now.value(now.top) - now.value(now.top + now.height))
    );
    const ky = (d - c) / home.height, ty = c - ky * home.top, clip = panel.querySelector("clipPath")?.id;
    for (const group of panel.querySelectorAll(":scope > g")) {
      if (group.classList.contains("grid")) isZoomed ? group.setAttribute("clip-path", `url(#${clip})`) : group.removeAttribute("clip-path");
      for (const el of group.children) isZoomed ? el.setAttribute("transform", `matrix(${kx} 0 0 ${ky} ${tx} ${ty})`) : el.removeAttribute("transform");
    }
    const shift = (el, name, k, t, low, high) => {
      el.dataset.home ??= el.getAttribute(name);
      const v = isZoomed ? k * el.dataset.home + t : +el.dataset.home;
      el.setAttribute(name, v.toFixed(1));
      el.style.display = v < low - 1 || v > high + 1 ? "none" : "";
    };
    for (const el of panel.querySelectorAll(":scope > text.hz:not(.more)")) shift(el, "x", kx, tx, home.left, home.left + home.width);
    // The words of a tick stand 4 px below its line.
    for (const el of panel.querySelectorAll(":scope > text.tick:not([text-anchor=middle])")) {
      shift(el, "y", ky, ty + 4 - 4 * ky, home.top, home.top + home.height + 6);
    }
    panel.querySelectorAll("text.more").forEach((el) => el.remove());
    if (isZoomed && svg.dataset.axis !== "time") numbersMore(panel, now);
  }

  /** Numbers at every 1 to 9 of a decade where less than a decade is shown. */
  function numbersMore(panel, s) {
    const like = panel.querySelector(":scope > text.hz"), [low, high] = [s.hz(s.left), s.hz(s.left + s.width)];
    if (!like || high / low > 10) return;
    const there = [...panel.querySelectorAll(":scope > text.hz")].filter((el) => el.style.display !== "none").map((el) => +el.getAttribute("x"));
    for (let p = Math.floor(Math.log10(low)); p <= Math.log10(high); p++) {
      for (let digit = 1; digit < 10; digit++) {
        const hz = digit * 10 ** p, x = s.x(hz);
        if (hz < low || hz > high || there.some((one) => Math.abs(one - x) < 36)) continue;
        const el = like.cloneNode();
        el.classList.add("more");
        el.setAttribute("x", x.toFixed(1));
        el.style.display = "";
        el.textContent = hz >= 1000 ? `${+(hz / 1000).toPrecision(3)}k` : `${hz}`;
        there.push(x);
        like.after(el);
      }
    }
  }

  /** Buttons for what the pointer can do as well: hide and isolate curves, zoom, pin, copy. */
  function tools(figure, facts) {
    const { hz, curves } = facts, isTime = drawn(figure)[0].dataset.axis === "time";
    const holder = piece("div", "chart-tools", ""), folded = piece("div", "folded-tools", "");
    const button = (does, words, act) => {
      const made = Object.assign(piece("button", "", words), { type: "button", onclick: act });
      made.dataset.does = does;
      return made;
    };
    const look = () => {
      for (const c of curves) {
        for (const svg of drawn(figure)) {
          const panel = svg.querySelectorAll(".panel")[c.panel];
          for (const el of panel.querySelectorAll("[data-curve]")) if (el.dataset.curve === c.key) el.style.display = c.isHidden ? "none" : "";
          for (const el of panel.querySelectorAll("[data-of]")) if (el.dataset.of === c.key) el.classList.toggle("off", Boolean(c.isHidden));
        }
        press(c.button, !c.isHidden);
      }
      facts.again();
    };
    const toggle = (c, isAlone) => {
      const others = curves.filter((one) => one !== c && one.panel === c.panel);
      if (isAlone) {
        const wasAlone = !c.isHidden && others.every((one) => one.isHidden);
        for (const one of others) one.isHidden = !wasAlone;
        c.isHidden = false;
      } else c.isHidden = !c.isHidden;
      look();
    };
    for (const c of curves) {
      c.button = button("curve", c.label, (e) => toggle(c, e.shiftKey));
      press(c.button, true);
      c.button.classList.add(c.role);
      c.button.title = "Show or hide; with Shift: only this one, or all again";
    }
    for (const svg of drawn(figure)) {
      svg.querySelectorAll(".panel").forEach((panel, place) => {
        for (const el of panel.querySelectorAll("[data-of]")) {
          const c = curves.find((one) => one.panel === place && one.key === el.dataset.of);
          if (c) el.onclick = (e) => toggle(c, e.shiftKey);
        }
      });
    }
    const rowsOf = (between) => {
      const seen = curves.filter((c) => !c.isHidden), first = isTime ? "ms" : "Hz";
      const cell = (words) => (between === "," && /[",]/.test(words) ? `"${words.replaceAll('"', '""')}"` : words);
      const rows = hz.map((f, k) => [f, ...seen.map((c) => (c.values[k] === null || !+c.valid[k] ? "" : c.values[k]))].join(between));
      return [[first, ...seen.map((c) => cell(c.unit ? `${c.label}, ${c.unit}` : c.label))].join(between), ...rows].join("\n");
    };
    const save = (content, type, ending) => {
      const link = Object.assign(document.createElement("a"), { href: URL.createObjectURL(new Blob([content], { type })), download: `${figure.id}.${ending}` });
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 1000);
    };
    /** The drawing that is seen, with the colors that it has now, whole by itself. */
    const whole = () => {
      const svg = [...drawn(figure)].find((one) => one.getClientRects().length), made = svg.cloneNode(true);
      const [from, to] = [svg, made].map((one) => [one, ...one.querySelectorAll("*")]);
      from.forEach((one, k) => {
        const style = getComputedStyle(one);
        for (
          const name of ["fill", "stroke", "stroke-width", "stroke-dasharray", "opacity", "fill-opacity", "stroke-opacity", "display", "font", "text-anchor"]
        ) {
          to[k].style.setProperty(name, style.getPropertyValue(name));
        }
      });
      made.querySelectorAll(".cursor").forEach((one) => one.remove());
      // Its source goes with it.
      const box = made.viewBox.baseVal, tall = box.height + 24, note = made.querySelector(".subtitle, .axis").cloneNode();
      note.setAttribute("y", tall - 14);
      note.textContent = document.querySelector("[data-source]")?.dataset.source ?? document.title;
      made.append(note);
      made.setAttribute("viewBox", `0 0 ${box.width} ${tall}`);
      for (const one of [made, made.querySelector(".paper")]) one.setAttribute("height", tall);
      return new XMLSerializer().serializeToString(made);
    };
    const picture = async () => {
      const image = new Image(), canvas = document.createElement("canvas");
      image.src = `data:image/svg+xml,${encodeURIComponent(whole())}`;
      await image.decode();
      [canvas.width, canvas.height] = [2 * image.width, 2 * image.height];
      canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
      canvas.toBlob((made) => save(made, "image/png", "png"));
    };
    const saves = [
      button("save-png", "Save as PNG", picture),
      button("save-svg", "Save as SVG", () => save(whole(), "image/svg+xml", "svg")),
      button("save-csv", "Save as CSV", () => save(rowsOf(","), "text/csv", "csv")),
    ];
    /** For the eye alone: drawn anew, while readout, table and files keep the values. Mean over a third of an octave. */
    const smoothing = piece("p", "smoothing", "Smoothed for the eye by 1/3 octave; all numbers are as measured.");
    smoothing.hidden = true;
    smoothing.setAttribute("role", "status");
    const smooth = button("smooth", "Smooth for the eye", () => {
      smoothing.hidden = !smoothing.hidden;
      press(smooth, !smoothing.hidden);
      figure.classList.toggle("smoothed", !smoothing.hidden);
      for (const c of curves) drawn(figure).forEach((svg) => redraw(svg, seenIn(figure, c, hz), hz));
    });
    press(smooth, false);
    const keep = button("keep", "Keep a trace", () => {
      const old = figure.querySelectorAll(".kept-trace");
      old.forEach((one) => one.remove());
      keep.textContent = old.length ? "Keep a trace" : "Let the trace go";
      if (old.length) return;
      for (const one of figure.querySelectorAll("svg.chart .trace[data-curve]")) {
        const made = one.cloneNode();
        delete made.dataset.curve;
        made.classList.add("kept-trace");
        one.before(made);
      }
    });
    const copy = button("copy", "Copy values", async () => {
      const write = async () => await navigator.clipboard.writeText(rowsOf("\t"));
      copy.textContent = await write().then(() => "Copied", () => "The browser refused");
      setTimeout(() => (copy.textContent = "Copy values"), 2000);
    });
    const closer = () => {
      const svg = figure.querySelector("svg.chart"), f = facts.at(), s = scales(svg, svg.querySelector(".panel"));
      const [low, high] = [s.hz(s.left), s.hz(s.left + s.width)],
        root = Math.sqrt(high / low),
        half = Math.sqrt(root),
        from = Math.min(Math.max(f / half, low), high / root);
      zoomTo(figure, isTime ? [Math.max(low, f - (high - low) / 4), Math.min(high, f + (high - low) / 4)] : [from, from * root]);
    };
    const reset = button("reset", "Reset zoom", () => zoomTo(figure, null));
    reset.disabled = true;
    const fold = (isFolded) => opener.setAttribute("aria-expanded", String(!(folded.hidden = isFolded)));
    const opener = button("tools", "Tools", () => fold(!folded.hidden));
    fold(true);
    folded.append(
      ...curves.map((c) => c.button),
      button("zoom", "Zoom in", closer),
      reset,
      button("pin", "Pin", facts.pin),
      copy,
      keep,
      ...(isTime ? [] : [smooth]),
      ...saves,
      smoothing,
    );
    holder.append(opener, folded);
    const caption = figure.querySelector("figcaption");
    caption ? caption.after(holder) : figure.append(holder);
    drawn(figure).forEach((svg) => (svg.ondblclick = () => zoomTo(figure, null)));
    (globalThis.earwitnessInstruments ??= []).push(Object.assign(facts, { figure, button, folded, toggle, look }));
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

  /** Mean over a sixth of an octave to both sides, of what is there. */
  function meanAbout(values, hz, at) {
    const side = 2 ** (1 / 6);
    let sum = 0, count = 0;
    for (let k = 0; k < hz.length; k++) if (values[k] !== null && hz[k] >= hz[at] / side && hz[k] <= hz[at] * side) (sum += values[k]), count++;
    return sum / count;
  }

  /** A curve as it is drawn in a figure. */
  const seenIn = (figure, c, hz) =>
    figure.classList.contains("smoothed") ? { ...c, values: c.values.map((v, k) => (v === null ? null : meanAbout(c.values, hz, k))) } : c;

  function runs(n, there) {
    const found = [];
    for (let k = 0; k < n; k++) if (there(k)) k && there(k - 1) ? found.at(-1)[1]++ : found.push([k, k + 1]);
    return found;
  }

  function redraw(svg, curve, hz) {
    const panel = svg.querySelectorAll(".panel")[curve.panel], s = scales(svg, panel, true), n = hz.length, { values, valid, u } = curve;
    const there = (k) => k >= 0 && k < n && values[k] !== null, good = (k) => there(k) && +valid[k];
    const line = (/** @type {number[]} */ [a, b], sign = 0) =>
      Array.from({ length: b - a }, (_, k) => `${s.x(hz[a + k]).toFixed(1)} ${s.y(values[a + k] + (sign && sign * u[a + k])).toFixed(1)}`);
    const full = runs(n, good), pale = runs(n, (k) => there(k) && !good(k)).map(([a, b]) => [a - Number(there(a - 1)), b + Number(there(b))]);
    const path = (stretches) => stretches.map((run) => "M" + line(run).join("L")).join("");
    const shape = {
      ribbon: () => full.map((run) => `M${[...line(run, 1), ...line(run, -1).reverse()].join("L")}Z`).join(""),
      outside: () => path(pale),
      leader: (old) => {
        const [x, y] = line(full.at(-1) || pale.at(-1)).at(-1).split(" "), held = Math.min(s.top + s.height, Math.max(s.top, +y));
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
      drawn(figure).forEach((svg) => redraw(svg, seenIn(figure, curve, data.hz), data.hz));
    }
    again();
  }

  globalThis.earwitnessCharts = { attach, update };
  const start = () => document.querySelectorAll("figure.chart").forEach(attach);
  document.readyState === "loading" ? document.addEventListener("DOMContentLoaded", start) : start();
})();
