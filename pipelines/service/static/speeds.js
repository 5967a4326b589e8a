// km/h or mph: one choice for the whole page, remembered; numbers carry their km/h with them.

const KMH_PER_MPH = 1.609344; // exact: international mile
let unit = "km/h";
const watchers = [];

export const currentUnit = () => unit;
export const fromKmh = (kmh) => (unit === "mph" ? kmh / KMH_PER_MPH : kmh);
export const watchUnit = (watcher) => watchers.push(watcher);

export function number(value, decimals = 1) {
  return value.toFixed(decimals).replace("-", "\u2212");
}

function show() {
  for (const one of document.querySelectorAll("[data-kmh]")) {
    one.textContent = number(fromKmh(Number(one.dataset.kmh)), Number(one.dataset.decimals || 1));
  }
  for (const one of document.querySelectorAll("[data-per-speed]")) one.textContent = unit;
  for (const one of document.querySelectorAll("[data-unit]")) {
    one.setAttribute("aria-pressed", String(one.dataset.unit === unit));
  }
  for (const input of document.querySelectorAll("input[data-grid='target']")) {
    input.setAttribute("aria-label", `Target slip at ${number(fromKmh(Number(input.dataset.at)), 0)} ${unit}, per cent`);
  }
  for (const watcher of watchers) watcher();
}

export function setUpUnits(usual) {
  let kept = null;
  try { kept = localStorage.getItem("unit"); } catch { /* private windows keep nothing */ }
  unit = kept === "mph" || kept === "km/h" ? kept : usual || "km/h";
  for (const button of document.querySelectorAll("[data-unit]")) {
    button.addEventListener("click", () => {
      unit = button.dataset.unit;
      try { localStorage.setItem("unit", unit); } catch { /* as above */ }
      show();
    });
  }
  show();
}
