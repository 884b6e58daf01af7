const data = JSON.parse(document.getElementById("data").textContent);
const SPACE = "http://www.w3.org/2000/svg";
const lastColumn = data.columns - 1, lastRow = data.rows - 1;
const right = data.x0 + lastColumn * data.stepX, top = data.y0 + lastRow * data.stepY;
const chosen = { run: data.inUse, x: data.opensAt[0], y: data.opensAt[1] };
const byId = (id) => document.getElementById(id);
const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
const written = (value, digits) => {
  const text = value.toFixed(digits);
  return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", "\u2212");
};
const signed = (value, digits) => (Number(value.toFixed(digits)) > 0 ? "+" : "") + written(value, digits);

// Heights are stored in 0.1 um, each less what a straight line through the two before it in its row makes it.
for (const values of [data.bed, ...data.nozzle]) {
  for (let index = 0, last = 0, slope = 0; index < values.length; index += 1) {
    if (index % data.columns === 0) [last, slope] = [0, 0];
    slope += values[index];
    last += slope;
    values[index] = last;
  }
}

// Between the nodes of the lattice they are bilinear.
const height = (values, x, y) => {
  const u = clamp((x - data.x0) / data.stepX, 0, lastColumn), v = clamp((y - data.y0) / data.stepY, 0, lastRow);
  const i = Math.min(Math.floor(u), lastColumn - 1), j = Math.min(Math.floor(v), lastRow - 1);
  const at = (column, row) => values[row * data.columns + column] / 10;
  const s = u - i, t = v - j;
  return (at(i, j) * (1 - s) + at(i + 1, j) * s) * (1 - t) + (at(i, j + 1) * (1 - s) + at(i + 1, j + 1) * s) * t;
};
const heightsAt = (x, y) => {
  const bed = height(data.bed, x, y), nozzle = height(data.nozzle[chosen.run], x, y);
  return { bed, nozzle, error: nozzle - bed - data.firstLayer };
};

// As everywhere: the tolerance and the squeeze both hold; for a tool that is meant to touch only the tolerance does.
const classOf = (error) => {
  const { contact, tooClose, good, tooFar, loose } = data.classes, squeeze = 1 + error / data.firstLayer;
  const [closeBelow, farAbove, looseAbove] = data.lays ? data.squeezes : [-Infinity, Infinity, Infinity];
  if (data.lays && error + data.firstLayer <= 0) return contact;
  if (error < -data.tolerance || squeeze < closeBelow) return tooClose;
  if (squeeze > looseAbove) return loose;
  return error > data.tolerance || squeeze > farAbove ? tooFar : good;
};

