// The slider over the layers. A layer is [Z in um, then lowest, mean and highest of its top in
// each run in 0.1 um, null where all was refused].
const layerSlider = byId("slide-layer");
const drawLayer = (rows, low, high) => {
  const group = byId("layer-chart").querySelector("g");
  group.replaceChildren();
  const px = (value) => 150 + (value - low) / (high - low) * 398;
  for (const tick of ticks(low, high, niceStep((high - low) / 6))) {
    element(group, "line", { x1: px(tick), x2: px(tick), y1: 8, y2: 116, stroke: tick === 0 ? "#22262b" : "#e3e6e8" });
    element(group, "text", { x: px(tick), y: 131, "text-anchor": "middle", fill: "#5a626b", "font-size": 12 }, signed(tick, 0));
  }
  rows.forEach(([lowest, mean, highest], run) => {
    const y = 26 + run * 34, colour = data.styles[run].colour;
    element(group, "text", { x: 138, y: y + 4, "text-anchor": "end" }, data.runs[run]);
    if (lowest === null) return;
    element(group, "rect", { x: px(lowest), y: y - 8, width: Math.max(px(highest) - px(lowest), 1), height: 16, fill: colour, "fill-opacity": 0.4, stroke: colour });
    element(group, "line", { x1: px(mean), x2: px(mean), y1: y - 12, y2: y + 12, stroke: colour, "stroke-width": 3 });
  });
  element(group, "text", { x: 349, y: 150, "text-anchor": "middle" }, "nozzle above the layer\u2019s plane, \u00b5m");
};
if (data.layers.length > 0) {
  const tops = data.layers.flatMap((layer) => layer.slice(1)).filter((top) => top !== null);
  const widest = tops.reduce(([least, most], top) => [Math.min(least, top / 10), Math.max(most, top / 10)], [0, 1]);
  const showLayer = () => {
    const index = Number(layerSlider.value) - 1, layer = data.layers[index];
    const said = `${index + 1} of ${data.layers.length}, Z ${written(layer[0] / 1000, 2)} mm`;
    byId("slid-layer").textContent = said;
    layerSlider.setAttribute("aria-valuetext", said);
    const rows = data.runs.map((_, run) => layer.slice(1 + 3 * run, 4 + 3 * run).map((top) => top === null ? null : top / 10));
    rows.forEach((row, run) => row.forEach((top, figure) => {
      byId(`layer-${run}-${figure}`).textContent = top === null ? "refused" : signed(top, 1);
    }));
    byId("layer-chart").querySelector("desc").textContent = `Layer ${said}; the same figures as in the table.`;
    drawLayer(rows, ...widest);
  };
  layerSlider.addEventListener("input", showLayer);
  showLayer();
}

// The search. A stretch of path is [first line, last line, start in mm, X, Y in 0.1 mm, then lowest and highest of each
// run in 0.1 um]; a worst place is [line, X, Y in 0.1 mm, gap error in 0.1 um].
const mark = element(mapSvg, "polyline", { fill: "none", stroke: "#22262b", "stroke-width": 4, "stroke-linejoin": "round", "pointer-events": "none" });
const findLine = (line) => {
  const found = data.path.filter((stretch) => stretch[0] <= line && line <= stretch[1]);
  mark.setAttribute("points", "");
  if (found.length === 0) {
    const later = data.path.find((stretch) => stretch[0] > line), last = data.path.at(-1);
    const near = later ? ` The next line that does is ${later[0]}.` : last ? ` The last line that does is ${last[1]}.` : "";
    return `Line ${line} lays nothing down on the first layer.${near}`;
  }
  const first = found[0], end = data.path[data.path.indexOf(found.at(-1)) + 1];
  const corners = end ? [...found, end] : found;
  mark.setAttribute("points", corners.map((stretch) => mapX(stretch[3] / 10).toFixed(1) + "," + mapY(stretch[4] / 10).toFixed(1)).join(" "));
  const worst = data.worst[chosen.run]?.find((place) => place[0] === line);
  if (worst) move(worst[1] / 10, worst[2] / 10);
  else move(first[3] / 10, first[4] / 10);
  const errors = data.runs.map((name, run) => {
    const judged = found.filter((stretch) => stretch[5 + 2 * run] !== null);
    if (judged.length === 0) return `${name} refused`;
    const least = Math.min(...judged.map((stretch) => stretch[5 + 2 * run])), most = Math.max(...judged.map((stretch) => stretch[6 + 2 * run]));
    return `${name} ${signed(least / 10, 1)} to ${signed(most / 10, 1)}`;
  });
  const lines = found.at(-1)[1] === first[0] ? `Line ${first[0]}` : `Lines ${first[0]} to ${found.at(-1)[1]}`;
  return `${lines}: from X ${written(first[3] / 10, 1)}, Y ${written(first[4] / 10, 1)} mm, ${written(first[2] / 1000, 2)} m along the first layer. Gap error, \u00b5m: ${errors.join("; ")}.` +
    (worst ? ` Its worst place, ${data.runs[chosen.run]}: ${signed(worst[3] / 10, 1)} \u00b5m at X ${written(worst[1] / 10, 1)}, Y ${written(worst[2] / 10, 1)} mm.` : "");
};
byId("find-line").addEventListener("submit", (event) => {
  event.preventDefault();
  byId("found-line").textContent = findLine(Number(byId("line").value));
});
