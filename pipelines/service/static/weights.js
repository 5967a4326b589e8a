// Weights of the chosen preference as numbers: read, changed, saved under a name, removed.

import { ask, complain, doing, say, Trouble } from "./asking.js";

const select = () => document.getElementById("preference");
const entry = (form, name) => form.querySelector(`[name="${name}"]`);
const weightsOf = (form) => [...form.querySelectorAll("fieldset input")];
const path = (name) => `/api/preferences/${encodeURIComponent(name)}`;

function clear(form) {
  for (const fault of form.querySelectorAll(".fault")) fault.hidden = true;
  for (const field of form.querySelectorAll("[aria-invalid]")) field.removeAttribute("aria-invalid");
}

function fault(field, text) {
  field.setAttribute("aria-invalid", "true");
  const place = field.closest(".field").querySelector(".fault");
  place.textContent = text;
  place.hidden = false;
}

function fill(form) {
  const chosen = select().selectedOptions[0];
  const weights = JSON.parse(chosen.dataset.weights);
  for (const field of weightsOf(form)) field.value = String(weights[field.name]);
  const own = !chosen.dataset.builtIn;
  entry(form, "name").value = own ? chosen.value : "";
  const button = document.getElementById("weights-remove");
  button.hidden = !own;
  button.textContent = `Remove ${chosen.value}`;
  clear(form);
}

// Text that is no number goes as text, so that the service says what may stand there.
function value(field) {
  const text = field.value.trim().replace(",", ".");
  return text !== "" && Number.isFinite(Number(text)) ? Number(text) : field.value.trim();
}

// Shows a fault of the service beside the entry that it speaks of; false when there is none.
function place(form, problem) {
  const name = entry(form, "name");
  const weight = /^body\.weights\.(\w+)$/.exec(problem.where);
  if (weight) fault(entry(form, weight[1]), `${problem.value ? `${problem.value}: ` : ""}${problem.allowed}.`);
  else if (problem.where === "path.preference") fault(name, "Letters, digits, spaces and . _ + - only, none of the signs at an end.");
  else if (/^preference /.test(problem.where)) fault(name, `${problem.value}: ${problem.allowed}. ${problem.remedy}`);
  else return false;
  return true;
}

function option(saved) {
  let found = [...select().options].find((one) => one.value === saved.name);
  if (!found) {
    found = new Option(saved.name, saved.name);
    select().append(found);
  }
  found.dataset.weights = JSON.stringify(saved.weights);
  found.dataset.etag = saved.etag;
  return found;
}

async function save(form) {
  clear(form);
  const name = entry(form, "name").value.trim();
  if (!name) {
    fault(entry(form, "name"), "A name is missing. Give it one of your own.");
    entry(form, "name").focus();
    return;
  }
  const known = [...select().options].find((one) => one.value === name && !one.dataset.builtIn);
  const weights = Object.fromEntries(weightsOf(form).map((field) => [field.name, value(field)]));
  try {
    const saved = await ask("PUT", path(name), { weights }, known ? { "If-Match": known.dataset.etag } : {});
    option(saved).selected = true;
    select().dispatchEvent(new Event("change"));
    say(`Saved as ${saved.name}.`);
  } catch (error) {
    const { status, problems = [] } = error instanceof Trouble ? error.problem : {};
    if (status === 412 || status === 428) {
      fault(entry(form, "name"), "Somebody saved or removed this name meanwhile. Take another name, or load the page anew.");
    } else {
      const placed = problems.map((one) => place(form, one));
      if (!placed.length || placed.includes(false)) complain(error);
    }
    form.querySelector("[aria-invalid]")?.focus();
  }
}

async function remove() {
  const chosen = select().selectedOptions[0];
  if (!window.confirm(`Remove ${chosen.value}? Jobs that were asked with it keep its weights.`)) return;
  await ask("DELETE", path(chosen.value), undefined, { "If-Match": chosen.dataset.etag });
  chosen.remove();
  select().value = "balanced";
  select().dispatchEvent(new Event("change"));
  document.getElementById("own-weights").querySelector("summary").focus();
}

export function setUpWeights() {
  const form = document.getElementById("weights");
  fill(form);
  select().addEventListener("change", () => fill(form));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    doing(event.submitter, () => save(form));
  });
  document.getElementById("weights-remove").addEventListener("click", (event) => doing(event.target, remove));
}
