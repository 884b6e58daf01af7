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
// Text of an element that holds base64 of raw deflate, unpacked.
const unpackedBytes = async (id) => {
  const bytes = Uint8Array.from(atob(byId(id).textContent), (letter) => letter.charCodeAt(0));
  return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate-raw")));
};

// The map of a layer. A cell takes four bits: 0, or 1 and the index of its class.
const drawCells = (bytes, layer) => {
  const { columns, rows, every, map } = data.cells;
  const group = byId("layer-map").querySelector("[data-cells]");
  group.replaceChildren();
  const kept = Math.floor(layer / every), start = kept * Math.ceil(columns * rows / 2);
  const [width, height] = [map.width / columns, map.height / rows];
  const areas = data.looks.map(() => ""), patterns = data.looks.map(() => "");
  for (let cell = 0; cell < columns * rows; cell += 1) {
    const code = bytes[start + (cell >> 1)] >> 4 * (cell & 1) & 15;
    if (code === 0) continue;
    const x = map.left + cell % columns * width, y = map.top + map.height - (Math.floor(cell / columns) + 1) * height;
    const at = (u, v) => (x + u * width).toFixed(1) + "," + (y + v * height).toFixed(1);
    areas[code - 1] += `M${at(0, 0)}H${(x + width).toFixed(1)}V${(y + height).toFixed(1)}H${x.toFixed(1)}Z`;
    const rising = `M${at(0, 1)}L${at(1, 0)}`, falling = `M${at(0, 0)}L${at(1, 1)}`, dot = `M${at(0.5, 0.5)}h0`;
    patterns[code - 1] += { plain: "", rising, crossed: rising + falling, dotted: dot, level: `M${at(0, 0.5)}h${width.toFixed(1)}` }[data.looks[code - 1].pattern];
  }
  data.looks.forEach(({ fill, ink, pattern }, index) => {
    if (areas[index] === "") return;
    // The border closes the hair between two cells.
    element(group, "path", { d: areas[index], fill, stroke: fill, "stroke-width": 0.8 });
    element(group, "path", { d: patterns[index], fill: "none", stroke: ink, "stroke-width": pattern === "dotted" ? 1.8 : 0.9, "stroke-linecap": "round", "stroke-opacity": 0.75 });
  });
  const z = (layer) => `Z ${written(data.layers[layer][0] / 1000, 2)} mm`;
  const found = data.looks.filter((_, index) => areas[index] !== "").map((look) => look.label);
  byId("layer-said").textContent = `Map of the layer at ${z(kept * every)}: ${found.length > 0 ? found.join(", ") : "nothing on the plate"}.`;
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
    if (cells) drawCells(cells, index);
  };
  let cells;
  unpackedBytes("cells").then((answer) => answer.arrayBuffer()).then((buffer) => {
    cells = new Uint8Array(buffer);
    showLayer();
  }, () => { byId("layer-said").textContent = "This browser cannot unpack the maps: use a newer one."; });
  layerSlider.addEventListener("input", showLayer);
  showLayer();
}
