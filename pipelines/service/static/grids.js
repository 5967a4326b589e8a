// The grid pair as two squared tables: edit a cell, and see at once what the pair would do.

import { ask, complain, doing, Trouble } from "./asking.js";
import { chart } from "./chart.js";
import { currentUnit, fromKmh, number, watchUnit } from "./speeds.js";

const PARTS = [
  ["cost", "Cost, lower is better", 1], ["recovery_s", "Recovery [s]", 2], ["drive_lost_kmh", "Drive lost", 2],
  ["excess_slip_m", "Excess slip [m]", 2], ["reslips", "Re-slips", 2], ["jerk_rms", "Jerk [1/s]", 2],
  ["overshoot_kmh", "Overshoot", 1], ["lateral_lost", "Lateral grip lost [g]", 3],
  ["cut_swing_pct", "Swing of the cut above 5 Hz [%]", 1],
];
const SPEEDS = ["drive_lost_kmh", "overshoot_kmh"];
const PAUSE_MS = 60; // a burst of keys is one question

let car, editor, base, beside, last = null, waiting = 0, asked = 0;

const cells = (grid) => [...editor.querySelectorAll(`input[data-grid="${grid}"]`)];
const read = (input) => Number(input.value.trim().replace(",", ".") || "x");

function grids() {
  const shape = structuredClone(base);
  for (const input of cells("target")) shape.target.slip_pct[Number(input.dataset.col)] = read(input);
  for (const input of cells("cut")) shape.cut.cut_pct[Number(input.dataset.row)][Number(input.dataset.col)] = read(input);
  return { format: "gridfit-grids/1", target: shape.target, cut: shape.cut };
}

function at(xs, ys, x) {
  if (x <= xs[0]) return ys[0];
  const i = xs.findIndex((one) => one >= x);
  if (i < 0) return ys[ys.length - 1];
  return ys[i - 1] + ((ys[i] - ys[i - 1]) * (x - xs[i - 1])) / (xs[i] - xs[i - 1]);
}

// What the pair in the car holds at this cell, on whatever breakpoints it has.
function before(input) {
  if (!beside) return null;
  if (input.dataset.grid === "target") return at(beside.target.speed_kmh, beside.target.slip_pct, Number(input.dataset.at));
  const gear = Number(input.dataset.gear);
  const rows = beside.cut.gear.map((g) => Math.abs(g - gear));
  return at(beside.cut.slip_error_pct, beside.cut.cut_pct[rows.indexOf(Math.min(...rows))], Number(input.dataset.at));
}

function mark(input) {
  const cell = input.parentElement;
  const value = read(input), was = before(input);
  const most = input.dataset.grid === "cut" ? 100 : 2000;
  const wrong = !Number.isFinite(value) || value < 0 || value > most;
  cell.className = wrong ? "wrong" : was === null || Math.abs(value - was) < 0.05 ? "" : value > was ? "up" : "down";
  input.setAttribute("aria-invalid", String(wrong));
  cell.querySelector(".was").textContent = was === null ? "" : String(Math.round(10 * was) / 10);
  return !wrong;
}

const markAll = () => [...cells("target"), ...cells("cut")].map(mark).every(Boolean);

function fill(shape) {
  base = structuredClone(shape);
  const same = cells("target").length === base.target.speed_kmh.length && cells("cut").length === base.cut.cut_pct.flat().length;
  if (!same) return false;
  for (const input of cells("target")) input.value = String(base.target.slip_pct[Number(input.dataset.col)]);
  for (const input of cells("cut")) input.value = String(base.cut.cut_pct[Number(input.dataset.row)][Number(input.dataset.col)]);
  for (const input of [...cells("target"), ...cells("cut")]) input.dataset.kept = input.value;
  return true;
}

function span(e, turn, decimals) {
  return `${number(turn(e.mean), decimals)} (${number(turn(e.lo), decimals)} to ${number(turn(e.hi), decimals)})`;
}

