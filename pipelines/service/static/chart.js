// Line charts as SVG, with a table's worth of words for those who do not see them.

const NS = "http://www.w3.org/2000/svg";
const W = 460, H = 220, LEFT = 44, RIGHT = 8, TOP = 8, BOTTOM = 34;

function node(name, attributes, text) {
  const made = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

function ticks(low, high) {
  const raw = (high - low) / 5;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((k) => k * power).find((one) => one >= raw);
  const found = [];
  for (let at = Math.ceil(low / step) * step; at <= high + 1e-9; at += step) found.push(Number(at.toPrecision(10)));
  return found;
}

function span(lines, from0) {
  const values = lines.flatMap((line) => line.y).filter((v) => v !== null && Number.isFinite(v));
  let low = Math.min(...values), high = Math.max(...values);
  if (from0) low = Math.min(0, low);
  if (!(high > low)) high = low + 1;
  return [low, high + 0.04 * (high - low)];
}

// lines: [{ name, x, y, look }]; look 0..3 chooses colour and dash together.
export function chart(title, xLabel, yLabel, lines, words, from0 = true) {
  const figure = document.createElement("figure");
  const svg = node("svg", { class: "chart", viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": `${title}. ${words}` });
  const xs = lines.flatMap((line) => line.x);
  const x0 = Math.min(...xs), x1 = Math.max(...xs);
  const [y0, y1] = span(lines, from0);
  const px = (x) => LEFT + ((x - x0) / (x1 - x0 || 1)) * (W - LEFT - RIGHT);
  const py = (y) => H - BOTTOM - ((y - y0) / (y1 - y0)) * (H - TOP - BOTTOM);
  for (const t of ticks(x0, x1)) {
    svg.append(node("line", { class: "grid", x1: px(t), x2: px(t), y1: TOP, y2: H - BOTTOM }));
    svg.append(node("text", { x: px(t), y: H - BOTTOM + 14, "text-anchor": "middle" }, String(t).replace("-", "\u2212")));
  }
  for (const t of ticks(y0, y1)) {
    svg.append(node("line", { class: "grid", x1: LEFT, x2: W - RIGHT, y1: py(t), y2: py(t) }));
    svg.append(node("text", { x: LEFT - 5, y: py(t) + 4, "text-anchor": "end" }, String(t).replace("-", "\u2212")));
  }
  svg.append(node("line", { class: "axis", x1: LEFT, x2: W - RIGHT, y1: H - BOTTOM, y2: H - BOTTOM }));
  svg.append(node("line", { class: "axis", x1: LEFT, x2: LEFT, y1: TOP, y2: H - BOTTOM }));
  svg.append(node("text", { x: (LEFT + W) / 2, y: H - 5, "text-anchor": "middle" }, xLabel));
  for (const line of lines) {
    let points = [];
    const flush = () => {
      if (points.length > 1) svg.append(node("polyline", { class: `l${line.look}`, points: points.join(" ") }));
      points = [];
    };
    line.x.forEach((x, i) => (line.y[i] === null ? flush() : points.push(`${px(x).toFixed(1)},${py(line.y[i]).toFixed(1)}`)));
    flush();
  }
  const caption = document.createElement("figcaption");
  caption.textContent = `${title} [${yLabel}]`;
  const key = document.createElement("p");
  key.className = "key";
  for (const line of lines) {
    const one = document.createElement("span");
    const mark = node("svg", { class: "chart", viewBox: "0 0 34 8", "aria-hidden": "true" });
    mark.append(node("polyline", { class: `l${line.look}`, points: "0,4 34,4" }));
    one.append(mark, ` ${line.name}`);
    key.append(one);
  }
  figure.append(caption, svg, key);
  return figure;
}
