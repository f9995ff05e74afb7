// The session form as fields: what the models say of each key becomes an input with label, unit, help and example.
import { make } from "./bench.js";

/** What is typed as the file holds it: a number where it reads as one, with a point or a comma; else the text itself,
    which the check then tells of. Nothing for nothing. */
export function typed(text, schema) {
  const words = text.trim();
  if (words === "") return undefined;
  if (schema.type === "string") return text;
  const value = Number(words.replace(",", ".").replace("\u2212", "-"));
  return Number.isFinite(value) ? value : words;
}

export const idOf = (path) => `f-${path.join(".")}`;
const words = (value) => (value === undefined || value === null ? "" : String(value));

function usual(field) {
  const { default: value } = field.schema;
  if (value !== undefined && value !== null && value !== "" && value !== "not stated" && !Array.isArray(value)) return `${value}, where not said`;
  if (!field.example || field.help.includes(field.example)) return null;
  return `such as ${field.example.replace(/[[\]]/g, "")}`;
}

/** One field. value : now; set(value) : undefined takes the key out; list : id of a datalist. */
export function fieldOf(field, path, value, set, { list = undefined, hidden = undefined } = {}) {
  const id = idOf(path), { schema } = field;
  // A list to choose from says by itself what can be chosen.
  const isText = !schema.enum && !["boolean", "array"].includes(schema.type);
  const hint = [field.help.includes(schema.enum?.at(-1)) ? null : field.help, isText ? usual(field) : null].filter(Boolean).join("; ");
  const help = hint ? `${id}-help` : null;
  const label = `${field.label}${field.unit ? `, ${field.unit}` : ""}`;
  const about = [help, `${id}-fault`].filter(Boolean).join(" ");
  const shared = { id, "aria-describedby": about, "aria-required": field.required ? "true" : null, autocomplete: "off" };
  const under = [help ? make("small", { id: help }, hint) : null, make("small", { id: `${id}-fault`, class: "fault", hidden: true })];
  if (schema.type === "boolean") {
    const was = Boolean(schema.default);
    const input = make("input", {
      ...shared,
      type: "checkbox",
      checked: value ?? was,
      onchange: (e) => set(e.target.checked === was ? undefined : e.target.checked),
    });
    return make("div", { class: "session-field flag", hidden }, make("label", { class: "check", for: id }, input, ` ${field.label}`), under[1]);
  }
  if (schema.enum) {
    const empty = schema.default ? `${schema.default}, where not said` : field.required ? "choose" : "not said";
    const known = schema.enum.includes(value) || value === undefined ? [] : [value];
    const input = make(
      "select",
      { ...shared, onchange: (e) => set(e.target.value || undefined) },
      make("option", { value: "" }, empty),
      ...[...known, ...schema.enum].map((one) => make("option", { value: one, selected: one === value }, one)),
    );
    return make("div", { class: "session-field", hidden }, make("label", { for: id }, label), input, ...under);
  }
  if (schema.type === "array") {
    const now = Array.isArray(value) ? value : [], count = schema.minItems || 3;
    const inputs = Array.from(
      { length: count },
      (_, k) =>
        make("input", {
          ...shared,
          id: `${id}.${k}`,
          class: "short",
          inputmode: "decimal",
          value: words(now[k]),
          "aria-label": `${field.label}, ${k + 1} of ${count}`,
        }),
    );
    const told = () => {
      const all = inputs.map((one) => typed(one.value, { type: "number" }));
      set(all.every((one) => one === undefined) ? undefined : all.map((one) => one ?? ""));
    };
    for (const one of inputs) one.oninput = told;
    return make(
      "div",
      { class: "session-field", hidden, role: "group", "aria-labelledby": `${id}-name` },
      make("span", { id: `${id}-name`, class: "label" }, label),
      make("span", { class: "numbers" }, ...inputs),
      ...under,
    );
  }
  const isNumber = schema.type !== "string";
  const kind = path.length === 1 && field.key === "date" ? { type: "date" } : isNumber ? { inputmode: "decimal", class: "short" } : {};
  const input = make("input", {
    ...shared,
    ...kind,
    value: words(value),
    maxlength: schema.maxLength,
    spellcheck: "false",
    list,
    oninput: (e) => set(typed(e.target.value, schema)),
  });
  return make("div", { class: "session-field", hidden }, make("label", { for: id }, label), input, ...under);
}

/** Keys and tables that no field shows: unknown ones, and those that other places of the program write. */
export function strangers(table, fields, tables) {
  return Object.keys(table).filter((key) => key !== "#" && key !== "kind" && !fields.some((one) => one.key === key) && !tables.includes(key));
}