function showParts() {
  const body = document.querySelector("#parts tbody");
  body.replaceChildren(...PARTS.map(([key, label, decimals]) => {
    const row = document.createElement("tr");
    const turn = SPEEDS.includes(key) ? fromKmh : (v) => v;
    const name = document.createElement("th");
    name.scope = "row";
    name.textContent = SPEEDS.includes(key) ? `${label} [${currentUnit()}]` : label;
    row.append(name);
    for (const side of ["edited", "beside"]) {
      const cell = document.createElement("td");
      cell.className = "number";
      cell.textContent = span(last.all_gears[side][key], turn, decimals);
      row.append(cell);
    }
    return row;
  }));
  document.getElementById("beside-name").textContent = car.inForce ? "In the car" : "Common practice";
}

function showCourse() {
  const { edited, beside: other } = last.course;
  const name = car.inForce ? "in the car" : "common practice";
  const peak = (c) => number(Math.max(...c.slip_pct), 0);
  const both = (key, turn = (v) => v) => [
    { name: "this pair", x: edited.time_s, y: edited[key].map(turn), look: 0 },
    { name, x: other.time_s, y: other[key].map(turn), look: 1 },
  ];
  document.getElementById("course").replaceChildren(
    chart("Slip and its target", "time from the disturbance [s]", "%",
      [...both("slip_pct"), { name: "target of this pair", x: edited.time_s, y: edited.target_pct, look: 2 }],
      `Slip peaks at ${peak(edited)} per cent, ${peak(other)} with the pair beside it.`),
    chart("Cut as it takes effect", "time from the disturbance [s]", "%", both("cut_pct"),
      `Cut reaches ${number(Math.max(...edited.cut_pct), 0)} per cent, ${number(Math.max(...other.cut_pct), 0)} with the pair beside it.`),
  );
}

function showVerdict() {
  const change = last.all_gears.change;
  const cost = last.all_gears.edited.cost;
  const place = document.getElementById("verdict");
  const name = car.inForce ? "the pair in the car" : "common practice";
  const sure = change.hi < 0 ? "better" : change.lo > 0 ? "worse" : "";
  const word = Math.abs(change.mean) < 0.005 ? `as good as ${name}`
    : `${number(Math.abs(change.mean), 2)} ${change.mean < 0 ? "better" : "worse"} than ${name}${sure ? "" : ", which is not certain"}`;
  place.className = `verdict ${sure}`;
  const plant = last.plant === "fit" ? "the fitted plant" : "what the sheet allows";
  place.textContent = `Cost ${number(cost.mean, 2)} (${number(cost.lo, 2)} to ${number(cost.hi, 2)}): ${word}. Played on ${plant}.`;
}

function show() {
  if (!last) return;
  showVerdict();
  showParts();
  showCourse();
  const select = document.getElementById("scenario");
  if (select.options.length !== last.scenarios.length) {
    select.replaceChildren(...last.scenarios.map((label, i) => new Option(label, String(i), false, i === last.scenario)));
  }
}

async function play() {
  const number_ = ++asked;
  if (!markAll()) {
    document.getElementById("verdict").className = "verdict worse";
    document.getElementById("verdict").textContent = "A marked cell is no number that a controller can hold: 0 to 100 % of cut.";
    return;
  }
  const box = editor;
  box.classList.add("busy");
  const begun = performance.now();
  try {
    const answer = await ask("POST", `/api/cars/${car.id}/what-if`, {
      grids: grids(), plant_of: car.plant || null, preference: document.getElementById("preference").value,
      scenario: Number(document.getElementById("scenario").value || 0),
    });
    if (number_ !== asked) return; // a later edit is under way
    last = answer;
    show();
    editor.dataset.tookMs = String(Math.round(performance.now() - begun));
  } catch (error) {
    if (number_ !== asked) return;
    document.getElementById("verdict").className = "verdict worse";
    document.getElementById("verdict").textContent = error instanceof Trouble ? error.message : String(error);
  } finally {
    if (number_ === asked) box.classList.remove("busy");
  }
}

function soon() {
  editor.dataset.edited = "yes";
  clearTimeout(waiting);
  waiting = setTimeout(play, PAUSE_MS);
}

function neighbour(input, rows, columns) {
  const { grid, row, col } = input.dataset;
  return editor.querySelector(`input[data-grid="${grid}"][data-row="${Number(row) + rows}"][data-col="${Number(col) + columns}"]`);
}