const element = (parent, name, attributes, text) => {
  const made = document.createElementNS(SPACE, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  parent.append(made);
  return made;
};

// One scale for both sections and all runs, so that lines can be compared while they move.
let low = Infinity, high = -Infinity;
for (const values of [data.bed, ...data.nozzle]) {
  for (const value of values) {
    low = Math.min(low, value / 10);
    high = Math.max(high, value / 10);
  }
}
const margin = Math.max((high - low) * 0.08, 1);
low -= margin;
high += margin;

const niceStep = (rough) => {
  const power = 10 ** Math.floor(Math.log10(rough));
  return [1, 2, 5, 10].find((factor) => factor * power >= rough * (1 - 1e-9)) * power;
};
const ticks = (from, to, step) => {
  const found = [];
  for (let index = Math.ceil(from / step - 1e-9); index * step <= to + step * 1e-9; index += 1) found.push(index * step);
  return found;
};

const FRAME = { left: 62, top: 10, width: 486, height: 190 };
const drawSection = (svg, along, from, to, place, marked) => {
  const group = svg.querySelector("g");
  group.replaceChildren();
  const px = (value) => FRAME.left + (value - from) / (to - from) * FRAME.width;
  const py = (value) => FRAME.top + (high - value) / (high - low) * FRAME.height;
  const bottom = FRAME.top + FRAME.height;
  const count = 2 * (along === "X" ? lastColumn : lastRow);
  const samples = Array.from({ length: count + 1 }, (_, index) => {
    const value = from + (to - from) * index / count;
    return { value, ...(along === "X" ? heightsAt(value, place) : heightsAt(place, value)) };
  });
  const path = (list, pick) => list.map((sample) => px(sample.value).toFixed(1) + "," + py(pick(sample)).toFixed(1)).join(" ");
  const asked = (sign) => (sample) => sample.bed + data.firstLayer + sign * data.tolerance;
  const style = data.styles[chosen.run];

  for (const tick of ticks(from, to, niceStep((to - from) / 8))) {
    element(group, "line", { x1: px(tick), x2: px(tick), y1: FRAME.top, y2: bottom + 4, stroke: "#e3e6e8" });
    element(group, "text", { x: px(tick), y: bottom + 17, "text-anchor": "middle", fill: "#5a626b", "font-size": 12 }, written(tick, 0));
  }
  const stepY = niceStep((high - low) / 6), digits = stepY < 1 ? 2 : 0;
  for (const tick of ticks(low, high, stepY)) {
    element(group, "line", { x1: FRAME.left - 4, x2: FRAME.left + FRAME.width, y1: py(tick), y2: py(tick), stroke: "#e3e6e8" });
    element(group, "text", { x: FRAME.left - 8, y: py(tick) + 4, "text-anchor": "end", fill: "#5a626b", "font-size": 12 }, written(tick, digits));
  }
  const back = samples.slice().reverse();
  element(group, "polygon", { points: path(samples, asked(1)) + " " + path(back, asked(-1)), fill: "#e4efe6", stroke: "#5d8a68", "stroke-width": 0.8, "stroke-dasharray": "4 3" });
  element(group, "polygon", { points: path(samples, (sample) => sample.bed) + ` ${FRAME.left + FRAME.width},${bottom} ${FRAME.left},${bottom}`, fill: "#d9cdb8" });
  element(group, "polyline", { points: path(samples, (sample) => sample.bed), fill: "none", stroke: "#7b6a4c", "stroke-width": 1.6 });
  element(group, "polyline", { points: path(samples, (sample) => sample.nozzle), fill: "none", stroke: style.colour, "stroke-width": 2.2, "stroke-dasharray": style.dashes });
  element(group, "line", { x1: px(marked), x2: px(marked), y1: FRAME.top, y2: bottom, stroke: "#22262b", "stroke-dasharray": "2 3" });
  element(group, "rect", { x: FRAME.left, y: FRAME.top, width: FRAME.width, height: FRAME.height, fill: "none", stroke: "#22262b" });
  element(group, "text", { x: FRAME.left + FRAME.width / 2, y: bottom + 36, "text-anchor": "middle" }, along + ", mm");
  element(group, "text", { transform: `translate(14 ${FRAME.top + FRAME.height / 2}) rotate(-90)`, "text-anchor": "middle" }, "height, \u00b5m");
  const errors = samples.map((sample) => sample.error);
  svg.querySelector("desc").textContent =
    `${data.runs[chosen.run]}: gap error along this section from ${signed(Math.min(...errors), 0)} to ${signed(Math.max(...errors), 0)} \u00b5m.`;
};

const map = byId("probe-map"), mapSvg = map.querySelector("svg");
const cross = element(mapSvg, "g", { stroke: "#22262b", "stroke-width": 1.2, "pointer-events": "none" });
const crossLines = ["y", "x"].map(() => [{ stroke: "#ffffff", "stroke-width": 3, "stroke-opacity": 0.7 }, {}].map((style) => element(cross, "line", style)));
const ring = [{ stroke: "#ffffff", "stroke-width": 5 }, { stroke: "#22262b", "stroke-width": 2 }].map((style) => element(mapSvg, "circle", { r: 10, fill: "none", "pointer-events": "none", ...style }));
const mapX = (x) => data.map.left + (x - data.x0) / (right - data.x0) * data.map.width;
const mapY = (y) => data.map.top + (top - y) / (top - data.y0) * data.map.height;
const place = (line, x1, y1, x2, y2) => {
  for (const [key, value] of Object.entries({ x1, y1, x2, y2 })) line.setAttribute(key, value.toFixed(1));
};

const showReadout = (x, y, spoken) => {
  const { bed, nozzle, error } = heightsAt(x, y);
  // Under a moving pointer every change would be read aloud.
  byId("readout").setAttribute("aria-live", spoken ? "polite" : "off");
  byId("read-place").textContent = `${written(x, 1)}, ${written(y, 1)}`;
  byId("read-bed").textContent = written(bed, 1);
  byId("read-nozzle").textContent = written(nozzle, 1);
  byId("read-error").textContent = signed(error, 1);
  byId("read-word").textContent = classOf(error);
};
const showAll = () => {
  for (const line of crossLines[0]) place(line, data.map.left, mapY(chosen.y), data.map.left + data.map.width, mapY(chosen.y));
  for (const line of crossLines[1]) place(line, mapX(chosen.x), data.map.top, mapX(chosen.x), data.map.top + data.map.height);
  for (const circle of ring) {
    circle.setAttribute("cx", mapX(chosen.x).toFixed(1));
    circle.setAttribute("cy", mapY(chosen.y).toFixed(1));
  }
  for (const group of mapSvg.querySelectorAll("[data-run]")) {
    group.setAttribute("display", Number(group.dataset.run) === chosen.run ? "inline" : "none");
  }
  for (const [name, value] of [["x", chosen.x], ["y", chosen.y]]) {
    byId("slide-" + name).value = value;
    byId("slid-" + name).textContent = written(value, 1) + " mm";
    byId("slide-" + name).setAttribute("aria-valuetext", written(value, 1) + " mm");
  }
  byId("title-along-x").textContent = `Section along X, at Y ${written(chosen.y, 1)} mm`;
  byId("title-along-y").textContent = `Section along Y, at X ${written(chosen.x, 1)} mm`;
  drawSection(byId("along-x"), "X", data.x0, right, chosen.y, chosen.x);
  drawSection(byId("along-y"), "Y", data.y0, top, chosen.x, chosen.y);
  showReadout(chosen.x, chosen.y, true);
};
const move = (x, y) => {
  chosen.x = clamp(x, data.x0, right);
  chosen.y = clamp(y, data.y0, top);
  showAll();
};

// Null outside of the bed.
const underPointer = (event) => {
  const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(mapSvg.getScreenCTM().inverse());
  const x = data.x0 + (point.x - data.map.left) / data.map.width * (right - data.x0);
  const y = top - (point.y - data.map.top) / data.map.height * (top - data.y0);
  return x < data.x0 || x > right || y < data.y0 || y > top ? null : { x, y };
};
map.addEventListener("pointermove", (event) => {
  const found = underPointer(event);
  if (found && event.buttons === 1) move(found.x, found.y);
  else if (found) showReadout(found.x, found.y, false);
});
map.addEventListener("pointerleave", () => showReadout(chosen.x, chosen.y, false));
map.addEventListener("click", (event) => {
  const found = underPointer(event);
  if (found) move(found.x, found.y);
});
map.addEventListener("keydown", (event) => {
  const step = event.shiftKey ? 10 : 1;
  const [x, y] = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, step], ArrowDown: [0, -step] }[event.key] ?? [0, 0];
  if (x === 0 && y === 0) return;
  event.preventDefault();
  move(chosen.x + x, chosen.y + y);
});
byId("slide-x").addEventListener("input", (event) => move(Number(event.target.value), chosen.y));
byId("slide-y").addEventListener("input", (event) => move(chosen.x, Number(event.target.value)));
// What else follows the run.
const runChosen = [];
const choose = (run) => {
  chosen.run = run;
  document.querySelector(`input[name=run][value="${run}"]`).checked = true;
  for (const follow of runChosen) follow();
  showAll();
};
for (const radio of document.querySelectorAll("input[name=run]")) {
  radio.addEventListener("change", () => choose(Number(radio.value)));
  // A browser may keep the choice of the last visit.
  if (radio.checked) chosen.run = Number(radio.value);
}
showAll();
