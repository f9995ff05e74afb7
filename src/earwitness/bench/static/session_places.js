// What is placed on drawings in the session form: drivers on the cabinet's front, loudspeaker and microphone in the room.
import { make } from "./bench.js";
import { belowTop, Drawing } from "./session_drawing.js";
import { idOf } from "./session_fields.js";

const find = (id) => document.getElementById(id);

/** A number that is one, else the other. */
export const finite = (value, other) => (typeof value === "number" && Number.isFinite(value) ? value : other);

export function roomToBegin() {
  return { length_m: 6, width_m: 5, height_m: 2.6, loudspeaker_m: [2, 2.5, 1.3], microphone_m: [3.5, 2.5, 1.3] };
}

export class Places {
  /** doc : { get(path), put(path, value) } of the document. */
  constructor(doc) {
    this.doc = doc;
    this.cabinet = null;
    this.room = null;
    this.origin = [0, 0];
  }

  paint() {
    this.#paintCabinet();
    this.#paintRoom();
  }

  #paintCabinet() {
    const holder = find("cabinet-drawing"), told = this.doc.get(["loudspeaker"]) || {}, drivers = Array.isArray(told.driver) ? told.driver : [];
    if (!holder) return;
    const width = finite(told.width_m, 0), height = finite(told.height_m, 0);
    if (!(width > 0 && height > 0 && width <= 10 && height <= 10)) {
      holder.replaceChildren(make("p", { class: "hint" }, "Width and height of the cabinet draw its front here, to place the drivers on."));
      this.cabinet = null;
      return;
    }
    const middle = width / 2 + finite(told.reference_left_m, 0), up = height - belowTop({ ...told, height_m: height });
    if (!this.cabinet || !holder.contains(this.cabinet.picture)) {
      this.cabinet = new Drawing(holder, "Front of the cabinet with its drivers", (k, x, y) => this.#moveDriver(k, x, y), [360, 420]);
      holder.append(
        make(
          "p",
          { class: "hint" },
          "Seen from the front: the loudspeaker's left is on your right. Drag a driver, move it with the arrow keys (Shift: 1 mm), or type its place below. The cross is the reference point.",
        ),
      );
    }
    this.origin = [middle, up];
    const things = drivers.map((one, k) => {
      const [, left, rise] = [0, 1, 2].map((axis) => finite(one.position_m?.[axis], 0));
      const radius = finite(one.diameter_m, 0.03) / 2;
      return {
        key: k,
        label: one.name || `driver ${k + 1}`,
        x: middle + left,
        y: up + rise,
        radius,
        shape: one.kind === "port" ? "port" : "",
        told: `${(100 * left).toFixed(1)} cm to the left, ${(100 * rise).toFixed(1)} cm up from the reference point`,
      };
    });
    this.cabinet.paint(width, height, things, height > 0.8 ? 0.2 : 0.1);
    const cross = document.createElementNS("http://www.w3.org/2000/svg", "path");
    cross.setAttribute("class", "cross");
    cross.setAttribute("d", `M${this.cabinet.x(middle) - 6} ${this.cabinet.y(up)}h12m-6 -6v12`);
    // Above the drivers, which may cover its place.
    this.cabinet.picture.querySelector(".cross")?.remove();
    this.cabinet.picture.append(cross);
  }

  #moveDriver(k, x, y) {
    const [middle, up] = this.origin, { width_m, height_m } = this.doc.get(["loudspeaker"]);
    const at = [Math.min(width_m, Math.max(0, x)) - middle, Math.min(height_m, Math.max(0, y)) - up].map((one) => +one.toFixed(3) + 0);
    const ahead = finite(this.doc.get(["loudspeaker", "driver", k, "position_m"])?.[0], 0);
    // The reference point stays where it is, whatever is moved.
    if (this.doc.get(["loudspeaker", "reference_below_top_m"]) === undefined) {
      this.doc.put(["loudspeaker", "reference_below_top_m"], +(height_m - up).toFixed(3));
    }
    this.#placed(["loudspeaker", "driver", k, "position_m"], [ahead, ...at]);
    this.#fill(["loudspeaker", "reference_below_top_m"]);
  }

  #placed(path, numbers) {
    this.doc.put(path, numbers);
    numbers.forEach((one, k) => this.#fill([...path, k], one));
  }
  /** What stands in a field, where something else than typing changed it. */
  #fill(path, value = this.doc.get(path)) {
    const field = find(idOf(path));
    if (field) field.value = value;
  }

  #paintRoom() {
    const holder = find("room-drawing"), room = this.doc.get(["environment", "room"]);
    if (!holder || !room) return;
    const [long, wide] = [finite(room.length_m, 0), finite(room.width_m, 0)];
    if (!(long > 0 && wide > 0 && long <= 200 && wide <= 200)) return void holder.replaceChildren();
    if (!this.room || !holder.contains(this.room.picture)) {
      this.room = new Drawing(holder, "Room from above with loudspeaker and microphone", (key, x, y) => {
        const size = this.doc.get(["environment", "room"]), path = ["environment", "room", `${key}_m`];
        const up = finite(this.doc.get(path)?.[2], 1);
        this.#placed(path, [Math.min(size.length_m, Math.max(0, x)), Math.min(size.width_m, Math.max(0, y)), up].map((one) => +one.toFixed(3)));
      }, [520, 340]);
      holder.append(make("p", { class: "hint" }, "From above: length to the right, width upward. Heights are typed."));
    }
    const things = ["loudspeaker", "microphone"].map((key) => {
      const [x, y, z] = [0, 1, 2].map((axis) => finite(room[`${key}_m`]?.[axis], 0));
      return {
        key,
        label: key,
        x,
        y,
        radius: 0,
        shape: key === "loudspeaker" ? "box" : "microphone",
        told: `${x} m along the length, ${y} m along the width, ${z} m up`,
      };
    });
    this.room.paint(long, wide, things, Math.max(long, wide) > 12 ? 5 : 1);
  }
}