function onKey(event) {
  const input = event.target;
  if (!input.dataset.grid) return;
  const caret = input.selectionStart, ends = input.selectionStart === input.selectionEnd || input.selectionEnd - caret === input.value.length;
  const moves = { ArrowUp: [-1, 0], ArrowDown: [1, 0], Enter: [1, 0] };
  if (ends && event.key === "ArrowLeft" && caret === 0) moves.ArrowLeft = [0, -1];
  if (ends && event.key === "ArrowRight" && input.selectionEnd === input.value.length) moves.ArrowRight = [0, 1];
  if (event.key === "Escape" && input.dataset.kept !== undefined) {
    input.value = input.dataset.kept;
    soon();
  } else if (moves[event.key]) {
    const to = neighbour(input, ...moves[event.key]);
    if (to) {
      event.preventDefault();
      to.focus();
      to.select();
    }
  }
}

function onPaste(event) {
  const text = event.clipboardData.getData("text/plain");
  if (!event.target.dataset.grid || !/[\t\n]/.test(text.trim())) return;
  event.preventDefault();
  text.trim().split(/\r?\n/).forEach((line, i) => line.split("\t").forEach((value, j) => {
    const to = neighbour(event.target, i, j);
    if (to) to.value = value.trim();
  }));
  soon();
}

async function keep(label) {
  const pair = await ask("POST", `/api/cars/${car.id}/grids`, { label: label || `edited ${new Date().toISOString().slice(0, 16).replace("T", " ")}`, grids: grids() });
  editor.dataset.edited = "no";
  for (const grid of ["target", "cut"]) {
    const link = document.getElementById(`${grid}-csv`);
    link.href = `/api/cars/${car.id}/grids/${pair.id}/${grid}.csv?units=${encodeURIComponent(currentUnit())}`;
    link.hidden = false;
  }
  return pair;
}

async function begin() {
  const select = document.getElementById("begin");
  const inForce = [...select.options].find((option) => option.value === car.inForce);
  beside = inForce?.dataset.grids ? JSON.parse(inForce.dataset.grids) : null;
  const chosen = select.selectedOptions[0];
  base = chosen?.dataset.grids ? JSON.parse(chosen.dataset.grids) : {
    target: { speed_kmh: cells("target").map((c) => Number(c.dataset.at)), slip_pct: cells("target").map(read) },
    cut: shapeOfPage(),
  };
  fill(base);
  await play();
}

function shapeOfPage() {
  const rows = [...new Set(cells("cut").map((c) => c.dataset.row))];
  const row = (r) => cells("cut").filter((c) => c.dataset.row === r);
  return {
    slip_error_pct: row(rows[0]).map((c) => Number(c.dataset.at)), gear: rows.map((r) => Number(row(r)[0].dataset.gear)),
    cut_pct: rows.map((r) => row(r).map(read)),
  };
}

export function setUpGrids(given) {
  car = given;
  editor = document.getElementById("editor");
  editor.addEventListener("input", (event) => event.target.dataset.grid && soon());
  editor.addEventListener("keydown", onKey);
  editor.addEventListener("paste", onPaste);
  editor.addEventListener("focusin", (event) => event.target.dataset.grid && event.target.select());
  document.getElementById("begin").addEventListener("change", (event) => {
    const shape = JSON.parse(event.target.selectedOptions[0].dataset.grids);
    if (!fill(shape)) {
      complain(new Error("That pair has other breakpoints than this table; load it from the list of pairs by marking it as in the car."));
      return;
    }
    play();
  });
  document.getElementById("scenario").addEventListener("change", play);
  document.getElementById("preference").addEventListener("change", play);
  const label = document.getElementById("keep-label");
  document.getElementById("keep").addEventListener("submit", (event) => {
    event.preventDefault();
    doing(event.submitter, async () => {
      const pair = await keep(label.value.trim());
      document.getElementById("said").textContent = `Kept as ${pair.label}.`;
    });
  });
  document.getElementById("in-the-car").addEventListener("click", (event) =>
    doing(event.target, async () => {
      const pair = await keep(label.value.trim());
      await ask("PUT", `/api/cars/${car.id}/in-force`, { pair: pair.id }, { "If-Match": car.etag });
      location.hash = "grids";
      location.reload();
    }));
  watchUnit(show);
  begin();
}
