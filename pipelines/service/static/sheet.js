// The car sheet's form -> TOML; faults from the service go to the field that they speak of.

import { ask, complain, doing, say, Trouble } from "./asking.js";

const quoted = (text) => JSON.stringify(text).replaceAll("\u007f", "\\u007f");

function value(field) {
  const text = field.value.trim();
  if (field.dataset.kind === "text" || field.dataset.kind === "choice") return quoted(text);
  if (field.dataset.kind === "flag") return text;
  if (field.dataset.kind === "list") {
    return `[${text.split(/[;,\s]+/).filter(Boolean).map(bare).join(", ")}]`;
  }
  return bare(text);
}

// A number as it stands; anything else in quotes, so that the service says what is wrong with it.
const bare = (text) => (/^[+-]?\d+(\.\d+)?$/.test(text) ? text : quoted(text));

export function toToml(form) {
  const tables = new Map();
  for (const field of form.querySelectorAll("[name]")) {
    const [table, key] = field.name.split(".");
    if (!tables.has(table)) tables.set(table, []);
    if (field.value.trim() !== "") tables.get(table).push(`${key} = ${value(field)}`);
  }
  return [...tables].map(([table, lines]) => `[${table}]\n${lines.join("\n")}\n`).join("\n");
}

function clear(form) {
  for (const fault of form.querySelectorAll(".fault")) fault.hidden = true;
  for (const field of form.querySelectorAll("[aria-invalid]")) field.removeAttribute("aria-invalid");
}

function place(form, problem) {
  const table = /\[(\w+)\]/.exec(problem.where)?.[1];
  const key = /^\w+/.exec(problem.what)?.[0];
  const field = form.querySelector(`[name="${table}.${key}"]`);
  if (!field) return false;
  field.setAttribute("aria-invalid", "true");
  const fault = field.closest(".field").querySelector(".fault");
  fault.textContent = `${problem.value ? `${problem.value}: ` : ""}${problem.allowed}. ${problem.remedy}`;
  fault.hidden = false;
  return field;
}

export async function send(form, method, path, headers, done) {
  clear(form);
  const button = form.querySelector("button[type=submit]");
  button.disabled = true;
  try {
    done(await ask(method, path, { sheet: toToml(form) }, headers));
  } catch (error) {
    const problems = error instanceof Trouble ? error.problem.problems || [] : [];
    const placed = problems.map((one) => place(form, one));
    if (!placed.length || placed.some((one) => !one)) complain(error);
    const first = form.querySelector("[aria-invalid]");
    if (first) {
      first.focus();
      say(`${problems.length} ${problems.length === 1 ? "entry needs" : "entries need"} another look.`);
    }
  } finally {
    button.disabled = false;
  }
}

export function setUpNewCar() {
  const form = document.getElementById("new-car");
  if (!form) return;
  const open = (car) => location.assign(`/cars/${car.id}`);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    send(form, "POST", "/api/cars", {}, open);
  });
  document.getElementById("sheet-file").addEventListener("change", (event) => {
    const file = event.target.files[0];
    if (file) doing(null, async () => open(await ask("POST", "/api/cars", { sheet: await file.text() })));
  });
}
