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

// The search. The lines are packed: base64 of raw deflate of columns of differences (see the page's source).
const NOT_JUDGED = 2147483647;
const mark = element(mapSvg, "polyline", { fill: "none", stroke: "#22262b", "stroke-width": 4, "stroke-linejoin": "round", "pointer-events": "none" });
const unpacked = (async () => {
  const bytes = Uint8Array.from(atob(byId("lines").textContent), (letter) => letter.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  const columns = JSON.parse(await new Response(stream).text());
  for (const column of columns) column.forEach((step, index) => { if (index > 0) column[index] += column[index - 1]; });
  return columns;
})();
unpacked.catch(() => {});
const findLine = ([lines, ...columns], text) => {
  mark.setAttribute("points", "");
  if (!/^[0-9]+$/.test(text.trim())) return "Give a whole number: a line of the job, counted from 1.";
  const line = Number(text);
  if (line < 1 || line > data.lines) return `There is no line ${text.trim()}: the job has ${data.lines} lines.`;
  let from = 0, to = lines.length;
  while (from < to) {
    const middle = (from + to) >> 1;
    if (lines[middle] < line) from = middle + 1;
    else to = middle;
  }
  if (data.leftOut > 0 && line > data.lastLine) return `Line ${line}: only the first layer's lines up to ${data.lastLine} are kept in this page, ${data.leftOut} more are not.`;
  const next = lines[from];
  if (next !== line) {
    const near = [from > 0 ? `the last one before it that does is ${lines[from - 1]}` : "", next !== undefined ? `the next one that does is ${next}` : ""].filter(Boolean);
    return `Line ${line} lays nothing on the bed${near.length > 0 ? "; " + near.join(", ") : ""}.`;
  }
  const [x, y, worstX, worstY, ...errors] = columns.map((column) => column[from]);
  const run = chosen.run, worst = errors[2 * run] === NOT_JUDGED ? [x, y] : [worstX, worstY];
  mark.setAttribute("points", [[x, y], worst].map(([x, y]) => mapX(x / 10).toFixed(1) + "," + mapY(y / 10).toFixed(1)).join(" "));
  move(worst[0] / 10, worst[1] / 10);
  const said = data.runs.map((name, run) => {
    const [least, most] = errors.slice(2 * run, 2 * run + 2);
    return least === NOT_JUDGED ? `${name} refused` : `${name} ${signed(least / 10, 1)} to ${signed(most / 10, 1)}`;
  });
  return `Line ${line}: from X ${written(x / 10, 1)}, Y ${written(y / 10, 1)} mm. Gap error, \u00b5m: ${said.join("; ")}. ` +
    `Largest, ${data.runs[data.inUse]}, at X ${written(worstX / 10, 1)}, Y ${written(worstY / 10, 1)} mm.`;
};
byId("find-line").addEventListener("submit", async (event) => {
  event.preventDefault();
  const text = byId("line").value;
  byId("found-line").textContent = await unpacked.then((columns) => findLine(columns, text), () => "This browser cannot unpack the lines: use a newer one.");
});
// An answer to another question is none.
byId("line").addEventListener("input", () => {
  byId("found-line").textContent = "";
  mark.setAttribute("points", "");
});
