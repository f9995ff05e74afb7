// A room from above: x along its length to the right, y across it upward, in meters. Loudspeakers, the dots they point
// to, and seats can be taken hold of.

const NS = "http://www.w3.org/2000/svg";
const PX = 640, EDGE = 34, MOST_HEIGHT = 460, AXIS_M = 0.9;
const round = (value, step) => Math.round(value / step) * step;
const minus = (words) => String(words).replace("-", "\u2212");

function svg(tag, attributes = {}, ...children) {
  const element = document.createElementNS(NS, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

/** Azimuth and elevation of a loudspeaker's reference axis in degrees, as the plan's file gives it. */
export function aimOf(one) {
  if (!one.aim_at_m) return [one.azimuth_deg ?? 0, one.elevation_deg ?? 0];
  const [x, y, z] = one.aim_at_m.map((at, k) => at - one.position_m[k]);
  return [(Math.atan2(y, x) * 180) / Math.PI, (Math.atan2(z, Math.hypot(x, y)) * 180) / Math.PI];
}

/** Distance in meters and azimuth in degrees from the axis at which a loudspeaker sees a seat: positive to its left. */
export function seenFrom(one, seat) {
  const [x, y, z] = seat.position_m.map((at, k) => at - one.position_m[k]);
  const [azimuth, elevation] = aimOf(one).map((deg) => (deg * Math.PI) / 180);
  const forward = Math.cos(azimuth) * x + Math.sin(azimuth) * y, left = -Math.sin(azimuth) * x + Math.cos(azimuth) * y;
  const along = Math.cos(elevation) * forward + Math.sin(elevation) * z;
  return { distance_m: Math.hypot(x, y, z), azimuth_deg: (Math.atan2(left, along) * 180) / Math.PI };
}

export class Plan {
  /** acts : moved(room, isOver) */
  constructor(holder, acts) {
    this.acts = acts;
    this.holder = holder;
    this.things = new Map();
    this.size = "";
    this.ground = svg("g", { "aria-hidden": "true" });
    this.rays = svg("g", { class: "rays", "aria-hidden": "true" });
    this.grips = svg("g");
    this.picture = svg("svg", { class: "room-plan", role: "group", "aria-label": "Room plan" }, this.ground, this.rays, this.grips);
    holder.replaceChildren(this.picture);
  }

  paint(room) {
    this.room = room;
    const places = [...room.loudspeaker, ...room.seat].map((one) => one.position_m);
    this.length = room.room?.length_m ?? Math.max(4, ...places.map((p) => p[0])) + 0.5;
    this.width = room.room?.width_m ?? Math.max(3, ...places.map((p) => p[1])) + 0.5;
    this.scale = Math.min((PX - 2 * EDGE) / this.length, (MOST_HEIGHT - 2 * EDGE) / this.width);
    this.#paintGround();
    this.#paintRays();
    this.#paintThings();
  }

  tell(room) {
    this.room = room;
    this.#paintRays();
  }

  x(m) {
    return EDGE + this.scale * m;
  }
  y(m) {
    return EDGE + this.scale * (this.width - m);
  }
  #at(e) {
    const box = this.picture.getBoundingClientRect(), share = this.picture.viewBox.baseVal.width / box.width;
    return [((e.clientX - box.left) * share - EDGE) / this.scale, this.width - ((e.clientY - box.top) * share - EDGE) / this.scale];
  }

  #paintGround() {
    const size = `${this.length} ${this.width}`;
    if (size === this.size) return;
    this.size = size;
    const wide = 2 * EDGE + this.scale * this.length, high = 2 * EDGE + this.scale * this.width;
    this.picture.setAttribute("viewBox", `0 0 ${wide.toFixed(1)} ${high.toFixed(1)}`);
    this.picture.setAttribute("width", wide.toFixed(1));
    const step = Math.max(this.length, this.width) > 12 ? 5 : 1, found = [];
    const label = (x, y, words, anchor) => {
      const text = svg("text", { class: "meters", x, y, "text-anchor": anchor });
      text.textContent = words;
      return text;
    };
    for (let m = 0; m <= this.length + 1e-9; m += step) {
      found.push(svg("path", { d: `M${this.x(m)} ${this.y(0)}V${this.y(this.width)}` }), label(this.x(m), this.y(0) + 16, String(m), "middle"));
    }
    for (let m = 0; m <= this.width + 1e-9; m += step) {
      found.push(svg("path", { d: `M${this.x(0)} ${this.y(m)}H${this.x(this.length)}` }), label(this.x(0) - 6, this.y(m) + 4, String(m), "end"));
    }
    found.push(svg("rect", { class: "walls", x: this.x(0), y: this.y(this.width), width: this.scale * this.length, height: this.scale * this.width }));
    found.push(label(this.x(this.length), this.y(0) + 30, "x along the length, m", "end"), label(2, 14, "y across, m", "start"));
    this.ground.replaceChildren(...found);
  }

  #paintRays() {
    const found = [];
    for (const one of this.room.loudspeaker) {
      for (const seat of this.room.seat) {
        const [a, b] = [one.position_m, seat.position_m];
        found.push(svg("path", { d: `M${this.x(a[0])} ${this.y(a[1])}L${this.x(b[0])} ${this.y(b[1])}` }));
      }
    }
    const from = this.room.loudspeaker.find((one) => one.name === document.getElementById("seat-of")?.value) ?? this.room.loudspeaker[0];
    for (const seat of this.room.seat) {
      const seen = seenFrom(from, seat), [x, y] = seat.position_m;
      const text = svg("text", { class: "told", x: this.x(x) + 14, y: this.y(y) + 16 });
      text.textContent = `${seen.distance_m.toFixed(2)} m, ${minus(seen.azimuth_deg.toFixed(0))}° from ${from.name}`;
      found.push(text);
    }
    this.rays.replaceChildren(...found);
  }

  #paintThings() {
    const wanted = [
      ...this.room.loudspeaker.map((one, place) => ["loudspeaker", place, one]),
      ...this.room.loudspeaker.map((one, place) => ["aim", place, one]),
      ...this.room.seat.map((one, place) => ["seat", place, one]),
    ];
    const keys = new Set(wanted.map(([kind, place]) => `${kind} ${place}`));
    for (const [key, thing] of this.things) {
      if (keys.has(key)) continue;
      thing.remove();
      this.things.delete(key);
    }
    for (const [kind, place, one] of wanted) {
      const key = `${kind} ${place}`;
      if (!this.things.has(key)) {
        this.things.set(key, this.#newThing(kind, place));
        this.grips.append(this.things.get(key));
      }
      this.#place(this.things.get(key), kind, one);
    }
  }

  #place(thing, kind, one) {
    const [x, y, z] = one.position_m, [azimuth] = aimOf(one), turn = (azimuth * Math.PI) / 180;
    const at = kind === "aim" ? [x + AXIS_M * Math.cos(turn), y + AXIS_M * Math.sin(turn)] : [x, y];
    thing.setAttribute("transform", `translate(${this.x(at[0]).toFixed(2)} ${this.y(at[1]).toFixed(2)})`);
    const body = thing.querySelector(".body");
    if (kind === "loudspeaker") {
      body.setAttribute("transform", `rotate(${(-azimuth).toFixed(1)})`);
      thing.querySelector(".axis").setAttribute(
        "d",
        `M0 0L${(this.scale * AXIS_M * Math.cos(turn)).toFixed(1)} ${(-this.scale * AXIS_M * Math.sin(turn)).toFixed(1)}`,
      );
    }
    const name = thing.querySelector("text");
    if (name) name.textContent = one.name;
    const words = kind === "aim" ? `${minus(azimuth.toFixed(0))}°` : `x ${x.toFixed(2)} m, y ${y.toFixed(2)} m, z ${z.toFixed(2)} m`;
    const names = {
      "aria-label": kind === "aim" ? `where ${one.name} points` : `${kind} ${one.name}`,
      "aria-valuetext": words,
      "aria-valuenow": (kind === "aim" ? azimuth : x).toFixed(2),
    };
    for (const key in names) thing.setAttribute(key, names[key]);
  }

  #newThing(kind, place) {
    const shapes = {
      loudspeaker: () => [svg("path", { class: "axis" }), svg("path", { class: "body", d: "M-12 -9H4L9 -5V5L4 9H-12Z" }), svg("text", { y: -16 })],
      aim: () => [svg("circle", { class: "reach", r: 14 }), svg("circle", { class: "body", r: 4 })],
      seat: () => [svg("circle", { class: "reach", r: 16 }), svg("circle", { class: "body", r: 9 }), svg("text", { y: -14 })],
    };
    const thing = svg("g", {
      class: `thing ${kind}`,
      role: "slider",
      tabindex: "0",
      ...(kind === "aim" ? { "aria-valuemin": "-180", "aria-valuemax": "180" } : { "aria-valuemin": "0", "aria-valuemax": "100" }),
    }, ...shapes[kind]());
    thing.addEventListener("keydown", (e) => {
      const way = { ArrowRight: [1, 0], ArrowLeft: [-1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[e.key];
      if (!way || e.ctrlKey || e.metaKey || e.altKey) return;
      e.preventDefault();
      e.stopPropagation();
      if (kind === "aim") this.#turn(place, aimOf(this.room.loudspeaker[place])[0] + (way[1] || -way[0]) * (e.shiftKey ? 0.1 : 1), true);
      else {
        const [x, y] = this.room[kind][place].position_m, step = e.shiftKey ? 0.01 : 0.1;
        this.#move(kind, place, x + way[0] * step, y + way[1] * step, true);
      }
    });
    let last = null, at = null;
    thing.addEventListener("pointerdown", (e) => {
      if (e.button) return;
      e.preventDefault();
      thing.setPointerCapture(e.pointerId);
      thing.focus({ preventScroll: true });
      last = this.#at(e);
      at = kind === "aim" ? last : this.room[kind][place].position_m.slice(0, 2);
    });
    thing.addEventListener("pointermove", (e) => {
      if (!last) return;
      const now = this.#at(e);
      at = [at[0] + now[0] - last[0], at[1] + now[1] - last[1]];
      last = now;
      if (kind !== "aim") this.#move(kind, place, round(at[0], 0.01), round(at[1], 0.01), false);
      else {
        const [x, y] = this.room.loudspeaker[place].position_m;
        if (Math.hypot(now[0] - x, now[1] - y) > 0.1) this.#turn(place, (Math.atan2(now[1] - y, now[0] - x) * 180) / Math.PI, false);
      }
    });
    const end = () => {
      if (!last) return;
      last = null;
      this.acts.moved(this.room, true);
    };
    thing.addEventListener("pointerup", end);
    thing.addEventListener("pointercancel", end);
    return thing;
  }

  #move(kind, place, x, y, isOver) {
    const inside = (value, most) => +Math.min(most, Math.max(0, value)).toFixed(2);
    const list = this.room[kind].map((
      one,
      k,
    ) => (k === place ? { ...one, position_m: [inside(x, this.length), inside(y, this.width), one.position_m[2]] } : one));
    this.acts.moved({ ...this.room, [kind]: list }, isOver);
  }

  #turn(place, azimuth, isOver) {
    const deg = +(((azimuth + 540) % 360) - 180).toFixed(1);
    const list = this.room.loudspeaker.map((
      one,
      k,
    ) => (k === place ? { ...one, aim_at_m: undefined, azimuth_deg: deg, elevation_deg: +aimOf(one)[1].toFixed(1) } : one));
    this.acts.moved({ ...this.room, loudspeaker: list }, isOver);
  }
}
